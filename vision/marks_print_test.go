package vision

import (
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

func TestDropRepeated(t *testing.T) {
	for _, c := range []struct {
		name  string
		at    []r2.Vec
		drops int
	}{
		{"upright numerals a quarter turn apart", []r2.Vec{{X: 4, Y: 112}, {X: 4, Y: -88}, {X: 104, Y: 12}, {X: -96, Y: 12}, {X: 30, Y: 20}}, 4},
		{"screws in the corners", []r2.Vec{{X: 230, Y: 260}, {X: -230, Y: 260}, {X: 230, Y: -260}, {X: -230, Y: -260}}, 4},
		{"three of the screws", []r2.Vec{{X: 230, Y: 260}, {X: -230, Y: 260}, {X: 230, Y: -260}, {X: 40, Y: 205}}, 3},
		{"a rectangle on the face", []r2.Vec{{X: 80, Y: 60}, {X: -80, Y: 60}, {X: 80, Y: -60}, {X: -80, Y: -60}}, 0},
		{"one out of place", []r2.Vec{{X: 4, Y: 112}, {X: 4, Y: -88}, {X: 104, Y: 12}, {X: -93, Y: 12}}, 0},
		{"too near the centre to tell", []r2.Vec{{X: 20}, {X: -20}, {Y: 20}, {Y: -20}}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &search{outerMM: 200}
			var all []*disc
			for _, p := range c.at {
				all = append(all, &disc{pos: p, nominalMM: 8, chance: 0.9})
			}
			if got := len(c.at) - len(s.dropRepeated(append([]*disc(nil), all...), all)); got != c.drops {
				t.Errorf("%d discs dropped, want %d", got, c.drops)
			}
		})
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
