package vision

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib/boardtest"
)

// A board that hangs turned, or a photo held askew, has its up from the printed
// mark; what is no mark, or not clearly one, leaves the photo's upright.
func TestUp(t *testing.T) {
	mark := boardtest.UpMark{TipMM: 226, SizeMM: 20, Colour: ink}
	for _, c := range []struct {
		name   string
		change func(*boardtest.Scene)
		want   UpSource
	}{
		{"level", func(s *boardtest.Scene) { s.Face.UpMark = mark }, UpByMark},
		{"askew", func(s *boardtest.Scene) { s.Face.UpMark, s.Camera.Roll = mark, 0.6 }, UpByMark},
		{"upside down", func(s *boardtest.Scene) { s.Face.UpMark, s.Camera.Roll = mark, 3.1 }, UpByMark},
		{"small", func(s *boardtest.Scene) {
			s.Face.UpMark, s.Camera.Roll = boardtest.UpMark{TipMM: 218, SizeMM: 11, Colour: ink}, -1.2
		}, UpByMark},
		{"light on dark", func(s *boardtest.Scene) {
			s.Board.Paper, s.Face.UpMark = boardtest.Colour{R: 24, G: 40, B: 90}, mark
			s.Face.UpMark.Colour = cream
			for i := range s.Face.Rings {
				s.Face.Rings[i].Line = cream
			}
		}, UpByMark},
		{"in leaf shadow, with stickers beside it", func(s *boardtest.Scene) {
			s.Face.UpMark = mark
			s.Light = boardtest.Light{Name: "leaves", Ambient: 0.35, Sun: 0.6, Shadow: "leaves", PenumbraMM: 6}
			s.Marks = boardtest.Stickers("blue", 19, [2]float64{30, 212}, [2]float64{-60, 210}, [2]float64{-215, 10})
		}, UpByMark},
		{"no mark", func(*boardtest.Scene) {}, UpByPhoto},
		{"stickers only", func(s *boardtest.Scene) {
			s.Marks = boardtest.Stickers("black", 16, [2]float64{30, 212}, [2]float64{-160, 150}, [2]float64{-205, 10})
		}, UpByPhoto},
		{"caption only", func(s *boardtest.Scene) { s.Face.Caption, s.Face.CaptionMM = "BOARD 4 VA", 14 }, UpByPhoto},
		{"half under a sticker", func(s *boardtest.Scene) {
			s.Face.UpMark = mark
			s.Marks = boardtest.Stickers("blue", 19, [2]float64{7, 212})
		}, UpByPhoto},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := tilted(25, 40, -0.04)
			s.Camera.Width, s.Camera.Height, s.Camera.FocalPx = 960, 720, s.Camera.FocalPx*0.6
			c.change(&s)
			p, truth := asPhoto(s)
			fit, err := locateIn(p, specOf(s.Face))
			if err != nil {
				t.Fatal(err)
			}
			rect, up := turnUp(p.Image, fit.sol.Rectification, fit.circles[0].RadiusMM)
			if up.Source != c.want {
				t.Fatalf("up rests on the %s, want the %s", up.Source, c.want)
			}
			if up.Source == UpByPhoto {
				return
			}
			top := rect.ToBoard(truth.Rectification.ToPhoto(r2.Vec{Y: 200}))
			if off := math.Abs(math.Atan2(top.X, top.Y)); !(off <= 3*up.SigmaRad) || !(up.SigmaRad < 0.002) {
				t.Errorf("up is off by %.4f rad, stated sigma %.4f", off, up.SigmaRad)
			}
		})
	}
}

// Sizes do not depend on up: the same marks, the same distances, with and without
// the mark being heeded.
func TestSizesAreFreeOfUp(t *testing.T) {
	s := tilted(20, 70, 0)
	s.Camera.Roll = 0.5
	s.Face.UpMark = boardtest.UpMark{TipMM: 226, SizeMM: 20, Colour: ink}
	s.Marks = boardtest.Stickers("blue", 19, [2]float64{30, 60}, [2]float64{-90, 10}, [2]float64{40, -120})
	p, _ := asPhoto(s)
	distances := func(photoUp bool) (out []float64) {
		r, err := Read(p, Options{Rings: specOf(s.Face), PhotoUp: photoUp, Marks: MarkOptions{Colours: []string{"blue"}, SizeMM: 19}})
		if err != nil || len(r.Marks) != 3 {
			t.Fatalf("%d marks, %v, want 3", len(r.Marks), err)
		}
		if want := map[bool]UpSource{true: UpByPhoto, false: UpByMark}[photoUp]; r.Up.Source != want {
			t.Errorf("up from %s, want %s", r.Up.Source, want)
		}
		for i := range r.Marks {
			for _, m := range r.Marks[:i] {
				out = append(out, r2.Norm(r2.Sub(r.Marks[i].Pos, m.Pos)))
			}
		}
		slices.Sort(out)
		return out
	}
	with, without := distances(false), distances(true)
	for i := range with {
		if !(math.Abs(with[i]-without[i]) <= 0.1) {
			t.Errorf("distance %d: %.3f mm with the up mark, %.3f without", i, with[i], without[i])
		}
	}
}
