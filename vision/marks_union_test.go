package vision

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// Stickers that cover most of each other are as many as their outline holds, few pixels wide
// as they are; one that lies alone stays one.
func TestStickersThatCoverEachOther(t *testing.T) {
	for _, c := range []struct {
		name string
		at   [][2]float64 // of stickers of 12 mm, 12 px wide
	}{
		{"alone", [][2]float64{{60, 60}}},
		{"half a radius apart", [][2]float64{{60, 60}, {62.5, 61.6}}},
		{"one radius apart", [][2]float64{{60, 60}, {55, 63}}},
		{"middle of three", [][2]float64{{60, 60}, {66, 62}, {72, 64}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := boardtest.Plain(600, 600)
			s.Imaging.BlurPx = 1
			s.Marks = append(boardtest.Stickers("blue", 12, c.at...), boardtest.Stickers("blue", 12, [2]float64{-75, 20}, [2]float64{-80, -80}, [2]float64{40, -90})...)
			img, truth := boardtest.Render(s)
			marks, _, _ := findMarks(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Colours: []string{"blue"}, SizeMM: 12})
			if missed, extra, rms := scored(truth, marks); missed != 0 || extra != 0 || rms > 0.5 {
				t.Errorf("missed %d, extra %d, RMS %.2f mm: %+v", missed, extra, rms, marks)
			}
		})
	}
}

// A union of two discs is not explained by one, and by two exactly.
func TestUnionGrows(t *testing.T) {
	a, b := r2.Vec{X: 1, Y: 2}, r2.Vec{X: 4, Y: 3.5}
	const radius, pixelMM = 6.0, 0.8
	read := func(centres ...r2.Vec) *union {
		u := &union{radius: radius, blur: 2}
		for y := -16.0; y < 20; y += pixelMM {
			for x := -16.0; x < 20; x += pixelMM {
				p := unionPixel{at: r2.Vec{X: x, Y: y}, worth: 1}
				p.share, _ = u.covered(p.at, centres)
				u.pixels = append(u.pixels, p)
			}
		}
		return u
	}
	const area = 3.1416 * radius * radius / pixelMM / pixelMM
	middle := r2.Scale(0.5, r2.Add(a, b))
	got := read(a, b).grow([]r2.Vec{middle}, area)
	if len(got) != 2 {
		t.Fatalf("%d discs explain two", len(got))
	}
	if r2.Norm(r2.Sub(got[0], a)) > r2.Norm(r2.Sub(got[0], b)) {
		got[0], got[1] = got[1], got[0]
	}
	if off := max(r2.Norm(r2.Sub(got[0], a)), r2.Norm(r2.Sub(got[1], b))); off > 0.1 {
		t.Errorf("discs %.2f mm off: %v", off, got)
	}
	if got := read(a).grow([]r2.Vec{r2.Add(a, r2.Vec{X: 0.5})}, area); len(got) != 1 {
		t.Errorf("%d discs explain one", len(got))
	}
}

// A whole rim leaves no room beside it, nor does one that a disc found explains; a rim of which
// part is elsewhere does.
func TestRoomBeside(t *testing.T) {
	made := func(x float64, at func(angle float64) float64) *disc {
		d := &disc{pos: r2.Vec{X: x}, radius: 6, tol: 0.3}
		for k := range raysPerDisc {
			a := rayAngle(k, raysPerDisc)
			d.rays = append(d.rays, ray{angle: a, seen: true, edge: true, at: at(a)})
		}
		d.tally(nil, nil)
		return d
	}
	bulging := func(a float64) float64 { return 6 + 4*max(0, math.Cos(a)-0.8) }
	whole, other := made(0, func(float64) float64 { return 6 }), made(7, func(float64) float64 { return 6 })
	if whole.roomBeside([]*disc{whole}) {
		t.Error("room beside a whole rim")
	}
	if d := made(0, bulging); !d.roomBeside([]*disc{d}) {
		t.Error("no room beside a rim that bulges")
	}
	if d := made(0, bulging); d.roomBeside([]*disc{d, other}) {
		t.Error("room where a disc found lies")
	}
}
