package boardtest

import (
	"math"
	"math/rand/v2"
)

const (
	// minMarkPx is the least diameter of a mark seen square-on in a fair photo.
	minMarkPx = 10.0
	// minApart is the least CIEDE2000 difference of a sticker from what it lies on:
	// a red sticker on a red zone is fair, white on white paper is invisible here,
	// where stickers have no thickness.
	minApart = 8.0
)

// randomStickers puts on one to four strings of stickers of one size; Crowded ones
// have ten shots or more and lie in heaps.
func (s *Scene) randomStickers(d draw, of Difficulty) {
	names := s.stickerNames(d)
	if len(names) == 0 {
		return
	}
	var sizes []float64
	for _, mm := range []float64{8, 10, 12, 13, 15, 16, 19, 20, 24, 25} {
		if mm*s.Camera.FocalPx/s.Camera.DistanceMM >= minMarkPx {
			sizes = append(sizes, mm)
		}
	}
	diameter := 25.0
	if len(sizes) > 0 {
		diameter = pick(d, sizes...)
	}
	for k, n := range names {
		aim, shots := s.aim(d, n.colour), 4+d.IntN(9)
		if of == Crowded {
			shots += 6
			aim.clustered, aim.heaped = 0.85, true
		}
		for range shots {
			if x, y, ok := s.impact(d, aim, diameter); ok {
				s.Marks = append(s.Marks, Mark{Kind: Sticker, X: x, Y: y, DiameterMM: diameter, Name: n.name, Colour: n.colour, String: k + 1})
			}
		}
	}
}

type namedColour struct {
	name   string
	colour Colour
}

// stickerNames draws one to four colours that can be told from all surfaces of
// the board; often one of them is nearly that of a zone.
func (s *Scene) stickerNames(d draw) (out []namedColour) {
	most := pick(d, 1, 1, 2, 2, 3, 3, 4)
	var own, other []namedColour
	for _, i := range d.Perm(len(ColourNames)) {
		n := namedColour{ColourNames[i], jitter(d, namedColours[ColourNames[i]], 5)}
		least := math.Inf(1)
		for _, c := range s.surfaces() {
			least = min(least, apart(c, n.colour))
		}
		switch {
		case least < minApart:
		case least < 2*minApart:
			own = append(own, n)
		default:
			other = append(other, n)
		}
	}
	if d.chance(0.6) {
		other = append(own, other...)
	} else {
		other = append(other, own...)
	}
	return other[:min(most, len(other))]
}

// aim is where a string's impacts fall.
type aim struct {
	x, y, sd float64
	// inner and outer limit the radius when outer > 0: a zone of the string's own
	// colour.
	inner, outer float64
	clustered    float64 // chance of an impact beside the one before it
	heaped       bool    // or beside any before it
}

func (s *Scene) aim(d draw, c Colour) aim {
	outer := s.Face.OuterMM()
	a := aim{
		x: 0.05 * outer * d.NormFloat64(), y: 0.05 * outer * d.NormFloat64(),
		sd: outer * d.between(0.05, 0.16), clustered: pick(d, 0.05, 0.15, 0.4),
	}
	rings := s.Face.Rings
	for i, r := range rings {
		if r.Fill != nil && apart(*r.Fill, c) < 2*minApart && d.chance(0.7) {
			a.outer = r.OuterDiameterMM / 2
			if i+1 < len(rings) {
				a.inner = rings[i+1].OuterDiameterMM / 2
			}
		}
	}
	return a
}

// impact draws a place on the board for a mark that does not all but hide another.
func (s *Scene) impact(d draw, a aim, diameter float64) (x, y float64, ok bool) {
	for range 50 {
		switch u := d.Float64(); {
		case u < a.clustered && len(s.Marks) > 0:
			last := s.Marks[len(s.Marks)-1]
			if a.heaped {
				last = s.Marks[d.IntN(len(s.Marks))]
			}
			sin, cos := math.Sincos(d.between(-math.Pi, math.Pi))
			r := d.between(0.5, 1.15) * diameter
			x, y = last.X+r*cos, last.Y+r*sin
		case u < a.clustered+0.05: // on a ring's line
			r := pick(d, s.Face.Rings...).OuterDiameterMM / 2
			sin, cos := math.Sincos(d.between(-math.Pi, math.Pi))
			x, y = r*cos, r*sin
		case u < a.clustered+0.09: // off the face
			r := s.Face.OuterMM()/2 + d.between(0.2, 4)*diameter
			sin, cos := math.Sincos(d.between(-math.Pi, math.Pi))
			x, y = r*cos, r*sin
		case a.outer > 0 && u < 0.6:
			r := d.between(a.inner, a.outer)
			sin, cos := math.Sincos(d.between(-math.Pi, math.Pi))
			x, y = r*cos, r*sin
		default:
			x, y = a.x+a.sd*d.NormFloat64(), a.y+a.sd*d.NormFloat64()
		}
		if s.free(x, y, diameter) {
			return x, y, true
		}
	}
	return 0, 0, false
}

// free reports whether a mark at (x, y) lies wholly on the board and leaves
// enough of the marks below it to be seen.
func (s *Scene) free(x, y, diameter float64) bool {
	if math.Abs(x) > s.Board.WidthMM/2-diameter/2-2 || math.Abs(y) > s.Board.HeightMM/2-diameter/2-2 {
		return false
	}
	least := 0.4 * diameter
	for _, m := range s.Marks {
		if m.Kind != Sticker { // two smudges on one place are one smudge
			least = 0.45 * (diameter + m.DiameterMM)
		}
		if math.Hypot(x-m.X, y-m.Y) < least {
			return false
		}
	}
	return true
}

// randomBareMarks puts on one string of marks of the kind that shows on the board.
func (s *Scene) randomBareMarks(d draw) {
	kinds := []Kind{Hole, Hole}
	allLight, allDark := true, true
	for _, c := range s.surfaces() {
		if c.light() {
			allDark = false
		} else {
			allLight = false
		}
	}
	if allLight {
		kinds = append(kinds, Smudge, Smudge, Dent, Dent)
	}
	if allDark {
		kinds = append(kinds, Chalk, Chalk, Chalk)
	}
	kind := pick(d, kinds...)
	least := minMarkPx * s.Camera.DistanceMM / s.Camera.FocalPx
	lo, hi := 7.0, 15.0
	if kind != Hole { // a foam tip's width
		lo, hi = 10, 18
	}
	lo = max(lo, least)
	a := s.aim(d, Colour{})
	a.clustered = min(a.clustered, 0.15)
	for range 6 + d.IntN(12) {
		diameter := d.between(lo, max(1.3*lo, hi))
		if x, y, ok := s.impact(d, a, diameter); ok {
			s.Marks = append(s.Marks, Mark{Kind: kind, X: x, Y: y, DiameterMM: diameter, String: 1})
		}
	}
	if kind == Hole {
		s.tear()
	}
}

// tear gives the holes rims: torn paper shows its white core, narrow or wide, much the
// same all over a board (common practice, no source). It draws from a stream of its own.
func (s *Scene) tear() {
	d := draw{rand.New(rand.NewPCG(s.Seed, 17))}
	width, bright := d.between(0.12, 0.45), d.Float64()
	for i := range s.Marks {
		s.Marks[i].Rim = Rim{
			Width:  min(0.45, max(0.12, width+0.03*d.NormFloat64())),
			Bright: clamp01(bright + 0.08*d.NormFloat64()),
		}
	}
}
