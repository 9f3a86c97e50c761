package scoring

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// MeanSD returns the mean and the standard deviation with divisor n-1. The mean of
// nothing is NaN, and so is the deviation of fewer than two values. Two passes with
// the compensation of Chan, Golub & LeVeque (1983, The American Statistician
// 37:242), so that a large common offset costs no digits.
func MeanSD(xs []float64) (mean, sd float64) {
	n := float64(len(xs))
	if n == 0 {
		return math.NaN(), math.NaN()
	}
	first := 0.0
	for _, x := range xs {
		first += x / n
	}
	rest := 0.0
	for _, x := range xs {
		rest += x - first
	}
	mean = first + rest/n
	if n < 2 {
		return mean, math.NaN()
	}
	var ss, slip float64
	for _, x := range xs {
		d := x - mean
		ss += d * d
		slip += d
	}
	return mean, math.Sqrt((ss - slip*slip/n) / (n - 1))
}

// moments are the centre and the sums of squares and products about it.
type moments struct {
	n             int
	centre        r2.Vec
	sxx, sxy, syy float64
}

func momentsOf(pts []r2.Vec) moments {
	m := moments{n: len(pts)}
	n := float64(m.n)
	for _, p := range pts {
		m.centre = r2.Add(m.centre, r2.Scale(1/n, p))
	}
	var rest r2.Vec
	for _, p := range pts {
		rest = r2.Add(rest, r2.Sub(p, m.centre))
	}
	if m.n > 0 {
		m.centre = r2.Add(m.centre, r2.Scale(1/n, rest))
	}
	for _, p := range pts {
		d := r2.Sub(p, m.centre)
		m.sxx += d.X * d.X
		m.sxy += d.X * d.Y
		m.syy += d.Y * d.Y
	}
	return m
}

// ss is the sum of squared distances from the centre.
func (m moments) ss() float64 { return m.sxx + m.syy }

// Quantile returns the p-quantile of sorted values by linear interpolation
// (Hyndman & Fan 1996, The American Statistician 50:361, type 7); NaN when there
// are none.
func Quantile(p float64, sorted []float64) float64 {
	if len(sorted) == 0 || !(p >= 0 && p <= 1) {
		return math.NaN()
	}
	h := p * float64(len(sorted)-1)
	i := int(h)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}

// Median returns the middle value of xs, which it does not reorder.
func Median(xs []float64) float64 {
	return Quantile(0.5, slices.Sorted(slices.Values(xs)))
}
