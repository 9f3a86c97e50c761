package vision

import (
	"math"
	"testing"

	"dartfall/calib/boardtest"
)

// Linear values of 8-bit sRGB by IEC 61966-2-1, computed for this project in
// double precision.
func TestSRGBToLinear(t *testing.T) {
	for c, want := range map[float64]float64{0: 0, 1: 0.00030353, 10: 0.00303527, 11: 0.00334654, 32: 0.01444384,
		64: 0.05126946, 100: 0.12743768, 127: 0.21223076, 128: 0.21586050, 188: 0.50288646, 200: 0.57758044, 254: 0.99110210} {
		if got := srgbToLinear(c / 255); !(math.Abs(got-want) < 1e-8) {
			t.Errorf("srgbToLinear(%v/255) = %v, want %v", c, got, want)
		}
	}
}

// CIELAB of sRGB colours (CIE 1976, D65); other published roundings of the matrix
// move these by up to 0.02.
func TestLabOf(t *testing.T) {
	for _, c := range []struct{ r, g, b, l, a, bb float64 }{
		{255, 0, 0, 53.2329, 80.1093, 67.2201}, {0, 255, 0, 87.7370, -86.1846, 83.1812}, {0, 0, 255, 32.3026, 79.1967, -107.8637},
		{255, 255, 0, 97.1382, -21.5559, 94.4825}, {255, 128, 0, 67.0501, 42.8324, 74.0260}, {240, 90, 150, 59.9245, 62.7151, -1.9144},
		{128, 128, 128, 53.5850, 0, 0},
	} {
		got := labOf(srgbToLinear(c.r/255), srgbToLinear(c.g/255), srgbToLinear(c.b/255))
		if !(math.Abs(got.L-c.l) < 0.02 && math.Abs(got.A-c.a) < 0.02 && math.Abs(got.B-c.bb) < 0.02) {
			t.Errorf("labOf(%v, %v, %v) = %v, want %v %v %v", c.r, c.g, c.b, got, c.l, c.a, c.bb)
		}
	}
}

// Pairs from Sharma, Wu, Dalal, Color Res. Appl. 30, 2005, table 1.
func TestCIEDE2000(t *testing.T) {
	for _, c := range []struct {
		pair int
		p, q lab
		want float64
	}{
		{1, lab{50, 2.6772, -79.7751}, lab{50, 0, -82.7485}, 2.0425},
		{4, lab{50, -1.3802, -84.2814}, lab{50, 0, -82.7485}, 1.0000},
		{7, lab{50, 0, 0}, lab{50, -1, 2}, 2.3669},
		{9, lab{50, 2.49, -0.001}, lab{50, -2.49, 0.0009}, 7.1792},
		{10, lab{50, 2.49, -0.001}, lab{50, -2.49, 0.0010}, 7.1792},
		{11, lab{50, 2.49, -0.001}, lab{50, -2.49, 0.0011}, 7.2195},
		{15, lab{50, -0.001, 2.49}, lab{50, 0.0011, -2.49}, 4.7461},
		{17, lab{50, 2.5, 0}, lab{73, 25, -18}, 27.1492},
		{19, lab{50, 2.5, 0}, lab{56, -27, -3}, 31.9030},
		{25, lab{60.2574, -34.0099, 36.2677}, lab{60.4626, -34.1751, 39.4387}, 1.2644},
		{29, lab{22.7233, 20.0904, -46.6940}, lab{23.0331, 14.9730, -42.5619}, 2.0373},
		{34, lab{2.0776, 0.0795, -1.1350}, lab{0.9033, -0.0636, -0.5514}, 0.9082},
	} {
		for _, got := range []float64{ciede2000(c.p, c.q), ciede2000(c.q, c.p)} {
			if !(math.Abs(got-c.want) < 1e-4) {
				t.Errorf("pair %d: %.5f, want %.4f", c.pair, got, c.want)
			}
		}
	}
}

// On a board without anything white the stickers themselves tell how dark a photo is.
func TestNamesInADarkPhoto(t *testing.T) {
	s := tilted(15, 40, 0)
	s.Board.PaperWidthMM, s.Board.PaperHeightMM = 0, 0 // brown board
	s.Marks = append(boardtest.Stickers("orange", 20, [2]float64{60, 40}, [2]float64{-70, 30}, [2]float64{20, -90}),
		boardtest.Stickers("yellow", 20, [2]float64{-50, -60}, [2]float64{90, -20}, [2]float64{10, 70})...)
	for _, ev := range []float64{0, -1, -2} {
		s.Imaging.ExposureEV = ev
		p, truth := photographed(t, s)
		marks, _, _ := findMarks(p, truth.Rectification, circlesOf(truth), MarkOptions{})
		if missed, extra, _ := scored(truth, marks); missed+extra > 0 { // a wrong name misses
			t.Errorf("at %g stops: missed %d, extra %d: %v", ev, missed, extra, marks)
		}
	}
}
