package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/optimize"
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
	// Plateaus p[0], p[1], line level p[2], its sides p[3], p[4] in samples from the
	// middle, blur p[5] in px, which is more samples where the board is farther.
	model := func(p []float64, x float64) float64 {
		px := math.Abs(p[5]) + 0.05
		if heldPx > 0 {
			px = heldPx
		}
		sum := 0.0
		for _, a := range f.across {
			s := px / (a * f.h)
			sum += p[0] + (p[2]-p[0])*phi((x-p[3])/s) + (p[1]-p[2])*phi((x-p[4])/s)
		}
		return sum / float64(len(f.across))
	}
	wide := (f.outer - f.inner) / f.h / 2
	p0 := []float64{lo, hi, (lo+hi)/2 + 1.15*deep, -wide, wide, 1}
	scale := math.Abs(deep)
	problem := optimize.Problem{Func: func(p []float64) float64 {
		sum := 0.0
		for i := range k {
			d := (model(p, float64(i-k/2)) - f.look[i]) / scale
			sum += d * d
		}
		// The ink cannot be darker than nothing; and where the line is thinner than
		// the blur, ink and width trade against each other: lean on what was seen.
		lean := (p[2] - p0[2]) / scale
		return sum + 1e-3*lean*lean
	}}
	res, err := optimize.Minimize(problem, p0, &optimize.Settings{MajorIterations: 2000}, &optimize.NelderMead{})
	if err != nil || res == nil {
		return f.inner, f.outer, math.NaN()
	}
	a, b := res.X[3], res.X[4]
	if !(a < b) || b-a > 4*wide+4 || math.Abs(a+b)/2 > float64(k)/4 {
		return f.inner, f.outer, math.NaN()
	}
	if heldPx == 0 {
		heldPx = math.Abs(res.X[5]) + 0.05
	}
	return f.ref() + a*f.h, f.ref() + b*f.h, heldPx
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

func mean(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s / float64(len(v))
}
