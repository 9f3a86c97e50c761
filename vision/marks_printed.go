package vision

import (
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
	share := func(d *disc, from, to float64) float64 {
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
	var kept, onPrint []*disc
	for _, d := range all {
		// Stickers that lie a quarter turn apart by chance repeat, too, but end at their rims.
		rim := d.radius + s.rimWidth(d)
		switch {
		case share(d, 0, d.radius) <= mostPrinted:
			kept = append(kept, d)
		case s.surerThanPrint(d) || share(d, rim, rim+0.5*d.radius) <= leastBeyond:
			kept, onPrint = append(kept, d), append(onPrint, d)
		}
	}
	for _, d := range onPrint {
		s.visit(d.pos, d.radius, func(i int) { s.printed[i] = false })
	}
	return kept
}

// surerThanPrint reports whether a disc is a sticker although it repeats: sure by its
// outline, and seen all around, as no stroke's end is; or within two diameters of the centre,
// where stickers are dense and turn into each other by chance. Crosses are less sure there,
// and numerals show half a rim (1,000 random boards).
func (s *search) surerThanPrint(d *disc) bool {
	dense := r2.Norm(d.pos) < 4*d.radius && d.support() > 0.8
	return d.chance > 0.99 && (dense || d.on == d.seen())
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
		if from < d.radius || from > s.outerMM {
			return false
		}
		reach := min(printReachMM, from/2)
		at, turns := d.pos, 0
		for range 3 {
			at = r2.Vec{X: -at.Y, Y: at.X}
			if slices.ContainsFunc(likely, func(o *disc) bool {
				return r2.Norm(r2.Sub(o.pos, at)) < reach && apart(s.surface(o), s.surface(d)) < sameColour
			}) {
				turns++
			}
		}
		return turns >= 2
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
