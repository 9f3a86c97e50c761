package boardtest

import (
	"image"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

func tilted(w, h int) Scene {
	s := Plain(w, h)
	s.Camera.Tilt, s.Camera.Azimuth, s.Camera.Roll = 0.6, 0.4, 0.1
	s.Camera.AimPx = calib.Px{X: 12.3, Y: -7.7}
	s.Camera.K1 = -0.06
	s.Camera.DistanceMM *= 1.15
	s.Imaging = Imaging{}
	return s
}

// level is the linear light of a pixel's green channel.
func level(img *image.NRGBA, x, y int) float64 {
	return decode(float64(img.Pix[img.PixOffset(x, y)+1]) / 255)
}

// A disc of one colour on another: its centroid in linear light, over a window
// that holds it, must be the centroid of the true outline, which is worked out
// from the projected circle by Green's theorem and so knows nothing of rays.
func TestDiscCentroid(t *testing.T) {
	for _, at := range [][2]float64{{31.7, 42.1}, {-150.2, 20.4}, {120.9, -93.3}, {210, 210}} {
		s := tilted(600, 450)
		s.Face.Rings = s.Face.Rings[:1]
		s.Marks = Stickers("black", 20, at)
		bare := s
		bare.Marks = nil
		with, truth := Render(s)
		without, _ := Render(bare)
		want := outlineCentroid(truth.Rectification, at, 10)
		r := truth.Rectification
		lo, hi := bounds(r, at, 12)
		ink := decode(30.0/255) * 0.85
		var sum, sx, sy float64
		for y := int(lo.Y); y <= int(hi.Y)+1; y++ {
			for x := int(lo.X); x <= int(hi.X)+1; x++ {
				// The share of the pixel that is ink, whatever the paper's grain.
				paper := level(without, x, y)
				v := (paper - level(with, x, y)) / (paper - ink)
				sum, sx, sy = sum+v, sx+v*float64(x), sy+v*float64(y)
			}
		}
		got := calib.Px{X: sx / sum, Y: sy / sum}
		if !(got.Sub(want).Norm() < 0.02) {
			t.Errorf("disc at %v: centroid %v, outline says %v", at, got, want)
		}
	}
}

// outlineCentroid integrates the projected circle's outline.
func outlineCentroid(r *calib.Rectification, at [2]float64, radius float64) calib.Px {
	const n = 2000
	var a, cx, cy float64
	point := func(i int) calib.Px {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / n)
		return r.ToPhoto(r2.Vec{X: at[0] + radius*cos, Y: at[1] + radius*sin})
	}
	for i := range n {
		p, q := point(i), point(i+1)
		k := p.X*q.Y - q.X*p.Y
		a, cx, cy = a+k/2, cx+(p.X+q.X)*k/6, cy+(p.Y+q.Y)*k/6
	}
	return calib.Px{X: cx / a, Y: cy / a}
}

func bounds(r *calib.Rectification, at [2]float64, radius float64) (lo, hi calib.Px) {
	lo, hi = calib.Px{X: math.Inf(1), Y: math.Inf(1)}, calib.Px{X: math.Inf(-1), Y: math.Inf(-1)}
	for i := range 90 {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / 90)
		p := r.ToPhoto(r2.Vec{X: at[0] + radius*cos, Y: at[1] + radius*sin})
		lo.X, lo.Y = math.Min(lo.X, p.X), math.Min(lo.Y, p.Y)
		hi.X, hi.Y = math.Max(hi.X, p.X), math.Max(hi.Y, p.Y)
	}
	return lo, hi
}
