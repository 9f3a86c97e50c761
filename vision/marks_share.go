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
	if g := s.surest(d); g != nil {
		if share, ok := s.leftShare(d, g, found); ok {
			return math.Exp(shareLevel - shareSlope*math.Log(max(leastShare, min(mostShare, share))))
		}
	}
	return 1
}

// leastShown pixels within a disc, and as many beside it, that no other disc takes tell what it is.
const leastShown = 8

// leftShare returns how much of what the raster about d shows of g's colour is left when a
// disc of that colour is laid there, as a share of what is there without (sums of squares):
// 0 for a sticker, 1 and more where the face explains it as well. ok is false where other
// discs or the face's own colour leave nothing to see.
func (s *search) leftShare(d *disc, g *group, found []*disc) (share float64, ok bool) {
	const reach, soft = 1.6, 0.5 // radii about d that count, and over which a rim is spread
	others := slices.DeleteFunc(slices.Clone(found), func(o *disc) bool {
		return o == d || r2.Norm(r2.Sub(o.pos, d.pos)) > reach*d.radius+o.radius+s.rimWidth(o)
	})
	before, after := 0.0, 0.0
	within, beside := 0, 0
	s.visit(d.pos, reach*d.radius, func(i int) {
		at := s.placeOf(i)
		if !s.y.ok[i] || slices.ContainsFunc(others, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, at)) < o.radius+s.rimWidth(o) }) {
			return
		}
		weights, clear := s.towards(g, int(s.index[i]))
		if clear < 1 {
			return
		}
		left := &s.m.residual.ch
		v := float64(max(-1, min(2, weights.dot(rgb{left[0][i], left[1][i], left[2][i]}))))
		away := r2.Norm(r2.Sub(at, d.pos)) / d.radius
		disc := max(0, min(1, 0.5-(away-1)/soft))
		before += v * v
		after += (v - disc) * (v - disc)
		switch {
		case away < 1-soft/2:
			within++
		case away > 1+soft/2:
			beside++
		}
	})
	return after / max(before, 1e-9), within >= leastShown && beside >= leastShown
}

// towards returns the weights of what the face leaves over at radius r of the raster, px,
// whose sum is 1 for the colour of g and 0 for the face (Fisher's linear discriminant), and
// how many standard deviations these are apart.
func (s *search) towards(g *group, r int) (weights rgb, apart float32) {
	off := s.offFace(g, r)
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
