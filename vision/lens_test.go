package vision

import (
	"errors"
	"math"
	"testing"

	"dartfall/calib"
	"dartfall/calib/boardtest"
)

// bent is the plain board, off the middle of the photo and tilted, seen through a
// lens with barrel distortion.
func bent(tilt, azimuth, aimX, aimY float64) boardtest.Scene {
	s := boardtest.Plain(1000, 750)
	s.Camera.Tilt, s.Camera.Azimuth, s.Camera.K1 = tilt, azimuth, -0.06
	s.Camera.AimPx = calib.Px{X: aimX, Y: aimY}
	return s
}

// Ringed boards near the corners show the lens they were rendered through, as well as
// stated; boards in mid-frame, square-on, do not.
func TestLensOfRings(t *testing.T) {
	readings := func(scenes ...boardtest.Scene) (out []*Reading) {
		for _, s := range scenes {
			p, _ := asPhoto(s)
			r, err := Read(p, Options{Rings: specOf(s.Face), PlaneOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, r)
		}
		return out
	}
	fit, err := LensOfRings(readings(bent(0.4, 0.3, 150, 40), bent(0.5, 2.4, -160, 30), bent(0.45, -1, 120, -50)))
	if err != nil {
		t.Fatal(err)
	}
	if !(math.Abs(fit.K1+0.06) <= 3*fit.K1Sigma) || !(fit.K1Sigma < 0.01) {
		t.Errorf("K1 %.4f ± %.4f, want -0.06", fit.K1, fit.K1Sigma)
	}
	if _, err := LensOfRings(readings(bent(0.4, 0.3, 150, 40))); !errors.Is(err, ErrFewViews) {
		t.Errorf("one photo: %v, want %v", err, ErrFewViews)
	}
}

// Where the rings alone leave lens and radii to trade against each other, a known
// lens settles them.
func TestKnownLensBinds(t *testing.T) {
	s := bent(0, 0, 0, 0)
	p, truth := asPhoto(s)
	opts := Options{Rings: RingSpec{OuterMM: 400}, PlaneOnly: true}
	alone, err := Read(p, opts)
	if err != nil {
		t.Fatal(err)
	}
	opts.Lens = &LensPrior{Lens: s.Camera.Lens(), K1Sigma: 0.002, FocalPx: s.Camera.FocalPx, FocalSigmaPx: 3}
	known, err := Read(p, opts)
	if err != nil {
		t.Fatal(err)
	}
	sigma := func(r *Reading) float64 { return math.Sqrt(r.Cov.At(lensRow, lensRow)) }
	if !(math.Abs(known.Lens.K1+0.06) <= 0.006) || !(sigma(known) <= 0.0021) || !(sigma(known) < sigma(alone)/2) {
		t.Errorf("K1 %.4f ± %.4f with the lens known, %.4f ± %.4f without, want -0.06", known.Lens.K1, sigma(known), alone.Lens.K1, sigma(alone))
	}
	off := func(r *Reading) float64 {
		return worstMM(&boardFit{sol: &calib.Solution{Rectification: r.Rectification}}, truth, 120)
	}
	if !(off(known) <= 0.1) || !(off(known) <= off(alone)+0.02) {
		t.Errorf("distances off by %.3f mm with the lens known, %.3f without", off(known), off(alone))
	}
}
