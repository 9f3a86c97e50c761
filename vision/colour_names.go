package vision

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// prototypes are typical sRGB values of coloured paper stickers under neutral
// light, several per name (own choice, common office and craft colours; no
// published source).
var prototypes = []struct {
	name    string
	r, g, b float64
}{
	{"red", 205, 35, 38}, {"red", 180, 30, 40}, {"red", 225, 45, 45},
	{"orange", 235, 115, 35}, {"orange", 245, 135, 50}, {"orange", 215, 95, 30},
	{"yellow", 250, 215, 50}, {"yellow", 235, 205, 30}, {"yellow", 255, 235, 90},
	{"green", 40, 145, 70}, {"green", 60, 165, 70}, {"green", 25, 115, 55}, {"green", 110, 190, 70},
	{"blue", 28, 88, 185}, {"blue", 40, 110, 210}, {"blue", 25, 65, 150}, {"blue", 50, 140, 205},
	{"purple", 115, 55, 145}, {"purple", 130, 70, 165}, {"purple", 95, 45, 130},
	{"pink", 240, 115, 170}, {"pink", 245, 90, 150}, {"pink", 245, 150, 190}, {"pink", 230, 80, 160},
	{"black", 30, 28, 28}, {"black", 45, 45, 48}, {"black", 18, 18, 20},
	{"white", 242, 240, 238}, {"white", 225, 225, 225}, {"white", 250, 245, 250},
}

// StickerColours are the names findMarks can give, in a fixed order.
var stickerColours = []string{"red", "blue", "purple", "green", "orange", "yellow", "pink", "black", "white"}

var prototypeLab = func() []lab {
	out := make([]lab, len(prototypes))
	for i, p := range prototypes {
		out[i] = labOf(srgbToLinear(p.r/255), srgbToLinear(p.g/255), srgbToLinear(p.b/255))
	}
	return out
}()

// nearNames is the least CIEDE2000 between stickers of two colours of which one may be
// taken for the other: purple in glare for pink, not for yellow (30; yellow and purple are
// 76 apart, the medium pair 38).
const nearNames = 30

// ColoursNear returns the other names that a sticker of so called a colour may have in odd
// light.
func ColoursNear(name string) (near []string) {
	for i, p := range prototypes {
		for j, q := range prototypes {
			if p.name == name && q.name != name && !slices.Contains(near, q.name) && ciede2000(prototypeLab[i], prototypeLab[j]) <= nearNames {
				near = append(near, q.name)
			}
		}
	}
	return near
}

// nameDistances returns the least CIEDE2000 from linear colour v to each of
// stickerColours.
func nameDistances(v [3]float64) map[string]float64 {
	c := labOf(v[0], v[1], v[2])
	out := map[string]float64{}
	for i, p := range prototypes {
		d := ciede2000(c, prototypeLab[i])
		if o, ok := out[p.name]; !ok || d < o {
			out[p.name] = d
		}
	}
	return out
}

// whiteGain returns the factor per channel that makes the lightest neutral thing of the
// board white: a part of the face, or stickers that are lighter, since paper may be cream;
// ones when there is nothing light. A dark photo, of a board that may be grey, is lightened
// as far as suits the colours of its stickers.
func (s *search) whiteGain() [3]float64 {
	neutral := func(o [3]float32) bool { return abs32(o[1]) < 0.35 && abs32(o[2]) < 0.6 }
	var white [3]float32
	white[0] = float32(math.Inf(-1))
	m := s.m
	type zone struct {
		v    [3]float32
		area float64
	}
	var zs []zone
	for r := range m.radial[0] {
		if v := [3]float32{m.radial[0][r], m.radial[1][r], m.radial[2][r]}; neutral(v) {
			zs = append(zs, zone{v, float64(r) + 0.5})
		}
	}
	sort.Slice(zs, func(i, j int) bool { return zs[i].v[0] > zs[j].v[0] })
	total := m.edgePx * m.edgePx / 2
	sum := 0.0
	for _, z := range zs {
		if sum += z.area; sum >= 0.04*total {
			white = z.v
			break
		}
	}
	for _, g := range s.groups {
		if len(g.discs) > 1 && neutral(g.mean) && g.mean[0] > white[0] {
			white = g.mean
		}
	}
	lin := linearOf(white)
	lum := 0.2126*lin[0] + 0.7152*lin[1] + 0.0722*lin[2]
	full := math.Pow(2, mostStops) // at most what makes it white
	if lum > 0 {
		full = min(full, 0.82/lum)
	}
	out := [3]float64{1, 1, 1}
	if lum >= 0.12 {
		for k := range 3 {
			out[k] = max(0.7, min(1.6, full)) * math.Pow(lum/lin[k], 0.8) // most, not all, of a cast is light
		}
	}
	best, most := math.Inf(1), out
	for stops := 0.0; out[1] <= full; stops += 0.25 {
		if cost := s.misnamed(out) + darkerDeltaE*stops; cost < best {
			best, most = cost, out
		}
		for k := range out {
			out[k] *= math.Pow(2, 0.25)
		}
	}
	return most
}

// inWhite returns the linear colour of an opponent one in a light in which white needs the
// gain white to be white.
func inWhite(colour [3]float32, white [3]float64) [3]float64 {
	lin := linearOf(colour)
	for k := range lin {
		lin[k] *= white[k]
	}
	return lin
}

// darkerDeltaE is what a photo that is taken to be darker by one stop must gain in the
// fit of its stickers' names, CIEDE2000; and no photo is darker by more than mostStops.
const (
	darkerDeltaE = 3.0
	mostStops    = 3
)

// misnamed is the mean CIEDE2000 of the groups to their nearest names, where white needs
// the gain white to be white.
func (s *search) misnamed(white [3]float64) float64 {
	sum, n := 0.0, 0.0
	for _, g := range s.groups {
		d := nameDistances(inWhite(g.mean, white))
		least := math.Inf(1)
		for name, v := range d {
			if len(s.opts.Colours) == 0 || slices.Contains(s.opts.Colours, name) {
				least = min(least, v)
			}
		}
		sum, n = sum+least*float64(len(g.discs)), n+float64(len(g.discs))
	}
	return sum / max(1, n)
}

// nameGroups gives each group its colour name, or none when it is no colour that is
// looked for. Where two names fit nearly alike the photo's surer groups of these names
// tell which, the most alike first: light tinges all.
func (s *search) nameGroups() {
	white := s.whiteGain()
	var open, settled []*group
	for _, g := range s.groups {
		g.name, g.second = s.nameOf(g.mean, white)
		if g.second == "" {
			settled = append(settled, g)
		} else {
			open = append(open, g)
		}
	}
	has := func(name string) bool {
		return slices.ContainsFunc(settled, func(g *group) bool { return g.name == name })
	}
	for len(open) > 0 {
		next, like, best := 0, (*group)(nil), math.Inf(1)
		for i, g := range open {
			for _, o := range settled {
				if d := apart(g.mean, o.mean); d < best && (o.name == g.name || o.name == g.second) && has(g.name) {
					next, like, best = i, o, d
				}
			}
		}
		g := open[next]
		switch {
		case like == nil:
		case best > otherColour && slices.Contains(s.opts.Colours, g.second) && !has(g.second):
			g.name = g.second // declared, and nothing else can be it
		default:
			g.name = like.name
		}
		settled = append(settled, g)
		open = slices.Delete(open, next, next+1)
	}
	s.nameTogether(white)
}

// nameTogether names the largest groups anew where a declared colour has none: such that
// the names fit best on the whole, a colour without a group counting for missingDeltaE and
// a group without a name for namelessDeltaE. Light that tinges all may turn one colour into
// another, but hardly two into one.
func (s *search) nameTogether(white [3]float64) {
	if !slices.ContainsFunc(s.opts.Colours, func(c string) bool { return !s.hasGroup(c) }) {
		return
	}
	large := slices.DeleteFunc(slices.Clone(s.groups), func(g *group) bool { return len(g.discs) < 3 })
	slices.SortStableFunc(large, func(a, b *group) int { return cmp.Compare(len(b.discs), len(a.discs)) })
	large = large[:min(6, len(large))]
	names := append([]string{""}, s.opts.Colours...)
	best, chosen, now := math.Inf(1), []string(nil), make([]string, len(large))
	var try func(i int, cost float64)
	try = func(i int, cost float64) {
		if i == len(large) {
			for _, c := range s.opts.Colours {
				if !slices.Contains(now, c) {
					cost += missingDeltaE
				}
			}
			if cost < best {
				best, chosen = cost, slices.Clone(now)
			}
			return
		}
		d := nameDistances(inWhite(large[i].mean, white))
		d[""] = namelessDeltaE
		for _, n := range names {
			if now[i] = n; d[n] <= namelessDeltaE {
				try(i+1, cost+d[n])
			}
		}
	}
	try(0, 0)
	for i, g := range large {
		if g.name != chosen[i] && chosen[i] != "" {
			g.name, g.second = chosen[i], ""
		}
	}
}

// What nameTogether weighs, CIEDE2000: no colour is farther than namelessDeltaE from its
// name.
const (
	missingDeltaE  = 9.0
	namelessDeltaE = 30.0
)

// otherColour is how far apart groups of one colour hardly are.
const otherColour = 2 * sameColour

// nameOf names an opponent colour seen where white paper would need the gain white to
// be white: "" for no colour that is looked for; and the second name, where one fits
// nearly as well.
func (s *search) nameOf(colour [3]float32, white [3]float64) (name, second string) {
	d := nameDistances(inWhite(colour, white))
	best, other := "", ""
	for _, n := range stickerColours {
		if len(s.opts.Colours) > 0 && !slices.Contains(s.opts.Colours, n) {
			if other == "" || d[n] < d[other] {
				other = n
			}
			continue
		}
		switch {
		case best == "" || d[n] < d[best]:
			best, second = n, best
		case second == "" || d[n] < d[second]:
			second = n
		}
	}
	if best == "" || d[best] > namelessDeltaE || (other != "" && d[best] > 1.6*d[other]+4) {
		return "", ""
	}
	if second != "" && d[best] <= 0.75*d[second] {
		second = ""
	}
	return best, second
}
