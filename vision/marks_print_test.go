package vision

import (
	"image"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

func TestDropRepeated(t *testing.T) {
	for _, c := range []struct {
		name  string
		at    []r2.Vec
		drops int
	}{
		{"upright numerals a quarter turn apart", []r2.Vec{{X: 4, Y: 112}, {X: 4, Y: -88}, {X: 104, Y: 12}, {X: -96, Y: 12}, {X: 30, Y: 20}}, 4},
		{"screws in the corners", []r2.Vec{{X: 230, Y: 260}, {X: -230, Y: 260}, {X: 230, Y: -260}, {X: -230, Y: -260}}, 4},
		{"three of the screws, the fourth out of the photo", []r2.Vec{{X: 230, Y: -260}, {X: -230, Y: -260}, {X: 230, Y: 260}, {X: 40, Y: 205}}, 3},
		{"three off the face, nothing in the fourth corner", []r2.Vec{{X: 230, Y: 260}, {X: -230, Y: 260}, {X: -230, Y: -260}}, 0},
		{"two of the screws of a long board", []r2.Vec{{X: 190, Y: 290}, {X: -190, Y: -290}}, 2},
		{"two off the face, not across", []r2.Vec{{X: 190, Y: 290}, {X: -150, Y: -290}}, 0},
		{"a rectangle on the face", []r2.Vec{{X: 80, Y: 60}, {X: -80, Y: 60}, {X: 80, Y: -60}, {X: -80, Y: -60}}, 0},
		{"one out of place", []r2.Vec{{X: 4, Y: 112}, {X: 4, Y: -88}, {X: 104, Y: 12}, {X: -93, Y: 12}}, 0},
		{"too near the centre to tell", []r2.Vec{{X: 20}, {X: -20}, {Y: 20}, {Y: -20}}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := evenSearch(200)
			s.img = image.NewNRGBA(image.Rect(0, 0, 600, 600))
			var ok bool
			s.rect, ok = calib.FromHomography([9]float64{1, 0, 200, 0, -1, 300, 0, 0, 1}, calib.Lens{})
			if !ok {
				t.Fatal("no plane")
			}
			var all []*disc
			for _, p := range c.at {
				all = append(all, &disc{pos: p, nominalMM: 8, radius: 8, chance: 0.9})
			}
			if got := len(c.at) - len(s.dropRepeated(append([]*disc(nil), all...), all)); got != c.drops {
				t.Errorf("%d discs dropped, want %d", got, c.drops)
			}
		})
	}
}

// Four places that repeat but look different are no print.
func TestPrintLooksAlike(t *testing.T) {
	s := evenSearch(200)
	var all []*disc
	for i, p := range []r2.Vec{{X: 4, Y: 112}, {X: 4, Y: -88}, {X: 104, Y: 12}, {X: -96, Y: 12}} {
		d := &disc{pos: p, nominalMM: 8, radius: 8, chance: 0.9, inside: rgb{0.6, 0.1, 0.1}}
		if i == 3 {
			d.inside = rgb{0.1, 0.1, 0.6}
		}
		all = append(all, d)
	}
	if got := s.dropRepeated(all, all); len(got) != 4 {
		t.Errorf("%d discs left, want all four", len(got))
	}
}

// Gloss on a sticker is part of it; a smaller sticker of another colour, or one that
// sticks out, is a sticker.
func TestDropPatches(t *testing.T) {
	big := &disc{radius: 8, group: 0}
	gloss := &disc{pos: r2.Vec{X: 3, Y: 2}, radius: 4, group: 0}
	other := &disc{pos: r2.Vec{X: -2}, radius: 4, group: 1}
	beside := &disc{pos: r2.Vec{Y: 9}, radius: 4, group: 0}
	got := dropPatches([]*disc{big, gloss, other, beside})
	if want := []*disc{big, other, beside}; !slices.Equal(got, want) {
		t.Errorf("dropPatches keeps %d discs of 4, want all but the gloss", len(got))
	}
}

// A row of unsure discs of one colour all along a ring is print; a sure one on it, a heap of
// unsure ones at one place and as many of another colour or distance are not.
func TestDropAlongRings(t *testing.T) {
	s := &search{flat: &Flat{PxPerMM: 2}, groups: []*group{{name: "red"}, {name: "blue"}}}
	at := func(deg, r, chance float64, group int) *disc {
		sin, cos := math.Sincos(deg * math.Pi / 180)
		return &disc{pos: r2.Vec{X: r * cos, Y: r * sin}, radius: 6, tol: 0.4, chance: chance, group: group}
	}
	var row, rest []*disc
	for k := range fewAlong {
		row = append(row, at(40*float64(k), 100+0.1*float64(k), 0.6, 0))
		rest = append(rest, at(300+2*float64(k), 200, 0.6, 0))               // a heap
		rest = append(rest, at(20+40*float64(k), 130+10*float64(k), 0.6, 0)) // scattered
	}
	rest = append(rest, at(250, 100, 0.95, 0), at(10, 60, 0.6, -1), at(100, 100, 0.6, 1))
	if got := s.dropAlongRings(slices.Concat(row, rest)); !slices.Equal(got, rest) {
		t.Errorf("%d discs are left, want the %d beside the row", len(got), len(rest))
	}
	if got := s.dropAlongRings(row[1:]); len(got) != fewAlong-1 {
		t.Errorf("%d of %d in a row are left, too few to tell", len(got), fewAlong-1)
	}
}
