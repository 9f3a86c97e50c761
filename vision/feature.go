package vision

import (
	"image"
	"math"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// feature is one circular detail of the face whose place is measured as a
// whole: the border of a zone, one side of a thick line, or a thin line with
// both its sides. Its look is learnt from the photo itself, so that any face
// will do.
type feature struct {
	inner, outer float64 // radii of its edges; equal for a single border
	sign         float64 // of the step at a single border: +1 brighter outside
	half         float64 // half width of the window about ref, in the plane's unit
	h            float64 // sample step
	look         []float64
	spread       float64 // standard deviation about the look, noise of one sample
	seen         float64 // share of directions that were used
	points       []calib.EdgePoint
}

// ref is the radius at the middle of the window.
func (f feature) ref() float64 { return (f.inner + f.outer) / 2 }

// thinLinePx is the width below which the two sides of a line blur together and
// are registered as one.
const thinLinePx = 7.0

// windowPx is how far a window reaches beyond an edge: three standard
// deviations of a phone's blur, and room for the wobble of a drawn ring.
const windowPx = 7.0

// ringingShare is the step beside a strong border, relative to it, that a
// phone's sharpening makes; less is no border of its own.
const ringingShare = 0.16

// features turns borders into what can be registered, joining the two sides of
// thin lines. pxPerUnit is the coarsest sampling at the centre.
func features(bs []border, pxPerUnit float64) []feature {
	bs = withoutRinging(bs, pxPerUnit)
	var out []feature
	for i := 0; i < len(bs); i++ {
		b := bs[i]
		if b.radius*pxPerUnit < 5 {
			continue
		}
		f := feature{inner: b.radius, outer: b.radius, sign: math.Copysign(1, b.step[0]+b.step[1]+b.step[2])}
		if i+1 < len(bs) && (bs[i+1].radius-b.radius)*pxPerUnit < thinLinePx && dot3(b.step, bs[i+1].step) < 0 {
			f.outer = bs[i+1].radius
			i++
		}
		out = append(out, f)
	}
	for i := range out {
		f := &out[i]
		f.half = (f.outer-f.inner)/2 + windowPx/pxPerUnit
		// Not beyond the middle to the next feature.
		if i > 0 {
			f.half = math.Min(f.half, f.ref()-(f.inner+out[i-1].outer)/2)
		}
		if i+1 < len(out) {
			f.half = math.Min(f.half, (f.outer+out[i+1].inner)/2-f.ref())
		}
		f.half = math.Min(f.half, 0.8*f.ref())
		f.h = 0.5 / pxPerUnit
	}
	return out
}

func withoutRinging(bs []border, pxPerUnit float64) []border {
	var out []border
	for i, b := range bs {
		keep := true
		for j, o := range bs {
			near := math.Abs(o.radius-b.radius)*pxPerUnit < 12
			if i != j && near && dot3(b.step, b.step) < ringingShare*ringingShare*dot3(o.step, o.step) {
				keep = false
			}
			// One edge smeared over two peaks by a plane not yet good: the larger stays.
			same := math.Abs(o.radius-b.radius)*pxPerUnit < thinLinePx && dot3(b.step, o.step) > 0
			if i != j && same && (dot3(b.step, b.step) < dot3(o.step, o.step) || dot3(b.step, b.step) == dot3(o.step, o.step) && i > j) {
				keep = false
			}
		}
		if keep {
			out = append(out, b)
		}
	}
	return out
}

// register measures where feature f lies in up to maxRays directions, relative to
// its own average look, and fills its points for circle number circle.
func (f *feature) register(img *image.NRGBA, r *calib.Rectification, circle, maxRays int) {
	k := 2*int(math.Ceil(f.half/f.h)) + 1
	lo, hi := r.PxPerMM(r2.Vec{})
	rays := max(72, min(maxRays, int(2*math.Pi*f.ref()*math.Sqrt(lo*hi)/3)))
	prof := make([]rgb, 0, rays*k)
	var angles []float64
	line := make([]rgb, k)
	for a := range rays {
		t := 2 * math.Pi * (float64(a) + 0.5) / float64(rays)
		s, c := math.Sincos(t)
		ok := true
		for i := range line {
			d := f.ref() + float64(i-k/2)*f.h
			b := r2.Vec{X: d * c, Y: d * s}
			if !r.InFront(b) {
				ok = false
				break
			}
			if line[i], ok = sampleRGB(img, r.ToPhoto(b)); !ok {
				break
			}
		}
		if ok {
			prof = append(prof, line...)
			angles = append(angles, t)
		}
	}
	f.points = f.points[:0]
	f.seen = 0
	if len(angles) < 12 {
		return
	}
	w := f.contrast(prof, k)
	grey := make([]float64, len(prof))
	for i, c := range prof {
		grey[i] = float64(c[0])*w[0] + float64(c[1])*w[1] + float64(c[2])*w[2]
	}
	f.look = medianProfile(grey, k)
	slope := derivative(f.look, f.h)
	var energy float64
	for _, v := range slope {
		energy += v * v
	}
	if !(energy > 0) {
		return
	}
	var resid []float64
	for i, t := range angles {
		shift, gain, rms, ok := matchLook(grey[i*k:(i+1)*k], f.look, slope)
		if !ok || gain < 0.25 || gain > 3 || math.Abs(shift) > 0.8*windowPx*2*f.h {
			continue
		}
		d := f.ref() + shift
		s, c := math.Sincos(t)
		b := r2.Vec{X: d * c, Y: d * s}
		j := r.Jacobian(b)
		across := normalScale(j, r2.Vec{X: c, Y: s})
		sigma := rms / (gain * math.Sqrt(energy)) * across
		f.points = append(f.points, calib.EdgePoint{Circle: circle, At: r.ToPhoto(b), SigmaPx: math.Max(0.04, sigma)})
		resid = append(resid, rms)
	}
	f.seen = float64(len(f.points)) / float64(rays)
	if len(resid) > 0 {
		f.spread = medianOf(resid)
	}
}

// normalScale returns px across a circle per unit of radius, for the outward
// direction n on the board.
func normalScale(j [2][2]float64, n r2.Vec) float64 {
	det := j[0][0]*j[1][1] - j[0][1]*j[1][0]
	gx := (n.X*j[1][1] - n.Y*j[1][0]) / det
	gy := (-n.X*j[0][1] + n.Y*j[0][0]) / det
	return 1 / math.Hypot(gx, gy)
}

// contrast returns the colour direction along which the feature stands out.
func (f *feature) contrast(prof []rgb, k int) [3]float64 {
	n := len(prof) / k
	ch := make([]float64, n)
	at := func(i, c int) float64 {
		for a := range n {
			ch[a] = float64(prof[a*k+i][c])
		}
		return medianOf(ch)
	}
	var w [3]float64
	edge := max(1, k/8)
	for c := range 3 {
		in, out := at(edge, c), at(k-1-edge, c)
		w[c] = out - in
		if f.outer > f.inner {
			w[c] = (in+out)/2 - at(k/2, c)
		}
	}
	norm := math.Sqrt(dot3(w, w))
	if norm == 0 {
		return [3]float64{0.2126, 0.7152, 0.0722}
	}
	for c := range w {
		w[c] /= norm
	}
	return w
}

func medianProfile(grey []float64, k int) []float64 {
	n := len(grey) / k
	col := make([]float64, n)
	out := make([]float64, k)
	for i := range out {
		for a := range n {
			col[a] = grey[a*k+i]
		}
		out[i] = medianOf(col)
	}
	return out
}

func derivative(v []float64, h float64) []float64 {
	d := make([]float64, len(v))
	for i := 1; i+1 < len(v); i++ {
		d[i] = (v[i+1] - v[i-1]) / (2 * h)
	}
	return d
}

// matchLook finds offset, gain and shift of look that match one profile p, by
// least squares linear in the three: p(x) = offset + gain look(x - shift).
func matchLook(p, look, slope []float64) (shift, gain, rms float64, ok bool) {
	// Normal equations of the columns 1, look, -slope.
	var a [3][4]float64
	for i := range p {
		row := [3]float64{1, look[i], -slope[i]}
		for u := range 3 {
			for v := range 3 {
				a[u][v] += row[u] * row[v]
			}
			a[u][3] += row[u] * p[i]
		}
	}
	x, ok := solve3(a)
	if !ok || !(math.Abs(x[1]) > 1e-9) {
		return 0, 0, 0, false
	}
	var rss, tot, mean float64
	for i := range p {
		mean += p[i] / float64(len(p))
		e := p[i] - x[0] - x[1]*look[i] + x[2]*slope[i]
		rss += e * e
	}
	for i := range p {
		tot += (p[i] - mean) * (p[i] - mean)
	}
	if !(rss < 0.25*tot) {
		return 0, 0, 0, false
	}
	dof := math.Max(1, float64(len(p)-3)/2) // samples half a pixel apart are not independent
	return x[2] / x[1], x[1], math.Sqrt(rss / dof), true
}

func solve3(a [3][4]float64) (x [3]float64, ok bool) {
	for c := range 3 {
		p := c
		for r := c + 1; r < 3; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		if !(math.Abs(a[p][c]) > 1e-300) {
			return x, false
		}
		a[c], a[p] = a[p], a[c]
		for r := range 3 {
			if r == c {
				continue
			}
			f := a[r][c] / a[c][c]
			for k := c; k < 4; k++ {
				a[r][k] -= f * a[c][k]
			}
		}
	}
	for i := range 3 {
		x[i] = a[i][3] / a[i][i]
	}
	return x, true
}

// edges reads the radii of the feature's printed edges off its average look, in
// linear light: for a border the half-level point, for a thin line the two
// sides of a box under Gaussian blur. blur is the standard deviation of that
// blur in the plane's unit.
func (f *feature) edges() (inner, outer, blur float64) {
	k := len(f.look)
	if k < 5 {
		return f.inner, f.outer, f.half
	}
	at := func(i int) float64 { return f.ref() + float64(i-k/2)*f.h }
	q := max(1, k/6)
	lo, hi := mean(f.look[:q]), mean(f.look[k-q:])
	if f.inner == f.outer {
		mid := (lo + hi) / 2
		bestI, bestD := -1, math.Inf(1)
		for i := 0; i+1 < k; i++ {
			a, b := f.look[i]-mid, f.look[i+1]-mid
			if a*b <= 0 && a != b && math.Abs(float64(i-k/2)) < bestD {
				bestI, bestD = i, math.Abs(float64(i-k/2))
			}
		}
		if bestI < 0 {
			return f.inner, f.outer, f.half
		}
		a, b := f.look[bestI]-mid, f.look[bestI+1]-mid
		x := at(bestI) + f.h*a/(a-b)
		steepest := 0.0
		for _, v := range derivative(f.look, f.h) {
			steepest = math.Max(steepest, math.Abs(v))
		}
		return x, x, math.Abs(hi-lo) / (steepest * math.Sqrt(2*math.Pi))
	}
	deep := 0.0
	for i := q; i < k-q; i++ {
		if d := f.look[i] - (lo+hi)/2; math.Abs(d) > math.Abs(deep) {
			deep = d
		}
	}
	// a, b: plateaus; c: line level; x0, x1: its sides; s: blur. All lengths in
	// samples from the middle.
	model := func(p []float64, x float64) float64 {
		s := math.Abs(p[5]) + 0.05
		return p[0] + (p[2]-p[0])*phi((x-p[3])/s) + (p[1]-p[2])*phi((x-p[4])/s)
	}
	wide := (f.outer - f.inner) / f.h / 2
	p0 := []float64{lo, hi, (lo+hi)/2 + 1.15*deep, -wide, wide, 1.6}
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
		return f.inner, f.outer, f.half
	}
	a, b := res.X[3], res.X[4]
	if !(a < b) || b-a > 4*wide+4 || math.Abs(a+b)/2 > float64(k)/4 {
		return f.inner, f.outer, f.half
	}
	return f.ref() + a*f.h, f.ref() + b*f.h, (math.Abs(res.X[5]) + 0.05) * f.h
}

func phi(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

func mean(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s / float64(len(v))
}
