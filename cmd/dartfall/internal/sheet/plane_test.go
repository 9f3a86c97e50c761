package sheet

import (
	"encoding/json"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// What is read back from the document maps as before, bow and uncertainty included.
func TestRectificationReadsBack(t *testing.T) {
	lens := calib.Lens{CentrePx: calib.Px{X: 500, Y: 400}, ScalePx: 640, K1: -0.03}
	r, ok := calib.NewRectification([7]float64{2.1, 0.2, -1.8, 510, 390, 2e-4, -1e-4}, lens, 0.3)
	if !ok {
		t.Fatal("degenerate")
	}
	r.ScaleSigma = 0.001
	r.Bow = calib.Bow{Eye: [3]float64{100, -300, 1500}, ReachMM: 400, LiftMM: [3]float64{6, -2, 1}}
	r.Cov = mat.NewSymDense(calib.NumFree, nil)
	for i := range calib.NumFree {
		// The sizes are those of a real fit: px per mm, px, 1/mm, mm.
		size := [calib.NumFree]float64{1e-3, 1e-3, 1e-3, 0.1, 0.1, 1e-7, 1e-7, 1e-3, 0, 2, 2, 0.2, 0.2, 0.2}
		for j := i; j < calib.NumFree; j++ {
			r.Cov.SetSym(i, j, size[i]*size[j]*math.Pow(-0.5, float64(j-i)))
		}
	}
	var p, read Plane
	p.SetRectification(r)
	file, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(file, &read); err != nil {
		t.Fatal(err)
	}
	back, ok := read.Rectification()
	if !ok {
		t.Fatal("the plane does not read back")
	}
	for _, x := range []r2.Vec{{}, {X: 100, Y: -50}, {X: -200, Y: 130}} {
		if d := back.ToPhoto(x).Sub(r.ToPhoto(x)).Norm(); !(d <= 1e-9) {
			t.Errorf("%v is %g px off", x, d)
		}
		axx, axy, ayy := r.PlaneCov(x)
		bxx, bxy, byy := back.PlaneCov(x)
		if !(math.Abs(axx-bxx)+math.Abs(axy-bxy)+math.Abs(ayy-byy) <= 1e-9*(axx+ayy)) || !(axx > 0) {
			t.Errorf("covariance at %v: %v %v %v, want %v %v %v", x, bxx, bxy, byy, axx, axy, ayy)
		}
	}
}
