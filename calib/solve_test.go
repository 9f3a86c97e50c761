package calib

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// tilted returns the exact view of a board under a camera of the given focal
// length, tilted about an oblique axis.
func tilted(t testing.TB, focalPx, zMM, tiltDeg, azimuthDeg, k1 float64) *Rectification {
	t.Helper()
	sin, cos := math.Sincos(tiltDeg * math.Pi / 180)
	sa, ca := math.Sincos(azimuthDeg * math.Pi / 180)
	// Rotate by azimuth, tilt about x, rotate back; board y up, camera y down.
	m := mul3([9]float64{ca, -sa, 0, sa, ca, 0, 0, 0, 1}, mul3([9]float64{1, 0, 0, 0, cos, -sin, 0, sin, cos}, [9]float64{ca, sa, 0, -sa, ca, 0, 0, 0, 1}))
	h := [9]float64{m[0], -m[1], 40, m[3], -m[4], -30, m[6], -m[7], zMM}
	k := [9]float64{focalPx, 0, 2000, 0, focalPx, 1500, 0, 0, 1}
	r, ok := FromHomography(mul3(k, h), Lens{CentrePx: Px{2000, 1500}, ScalePx: 2500, K1: k1})
	if !ok {
		t.Fatal("degenerate view")
	}
	return r
}

func edgePoints(r *Rectification, radii []float64, sigma float64, seed uint64) []EdgePoint {
	rng := rand.New(rand.NewPCG(seed, 1))
	var out []EdgePoint
	for c, radius := range radii {
		n := int(2 * math.Pi * radius * 0.5)
		for i := range n {
			a := 2 * math.Pi * float64(i) / float64(n)
			p := r.ToPhoto(r2.Vec{X: radius * math.Cos(a), Y: radius * math.Sin(a)})
			out = append(out, EdgePoint{c, Px{p.X + sigma*rng.NormFloat64(), p.Y + sigma*rng.NormFloat64()}, sigma})
		}
	}
	return out
}

func priors(radii []float64, sigma float64) (c []CirclePrior) {
	for _, r := range radii {
		c = append(c, CirclePrior{RadiusMM: r, SigmaMM: sigma})
	}
	return c
}

func TestSolveRecoversThePlane(t *testing.T) {
	radii := []float64{100, 200, 300, 400}
	for _, tilt := range []float64{0, 10, 30, 50} {
		truth := tilted(t, 3000, 1900, tilt, 35, -0.05)
		start := *truth
		start.Plane[iCX] += 15
		start.Plane[iP] *= 1.03
		start.Plane[iL] += 2e-5
		start.Lens.K1 = 0
		s0, _ := NewRectification(start.Plane, start.Lens, 0)
		sol, err := Solve(s0, Problem{Points: edgePoints(truth, radii, 0.1, 7), Circles: priors(radii, 0.01), K1Sigma: 0.1, Robust: 1.345})
		if err != nil {
			t.Errorf("tilt %v: %v", tilt, err)
			continue
		}
		for _, x := range []r2.Vec{{}, {X: 350}, {Y: -390}, {X: -200, Y: 150}} {
			got := sol.ToBoard(truth.WithTurn(0).ToPhoto(x))
			if d := r2.Norm(r2.Sub(got, x)); !(d < 0.03) {
				t.Errorf("tilt %v: %v found at %v, %.3f mm off", tilt, x, got, d)
			}
		}
		if !(sol.ResidualPx > 0.07 && sol.ResidualPx < 0.13) {
			t.Errorf("tilt %v: residual %v px, want about 0.1", tilt, sol.ResidualPx)
		}
	}
}

// The stated covariance must be the real one: over many noisy boards the error
// in units of the stated sigma has unit variance.
func TestSolveCovarianceIsTrue(t *testing.T) {
	radii := []float64{150, 300}
	truth := tilted(t, 3000, 1900, 25, 70, -0.02)
	x := r2.Vec{X: 200, Y: 120}
	at := truth.WithTurn(0).ToPhoto(x)
	const runs = 120
	rng := rand.New(rand.NewPCG(11, 1))
	var sum float64
	for i := range runs {
		pts := edgePoints(truth, radii, 0.3, uint64(i))
		drawn := priors(radii, 0.02) // a list is off by what it says
		for k := range drawn {
			drawn[k].RadiusMM += 0.02 * rng.NormFloat64()
		}
		sol, err := Solve(truth.WithTurn(0), Problem{Points: pts, Circles: drawn, K1Sigma: 0.1, Robust: 1.345})
		if err != nil {
			t.Fatal(err)
		}
		d := r2.Sub(sol.ToBoard(at), x)
		xx, xy, yy := sol.PlaneCov(x)
		det := xx*yy - xy*xy
		sum += (yy*d.X*d.X - 2*xy*d.X*d.Y + xx*d.Y*d.Y) / det
	}
	// Mean of runs chi-square(2) variables: 2 ± 2/sqrt(runs); allow 4 sigma of
	// that, and the sandwich's own noise.
	if mean := sum / runs; !(mean > 1.4 && mean < 2.9) {
		t.Errorf("mean squared error is %.2f in stated variances, want 2", mean)
	}
}

// A single ring with its centre mark, and one with the focal length, determine
// the plane too, and say with how much less certainty.
func TestSolveFromOneRing(t *testing.T) {
	truth := tilted(t, 3000, 1900, 25, 70, 0).WithTurn(0)
	radii := []float64{400}
	x := r2.Vec{X: 250, Y: -100}
	pts := edgePoints(truth, radii, 0.1, 3)
	many, err := Solve(truth, Problem{Points: edgePoints(truth, []float64{100, 200, 300, 400}, 0.1, 3), Circles: priors([]float64{100, 200, 300, 400}, 0.01)})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		p    Problem
	}{
		{"centre mark", Problem{Ties: []Tie{{truth.ToPhoto(r2.Vec{}), r2.Vec{}, 0.1}}}},
		{"focal length", Problem{Focal: FocalPrior{3000, 0.02, Px{2000, 1500}}}},
	} {
		c.p.Points, c.p.Circles = pts, priors(radii, 0)
		start, _ := NewRectification(truth.Plane, truth.Lens, 0)
		start.Plane[iL] += 1e-5
		sol, err := Solve(start, c.p)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		d := r2.Norm(r2.Sub(sol.ToBoard(truth.ToPhoto(x)), x))
		xx, _, yy := sol.PlaneCov(x)
		mx, _, my := many.PlaneCov(x)
		sd, sdMany := math.Sqrt(xx+yy), math.Sqrt(mx+my)
		if !(d < 4*sd) || !(sd < 3) || !(sd > 2*sdMany) {
			t.Errorf("%s: %.3f mm off, stated %.3f mm (four rings: %.4f)", c.name, d, sd, sdMany)
		}
	}
	if _, err := Solve(truth, Problem{Points: pts[:5], Circles: priors(radii, 0)}); err == nil {
		t.Error("five points: want an error")
	}
}

func BenchmarkSolve(b *testing.B) {
	radii := []float64{100, 200, 300, 400}
	truth := tilted(b, 3000, 1900, 25, 70, -0.02)
	p := Problem{Points: edgePoints(truth, radii, 0.1, 7), Circles: priors(radii, 0.05), K1Sigma: 0.1, Robust: 1.345}
	for b.Loop() {
		if _, err := Solve(truth.WithTurn(0), p); err != nil {
			b.Fatal(err)
		}
	}
}
