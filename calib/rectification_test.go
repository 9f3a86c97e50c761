package calib

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// The homography, points and images are a worked example computed in double
// precision for this project (H = [3 .2 2000; -.1 2.8 1500; 1e-4 2e-4 1]); the
// example has y down on the board, so its y is mirrored here.
func TestFromHomographyKeepsPoints(t *testing.T) {
	h := [9]float64{3, -0.2, 2000, -0.1, -2.8, 1500, 1e-4, -2e-4, 1}
	r, ok := FromHomography(h, Lens{})
	if !ok {
		t.Fatal("FromHomography refused a valid plane")
	}
	for _, c := range []struct {
		board r2.Vec
		photo Px
	}{
		{r2.Vec{X: 100}, Px{2277.2277228, 1475.2475248}},
		{r2.Vec{Y: -250}, Px{1952.3809524, 2095.2380952}},
		{r2.Vec{X: -320, Y: -140}, Px{1072.2891566, 1931.7269076}},
		{r2.Vec{X: 410, Y: 90}, Px{3139.7849462, 1179.8631476}},
	} {
		if got := r.ToPhoto(c.board); !(got.Sub(c.photo).Norm() < 1e-6) {
			t.Errorf("ToPhoto(%v) = %v, want %v", c.board, got, c.photo)
		}
		if got := r.ToBoard(c.photo); !(r2.Norm(r2.Sub(got, c.board)) < 1e-6) {
			t.Errorf("ToBoard(%v) = %v, want %v", c.photo, got, c.board)
		}
	}
	up := r.WithTurn(0)
	if d := up.ToPhoto(r2.Vec{Y: 1e-3}).Sub(up.ToPhoto(r2.Vec{})); !(math.Abs(d.X) < 1e-9 && d.Y < 0) {
		t.Errorf("without turn the y axis leaves the centre along %v, want straight up", d)
	}
}

func TestLensRoundTrip(t *testing.T) {
	// Brown model, worked example: f 3000, k1 -0.05, (3600,2700) -> (3564.4444444, 2673.3333333).
	l := Lens{CentrePx: Px{2000, 1500}, ScalePx: 3000, K1: -0.05}
	if got := l.Distort(Px{3600, 2700}); !(got.Sub(Px{3564.4444444, 2673.3333333}).Norm() < 1e-6) {
		t.Errorf("Distort = %v", got)
	}
	l.K2 = 0.01
	for _, p := range []Px{{0, 0}, {3999, 2999}, {2000, 1500}, {2500, 10}} {
		if got := l.Distort(l.Undistort(p)); !(got.Sub(p).Norm() < 1e-8) {
			t.Errorf("Distort(Undistort(%v)) = %v", p, got)
		}
	}
}

func TestDerivativesAgreeWithDifferences(t *testing.T) {
	lens := Lens{CentrePx: Px{2000, 1500}, ScalePx: 2500, K1: -0.05, K2: 0.01}
	plane := [numPlane]float64{2.4, 0.2, -2.1, 1900, 1400, 1e-4, -2e-4}
	bow := Bow{Eye: [3]float64{150, -90, 1400}, ReachMM: 400}
	r, _ := NewRectification(plane, lens, 0.3)
	r.Bow = bow
	x := r2.Vec{X: 210, Y: -340}
	j := r.Jacobian(x)
	const h = 1e-4
	for i, e := range []r2.Vec{{X: h}, {Y: h}} {
		d := r.ToPhoto(r2.Add(x, e)).Sub(r.ToPhoto(r2.Sub(x, e))).Scale(1 / (2 * h))
		if !(math.Abs(d.X-j[0][i]) < 1e-6 && math.Abs(d.Y-j[1][i]) < 1e-6) {
			t.Errorf("Jacobian column %d = (%v, %v), differences give %v", i, j[0][i], j[1][i], d)
		}
	}
	px := r.ToPhoto(x)
	g := r.paramJacobian(x)
	for i := range NumFree {
		move := func(s float64) r2.Vec {
			p, l, b := plane, lens, bow
			step := 1e-6 * s
			switch {
			case i < numPlane:
				p[i] += step * math.Max(1e-3, math.Abs(p[i]))
			case i == numPlane:
				l.K1 += step
			case i == numPlane+1:
				l.K2 += step
			case i == iCentre:
				l.CentrePx.X += step
			case i == iCentre+1:
				l.CentrePx.Y += step
			default:
				b.LiftMM[i-iBow] = step
			}
			q, _ := NewRectification(p, l, 0.3)
			q.Bow = b
			return q.ToBoard(px)
		}
		unit := 2e-6
		if i < numPlane {
			unit *= math.Max(1e-3, math.Abs(plane[i]))
		}
		d := r2.Scale(1/unit, r2.Sub(move(1), move(-1)))
		scale := 1 + math.Abs(d.X) + math.Abs(d.Y)
		if !(math.Abs(d.X-g[0][i]) < 1e-4*scale && math.Abs(d.Y-g[1][i]) < 1e-4*scale) {
			t.Errorf("parameter %d: (%v, %v), differences give %v", i, g[0][i], g[1][i], d)
		}
	}
}
