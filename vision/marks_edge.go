package vision

import (
	"image"
	"math"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// The rim of a disc is measured in the full-resolution photo along rays in board
// millimetres. Each ray's samples, in linear light, are projected on the change
// of colour from outside to inside; the edge is where the projection has half the
// step, by the area under it, which neither blur nor noise shifts.

// rim is what the rays of one disc found.
type rim struct {
	angle, radius []float64 // edge points, polar about the disc's present centre, mm
	weight        []float64
	rays          int // rays cast
	seen          int // rays inside the photo
	clean         int // rays with a clean edge
	contrast      float64
}

// castRays looks for the edge of a disc of radius r mm at centre c along n rays.
// inside is the disc's own colour in linear light.
func castRays(img *image.NRGBA, rect *calib.Rectification, c r2.Vec, r float64, n int, inside [3]float32) rim {
	lo, hi := rect.PxPerMM(c)
	perMM := math.Sqrt(lo * hi)
	// The rays reach far enough to see both levels beyond the blur of the photo.
	half := math.Min(0.6*r, math.Max(0.28*r, 4.5/perMM))
	steps := int(math.Ceil(2 * half * perMM / 0.5))
	steps = max(12, min(steps, 64))
	dr := 2 * half / float64(steps)
	out := rim{rays: n}
	profile := make([][3]float32, steps+1)
	v := make([]float32, steps+1)
	for k := range n {
		a := 2 * math.Pi * (float64(k) + 0.5) / float64(n)
		s, cs := math.Sincos(a)
		u := r2.Vec{X: cs, Y: s}
		p0 := rect.ToPhoto(r2.Add(c, r2.Scale(r-half, u)))
		p1 := rect.ToPhoto(r2.Add(c, r2.Scale(r+half, u)))
		d := p1.Sub(p0).Scale(1 / float64(steps))
		good := true
		for i := range profile {
			var ok bool
			profile[i], ok = sampleRGB(img, p0.Add(d.Scale(float64(i))))
			good = good && ok
		}
		if !good {
			continue
		}
		out.seen++
		// levels: outside from the last fifth, inside from the first fifth
		m := max(2, (steps+1)/5)
		var in, ex [3]float32
		for i := range m {
			for q := range 3 {
				in[q] += profile[i][q] / float32(m)
				ex[q] += profile[steps-i][q] / float32(m)
			}
		}
		// direction of the change, without its part along the outside colour where
		// what is left is strong: a contact shadow only scales the outside colour
		var dir [3]float32
		var full, along, ee float32
		for q := range 3 {
			dir[q] = in[q] - ex[q]
			full += dir[q] * dir[q]
			along += dir[q] * ex[q]
			ee += ex[q] * ex[q]
		}
		if full < 1e-6 {
			continue
		}
		if ee > 1e-6 {
			var perp [3]float32
			var pp float32
			for q := range 3 {
				perp[q] = dir[q] - along/ee*ex[q]
				pp += perp[q] * perp[q]
			}
			if pp > shadowFree*full {
				dir, full = perp, pp
			}
		}
		var norm float32
		for q := range 3 {
			norm += dir[q] * (in[q] - ex[q])
		}
		// the inside level must be the disc's own colour
		var off float32
		for q := range 3 {
			t := in[q] - inside[q]
			off += t * t
		}
		if off > 0.15*(full+0.02) && off > 0.004 {
			continue
		}
		area := float32(0)
		for i := range v {
			t := float32(0)
			for q := range 3 {
				t += dir[q] * (profile[i][q] - ex[q])
			}
			v[i] = t / norm
			w := float32(1)
			if i == 0 || i == steps {
				w = 0.5
			}
			area += w * v[i]
		}
		edge := float64(area) * dr // from the inner end
		if edge < 0.15*half || edge > 1.85*half {
			continue
		}
		// the profile must be one step: compare with an ideal one, allowing for the
		// noise that the two plateaus show
		var nv float32
		for i := range m {
			a, b := v[i]-1, v[steps-i]
			nv += (a*a + b*b) / float32(2*m)
		}
		bad := float32(0)
		blur := 1.6 / perMM
		for i := range v {
			t := (edge - float64(i)*dr) / blur
			ideal := float32(max(0, min(1, 0.5+0.5*t)))
			d := v[i] - ideal
			bad += d * d
		}
		bad /= float32(len(v))
		if bad > 0.03+2*min(nv, 0.1) {
			continue
		}
		out.clean++
		out.contrast += math.Sqrt(float64(norm))
		out.angle = append(out.angle, a)
		out.radius = append(out.radius, r-half+edge)
		out.weight = append(out.weight, 1/(0.002+float64(bad)))
	}
	if out.clean > 0 {
		out.contrast /= float64(out.clean)
	}
	return out
}

// shadowFree is the share of the colour step, squared, that must be left after
// removing the part a shadow can make, for the shadow-free projection to be used.
const shadowFree = 0.12

// fitCircle fits a circle to the rim by iteratively reweighted least squares
// (Tukey's biweight on the distance to the circle, geometric Gauss-Newton). With
// fixed > 0 the radius is held. It returns the centre's offset from the present
// one, the radius, the covariance of the offset, the residual sd and the share of
// rays on the circle.
func fitCircle(m rim, fixed, start, tol float64) (d r2.Vec, radius float64, cov [3]float64, sd, share float64, ok bool) {
	n := len(m.angle)
	if n < 6 {
		return d, start, cov, 0, 0, false
	}
	px, py := make([]float64, n), make([]float64, n)
	for i := range n {
		s, c := math.Sincos(m.angle[i])
		px[i], py[i] = m.radius[i]*c, m.radius[i]*s
	}
	radius = start
	if fixed > 0 {
		radius = fixed
	}
	res := make([]float64, n)
	abs := make([]float32, n)
	scale := tol
	var a [3][3]float64
	for iter := range 12 {
		a = [3][3]float64{}
		var g [3]float64
		for i := range n {
			ex, ey := px[i]-d.X, py[i]-d.Y
			dist := math.Hypot(ex, ey)
			if dist == 0 {
				continue
			}
			res[i] = dist - radius
			t := res[i] / (4.7 * scale)
			if t >= 1 || t <= -1 {
				continue
			}
			w := m.weight[i] * (1 - t*t) * (1 - t*t)
			j := [3]float64{-ex / dist, -ey / dist, -1}
			for p := range 3 {
				g[p] += w * j[p] * res[i]
				for q := range 3 {
					a[p][q] += w * j[p] * j[q]
				}
			}
		}
		if fixed > 0 {
			a[2] = [3]float64{0, 0, 1}
			a[0][2], a[1][2], g[2] = 0, 0, 0
		}
		step, good := solveSym3(a, g)
		if !good {
			return d, radius, cov, 0, 0, false
		}
		d.X -= step[0]
		d.Y -= step[1]
		if fixed == 0 {
			radius -= step[2]
		}
		for i := range n {
			abs[i] = float32(math.Abs(math.Hypot(px[i]-d.X, py[i]-d.Y) - radius))
		}
		scale = max(1.4826*float64(selectKth(abs, n/2)), tol/12)
		if iter > 2 && math.Abs(step[0])+math.Abs(step[1]) < 1e-5 {
			break
		}
	}
	on, ss, ww := 0, 0.0, 0.0
	for i := range n {
		r := math.Hypot(px[i]-d.X, py[i]-d.Y) - radius
		if math.Abs(r) < tol {
			on++
		}
		if t := r / (4.7 * scale); t < 1 && t > -1 {
			w := m.weight[i] * (1 - t*t) * (1 - t*t)
			ss += w * r * r
			ww += w
		}
	}
	if ww == 0 {
		return d, radius, cov, 0, 0, false
	}
	sd = math.Sqrt(ss / ww)
	inv, good := invertSym3(a)
	if !good {
		return d, radius, cov, 0, 0, false
	}
	// unit weight: the mean weight times the residual variance
	k := sd * sd * ww / float64(n)
	return d, radius, [3]float64{inv[0][0] * k, inv[0][1] * k, inv[1][1] * k}, sd, float64(on) / float64(max(1, m.seen)), true
}

func solveSym3(a [3][3]float64, g [3]float64) (x [3]float64, ok bool) {
	inv, ok := invertSym3(a)
	for i := range 3 {
		for j := range 3 {
			x[i] += inv[i][j] * g[j]
		}
	}
	return x, ok
}

func invertSym3(m [3][3]float64) (inv [3][3]float64, ok bool) {
	c00 := m[1][1]*m[2][2] - m[1][2]*m[2][1]
	c01 := m[1][2]*m[2][0] - m[1][0]*m[2][2]
	c02 := m[1][0]*m[2][1] - m[1][1]*m[2][0]
	det := m[0][0]*c00 + m[0][1]*c01 + m[0][2]*c02
	if !(math.Abs(det) > 1e-12) {
		return inv, false
	}
	inv[0] = [3]float64{c00, m[0][2]*m[2][1] - m[0][1]*m[2][2], m[0][1]*m[1][2] - m[0][2]*m[1][1]}
	inv[1] = [3]float64{c01, m[0][0]*m[2][2] - m[0][2]*m[2][0], m[0][2]*m[1][0] - m[0][0]*m[1][2]}
	inv[2] = [3]float64{c02, m[0][1]*m[2][0] - m[0][0]*m[2][1], m[0][0]*m[1][1] - m[0][1]*m[1][0]}
	for i := range 3 {
		for j := range 3 {
			inv[i][j] /= det
		}
	}
	return inv, true
}
