package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// aligned averages the profiles of a feature after each was matched to its look:
// shifted back and brought to the look's own offset and gain, so that a plane not
// yet good, wobble and shade do not smear the edges to be read.
type aligned struct {
	at [][]float64 // values by sample of the look
}

func newAligned(k int) *aligned { return &aligned{make([][]float64, k)} }

// add takes one profile that lies shift samples outward of look and has gain
// times its contrast.
func (a *aligned) add(profile, look []float64, shift, gain float64) {
	offset := mean(profile) - gain*mean(look)
	for i := range a.at {
		x := float64(i) + shift
		j := int(math.Floor(x))
		if j < 0 || j+1 >= len(profile) {
			continue
		}
		v := profile[j] + (x-float64(j))*(profile[j+1]-profile[j])
		a.at[i] = append(a.at[i], (v-offset)/gain)
	}
}

// mean returns the aligned look, and look itself where hardly a profile reached.
func (a *aligned) mean(look []float64) []float64 {
	out := slices.Clone(look)
	for i, v := range a.at {
		if len(v) >= 12 {
			out[i] = medianOf(v)
		}
	}
	return out
}

// quantiles returns n values at the middles of n equal shares of v, which it
// sorts; nil for none.
func quantiles(v []float64, n int) []float64 {
	if len(v) == 0 {
		return nil
	}
	slices.Sort(v)
	out := make([]float64, n)
	for i := range out {
		out[i] = v[(2*i+1)*len(v)/(2*n)]
	}
	return out
}

// edges reads the radii of the feature's printed edges off its look, in linear
// light: for a border the half-level point, for a thin line the two sides of a
// box under Gaussian blur. blurPx is the standard deviation of that blur; given
// as more than 0 it is held, which keeps a line thinner than its blur from
// trading width against depth.
func (f *feature) edges(heldPx float64) (inner, outer, blurPx float64) {
	k := len(f.look)
	if k < 5 || len(f.across) == 0 {
		return f.inner, f.outer, math.NaN()
	}
	if f.inner == f.outer {
		x, blur, ok := f.border()
		if !ok {
			return f.inner, f.outer, math.NaN()
		}
		return x, x, blur
	}
	q := max(1, k/6)
	lo, hi := mean(f.look[:q]), mean(f.look[k-q:])
	deep := 0.0
	for i := q; i < k-q; i++ {
		if d := f.look[i] - (lo+hi)/2; math.Abs(d) > math.Abs(deep) {
			deep = d
		}
	}
	wide := (f.outer - f.inner) / f.h / 2
	start := lineLook{lo, hi, (lo+hi)/2 + 1.15*deep, -wide, wide, 1.05}
	if heldPx > 0 {
		start[5] = heldPx
	}
	p := f.fitLine(start, heldPx == 0)
	a, b := p[3], p[4]
	if !(a < b) || b-a > 4*wide+4 || math.Abs(a+b)/2 > float64(k)/4 {
		return f.inner, f.outer, math.NaN()
	}
	return f.ref() + a*f.h, f.ref() + b*f.h, p[5]
}

// lineLook is the look of a line: the levels inside and outside it and its own, its two
// sides in samples from the middle, and the blur in px, which is more samples where the
// board is farther.
type lineLook [6]float64

// at returns the look at sample x from the middle, and its derivatives.
func (p lineLook) at(x float64, f *feature) (v float64, d lineLook) {
	n := float64(len(f.across))
	for _, a := range f.across {
		s := p[5] / (a * f.h)
		za, zb := (x-p[3])/s, (x-p[4])/s
		in, out := phi(za)/n, phi(zb)/n
		da, db := (p[2]-p[0])*normalDensity(za)/n, (p[1]-p[2])*normalDensity(zb)/n
		d[0] += 1/n - in
		d[1] += out
		d[2] += in - out
		d[3] -= da / s
		d[4] -= db / s
		d[5] -= (da*za + db*zb) / p[5]
	}
	return p[0]*d[0] + p[1]*d[1] + p[2]*d[2], d
}

// fitLine fits a line to the look by least squares (Levenberg 1944, Marquardt 1963), the
// blur too if it is free.
func (f *feature) fitLine(start lineLook, freeBlur bool) lineLook {
	// The ink cannot be darker than nothing; and where the line is thinner than the blur,
	// ink and width trade against each other: lean on what was seen.
	const lean, leastBlurPx = 1e-3, 0.05
	n := len(start)
	if !freeBlur {
		n--
	}
	// normal returns the cost of p, half its second derivatives and half its slope.
	normal := func(p lineLook) (cost float64, m *mat.SymDense, g *mat.VecDense) {
		m, g = mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		add := func(r, weight float64, d lineLook) {
			cost += weight * r * r
			for i := range n {
				g.SetVec(i, g.AtVec(i)+weight*r*d[i])
				for j := range i + 1 {
					m.SetSym(i, j, m.At(i, j)+weight*d[i]*d[j])
				}
			}
		}
		for i, seen := range f.look {
			v, d := p.at(float64(i-len(f.look)/2), f)
			add(v-seen, 1, d)
		}
		add(p[2]-start[2], lean, lineLook{2: 1})
		return cost, m, g
	}
	best, damp := start, 1e-3
	cost, m, g := normal(best)
	for i := 0; i < 100 && damp < 1e9; i++ {
		damped, step := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		damped.CopySym(m)
		for i := range n {
			damped.SetSym(i, i, m.At(i, i)*(1+damp))
		}
		damp *= 10
		var c mat.Cholesky
		if !c.Factorize(damped) || c.SolveVecTo(step, g) != nil {
			continue
		}
		next := best
		for i := range n {
			next[i] -= step.AtVec(i)
		}
		next[5] = max(leastBlurPx, best[5]/1.5, min(next[5], 1.5*best[5]))
		if lower, m2, g2 := normal(next); lower < cost && next[3] < next[4] {
			done := cost-lower < 1e-9*cost
			best, cost, m, g = next, lower, m2, g2
			if done {
				break
			}
			damp /= 100
		}
	}
	return best
}

// centre moves the window of a single border to the half-level point of its look. An
// edge off the middle of its window is drawn towards it, by more where it is wider in mm:
// on the far side of a tilted board.
func (f *feature) centre() {
	if f.inner != f.outer || len(f.look) < 5 || len(f.across) == 0 {
		return
	}
	if x, _, ok := f.border(); ok && math.Abs(x-f.ref()) < f.half/3 {
		f.moveTo(x)
	}
}

// border reads a single step: the half-level point next to the middle, and the
// standard deviation of the blur in px from its steepest slope.
func (f *feature) border() (radius, blurPx float64, ok bool) {
	k := len(f.look)
	q := max(1, k/6)
	lo, hi := mean(f.look[:q]), mean(f.look[k-q:])
	mid := (lo + hi) / 2
	best, at := math.Inf(1), 0.0
	for i := 0; i+1 < k; i++ {
		a, b := f.look[i]-mid, f.look[i+1]-mid
		if d := math.Abs(float64(i - k/2)); a*b <= 0 && a != b && d < best {
			best, at = d, float64(i-k/2)+a/(a-b)
		}
	}
	if math.IsInf(best, 1) {
		return 0, 0, false
	}
	steepest := 0.0
	for _, v := range derivative(f.look, f.h) {
		steepest = math.Max(steepest, math.Abs(v))
	}
	sd := math.Abs(hi-lo) / (steepest * math.Sqrt(2*math.Pi))
	return f.ref() + at*f.h, sd * f.across[len(f.across)/2], true
}

func phi(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

func normalDensity(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

func mean(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s / float64(len(v))
}
