package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// printReachMM is how far from a quarter turn's place a disc lies that the same numeral,
// upright there, shows.
const printReachMM = 10.0

// withoutPrint drops the discs that numerals and crosses show: print of a sticker's
// colour that repeats on the other half axes. Looking for it takes a while, so first
// some disc must have others like it there.
func (s *search) withoutPrint(all []*disc) []*disc {
	if !s.repeats(all) {
		return all
	}
	s.printed = s.findPrint()
	var kept, onPrint, stickers []*disc // clear of print, on it, and on it nevertheless
	for _, d := range all {
		// Stickers that lie a quarter turn apart by chance repeat, too, but end at their rims.
		rim := d.radius + s.rimWidth(d)
		switch {
		case s.printShare(d, 0, d.radius) <= mostPrinted:
			kept = append(kept, d)
		case s.surerThanPrint(d) || s.printShare(d, rim, rim+0.5*d.radius) <= leastBeyond:
			stickers = append(stickers, d)
		default:
			onPrint = append(onPrint, d)
		}
	}
	for _, d := range onPrint {
		if s.surerThanCopies(d, onPrint) {
			stickers = append(stickers, d)
		}
	}
	for _, d := range stickers {
		s.visit(d.pos, d.radius, func(i int) { s.printed[i] = false })
	}
	return append(kept, stickers...)
}

// isCentreMark reports whether a disc is a circle of the face, and no sticker on it: of
// the circle's size, and nearer to its centre, as well as that is known, than a shot can be
// expected to fall.
func (s *search) isCentreMark(d *disc) bool {
	off := max(0.02*d.radius, 0.3/s.flat.PxPerMM)
	if !slices.ContainsFunc(s.face, func(c Circle) bool { return math.Abs(c.RadiusMM-d.radius) < 2*off }) {
		return false
	}
	xx, _, yy := s.rect.PlaneCov(r2.Vec{})
	return r2.Norm(d.pos) < off+min(2*math.Sqrt(xx+yy), 0.1*d.radius)
}

// printShare returns the share of what lies from..to mm from the centre of d that is print.
func (s *search) printShare(d *disc, from, to float64) float64 {
	if s.printed == nil {
		return 0
	}
	shown, printed := 0, 0
	s.visit(d.pos, to, func(i int) {
		if r2.Norm(r2.Sub(s.placeOf(i), d.pos)) < from {
			return
		}
		shown++
		if s.printed[i] {
			printed++
		}
	})
	return float64(printed) / float64(max(1, shown))
}

// surerThanPrint reports whether a disc is a sticker although it repeats: sure by its
// outline, and seen all around, as no stroke's end is; or within two diameters of the centre,
// where stickers are dense and turn into each other by chance. Crosses are less sure there,
// and numerals show half a rim (1,000 random boards).
func (s *search) surerThanPrint(d *disc) bool {
	dense := r2.Norm(d.pos) < 4*d.radius && d.support() > 0.8
	return d.chance > 0.99 && (dense || d.on == d.seen())
}

// muchSurer are the odds of a disc being a sticker, to those of the copies of its numeral,
// that tell one that lies on the numeral: of 576 discs on print, on 1,165 random boards, the
// six stickers had 98 times or more, the others 45 or less. No copy has less than leastCopy.
const (
	muchSurer = 65
	leastCopy = 0.3
)

// surerThanCopies reports whether a disc on print is a sticker much more likely than what
// looks like it where that print repeats.
func (s *search) surerThanCopies(d *disc, onPrint []*disc) bool {
	odds := func(chance float64) float64 { return chance / (1 - chance) }
	best := leastCopy
	s.copies(d, onPrint, func(o *disc) { best = max(best, o.chance) })
	return odds(d.chance) > muchSurer*odds(best)
}

// copies calls f for the discs of the look of d near its quarter turns about the ring
// centre, and returns at how many turns there are any.
func (s *search) copies(d *disc, all []*disc, f func(o *disc)) (turns int) {
	reach, at := min(printReachMM, r2.Norm(d.pos)/2), d.pos
	for range 3 {
		at = r2.Vec{X: -at.Y, Y: at.X}
		some := false
		for _, o := range all {
			if o != d && r2.Norm(r2.Sub(o.pos, at)) < reach && apart(s.surface(o), s.surface(d)) < sameColour {
				f(o)
				some = true
			}
		}
		if some {
			turns++
		}
	}
	return turns
}

// mostPrinted is the largest share of a sticker's area that print of its colour, under
// it or beside it, takes.
const mostPrinted = 0.4

// leastBeyond is the least share of print just outside a disc that a numeral shows.
const leastBeyond = 0.05

// repeats reports whether a likely disc has others of its look near two of its three
// quarter turns about the ring centre.
func (s *search) repeats(all []*disc) bool {
	likely := slices.DeleteFunc(slices.Clone(all), func(d *disc) bool { return d.chance < 0.5 })
	return slices.ContainsFunc(likely, func(d *disc) bool {
		from := r2.Norm(d.pos)
		return from >= d.radius && from <= s.outerMM && s.copies(d, likely, func(*disc) {}) >= 2
	})
}

// findPrint returns the pixels of print that repeats (bare_print.go).
func (s *search) findPrint() []bool {
	own := *s // of which only the radii are read anew
	b := &bareSearch{search: &own, k: s.flat.PxPerMM, printed: make([]bool, s.y.w*s.y.h)}
	b.readRadii(s.m.faceRadii(s.y.w, s.y.h))
	b.smooth()
	b.weigh()
	b.explainNumerals()
	b.onCross(func(i int, k printInk, _ bool) {
		b.printed[i] = b.printed[i] || b.w.v[i] > 0 && b.shows(i, b.departs(b.index[i], k))
	})
	b.printEdges()
	return b.printed
}
