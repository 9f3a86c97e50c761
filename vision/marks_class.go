package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// group is one sticker colour as this photo shows it: the discs whose insides look
// alike but for the light.
type group struct {
	mean    [3]float32 // opponent colour in the board's mean light
	members []int      // indices of its discs among those grouped
	discs   []*disc
	colours [][3]float32 // of discs
	name    string       // "" for a colour that is not looked for
	second  string       // a name that fits nearly as well, "" for none
}

// Two insides of one colour are less than sameColour apart on average; shadeWeight says how
// little a difference of brightness counts, since light falls unevenly.
const (
	sameColour  = 0.4
	shadeWeight = 0.35
)

func apart(a, b [3]float32) float64 {
	u, v, w := shadeWeight*float64(a[0]-b[0]), float64(a[1]-b[1]), float64(a[2]-b[2])
	return math.Sqrt(u*u + v*v + w*w)
}

// surface returns the colour of a disc's inside in the board's mean light, taken from
// the nearest place on the face: what stands behind the board is lit otherwise.
func (s *search) surface(d *disc) [3]float32 {
	o := opponentOf(d.inside)
	at := d.pos
	if r := r2.Norm(at); r > s.outerMM {
		at = r2.Scale(s.outerMM/r, at)
	}
	p := s.flat.ToFlat(at)
	if x, y := int(p.X+0.5), int(p.Y+0.5); x >= 0 && y >= 0 && x < s.y.w && y < s.y.h {
		o[0] -= s.m.light.near(0, x, y)
	}
	return o
}

// groupColours joins discs of one colour and names the groups: the two groups that
// are nearest on average become one as long as they look the same (average linkage).
func (s *search) groupColours(ds []*disc) {
	s.groups = nil
	colours := make([][3]float32, len(ds))
	for i, d := range ds {
		colours[i] = s.surface(d)
		d.group = i
		s.groups = append(s.groups, &group{members: []int{i}})
	}
	for {
		bestA, bestB, best := -1, -1, sameColour
		for a := range s.groups {
			for b := range a {
				sum := 0.0
				for _, i := range s.groups[a].members {
					for _, j := range s.groups[b].members {
						sum += apart(colours[i], colours[j])
					}
				}
				if mean := sum / float64(len(s.groups[a].members)*len(s.groups[b].members)); mean < best {
					bestA, bestB, best = a, b, mean
				}
			}
		}
		if bestA < 0 {
			break
		}
		s.groups[bestB].members = append(s.groups[bestB].members, s.groups[bestA].members...)
		s.groups = slices.Delete(s.groups, bestA, bestA+1)
	}
	for k, g := range s.groups {
		v := make([]float32, len(g.members))
		for c := range 3 {
			for i, m := range g.members {
				v[i] = colours[m][c]
			}
			g.mean[c] = selectKth(v, len(v)/2)
		}
		for _, m := range g.members {
			ds[m].group = k
			g.discs = append(g.discs, ds[m])
			g.colours = append(g.colours, colours[m])
		}
	}
	s.nameGroups()
}

// relate sets for each disc the group whose colour it has and how far it is from the
// nearest other disc of it. Discs far from any keep the nearest. A disc of a declared
// colour that no sure disc has, or that it alone has, is not held against any: its
// shape goes on speaking for it.
func (s *search) relate(all []*disc) []*disc {
	white := s.whiteGain()
	for _, d := range all {
		own := s.surface(d)
		alone := s.lone(d)
		if len(s.opts.Colours) > 0 && !alone {
			name, _ := s.nameOf(own, white)
			alone = name != "" && !s.hasGroup(name)
		}
		d.group, d.kin = -1, math.Inf(1)
		if alone && len(s.opts.Colours) > 0 {
			continue
		}
		for k, g := range s.groups {
			for i, o := range g.discs {
				if q := apart(own, g.colours[i]); o != d && q < d.kin {
					d.group, d.kin = k, q
				}
			}
		}
		d.chance = s.chanceOf(d)
	}
	return all
}

// Two discs or more, of leastFaint chance each and together of faintSum, that have a
// declared colour without a sure disc speak for each other.
const (
	leastFaint = 0.1
	faintSum   = 0.6
)

// faintColours returns the discs that tell of declared colours without a sure disc.
func (s *search) faintColours(all []*disc) (out []*disc) {
	white := s.whiteGain()
	for _, c := range s.opts.Colours {
		if s.hasGroup(c) {
			continue
		}
		var ds []*disc
		sum := 0.0
		for _, d := range all {
			if d.chance < leastFaint || double(d, ds) {
				continue
			}
			if name, _ := s.nameOf(s.surface(d), white); name == c {
				ds = append(ds, d)
				sum += d.chance
			}
		}
		if len(ds) > 1 && sum >= faintSum {
			out = append(out, ds...)
		}
	}
	return out
}

// hasGroup reports whether a group has the name.
func (s *search) hasGroup(name string) bool {
	return slices.ContainsFunc(s.groups, func(g *group) bool { return g.name == name })
}

// lone reports whether d alone stands for a colour that has a name.
func (s *search) lone(d *disc) bool {
	own := slices.IndexFunc(s.groups, func(g *group) bool { return len(g.discs) == 1 && g.discs[0] == d && g.name != "" })
	return own >= 0 && !slices.ContainsFunc(s.groups, func(g *group) bool { return g != s.groups[own] && g.name == s.groups[own].name })
}

// named drops discs of groups without a name.
func (s *search) named(ds []*disc) []*disc {
	return slices.DeleteFunc(ds, func(d *disc) bool { return d.group < 0 || s.groups[d.group].name == "" })
}

// linearOf returns the opponent colour o in linear light.
func linearOf(o [3]float32) [3]float64 {
	g := float64(o[0]) - float64(o[1]+o[2])/3
	var out [3]float64
	for k, v := range [3]float64{g + float64(o[1]), g, g + float64(o[2])} {
		out[k] = max(0, math.Exp(v)-logFloor)
	}
	return out
}
