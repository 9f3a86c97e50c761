package scoring

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/spatial/r2"
)

// Ellipse is the bivariate normal with two different deviations.
type Ellipse struct {
	SigmaMajorMM float64 `json:"sigma_major_mm"`
	SigmaMinorMM float64 `json:"sigma_minor_mm"`
	// AngleRad is the direction of the major axis from +x towards +y, in (-π/2, π/2].
	AngleRad    float64 `json:"angle_rad"`
	Correlation float64 `json:"correlation"` // of x and y; 0 when one of them does not vary
	SigmaXMM    float64 `json:"sigma_x_mm"`
	SigmaYMM    float64 `json:"sigma_y_mm"`
	// RoundP is how often a truly round group of n looks at least as stretched
	// (Mauchly 1940, Ann. Math. Statist. 11:204; exact for two variables:
	// W^((n-2)/2) with W = det S/(tr S/2)²).
	RoundP float64 `json:"round_p"`
	// Stretched is RoundP <= 0.05: the circular figures then describe the group less
	// well than these radii.
	Stretched bool     `json:"stretched"`
	R50       Estimate `json:"r50"`
	R90       Estimate `json:"r90"`
}

// ellipseOf fits the stretched model.
func ellipseOf(m moments, level float64) *Ellipse {
	if m.n < 3 || !(m.ss() > 0) {
		return nil
	}
	dof := float64(m.n - 1)
	xx, xy, yy := m.sxx/dof, m.sxy/dof, m.syy/dof
	mean, half := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	major, minor := mean+half, max(0, mean-half)
	e := &Ellipse{
		SigmaMajorMM: math.Sqrt(major), SigmaMinorMM: math.Sqrt(minor), AngleRad: math.Atan2(2*xy, xx-yy) / 2,
		SigmaXMM: math.Sqrt(xx), SigmaYMM: math.Sqrt(yy),
	}
	if xx > 0 && yy > 0 {
		e.Correlation = max(-1, min(1, xy/math.Sqrt(xx*yy)))
	}
	w := major * minor / (mean * mean)
	e.RoundP = math.Pow(w, float64(m.n-2)/2)
	e.Stretched = e.RoundP <= 0.05
	// The trace estimates σ₁²+σ₂² with these degrees of freedom.
	nu := dof * (major + minor) * (major + minor) / (major*major + minor*minor)
	lo, hi := sigmaFactors(nu, level)
	for _, r := range []struct {
		e *Estimate
		p float64
	}{{&e.R50, 0.5}, {&e.R90, 0.9}} {
		v := EllipseRadius(e.SigmaMajorMM, e.SigmaMinorMM, r.p)
		*r.e = Estimate{Value: v, Lo: v * lo, Hi: v * hi, Level: level, N: m.n, Definition: fmt.Sprintf(defEllipse, int(100*r.p))}
	}
	return e
}

// EllipseRadius returns the radius of the circle about the true centre that holds
// the share p of a bivariate normal with the two given standard deviations (Harter
// 1960, J. Amer. Statist. Assoc. 55:723). It is NaN unless 0 < p < 1 and the larger
// deviation is above zero.
func EllipseRadius(sigmaA, sigmaB, p float64) float64 {
	major, minor := max(sigmaA, sigmaB), min(sigmaA, sigmaB)
	if !(p > 0 && p < 1 && major > 0 && minor >= 0) {
		return math.NaN()
	}
	c := minor / major
	// Regula falsi with the Illinois weight: the share grows smoothly with the radius,
	// and the circular radius is the largest there can be.
	lo, hi := 0.0, math.Sqrt(-2*math.Log1p(-p))
	fLo, fHi := -p, ellipseShare(hi, c)-p
	k := hi
	for range 40 {
		if math.Abs(fHi-fLo) < 1e-15 {
			break
		}
		k = hi - fHi*(hi-lo)/(fHi-fLo)
		f := ellipseShare(k, c) - p
		if math.Abs(f) < 1e-10 {
			break
		}
		if f*fHi < 0 {
			lo, fLo = hi, fHi
		} else {
			fLo /= 2
		}
		hi, fHi = k, f
	}
	return major * k
}

// ellipseShare is the share of a bivariate normal with deviations 1 and c within
// radius k. In the direction φ of the standardised plane the circle lies at
// k/√(cos²φ + c² sin²φ), so the share is 1 − (2/π)∫₀^{π/2} exp(−k²/2(cos²φ + c² sin²φ)) dφ.
// The integrand is periodic and smooth even at c = 0, where the trapezoidal rule
// needs few steps: 64 give 1e-7.
func ellipseShare(k, c float64) float64 {
	const steps = 64
	outside := 0.0
	for i := range steps + 1 {
		sin, cos := math.Sincos(float64(i) * math.Pi / 2 / steps)
		f := math.Exp(-k * k / 2 / (cos*cos + c*c*sin*sin))
		if i == 0 || i == steps {
			f /= 2
		}
		outside += f / steps
	}
	return 1 - outside
}

// Normality is Mardia's test of whether any normal cloud, round or stretched, fits a
// group (Mardia 1970, Biometrika 57:519). Both p are those of simulated normal groups
// of the same n, since the large-sample limits do not hold for a string of 15.
type Normality struct {
	// Skewness is b₁, 0 for a cloud as dense on one side as on the other; Kurtosis is
	// b₂, about 8 for a normal cloud and more with heavy tails.
	Skewness  float64 `json:"skewness"`
	SkewnessP float64 `json:"skewness_p"`
	Kurtosis  float64 `json:"kurtosis"`
	// KurtosisP is two-sided.
	KurtosisP float64 `json:"kurtosis_p"`
}

const (
	minNormality   = 8   // shots below which nothing can be seen
	normalityDraws = 999 // simulated groups behind its p
	notNormal      = 0.01
)

// normalityOf tests n ≥ 8 points; nil below, or when they lie on one line.
func normalityOf(pts []r2.Vec) *Normality {
	n := len(pts)
	if n < minNormality {
		return nil
	}
	b1, b2, ok := mardia(pts)
	if !ok {
		return nil
	}
	rng := rand.New(rand.NewPCG(uint64(n), 20261125))
	clean := make([]r2.Vec, n)
	var skew, heavy, light int
	for range normalityDraws {
		for i := range clean {
			clean[i] = r2.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64()}
		}
		s, k, _ := mardia(clean)
		if s >= b1 {
			skew++
		}
		if k >= b2 {
			heavy++
		}
		if k <= b2 {
			light++
		}
	}
	p := func(count int) float64 { return float64(1+count) / (1 + normalityDraws) }
	return &Normality{Skewness: b1, SkewnessP: p(skew), Kurtosis: b2, KurtosisP: min(1, 2*p(min(heavy, light)))}
}

// mardia returns b₁ = Σᵢⱼ[(xᵢ−m)' S⁻¹ (xⱼ−m)]³/n² and b₂ = Σᵢ[(xᵢ−m)' S⁻¹ (xᵢ−m)]²/n,
// S with divisor n; false when S is singular. In standardised coordinates b₁ is a sum
// of squared third moments, which takes one pass.
func mardia(pts []r2.Vec) (b1, b2 float64, ok bool) {
	m, n := momentsOf(pts), float64(len(pts))
	l11 := math.Sqrt(m.sxx / n)
	l21 := m.sxy / n / l11
	l22 := math.Sqrt(m.syy/n - l21*l21)
	if !(l11 > 0 && l22 > 1e-6*math.Sqrt(m.syy/n)) {
		return 0, 0, false
	}
	var xxx, xxy, xyy, yyy float64
	for _, p := range pts {
		d := r2.Sub(p, m.centre)
		x := d.X / l11
		y := (d.Y - l21*x) / l22
		xxx, xxy, xyy, yyy = xxx+x*x*x, xxy+x*x*y, xyy+x*y*y, yyy+y*y*y
		b2 += (x*x + y*y) * (x*x + y*y) / n
	}
	return (xxx*xxx + 3*xxy*xxy + 3*xyy*xyy + yyy*yyy) / (n * n), b2, true
}

// Warning says in words that no normal cloud fits; false when one may. m may be nil.
func (m *Normality) Warning() (Warning, bool) {
	if m == nil || m.SkewnessP > notNormal && m.KurtosisP > notNormal {
		return Warning{}, false
	}
	looks := "lopsided"
	if m.KurtosisP <= notNormal {
		looks = "more evenly spread than one cloud of shots, as with two centres"
		if m.Kurtosis > 8 {
			looks = "with more shots far out than one cloud has"
		}
	}
	return Warning{"not-normal", fmt.Sprintf("the group is %s (luck gives this %s): its intervals, which trust one cloud, may be too short",
		looks, percentOfTimes(min(m.SkewnessP, m.KurtosisP)))}, true
}
