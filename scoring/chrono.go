package scoring

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// StringSummary is the figures of one chronograph string, in m/s.
type StringSummary struct {
	N    int      `json:"n"`
	Mean Estimate `json:"mean"`
	SD   Estimate `json:"sd"`
	ES   Estimate `json:"extreme_spread"` // highest minus lowest
	Min  float64  `json:"min"`
	Max  float64  `json:"max"`
	// Over lists the readings above the cap, by index, and ShareOver estimates the
	// share of all shots above it; nil without a cap or with few readings.
	Over      []int     `json:"over,omitempty"`
	ShareOver *Estimate `json:"share_over,omitempty"`
}

const (
	defSpeedMean  = "mean of the readings; interval by Student's t"
	defSpeedSD    = "standard deviation of the readings, divisor n-1; chi-square interval"
	defSpeedES    = "highest minus lowest reading; interval of its average over many strings of this n"
	defSpeedShare = "share of shots above the cap if speeds are normal; interval by the noncentral t"
)

// FewestForInterval is the number of readings below which a string's figures stand without
// intervals: those of two or three are right, and so wide (a deviation may be up to 32 or 6
// times as large) that they mislead more than they say. Own choice.
const FewestForInterval = 4

// SummariseString computes the figures of readings in m/s. capMPS is the venue's cap, 0
// for none. Figures that n readings cannot give are undefined, and below FewestForInterval
// they are bare. Level as in Options.
func SummariseString(mps []float64, capMPS, level float64) StringSummary {
	n := len(mps)
	s := StringSummary{N: n, Mean: undefined(n, defSpeedMean), SD: undefined(n, defSpeedSD), ES: undefined(n, defSpeedES)}
	if n == 0 {
		return s
	}
	mean, sd := MeanSD(mps)
	s.Mean, s.Min, s.Max = meanEstimate(mps, level, defSpeedMean), slices.Min(mps), slices.Max(mps)
	for i, v := range mps {
		if capMPS > 0 && v > capMPS {
			s.Over = append(s.Over, i)
		}
	}
	if n < 2 {
		return s
	}
	s.SD = SDEstimate(sd, n, level)
	s.ES.Value = s.Max - s.Min
	if lo, hi, ok := sizeInterval(statWidth, s.ES.Value, n, 0, level); ok {
		s.ES.Lo, s.ES.Hi, s.ES.Level = lo, hi, level
	}
	if capMPS > 0 && n >= FewestForInterval {
		e := shareAbove(mean, sd, n, capMPS, level)
		s.ShareOver = &e
	}
	if n < FewestForInterval {
		for _, e := range []*Estimate{&s.Mean, &s.SD, &s.ES} {
			e.Lo, e.Hi, e.Level = math.NaN(), math.NaN(), math.NaN()
		}
	}
	return s
}

// SDEstimate is a standard deviation of n readings with its chi-square interval; bare
// below two.
func SDEstimate(sd float64, n int, level float64) Estimate {
	e := undefined(n, defSpeedSD)
	e.Value = sd
	if n >= 2 {
		lo, hi := sigmaFactors(float64(n-1), level)
		e.Lo, e.Hi, e.Level = sd*lo, sd*hi, level
	}
	return e
}

// meanEstimate is the mean of values with its interval by Student's t; undefined without
// values, bare with one.
func meanEstimate(xs []float64, level float64, definition string) Estimate {
	n := len(xs)
	e := undefined(n, definition)
	mean, sd := MeanSD(xs)
	e.Value = mean
	if n < 2 {
		return e
	}
	half := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}.Quantile((1+level)/2) * sd / math.Sqrt(float64(n))
	e.Lo, e.Hi, e.Level = mean-half, mean+half, level
	return e
}

// shareAbove estimates the share of a normal population above a limit: t = √n (limit
// − mean)/s is noncentral t with δ = √n (limit − μ)/σ, which its interval bounds.
func shareAbove(mean, sd float64, n int, limit, level float64) Estimate {
	e := undefined(n, defSpeedShare)
	if !(sd > 0) {
		return e
	}
	root := math.Sqrt(float64(n))
	k := (limit - mean) / sd
	above := func(delta float64) float64 { return distuv.UnitNormal.Survival(delta / root) }
	e.Value = above(root * k)
	e.Lo = above(nonCentrality(root*k, float64(n-1), (1-level)/2))
	e.Hi = above(nonCentrality(root*k, float64(n-1), (1+level)/2))
	e.Level = level
	return e
}

// nonCentrality finds δ with P(T ≤ t) = p for the noncentral t with ν degrees of
// freedom.
func nonCentrality(t, nu, p float64) float64 {
	// P falls as δ grows.
	lo, hi := t-10-3*math.Abs(t), t+10+3*math.Abs(t)
	for range 60 {
		mid := (lo + hi) / 2
		if noncentralT(t, nu, mid) > p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// noncentralT is P(T ≤ t) of T = (Z + δ)/√(χ²/ν). The series of distuv stops short of
// |δ| = 39, where its first term underflows; from 30 on P(χ² ≥ ν((z + δ)/t)²) is smooth in
// z, and the trapezoidal rule over z exact to rounding.
func noncentralT(t, nu, delta float64) float64 {
	switch {
	case math.Abs(delta) < 30:
		return distuv.NoncentralT{Nu: nu, Mu: delta}.CDF(t)
	case t < 0:
		return 1 - noncentralT(-t, nu, -delta)
	case delta < 0 || t == 0: // Z exceeds -δ in fewer than 1 of 10^197 cases
		return distuv.UnitNormal.CDF(-delta)
	}
	const step = 1. / 8
	sum := 0.0
	for z := -9.; z <= 9; z += step {
		w := (z + delta) / t
		sum += step * distuv.UnitNormal.Prob(z) * distuv.ChiSquared{K: nu}.Survival(nu*w*w)
	}
	return sum
}

// EnergyJ is the kinetic energy in joules of a mass in grams at a speed in m/s.
func EnergyJ(massG, mps float64) float64 { return massG / 1000 * mps * mps / 2 }

// Welch compares two means without assuming equal deviations (Welch 1947, Biometrika
// 34:28): the difference a − b with its interval, t, degrees of freedom and two-sided
// p. An error below two values on a side or when neither side varies.
func Welch(a, b []float64, level float64) (diff Estimate, t, dof, p float64, err error) {
	diff = undefined(len(a)+len(b), "difference of the means; Welch's interval")
	meanA, sdA := MeanSD(a)
	meanB, sdB := MeanSD(b)
	va, vb := sdA*sdA/float64(len(a)), sdB*sdB/float64(len(b))
	if len(a) < 2 || len(b) < 2 || !(va+vb > 0) {
		return diff, math.NaN(), math.NaN(), 1, fmt.Errorf("comparing means: %w", ErrTooFew)
	}
	dof = (va + vb) * (va + vb) / (va*va/float64(len(a)-1) + vb*vb/float64(len(b)-1))
	t = (meanA - meanB) / math.Sqrt(va+vb)
	dist := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}
	half := dist.Quantile((1+level)/2) * math.Sqrt(va+vb)
	diff.Value, diff.Lo, diff.Hi, diff.Level = meanA-meanB, meanA-meanB-half, meanA-meanB+half, level
	return diff, t, dof, 2 * dist.Survival(math.Abs(t)), nil
}

// FewestForSpread are the values that BrownForsythe asks of each group. Distances from the
// median of two or four come in pairs, which looks like little scatter: of two groups of
// one normal population of four each 6.6% pass the 5% level and 0.46% that of 0.1%, of two
// each all; of five and more 4.2% and 0.15% at most (simulated, 20,000 each).
const FewestForSpread = 5

// BrownForsythe tests whether groups have the same deviation: analysis of variance on
// the distances from each group's median (Brown & Forsythe 1974, J. Amer. Statist.
// Assoc. 69:364). It returns W and its p. An error with fewer than two groups or
// FewestForSpread values in a group, or when nothing varies.
func BrownForsythe(groups ...[]float64) (w, p float64, err error) {
	var n, grand float64
	means := make([]float64, len(groups))
	devs := make([][]float64, len(groups))
	for i, g := range groups {
		if len(g) < FewestForSpread {
			return math.NaN(), 1, fmt.Errorf("comparing deviations: %w", ErrTooFew)
		}
		mid := Median(g)
		for _, v := range g {
			devs[i] = append(devs[i], math.Abs(v-mid))
		}
		means[i], _ = MeanSD(devs[i])
		n += float64(len(g))
		grand += means[i] * float64(len(g))
	}
	k := float64(len(groups))
	if k < 2 {
		return math.NaN(), 1, fmt.Errorf("comparing deviations: %w", ErrTooFew)
	}
	grand /= n
	var between, within float64
	for i, d := range devs {
		between += float64(len(d)) * (means[i] - grand) * (means[i] - grand)
		for _, v := range d {
			within += (v - means[i]) * (v - means[i])
		}
	}
	if !(within > 0) {
		return math.NaN(), 1, fmt.Errorf("comparing deviations: nothing varies")
	}
	w = (n - k) / (k - 1) * between / within
	return w, distuv.F{D1: k - 1, D2: n - k}.Survival(w), nil
}
