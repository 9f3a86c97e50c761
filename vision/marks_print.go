package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// Round parts of a board that are no stickers, as numerals and screw heads, come in
// fours: two pairs with one midpoint and one length. Numerals stand upright a quarter
// turn apart on a zone, so their pairs cross at right angles; screws sit in the
// corners of the board, off the face, and pair by pair cross at any angle. They look
// alike.

// repeatMM is how exactly such places repeat on the face. Off it the lens term is
// extrapolated, and what is left of it grows with the cube of the radius.
const repeatMM = 1.0

// dropRepeated drops the discs of found that belong to such a four among all.
func (s *search) dropRepeated(found, all []*disc) []*disc {
	type pair struct {
		a, b      *disc
		mid, half r2.Vec
	}
	alike := func(a, b *disc) bool { return apart(s.surface(a), s.surface(b)) < sameColour }
	var pairs []pair
	for i, a := range all {
		for _, b := range all[:i] {
			mid, half := r2.Scale(0.5, r2.Add(a.pos, b.pos)), r2.Scale(0.5, r2.Sub(a.pos, b.pos))
			if a.chance >= hopeless && b.chance >= hopeless && r2.Norm(mid) < 2*a.nominalMM+repeatMM && r2.Norm(half) > 6*a.nominalMM && alike(a, b) {
				pairs = append(pairs, pair{a, b, mid, half})
			}
		}
	}
	var repeated []*disc
	for _, a := range all {
		if a.chance >= hopeless && s.inCorners(a, all) {
			repeated = append(repeated, a)
		}
	}
	for i, p := range pairs {
		r := r2.Norm(p.half)
		slack := repeatMM * max(1, math.Pow(r/s.outerMM, 3))
		same := func(at r2.Vec) bool { return math.Abs(r2.Norm(r2.Sub(at, p.mid))-r) < slack }
		if r > s.outerMM {
			for _, d := range all {
				if d != p.a && d != p.b && same(d.pos) && alike(d, p.a) && s.faces(d, p.mid, slack, all) {
					repeated = append(repeated, p.a, p.b, d)
				}
			}
			continue
		}
		for _, q := range pairs[:i] {
			if r2.Norm(r2.Sub(p.mid, q.mid)) < repeatMM && same(q.a.pos) && math.Abs(r2.Dot(p.half, q.half)) < repeatMM*r && alike(p.a, q.a) {
				repeated = append(repeated, p.a, p.b, q.a, q.b)
			}
		}
	}
	return slices.DeleteFunc(found, func(d *disc) bool { return slices.Contains(repeated, d) })
}

// inCorners reports whether a disc well off the face has its like a quarter or half turn
// about the ring centre away, and something round at all such places in view, as screws in
// the corners of a board: of 135 stickers there, on 1,000 random boards, two had.
func (s *search) inCorners(d *disc, all []*disc) bool {
	const wellOff = 1.2
	from := r2.Norm(d.pos)
	if from < wellOff*s.outerMM {
		return false
	}
	slack := d.nominalMM + repeatMM*math.Pow(from/s.outerMM, 3)
	at, like := d.pos, false
	for range 3 {
		at = r2.Vec{X: -at.Y, Y: at.X}
		there := func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, at)) < slack }
		if _, ok := sampleRGB(s.img, s.rect.ToPhoto(at)); ok && !slices.ContainsFunc(all, there) {
			return false
		}
		like = like || slices.ContainsFunc(all, func(o *disc) bool {
			return there(o) && o.chance >= hopeless && apart(s.surface(o), s.surface(d)) < sameColour
		})
	}
	return like
}

// faces reports whether something round lies across mid from d, to slack mm, or the
// photo does not reach there.
func (s *search) faces(d *disc, mid r2.Vec, slack float64, all []*disc) bool {
	across := r2.Sub(r2.Scale(2, mid), d.pos)
	if _, ok := sampleRGB(s.img, s.rect.ToPhoto(across)); !ok {
		return true
	}
	return slices.ContainsFunc(all, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, across)) < max(slack, 0.3*o.radius) })
}
