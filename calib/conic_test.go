package calib

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// workedPlane is H = [3 0.2 2000; -0.1 2.8 1500; 1e-4 2e-4 1] with board y down,
// a worked example computed in double precision for this project.
var workedPlane = [9]float64{3, 0.2, 2000, -0.1, 2.8, 1500, 1e-4, 2e-4, 1}

// workedEllipses are its images of rings of the given radius.
var workedEllipses = []struct {
	radiusMM float64
	e        Ellipse
}{
	{500, Ellipse{Px{1939.2405063, 1379.7468354}, 1469.4853264, 1204.9080420, 151.5332554 * math.Pi / 180}},
	{300, Ellipse{Px{1978.3023606, 1457.0567554}, 878.1393815, 717.1367246, 151.5601906 * math.Pi / 180}},
	{100, Ellipse{Px{1997.5987994, 1495.2476238}, 292.1265063, 238.0891707, 151.5731771 * math.Pi / 180}},
}

func TestFitEllipseOnImagedCircles(t *testing.T) {
	for _, w := range workedEllipses {
		var pts []Px
		for i := range 40 {
			a := 2 * math.Pi * float64(i) / 40
			pts = append(pts, apply(workedPlane, r2.Vec{X: w.radiusMM * math.Cos(a), Y: w.radiusMM * math.Sin(a)}))
		}
		c, err := FitEllipse(pts)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := c.Ellipse()
		if !ok || !(got.Centre.Sub(w.e.Centre).Norm() < 1e-4) || !(math.Abs(got.Major-w.e.Major) < 1e-4) ||
			!(math.Abs(got.Minor-w.e.Minor) < 1e-4) || !(math.Abs(got.Angle-w.e.Angle) < 1e-6) {
			t.Errorf("ring %v mm: got %+v, want %+v", w.radiusMM, got, w.e)
		}
	}
}

// Points of Gander, Golub, Strebel, BIT 34 (1994); the direct-fit result was
// computed with an independent implementation on centred, unscaled points. The
// 4ac-b²=1 fit is invariant under scaling of the points, so ours must agree.
func TestFitEllipseOnPublishedPoints(t *testing.T) {
	pts := []Px{{1, 7}, {2, 6}, {5, 8}, {7, 7}, {9, 5}, {3, 7}, {6, 2}, {8, 4}}
	c, err := FitEllipse(pts)
	if err != nil {
		t.Fatal(err)
	}
	got, _ := c.Ellipse()
	want := Ellipse{Px{5.0638777, 5.0697527}, 3.7756637, 2.6423340, 157.87695 * math.Pi / 180}
	if !(got.Centre.Sub(want.Centre).Norm() < 1e-5) || !(math.Abs(got.Major-want.Major) < 1e-5) ||
		!(math.Abs(got.Minor-want.Minor) < 1e-5) || !(math.Abs(got.Angle-want.Angle) < 1e-5) {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

func TestFitEllipseRefuses(t *testing.T) {
	for name, pts := range map[string][]Px{
		"too few":   {{0, 0}, {1, 0}, {0, 1}, {1, 1}},
		"one point": {{3, 3}, {3, 3}, {3, 3}, {3, 3}, {3, 3}},
		"a line":    {{0, 0}, {1, 1}, {2, 2}, {3, 3}, {4, 4}, {5, 5}},
	} {
		if c, err := FitEllipse(pts); err == nil {
			t.Errorf("%s: got %+v, want an error", name, c)
		}
	}
}

func TestConcentricPair(t *testing.T) {
	c, err := ConcentricPair(workedEllipses[0].e.Conic(), workedEllipses[1].e.Conic())
	if err != nil {
		t.Fatal(err)
	}
	if !(c.Centre.Sub(Px{2000, 1500}).Norm() < 1e-3) {
		t.Errorf("centre %v, want (2000, 1500)", c.Centre)
	}
	if !(math.Abs(c.Ratio-0.6) < 1e-6) {
		t.Errorf("ratio %v, want 0.6", c.Ratio)
	}
	// Vanishing line of the same worked example.
	if !(math.Abs(c.Vanishing[0]+0.0000356295) < 1e-9) || !(math.Abs(c.Vanishing[1]+0.0000688836) < 1e-9) {
		t.Errorf("vanishing line %v", c.Vanishing)
	}
	if !(c.Misfit < 1e-6) {
		t.Errorf("misfit %v", c.Misfit)
	}
	r, err := FromRingAndVanishingLine(workedEllipses[0].e.Conic(), c.Vanishing, 500)
	if err != nil {
		t.Fatal(err)
	}
	// Distances of the worked example, free of the rotation.
	var got []r2.Vec
	for _, p := range []Px{{2277.2277228, 1475.2475248}, {1952.3809524, 2095.2380952}, {1072.2891566, 1931.7269076}, {3139.7849462, 1179.8631476}} {
		got = append(got, r.ToBoard(p))
	}
	for i, want := range []float64{100, 250, 349.2849840, 419.7618372} {
		if d := r2.Norm(got[i]); !(math.Abs(d-want) < 1e-3) {
			t.Errorf("point %d is %v mm from the centre, want %v", i, d, want)
		}
	}
	if d := r2.Norm(r2.Sub(got[0], got[2])); !(math.Abs(d-442.7188724) < 1e-3) {
		t.Errorf("distance %v, want 442.7188724", d)
	}
}

// Two-fold pose example: f 3000, principal point (2000, 1500), r 500; computed
// in double precision for this project after Kanatani and Liu (1993).
func TestVanishingLinesFromFocal(t *testing.T) {
	e := Ellipse{Px{2334.6577061, 1268.2259396}, 949.1783596, 875.4410652, 52.2342945 * math.Pi / 180}
	lines, err := VanishingLinesFromFocal(e.Conic(), 3000, Px{2000, 1500})
	if err != nil {
		t.Fatal(err)
	}
	want := [][3]float64{{0.4, -0.3, 0.8660254}, {-0.2118854, 0.1695187, 0.9624801}}
	for _, n := range want {
		found := false
		for _, l := range lines {
			g := mulVec3([9]float64{3000, 0, 0, 0, 3000, 0, 2000, 1500, 1}, l)
			s := math.Copysign(math.Sqrt(g[0]*g[0]+g[1]*g[1]+g[2]*g[2]), g[2])
			d := math.Abs(g[0]/s-n[0]) + math.Abs(g[1]/s-n[1]) + math.Abs(g[2]/s-n[2])
			found = found || d < 1e-5
		}
		if !found {
			t.Errorf("normal %v not among the vanishing lines %v", n, lines)
		}
	}
}

// Offsets of an ellipse's centre from the image of the ring's centre, for f 3000
// px, from e = f r² sin t cos t / (Z² - r² sin² t) (Ahn, Warnecke, Kotowski 1999;
// numbers computed for this project).
func TestEllipseCentreIsNotTheRingCentre(t *testing.T) {
	for _, c := range []struct{ zMM, rMM, tiltDeg, wantPx float64 }{
		{1500, 500, 10, 57.195}, {1500, 500, 45, 176.471}, {1500, 50, 30, 1.444}, {2500, 500, 20, 38.749},
	} {
		sin, cos := math.Sincos(c.tiltDeg * math.Pi / 180)
		// Board turned about x: X = (x, y cos, Z + y sin).
		h := [9]float64{3000, 0, 0, 0, 3000 * cos, 0, 0, sin, c.zMM}
		var pts []Px
		for i := range 60 {
			a := 2 * math.Pi * float64(i) / 60
			pts = append(pts, apply(h, r2.Vec{X: c.rMM * math.Cos(a), Y: c.rMM * math.Sin(a)}))
		}
		q, err := FitEllipse(pts)
		if err != nil {
			t.Fatal(err)
		}
		e, _ := q.Ellipse()
		if got := e.Centre.Norm(); !(math.Abs(got-c.wantPx) < 1e-5*c.wantPx+1e-3) {
			t.Errorf("%+v: offset %v px", c, got)
		}
	}
}
