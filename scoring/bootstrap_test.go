package scoring

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// Student's t at 0.975 with 14 degrees of freedom is 2.144787 (tables): times √(15/14) it
// is 2.220073, within which 97.3586% of a normal lies. Large samples need no expansion.
func TestExpandedLevel(t *testing.T) {
	if got := expandedLevel(0.95, 15); !near(got, math.Erf(2.144787*math.Sqrt(15./14)/math.Sqrt2), 1e-6) {
		t.Errorf("expandedLevel(0.95, 15) = %v", got)
	}
	if got := expandedLevel(0.95, 100_000); !near(got, 0.95, 1e-5) {
		t.Errorf("expandedLevel(0.95, 100000) = %v", got)
	}
}

// Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 14, spatial-test
// data A (read in stored copies): variance with divisor n 171.534, BCa 90% interval
// 115.8 to 259.6 in table 14.2 (read); 115.75 to 261.33 from a million replications
// (computed outside this project). The law-school data of the same
// book (read): correlation 0.776374491289407, BCa 95% interval 0.3310 to 0.9417 (a
// million replications, computed). The ends depend on the resampling: 2% of the length.
func TestBCa(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for _, tt := range []struct {
		name                 string
		n                    int
		statistic            func(idx []int) float64
		theta, level, lo, hi float64
	}{
		{"spatial", len(spatialA), func(idx []int) float64 {
			return variance(pick(spatialA, idx))
		}, 171.5340237, 0.90, 115.75, 261.33},
		{"law school", len(lsat), func(idx []int) float64 {
			return stat.Correlation(pick(lsat, idx), pick(gpa, idx), nil)
		}, 0.776374491289407, 0.95, 0.3310, 0.9417},
	} {
		all := make([]int, tt.n)
		for i := range all {
			all[i] = i
		}
		theta := tt.statistic(all)
		if !near(theta, tt.theta, 1e-7) {
			t.Fatalf("%s: statistic %v, want %v", tt.name, theta, tt.theta)
		}
		var jackknife []float64
		for i := range all {
			jackknife = append(jackknife, tt.statistic(append(append([]int{}, all[:i]...), all[i+1:]...)))
		}
		mean := stat.Mean(jackknife, nil)
		for i := range jackknife {
			jackknife[i] = mean - jackknife[i]
		}
		var replications []float64
		idx := make([]int, tt.n)
		for range 30_000 {
			for i := range idx {
				idx[i] = rng.IntN(tt.n)
			}
			replications = append(replications, tt.statistic(idx))
		}
		lo, hi := bca(theta, replications, jackknife, tt.level)
		if tolerance := 0.02 * (tt.hi - tt.lo); !near(lo, tt.lo, tolerance) || !near(hi, tt.hi, tolerance) {
			t.Errorf("%s: BCa %.4f to %.4f, want %v to %v", tt.name, lo, hi, tt.lo, tt.hi)
		}
	}
	if lo, hi := bca(1, []float64{2, 3}, []float64{1, 2}, 0.95); !math.IsNaN(lo) || !math.IsNaN(hi) {
		t.Errorf("all replications above the estimate: %v to %v, want NaN", lo, hi)
	}
}

var (
	spatialA = []float64{48, 36, 20, 29, 42, 42, 20, 42, 22, 41, 45, 14, 6, 0, 33, 28, 34, 4, 32, 24, 47, 41, 24, 26, 30, 41}
	lsat     = []float64{576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594}
	gpa      = []float64{3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96}
)

// variance has divisor n.
func variance(xs []float64) float64 {
	n := float64(len(xs))
	return stat.Variance(xs, nil) * (n - 1) / n
}

func pick(xs []float64, idx []int) []float64 {
	out := make([]float64, len(idx))
	for k, i := range idx {
		out[k] = xs[i]
	}
	return out
}
