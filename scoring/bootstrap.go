package scoring

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// resampleMeans returns the means of many samples as large as values, drawn from them
// with replacement.
func resampleMeans(values []float64, samples int, rng *rand.Rand) []float64 {
	means := make([]float64, samples)
	n := uint64(len(values))
	for s := range means {
		sum := 0.0
		for range values {
			sum += values[rng.Uint64N(n)]
		}
		means[s] = sum / float64(n)
	}
	return means
}

// expandedLevel is the level that an interval from bootstrap samples of n values must be
// taken at to hold the level wanted: samples of n vary less than new groups do, by n−1
// over n, and their number is no more known than in Student's t (Hesterberg 2015, The
// American Statistician 69:371, expanded percentile interval).
func expandedLevel(level float64, n int) float64 {
	m := float64(n)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: m - 1}.Quantile((1 + level) / 2)
	return 2*distuv.UnitNormal.CDF(math.Sqrt(m/(m-1))*t) - 1
}

// bca returns the ends of the bias-corrected and accelerated bootstrap interval (Efron
// & Tibshirani 1993, An Introduction to the Bootstrap, section 14.3) of an estimate
// theta from its bootstrap replications, which it sorts. influence holds, for every
// observation, how far theta leans on it: empirical influence over n, or the jackknife
// deviations (mean of the leave-one-out values less each of them); their common scale
// does not matter. Both ends are NaN when every replication lies on one side of
// theta.
func bca(theta float64, replications, influence []float64, level float64) (lo, hi float64) {
	below := 0.0
	for _, r := range replications {
		switch {
		case r < theta:
			below++
		case r == theta:
			below += 0.5
		}
	}
	n := float64(len(replications))
	if !(below > 0 && below < n) {
		return math.NaN(), math.NaN()
	}
	var squares, cubes float64
	for _, u := range influence {
		squares += u * u
		cubes += u * u * u
	}
	bias := distuv.UnitNormal.Quantile(below / n)
	acceleration := cubes / (6 * math.Pow(squares, 1.5))
	slices.Sort(replications)
	end := func(p float64) float64 {
		z := bias + distuv.UnitNormal.Quantile(p)
		return Quantile(distuv.UnitNormal.CDF(bias+z/(1-acceleration*z)), replications)
	}
	return end((1 - level) / 2), end((1 + level) / 2)
}
