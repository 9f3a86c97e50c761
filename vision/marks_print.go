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

// inCorners reports whether a disc well off the face is a screw in a corner of the board.
// Such have their like across the ring centre and, on a square board, a quarter turn away;
// and nothing is missing at these places of any that looks like them, in view. Of 135
// stickers so far out, on 1,000 random boards, two had their like so.
func (s *search) inCorners(d *disc, all []*disc) bool {
	if !s.wellOff(d) {
		return false
	}
	var like []*disc // likely ones, and d
	for _, o := range all {
		if o == d || o.chance >= 0.5 && s.wellOff(o) && apart(s.surface(o), s.surface(d)) < sameColour {
			like = append(like, o)
		}
	}
	// missing tells of places so many quarter turns from o; paired is set where one holds its like.
	paired := false
	missing := func(o *disc, turns ...int) bool {
		slack := o.nominalMM + repeatMM*math.Pow(r2.Norm(o.pos)/s.outerMM, 3)
		at := o.pos
		for k := 1; k <= 3; k++ {
			if at = (r2.Vec{X: -at.Y, Y: at.X}); !slices.Contains(turns, k) {
				continue
			}
			there := func(q *disc) bool { return r2.Norm(r2.Sub(q.pos, at)) < slack }
			if _, ok := sampleRGB(s.img, s.rect.ToPhoto(at)); ok && !slices.ContainsFunc(all, there) {
				return true
			}
			paired = paired || slices.ContainsFunc(like, there)
		}
		return false
	}
	if !missing(d, 1, 2, 3) && paired {
		return true
	}
	paired = false
	return !slices.ContainsFunc(like, func(o *disc) bool { return missing(o, 2) }) && paired
}

// wellOff reports whether a disc lies so far off the face as screws do.
func (s *search) wellOff(d *disc) bool { return r2.Norm(d.pos) > 1.2*s.outerMM }

// faces reports whether something round lies across mid from d, to slack mm, or the
// photo does not reach there.
func (s *search) faces(d *disc, mid r2.Vec, slack float64, all []*disc) bool {
	across := r2.Sub(r2.Scale(2, mid), d.pos)
	if _, ok := sampleRGB(s.img, s.rect.ToPhoto(across)); !ok {
		return true
	}
	return slices.ContainsFunc(all, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, across)) < max(slack, 0.3*o.radius) })
}

// A line or the border of a zone that has a sticker's colour lends part of a rim to discs
// all along it: fewAlong of one colour, none of them sure and not all in one heap, at one
// distance from the ring centre are print.
const (
	fewAlong  = 5
	sureAlone = 0.9 // chance
	heapWide  = 8.0 // radii
)

// dropAlongRings drops such discs.
func (s *search) dropAlongRings(found []*disc) []*disc {
	name := func(d *disc) string {
		if d.group < 0 {
			return ""
		}
		return s.groups[d.group].name
	}
	along := func(d *disc) (row []*disc) {
		for _, o := range found {
			if o.chance < sureAlone && name(o) == name(d) && math.Abs(r2.Norm(o.pos)-r2.Norm(d.pos)) < s.rimWidth(d) {
				row = append(row, o)
			}
		}
		return row
	}
	return slices.DeleteFunc(slices.Clone(found), func(d *disc) bool {
		if d.chance >= sureAlone {
			return false
		}
		row := along(d)
		return len(row) >= fewAlong && slices.ContainsFunc(row, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, d.pos)) > heapWide*d.radius })
	})
}
