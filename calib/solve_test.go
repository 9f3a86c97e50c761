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
			out = append(out, EdgePoint{c, Px{p.X + sigma*rng.NormFloat64(), p.Y + sigma*rng.NormFloat64()}, sigma, 0})
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
		{"focal length", Problem{Focal: FocalPrior{FocalPx: 3000, SigmaRel: 0.02, Principal: Px{2000, 1500}}}},
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

// Both edges of a line seen a tenth of a pixel towards the dark look like another tilt:
// the fit must say so where the line is alone, and find it where there are more.
func TestSolveAllowsForEdgesTowardsTheDark(t *testing.T) {
	truth := tilted(t, 2000, 1200, 40, 70, -0.02).WithTurn(0)
	const darkPx, runs = 0.1, 12
	x := r2.Vec{X: 200, Y: -100}
	for _, radii := range [][]float64{{380, 400}, {100, 120, 240, 260, 380, 400}} {
		var held, free, found float64 // root mean square of sigmas off, mean shift
		for run := range runs {
			pts := edgePoints(truth, radii, 0.05, uint64(run))
			for i, e := range pts {
				dark := 1.0 // of the outer edge of a dark line, inside it
				if e.Circle%2 == 0 {
					dark = -1
				}
				b := truth.ToBoard(e.At)
				along := truth.ToPhoto(r2.Add(b, r2.Vec{X: -b.Y / 1e4, Y: b.X / 1e4})).Sub(e.At) // counter-clockwise on the board
				inward := Px{along.Y, -along.X}.Scale(1 / along.Norm())
				pts[i].At, pts[i].Dark = e.At.Add(inward.Scale(dark*darkPx)), dark
			}
			p := Problem{Points: pts, Circles: priors(radii, math.Inf(1)), K1Sigma: 0.05, Focal: FocalPrior{FocalPx: 2000, SigmaRel: 0.03, Principal: Px{2000, 1500}}}
			p.Circles[len(radii)-1].SigmaMM = 0
			off := func() (square float64, sol *Solution) {
				sol, err := Solve(truth, p)
				if err != nil {
					t.Fatal(err)
				}
				d := r2.Sub(sol.ToBoard(truth.ToPhoto(x)), x)
				xx, xy, yy := sol.PlaneCov(x)
				return (yy*d.X*d.X - 2*xy*d.X*d.Y + xx*d.Y*d.Y) / (xx*yy - xy*xy), sol
			}
			square, _ := off()
			held += square / runs
			p.DarkPx = darkPx
			square, sol := off()
			free += square / runs
			found += sol.DarkPx / runs
		}
		held, free = math.Sqrt(held), math.Sqrt(free) // the root of 2 is expected
		t.Logf("%d edges: %.1f sigmas off when held, %.1f when free, %.3f px found", len(radii), held, free, found)
		if !(held > 3) || !(free < 2) || len(radii) > 2 && !(math.Abs(found-darkPx) < 0.02) {
			t.Errorf("%d edges: %.1f sigmas off when held, %.1f when free, %.3f px found; want more than 3, less than 2, %v", len(radii), held, free, found, darkPx)
		}
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

// Of a cropped photo the middle of the lens is not known. Three rings and the lens's own
// bending find it, and the plane is as good as if it had been known, or says otherwise.
func TestLensCentreOff(t *testing.T) {
	lens := Lens{CentrePx: Px{1700, 1350}, ScalePx: 2500, K1: -0.08}
	truth, _ := NewRectification([numPlane]float64{2.4, 0.2, -2.1, 1900, 1400, 1e-4, -2e-4}, lens, 0)
	radii := []float64{400, 300, 150}
	p := Problem{Points: edgePoints(truth, radii, 0.1, 3), Circles: priors(radii, 0), K1Sigma: 0.05, Focal: FocalPrior{Principal: Px{2000, 1500}}}
	worst := func(sol *Solution) (off, sigmas float64) {
		for i := range 8 {
			sin, cos := math.Sincos(float64(i))
			x := r2.Vec{X: 350 * cos, Y: 350 * sin}
			d := r2.Norm(r2.Sub(sol.ToBoard(truth.ToPhoto(x)), x))
			xx, _, yy := sol.PlaneCov(x)
			off, sigmas = math.Max(off, d), math.Max(sigmas, d/math.Sqrt(xx+yy))
		}
		return off, sigmas
	}
	start, _ := NewRectification(truth.Plane, Lens{CentrePx: p.Focal.Principal, ScalePx: lens.ScalePx}, 0)
	held, err := Solve(start, p)
	if err != nil {
		t.Fatal(err)
	}
	p.Focal.PrincipalSigmaPx = 400
	freed, err := Solve(start, p)
	if err != nil {
		t.Fatal(err)
	}
	if off, _ := worst(held); off < 0.3 {
		t.Errorf("with the centre held at the wrong place only %.3f mm off: the test shows nothing", off)
	}
	if off, sigmas := worst(freed); off > 0.1 || sigmas > 3 {
		t.Errorf("%.3f mm off, %.1f standard uncertainties; want 0.1 mm and 3", off, sigmas)
	}
	// With a focal length the principal point is the same unknown.
	p.Focal.FocalPx, p.Focal.SigmaRel = 3000, 0.3
	if freed, err = Solve(start, p); err != nil {
		t.Fatal(err)
	}
	if off, sigmas := worst(freed); off > 0.1 || sigmas > 3 {
		t.Errorf("with a focal length: %.3f mm off, %.1f standard uncertainties; want 0.1 mm and 3", off, sigmas)
	}
}
