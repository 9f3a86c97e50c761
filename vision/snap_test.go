package vision

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// A place pointed at anywhere on a sticker leads to the sticker's true centre, and
// to where the detector puts it; a place on bare paper leads nowhere.
func TestSnap(t *testing.T) {
	s := boardtest.Plain(1200, 1200)
	s.Camera.Tilt, s.Camera.Azimuth = 0.35, 0.6
	const sizeMM = 19.0
	s.Marks = append(boardtest.Stickers("red", sizeMM, [2]float64{40, 30}, [2]float64{-70, 20}, [2]float64{75, -90}),
		boardtest.Stickers("blue", sizeMM, [2]float64{60, 60}, [2]float64{72, 66})...) // the second hides a part of the first
	img, truth := boardtest.Render(s)
	rect := truth.Rectification
	found, _, _ := findMarks(&photo.Photo{Image: img}, rect, circlesOf(truth), MarkOptions{Colours: []string{"red", "blue"}, SizeMM: sizeMM})
	for _, m := range truth.Marks {
		limitMM := 0.15
		if m.VisibleFraction < 1 {
			limitMM = 0.4
		}
		detected := math.Inf(1)
		for _, f := range found {
			detected = math.Min(detected, math.Hypot(f.Pos.X-m.X, f.Pos.Y-m.Y))
		}
		for k := range 9 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 8)
			off := r2.Vec{X: 0.55 * sizeMM / 2 * cos, Y: 0.55 * sizeMM / 2 * sin}
			if k == 8 {
				off = r2.Vec{}
			}
			at := r2.Add(r2.Vec{X: m.X, Y: m.Y}, off)
			covered := false // another sticker lies there: that one is meant
			for _, o := range truth.Marks {
				covered = covered || (o != m && math.Hypot(at.X-o.X, at.Y-o.Y) < sizeMM/2)
			}
			if covered {
				continue
			}
			for _, hold := range []bool{true, false} {
				got, ok := Snap(img, rect, rect.ToPhoto(at), sizeMM/2, hold)
				if away := math.Hypot(got.Pos.X-m.X, got.Pos.Y-m.Y); !ok || !(away <= math.Max(limitMM, 2*detected)) {
					t.Errorf("Snap(%s at %.0f, %.0f, pointed %.1f, %.1f mm off, hold %v) = %.2f mm from the truth, %v; want at most %.2f (the detector: %.2f)", m.Name, m.X, m.Y, off.X, off.Y, hold, away, ok, limitMM, detected)
				}
				if sd := math.Sqrt(got.CovMM2[0] + got.CovMM2[2]); !(sd > 0 && sd < 0.5) {
					t.Errorf("Snap(%s at %.0f, %.0f) states %.3f mm", m.Name, m.X, m.Y, sd)
				}
			}
		}
	}
	for _, bare := range []r2.Vec{{X: -20, Y: -70}, {X: 10, Y: 120}, {X: 5000, Y: 0}} {
		if got, ok := Snap(img, rect, rect.ToPhoto(bare), sizeMM/2, true); ok {
			t.Errorf("Snap on bare paper at %v = %+v", bare, got)
		}
	}
}

func BenchmarkSnap(b *testing.B) {
	s := boardtest.Plain(1200, 1200)
	s.Marks = boardtest.Stickers("red", 19, [2]float64{40, 30})
	img, truth := boardtest.Render(s)
	at := truth.Rectification.ToPhoto(r2.Vec{X: 43, Y: 33})
	for b.Loop() {
		if _, ok := Snap(img, truth.Rectification, at, 9.5, true); !ok {
			b.Fatal("no disc")
		}
	}
}
