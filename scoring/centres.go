package scoring

import (
	"math"

	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	defCentreAxis = "A's centre less B's along this axis; the two intervals together hold both differences (Yao's T²)"
	defCentreGap  = "distance between the two centres; interval by the region of the difference, conservative"
)

// centres fills the difference of the centres. It allows for groups of different size
// and shape: parts that differ in size are what a comparison is for.
func (p *Pair) centres(ptsA, ptsB []r2.Vec, level float64) {
	a, b := momentsOf(ptsA), momentsOf(ptsB)
	d := r2.Sub(a.centre, b.centre)
	p.CentreDX.Value, p.CentreDY.Value, p.CentreDistance.Value = d.X, d.Y, math.Hypot(d.X, d.Y)
	covA, covB := a.ofCentre(), b.ofCentre()
	total := covA.plus(covB)
	t2, dof := yao(d, covA, covB, float64(a.n-1), float64(b.n-1))
	if math.IsNaN(t2) {
		return
	}
	f := distuv.F{D1: 2, D2: dof - 1}
	p.CentreP = f.Survival((dof - 1) / (2 * dof) * t2)
	limit := 2 * dof / (dof - 1) * f.Quantile(level)
	within := func(e *Estimate, half float64) {
		e.Lo, e.Hi, e.Level = e.Value-half, e.Value+half, level
	}
	within(&p.CentreDX, math.Sqrt(limit*total.xx))
	within(&p.CentreDY, math.Sqrt(limit*total.yy))
	within(&p.CentreDistance, math.Sqrt(limit*total.largest()))
	p.CentreDistance.Lo = max(0, p.CentreDistance.Lo)
}

// cov is a covariance of two variables.
type cov struct{ xx, xy, yy float64 }

// ofCentre is the covariance of the centre of n shots: their own over n.
func (m moments) ofCentre() cov {
	f := 1 / (float64(m.n) * float64(m.n-1))
	return cov{m.sxx * f, m.sxy * f, m.syy * f}
}

func (c cov) plus(d cov) cov { return cov{c.xx + d.xx, c.xy + d.xy, c.yy + d.yy} }

// largest is the variance along the long axis.
func (c cov) largest() float64 { return (c.xx+c.yy)/2 + math.Hypot((c.xx-c.yy)/2, c.xy) }

// solve returns c⁻¹ d; false when c is singular.
func (c cov) solve(d r2.Vec) (r2.Vec, bool) {
	det := c.xx*c.yy - c.xy*c.xy
	if !(det > 1e-12*c.xx*c.yy) {
		return r2.Vec{}, false
	}
	return r2.Vec{X: (c.yy*d.X - c.xy*d.Y) / det, Y: (c.xx*d.Y - c.xy*d.X) / det}, true
}

// along is v' c v.
func (c cov) along(v r2.Vec) float64 { return c.xx*v.X*v.X + 2*c.xy*v.X*v.Y + c.yy*v.Y*v.Y }

// yao returns T² for a difference d of two means with the given covariances, and its
// degrees of freedom f, without assuming that the two populations scatter alike (Yao
// 1965, Biometrika 52:139): (f−1)/(2f) T² is about F with 2 and f−1. Both are NaN
// when the covariances add up to a singular one or leave f too small.
func yao(d r2.Vec, covA, covB cov, nuA, nuB float64) (t2, dof float64) {
	u, ok := covA.plus(covB).solve(d)
	if !ok {
		return math.NaN(), math.NaN()
	}
	t2, dof = r2.Dot(d, u), nuA+nuB
	if t2 > 0 {
		a, b := covA.along(u)/t2, covB.along(u)/t2
		dof = 1 / (a*a/nuA + b*b/nuB)
	}
	if !(dof > 1) {
		return math.NaN(), math.NaN()
	}
	return t2, dof
}
