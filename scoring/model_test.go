package scoring

import (
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// Law-school data of Efron & Tibshirani (read): b1 1.219382243623, b2 7.543068960; p by
// the small-sample limits 0.382 and 0.825 (computed outside this project), which ours,
// simulated, need only resemble.
func TestMardia(t *testing.T) {
	var pts []r2.Vec
	for i := range lsat {
		pts = append(pts, r2.Vec{X: lsat[i], Y: gpa[i]})
	}
	m := normalityOf(pts)
	if m == nil || !near(m.Skewness, 1.219382243623, 1e-9) || !near(m.Kurtosis, 7.543068960, 1e-8) || !near(m.SkewnessP, 0.38, 0.06) || !(m.KurtosisP > 0.3) {
		t.Errorf("%+v", m)
	}
	if _, bad := m.Warning(); bad {
		t.Error("a warning for the law-school data")
	}
	for _, bad := range [][]r2.Vec{g1[:7], make([]r2.Vec, 12), line(12)} {
		if m := normalityOf(bad); m != nil {
			t.Errorf("normality of %v = %+v, want none", bad, m)
		}
	}
}

func line(n int) []r2.Vec {
	pts := make([]r2.Vec, n)
	for i := range pts {
		pts[i] = r2.Vec{X: float64(i * i), Y: 3 * float64(i*i)}
	}
	return pts
}

// Normal clouds are called not normal as rarely as stated, twice 1%, stretched ones
// too; clouds with one wild shot in ten often are. 200 groups: standard error 1%.
func TestNormalityRates(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	const reps = 200
	warned := func(wild float64) float64 {
		count := 0
		for range reps {
			pts := make([]r2.Vec, 30)
			for i := range pts {
				pts[i] = r2.Vec{X: 3 * rng.NormFloat64(), Y: rng.NormFloat64()}
				if rng.Float64() < wild {
					pts[i] = r2.Scale(4, pts[i])
				}
			}
			if _, bad := normalityOf(pts).Warning(); bad {
				count++
			}
		}
		return float64(count) / reps
	}
	if got := warned(0); !(got < 0.02+4*0.01) {
		t.Errorf("%.3f of normal clouds warned of, want about 0.02 at most", got)
	}
	if got := warned(0.1); !(got > 0.5) {
		t.Errorf("%.3f of clouds with wild shots warned of, want more than half", got)
	}
}
