package scoring

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// A centred disc: Rayleigh, 1 − exp(−R²/2σ²): P(R ≤ σ, 2σ, 3σ) = 0.39346934,
// 0.86466472, 0.98889100. Off centre: 2-dof noncentral chi-square by simulation here.
func TestShareOfBoard(t *testing.T) {
	for r, want := range map[float64]float64{1: 0.39346934, 2: 0.86466472, 3: 0.98889100} {
		if got := (Disc{RadiusMM: 50 * r}).Share(r2.Vec{}, 50); !near(got, want, 1e-7) {
			t.Errorf("Disc of %v sigma holds %v, want %v", r, got, want)
		}
	}
	rng := rand.New(rand.NewPCG(11, 12))
	for _, a := range []Area{Disc{r2.Vec{X: 20, Y: -40}, 500}, Rect{r2.Vec{X: -300, Y: -500}, r2.Vec{X: 400, Y: 500}}} {
		centre, sigma, hit := r2.Vec{X: 120, Y: 160}, 250.0, 0
		const reps = 200_000
		for range reps {
			if a.Contains(r2.Add(centre, r2.Vec{X: sigma * rng.NormFloat64(), Y: sigma * rng.NormFloat64()})) {
				hit++
			}
		}
		if got, want := a.Share(centre, sigma), float64(hit)/reps; !near(got, want, 0.004) {
			t.Errorf("%T holds %v, simulated %v", a, got, want)
		}
	}
	// Off a 1 m disc at least one miss in 15 shots: 6% at sigma 150 mm, 49% at 200, 89%
	// at 250; 45% with the centre 200 mm off and sigma 150 (computed outside this
	// project).
	for _, tt := range []struct{ sigma, offset, want float64 }{{150, 0, 0.06}, {200, 0, 0.49}, {250, 0, 0.89}, {150, 200, 0.45}} {
		got := 1 - math.Pow(Disc{RadiusMM: 500}.Share(r2.Vec{X: tt.offset}, tt.sigma), 15)
		if !near(got, tt.want, 0.006) {
			t.Errorf("a miss in 15 shots at sigma %v: %.3f, want %v", tt.sigma, got, tt.want)
		}
	}
}

// Without misses the likelihood gives the chi-square interval of G1.
func TestCensoredSigmaWithoutMisses(t *testing.T) {
	e, err := CensoredSigma(g1, 0, Disc{RadiusMM: 500}, 0.95)
	if err != nil || !near(e.Value, 28.5178656132, 1e-3) || !near(e.Lo, 21.25139541, 1e-3) || !near(e.Hi, 41.59152929, 1e-3) {
		t.Errorf("CensoredSigma = %+v, %v", e, err)
	}
	if _, err := CensoredSigma(g1[:1], 3, Disc{RadiusMM: 500}, 0.95); !errors.Is(err, ErrTooFew) {
		t.Errorf("one impact: %v", err)
	}
}

// On a 1 m disc with sigma 250 mm and a centre off by 150 mm about one shot in five
// misses. The impacts alone then understate sigma; with the misses it comes out right.
// Whether the interval covers is simulated in internal/calibrate.
func TestCensoredSigmaUnbiased(t *testing.T) {
	const sigma, reps, n = 250.0, 40, 15
	board := Disc{RadiusMM: 500}
	rng := rand.New(rand.NewPCG(13, 14))
	var naive, counted float64
	for range reps {
		var hits []r2.Vec
		for range n {
			if p := (r2.Vec{X: 150 + sigma*rng.NormFloat64(), Y: sigma * rng.NormFloat64()}); board.Contains(p) {
				hits = append(hits, p)
			}
		}
		e, err := CensoredSigma(hits, n-len(hits), board, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		naive += math.Sqrt(momentsOf(hits).ss()/(2*float64(len(hits))-2)) / reps
		counted += e.Value / reps
	}
	// 40 groups of 15: the mean's standard error is about 3% of sigma.
	if !(naive < 0.88*sigma) || !near(counted, sigma, 0.09*sigma) {
		t.Errorf("mean sigma %.0f from impacts alone, %.0f with misses; true %v", naive, counted, sigma)
	}
}

// Clopper & Pearson: 0 of 10 → upper 95% limit 1 − 0.025^(1/10) = 0.30850 (closed
// form), and 10 of 10 its mirror image.
func TestShare(t *testing.T) {
	e := Share(0, 10, 0.95, "x")
	f := Share(10, 10, 0.95, "x")
	if e.Lo != 0 || !near(e.Hi, 1-math.Pow(0.025, 0.1), 1e-9) || f.Hi != 1 || !near(f.Lo, math.Pow(0.025, 0.1), 1e-9) {
		t.Errorf("0 of 10: %v–%v, 10 of 10: %v–%v", e.Lo, e.Hi, f.Lo, f.Hi)
	}
	if e := Share(1, 0, 0.95, "x"); !math.IsNaN(e.Value) {
		t.Errorf("Share of nothing = %v", e.Value)
	}
}
