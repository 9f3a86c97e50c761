package calib

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// A point lifted by h and seen at an angle a from the normal appears h tan a from
// its place: 1.66 mm for 5 mm at 18.4 degrees, which is a third of a metre off the
// axis seen from one metre (plain trigonometry).
func TestBowAppears(t *testing.T) {
	b := Bow{Eye: [3]float64{0, 0, 1000}, ReachMM: 333, LiftMM: [3]float64{5, 0, 0}}
	got := b.appears(r2.Vec{X: 333})
	if want := 333 + 1.6733; !(math.Abs(got.X-want) < 1e-3 && got.Y == 0) { // 333·1000/995
		t.Errorf("appears at %v, want x = %.4f", got, want)
	}
	for _, x := range []r2.Vec{{}, {X: 333}, {X: -120, Y: 300}, {X: 400, Y: -400}} {
		if d := r2.Norm(r2.Sub(b.under(b.appears(x)), x)); !(d < 1e-6) {
			t.Errorf("under(appears(%v)) is %v mm off", x, d)
		}
	}
}

func TestBowDepth(t *testing.T) {
	for _, c := range []struct {
		name string
		lift [3]float64
		want float64
	}{
		{"flat", [3]float64{}, 0},
		{"cylinder", [3]float64{-5, 0, 0}, 5},
		{"the same turned by 45 degrees", [3]float64{-2.5, -5, -2.5}, 5},
		{"bowl", [3]float64{3, 0, 3}, 0},
		{"saddle", [3]float64{2, 0, -2}, 4},
	} {
		if got := (Bow{ReachMM: 400, LiftMM: c.lift}).DepthMM(); !(math.Abs(got-c.want) < 1e-12) {
			t.Errorf("%s: depth %v, want %v", c.name, got, c.want)
		}
	}
}

// The eye of a camera that looks from 1.9 m along the board's tilted normal.
func TestEyeOf(t *testing.T) {
	r := tilted(t, 3000, 1900, 25, 70, -0.02).WithTurn(0)
	eye := EyeOf(r, 3000, Px{2000, 1500})
	if d := math.Hypot(math.Hypot(eye[0], eye[1]), eye[2]); !(math.Abs(d-math.Hypot(1900, 50)) < 1e-6) { // shifted by (40, -30) mm
		t.Errorf("eye %v is %v mm from the centre, want %v", eye, d, math.Hypot(1900, 50))
	}
}

// Rings seen at an angle show a bow, and what they show moves the marks back.
func TestSolveFindsBow(t *testing.T) {
	radii := []float64{100, 200, 300, 400}
	flat := tilted(t, 3000, 1500, 20, 35, -0.02).WithTurn(0)
	truth := *flat
	truth.Bow = Bow{Eye: EyeOf(flat, 3000, Px{2000, 1500}), ReachMM: 400, LiftMM: [3]float64{-5, 0, 0}}
	pts := edgePoints(&truth, radii, 0.1, 5)
	p := Problem{Points: pts, Circles: priors(radii, 0.02), K1Sigma: 0.05, Robust: 1.345}
	x := r2.Vec{X: 350, Y: 100}
	bent, err := Solve(flat, p)
	if err != nil {
		t.Fatal(err)
	}
	p.Bow, p.BowSigmaMM = Bow{Eye: truth.Bow.Eye, ReachMM: 400}, 10
	got, err := Solve(flat, p)
	if err != nil {
		t.Fatal(err)
	}
	if d := got.Bow.DepthMM(); !(math.Abs(d-5) < 1) {
		t.Errorf("depth %v mm of lifts %v, want 5", d, got.Bow.LiftMM)
	}
	off := func(s *Solution) float64 { return r2.Norm(r2.Sub(s.ToBoard(truth.ToPhoto(x)), x)) }
	if !(off(got) < 0.2 && off(bent) > 0.3) {
		t.Errorf("a mark is %.3f mm off with the bow and %.3f mm without, want less than 0.2 and more than 0.3", off(got), off(bent))
	}
}
