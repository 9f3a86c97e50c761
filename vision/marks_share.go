package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// A rim shows that something ends there; the area within it shows what. Where a sticker
// lies the raster is as far from the face as the sure stickers of its colour are, and beside
// it not at all. This speaks for stickers that hardly show by their rims, and against print
// and grain that have a rim.

// What the share that leftShare returns adds to the log odds of a disc: shareLevel, less
// shareSlope for each factor e of it; fitted to 17,700 discs of 1,029 random boards (seeds
// 40000-40599, 42000-42328 and 70000-70099).
const (
	shareLevel = -0.8
	shareSlope = 1.25
	leastShare = 0.03
	mostShare  = 300.0
)

// leastByShare is the chance from which what its rim did not speak for is taken.
const leastByShare = 0.6

// byShare judges discs anew by what lies within them. It returns those of found that still
// are likely stickers with those of weak that this speaks for, and the rest.
func (s *search) byShare(found, weak []*disc) (more, rest []*disc) {
	more = slices.Clone(found)
	for n := -1; n != len(more); { // what is dropped bares what it covered
		n = len(more)
		for _, d := range slices.Clone(more) {
			if chanceTimes(d.chance, s.areaOdds(d, more)) < 0.5 {
				more = slices.DeleteFunc(more, func(o *disc) bool { return o == d })
				rest = append(rest, d)
			}
		}
	}
	all := slices.Concat(more, rest, weak)
	odds := make([]float64, len(all)) // before any chance is changed: the surest discs tell of the others
	for i, d := range all {
		odds[i] = s.areaOdds(d, more)
	}
	for i, d := range all {
		d.chance = chanceTimes(d.chance, odds[i])
	}
	for i, d := range weak {
		beside := func(o *disc) bool { return o.group == d.group && r2.Norm(r2.Sub(o.pos, d.pos)) < leastApart*d.radius }
		if odds[len(all)-len(weak)+i] > 1 && d.chance >= leastByShare && !slices.ContainsFunc(more, beside) {
			more = append(more, d)
		} else {
			rest = append(rest, d)
		}
	}
	return more, rest
}

// chanceTimes returns the chance whose odds are so many times those of the one given.
func chanceTimes(chance, odds float64) float64 { return chance * odds / (chance*odds + 1 - chance) }

// areaOdds is how many times likelier what lies within d makes it a sticker, among the discs
// found; 1 where that cannot be told.
func (s *search) areaOdds(d *disc, found []*disc) float64 {
	g := s.surest(d)
	if g == nil {
		return 1
	}
	odds, shown := 0.0, s.shownAbout(d, found)
	for _, v := range veils {
		share, ok := s.leftShare(shown, veiled(g.mean, v.light))
		if !ok {
			return 1
		}
		odds = max(odds, v.worth*math.Exp(shareLevel-shareSlope*math.Log(max(leastShare, min(mostShare, share)))))
	}
	return odds
}

// veils are what light may lie over a sticker beside that which falls on the others of its
// colour, as a share of white, and by how much less what is seen through it counts: own
// choice, no source. Gloss and haze pale most what has a dark channel, on a zone of a like
// colour to less than half its contrast.
var veils = [...]struct {
	light float32
	worth float64
}{{0, 1}, {0.02, 0.4}, {0.06, 0.4}}

// veiled returns the opponent colour o with so much white light over it.
func veiled(o [3]float32, light float32) [3]float32 {
	c := lightOf(o)
	return opponentOf(rgb{c[0] + light, c[1] + light, c[2] + light})
}

// leastShown pixels within a disc, and as many beside it, that no other disc takes tell what it is.
const leastShown = 8

// shownPixel is a pixel of the raster within a disc or beside it.
type shownPixel struct {
	r    int     // its radius on the face, px
	left rgb     // of its colour by the face
	away float64 // from the disc's centre, radii
}

// shownAbout returns the pixels about d that no other disc found takes.
func (s *search) shownAbout(d *disc, found []*disc) (shown []shownPixel) {
	const reach = 1.6 // radii
	others := slices.DeleteFunc(slices.Clone(found), func(o *disc) bool {
		return o == d || r2.Norm(r2.Sub(o.pos, d.pos)) > reach*d.radius+o.radius+s.rimWidth(o)
	})
	left := &s.m.residual.ch
	s.visit(d.pos, reach*d.radius, func(i int) {
		at := s.placeOf(i)
		if s.y.ok[i] && !slices.ContainsFunc(others, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, at)) < o.radius+s.rimWidth(o) }) {
			shown = append(shown, shownPixel{int(s.index[i]), rgb{left[0][i], left[1][i], left[2][i]}, r2.Norm(r2.Sub(at, d.pos)) / d.radius})
		}
	})
	return shown
}

// leftShare returns how much of what the pixels about a disc show of the colour own is left
// when a disc of that colour is laid there, as a share of what is there without (sums of
// squares): 0 for a sticker, 1 and more where the face explains it as well. ok is false where
// other discs or the face's own colour leave nothing to see.
func (s *search) leftShare(shown []shownPixel, own [3]float32) (share float64, ok bool) {
	const soft = 0.5 // radii, over which a rim is spread
	before, after := 0.0, 0.0
	within, beside := 0, 0
	type way struct {
		weights rgb
		clear   float32
	}
	ways := map[int]way{}
	for _, p := range shown {
		w, known := ways[p.r]
		if !known {
			w.weights, w.clear = s.towards(own, p.r)
			ways[p.r] = w
		}
		if w.clear < 1 {
			continue
		}
		v := float64(max(-1, min(2, w.weights.dot(p.left))))
		disc := max(0, min(1, 0.5-(p.away-1)/soft))
		before += v * v
		after += (v - disc) * (v - disc)
		switch {
		case p.away < 1-soft/2:
			within++
		case p.away > 1+soft/2:
			beside++
		}
	}
	return after / max(before, 1e-9), within >= leastShown && beside >= leastShown
}

// towards returns the weights of what the face leaves over at radius r of the raster, px,
// whose sum is 1 for the colour own and 0 for the face (Fisher's linear discriminant), and
// how many standard deviations these are apart.
func (s *search) towards(own [3]float32, r int) (weights rgb, apart float32) {
	off := s.offFace(own, r)
	for c := range off {
		sd := max(s.m.spread[c][r], 1.5*leastSpread[c])
		weights[c] = off[c] / (sd * sd)
	}
	full := weights.dot(off)
	for c := range weights {
		weights[c] /= max(full, 1e-9)
	}
	return weights, float32(math.Sqrt(float64(full)))
}

// surest returns the group of d's colour name that holds the most sure discs beside d;
// nil for none.
func (s *search) surest(d *disc) (best *group) {
	if d.group < 0 || s.groups[d.group].name == "" {
		return nil
	}
	most := 0.0
	for _, g := range s.groups {
		sum := 0.0
		for _, o := range g.discs {
			if o != d && o.chance >= sureAlone {
				sum += o.chance
			}
		}
		if g.name == s.groups[d.group].name && sum > most {
			best, most = g, sum
		}
	}
	return best
}
