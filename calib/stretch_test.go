package calib

import (
	"math"
	"testing"
)

// A print 2% longer one way is told from a round one by the camera, square-on and
// tilted, and a round one is not accused.
func TestStretch(t *testing.T) {
	radii := []float64{100, 200, 300, 400}
	for _, c := range []struct {
		name             string
		tilt, x, y, want float64
	}{
		{"round, square-on", 0, 1, 1, 0},
		{"round, tilted", 30, 1, 1, 0},
		{"2% wider, square-on", 0, 1.02, 1, 0.02},
		{"2% taller, tilted", 30, 1, 1.02, 0.02},
	} {
		truth := tilted(t, 3000, 1900, c.tilt, 35, -0.02)
		h := truth.Homography()
		for _, i := range []int{0, 3, 6} { // board mm are those of the print
			h[i] *= c.x
			h[i+1] *= c.y
		}
		printed, ok := FromHomography(h, truth.Lens)
		if !ok {
			t.Fatal("degenerate view")
		}
		start := printed.WithTurn(0)
		sol, err := Solve(start, Problem{Points: edgePoints(printed, radii, 0.1, 3), Circles: priors(radii, 0.02), K1Sigma: 0.05, Robust: 1.345})
		if err != nil {
			t.Fatal(err)
		}
		got, sigmas := Stretch(sol.Rectification, FocalPrior{FocalPx: 3000, SigmaRel: 0.03, Principal: Px{2000, 1500}})
		if !(math.Abs(got-c.want) < 0.004) || (sigmas > 4) != (c.want > 0) {
			t.Errorf("%s: stretch %.4f (%.1f sigmas), want %v", c.name, got, sigmas, c.want)
		}
	}
}
