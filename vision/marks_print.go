package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// Round parts of a board that are no stickers, as numerals and screw heads, come in
// fours: two pairs with one midpoint and one length. Numerals stand upright a quarter
// turn apart on a zone, so their pairs cross at right angles; screws sit in the
// corners of the board, off the face, where three are enough to tell.

// repeatMM is how exactly such places repeat.
const repeatMM = 1.0

// dropRepeated drops the discs of found that belong to such a four among all.
func (s *search) dropRepeated(found, all []*disc) []*disc {
	type pair struct {
		a, b      *disc
		mid, half r2.Vec
	}
	var pairs []pair
	for i, a := range all {
		for _, b := range all[:i] {
			mid, half := r2.Scale(0.5, r2.Add(a.pos, b.pos)), r2.Scale(0.5, r2.Sub(a.pos, b.pos))
			if a.chance >= hopeless && b.chance >= hopeless && r2.Norm(mid) < 2*a.nominalMM+repeatMM && r2.Norm(half) > 6*a.nominalMM {
				pairs = append(pairs, pair{a, b, mid, half})
			}
		}
	}
	var repeated []*disc
	for i, p := range pairs {
		r := r2.Norm(p.half)
		same := func(at r2.Vec) bool { return math.Abs(r2.Norm(r2.Sub(at, p.mid))-r) < repeatMM }
		if r > s.outerMM {
			for _, d := range all {
				if d != p.a && d != p.b && same(d.pos) {
					repeated = append(repeated, p.a, p.b, d)
				}
			}
			continue
		}
		for _, q := range pairs[:i] {
			if r2.Norm(r2.Sub(p.mid, q.mid)) < repeatMM && same(q.a.pos) && math.Abs(r2.Dot(p.half, q.half)) < repeatMM*r {
				repeated = append(repeated, p.a, p.b, q.a, q.b)
			}
		}
	}
	return slices.DeleteFunc(found, func(d *disc) bool { return slices.Contains(repeated, d) })
}
