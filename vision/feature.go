package vision

import (
	"image"
	"math"

	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat"

	"dartfall/calib"
)

// feature is one circular detail of the face whose place is measured as a
// whole: the border of a zone, one side of a thick line, or a thin line with
// both its sides. Its look is learnt from the photo itself, so that any face
// will do.
type feature struct {
	inner, outer float64 // radii of its edges; equal for a single border
	sign         float64 // of the step at its inner edge: +1 brighter outside
	half         float64 // half width of the window about ref, in the plane's unit
	h            float64 // sample step
	look         []float64
	across       []float64 // px across the circle per unit of radius, at five shares of the directions
	seen         float64   // share of directions that were used
	uneven       float64   // scatter of the radius over the directions, relative
	points       []calib.EdgePoint
}

// ref is the radius at the middle of the window.
func (f feature) ref() float64 { return (f.inner + f.outer) / 2 }

// moveTo shifts the feature to have its reference at radius r.
func (f *feature) moveTo(r float64) {
	d := r - f.ref()
	f.inner += d
	f.outer += d
}

// thinLinePx is the width below which the two sides of a line blur together and
// are registered as one.
const thinLinePx = 7.0

// windowPx is how far a window reaches beyond an edge: three standard
// deviations of a phone's blur, and room for the wobble of a drawn ring.
const windowPx = 7.0

// unevenShare is the scatter of its radius over the directions, relative, beyond which a
// detail is no circle, such as the crossing of two strokes: a drawn ring stays below 0.01.
const unevenShare = 0.04

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
	dark := f.sign // brighter outside: the dark side lies inside
	if f.inner != f.outer {
		dark = 0
	}
	sharp := newAligned(k)
	var scales, shifts []float64
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
		f.points = append(f.points, calib.EdgePoint{Circle: circle, At: r.ToPhoto(b), SigmaPx: math.Max(0.04, sigma), Dark: dark})
		sharp.add(grey[i*k:(i+1)*k], f.look, shift/f.h, gain)
		scales, shifts = append(scales, across), append(shifts, shift)
	}
	f.uneven = stat.PopStdDev(shifts, nil) / f.ref()
	f.seen = float64(len(f.points)) / float64(rays)
	f.across = quantiles(scales, 5)
	f.look = sharp.mean(f.look)
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
