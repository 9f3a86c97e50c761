package vision

import (
	"testing"

	"dartfall/calib/boardtest"
)

// The dot in the middle of a face is no sticker, however much it looks like one of the
// sizes that are looked for; a sticker a few millimetres off the middle is one.
func TestCentreDotIsNoSticker(t *testing.T) {
	s := boardtest.Plain(1600, 1200)
	s.Face.Centre = boardtest.CentreMark{Shape: "dot", SizeMM: 24, Colour: boardtest.Colour{R: 200, G: 30, B: 40}}
	s.Marks = boardtest.Stickers("red", 24, [2]float64{60, 40}, [2]float64{-70, 30}, [2]float64{20, -90}, [2]float64{-50, -60})
	for _, c := range []struct {
		name string
		at   [][2]float64 // more stickers
	}{{"alone", nil}, {"with one beside it", [][2]float64{{14, 12}}}} {
		t.Run(c.name, func(t *testing.T) {
			s.Marks = append(s.Marks, boardtest.Stickers("red", 24, c.at...)...)
			p, truth := photographed(t, s)
			r, err := Read(p, Options{Rings: specOf(s.Face)})
			if err != nil {
				t.Fatal(err)
			}
			if missed, extra, _ := scored(truth, r.Marks); missed+extra > 0 {
				t.Errorf("missed %d, extra %d of %d: %v", missed, extra, len(truth.Marks), r.Marks)
			}
		})
	}
}

// Print of a sticker's colour is no sticker, however many discs it shows; and stickers
// that a quarter turn takes to each other here and there are no print.
func TestStickersAndPrint(t *testing.T) {
	for _, c := range []struct {
		name   string
		seed   uint64
		misses int // at most: one of the heap lies under others
	}{
		{"red stickers, eights on a red zone", 40436, 0},
		{"red stickers, a red cross", 40407, 0},
		{"a heap", 30120, 1},
		{"a heap about the centre", 40181, 1},
		{"four a quarter turn apart", 40303, 0},
		{"a heap that rules the circles about the centre", 40298, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, truth := photographed(t, boardtest.Random(c.seed, boardtest.Varied))
			o := MarkOptions{SizeMM: truth.Marks[0].DiameterMM}
			for _, m := range truth.Marks {
				o.Colours = append(o.Colours, m.Name)
			}
			marks, _, _ := findMarks(p, truth.Rectification, circlesOf(truth), o)
			if missed, extra, _ := scored(truth, marks); missed > c.misses || extra != 0 {
				t.Errorf("missed %d, extra %d of %d", missed, extra, len(truth.Marks))
			}
		})
	}
}
