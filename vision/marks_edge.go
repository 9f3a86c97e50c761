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

// ray is what one direction from the centre of a disc shows of its rim.
type ray struct {
	angle  float64
	seen   bool    // it lies in the photo
	edge   bool    // it crosses one step from the disc's own colour to another
	at     float64 // distance of the step from the centre, mm
	weight float64
	in, ex rgb // levels on either side, linear light
}

// raysPerDisc rays are cast for each disc; glanceRays tell whether it is worth that.
const (
	raysPerDisc = 96
	glanceRays  = 32
)

// scan holds the colours along rays that cross where the rim of a disc may be.
type scan struct {
	along     [][]rgb // by ray, outward; nil where a ray leaves the photo
	first, dr float64 // distance of the first sample from the centre and between samples, mm
	blur      float64 // width over which a sharp edge is spread, mm
}

// rayAngle is the direction of ray k of n.
func rayAngle(k, n int) float64 { return 2 * math.Pi * (float64(k) + 0.5) / float64(n) }

// scanRim samples n rays for a disc of radius r mm at centre c, about stepPx apart.
func scanRim(img *image.NRGBA, rect *calib.Rectification, c r2.Vec, r float64, n int, stepPx float64) scan {
	lo, hi := rect.PxPerMM(c)
	perMM := math.Sqrt(lo * hi)
	// The rays reach far enough to see both levels beyond the blur of the photo.
	half := math.Min(0.6*r, math.Max(0.28*r, 4.5/perMM))
	steps := max(12, min(int(math.Ceil(2*half*perMM/stepPx)), 64))
	s := scan{along: make([][]rgb, n), first: r - half, dr: 2 * half / float64(steps), blur: 1.6 / perMM}
	m := steps + 1
	samples := make([]rgb, n*m)
	for k := range n {
		sin, cos := math.Sincos(rayAngle(k, n))
		u := r2.Vec{X: cos, Y: sin}
		p := rect.ToPhoto(r2.Add(c, r2.Scale(r-half, u)))
		q := rect.ToPhoto(r2.Add(c, r2.Scale(r+half, u)))
		if line := samples[k*m : (k+1)*m]; sampleLine(img, p, q, line) {
			s.along[k] = line
		}
	}
	return s
}

// castRays looks in n directions for the rim of a disc of radius r mm at centre c.
// inside is the disc's own colour. raysPerDisc rays are averaged with so many neighbours
// on either side, which spares the step and lessens the noise; fewer are too far apart.
func castRays(img *image.NRGBA, rect *calib.Rectification, c r2.Vec, r float64, inside rgb, n, beside int) []ray {
	step := 0.5
	if n < raysPerDisc {
		step = 1
	}
	s := scanRim(img, rect, c, r, n, step)
	rays := make([]ray, n)
	mean := make([]rgb, 0, 65)
	for k, line := range s.along {
		rays[k] = ray{angle: rayAngle(k, n), seen: line != nil}
		if n == raysPerDisc {
			line = s.meanOf(k, beside, mean)
		}
		if line != nil {
			s.findStep(&rays[k], line, inside)
		}
	}
	return rays
}

// Rays are averaged with one neighbour on either side, and with noisyBeside where the noise
// of the photo comes near the step across the rim.
const (
	usualBeside = 1
	noisyBeside = 5
)

// meanOf returns the mean of ray k and so many neighbours on either side, in the memory of
// mean; nil where one of them leaves the photo.
func (s scan) meanOf(k, beside int, mean []rgb) []rgb {
	n := len(s.along)
	mean = mean[:0]
	for q := k - beside; q <= k+beside; q++ {
		line := s.along[(q+n)%n]
		if line == nil {
			return nil
		}
		if q == k-beside {
			mean = append(mean, line...)
			continue
		}
		for i, v := range line {
			mean[i] = rgb{mean[i][0] + v[0], mean[i][1] + v[1], mean[i][2] + v[2]}
		}
	}
	w := 1 / float32(2*beside+1)
	for i, v := range mean {
		mean[i] = rgb{w * v[0], w * v[1], w * v[2]}
	}
	return mean
}

// levelsOf returns the colours on either side of a rim: the means of the ends of the
// profile across it.
func levelsOf(profile []rgb) (in, ex rgb) {
	m := max(2, len(profile)/5)
	for i := range m {
		for q := range 3 {
			in[q] += profile[i][q] / float32(m)
			ex[q] += profile[len(profile)-1-i][q] / float32(m)
		}
	}
	return in, ex
}

// findStep sets the ray's edge from the profile of colours along it.
func (s scan) findStep(r *ray, profile []rgb, inside rgb) {
	r.in, r.ex = levelsOf(profile)
	dir, full := stepDirection(r.in, r.ex)
	if full < 1e-6 {
		return
	}
	// The inside level must be the disc's own colour, in light or in shade.
	lit := max(1/shadeDepth, min(shadeDepth, r.in.dot(inside)/max(inside.dot(inside), 1e-6)))
	off := float32(0)
	for q := range 3 {
		t := r.in[q] - lit*inside[q]
		off += t * t
	}
	if off > 0.15*(full+0.02) && off > 0.004 {
		return
	}
	edge, bad, ok := s.stepAlong(r, profile, dir)
	if !ok {
		// Where a camera sharpens much, what is left of a step without its part along the
		// outside colour may be little beside the overshoots: then the whole step, in the
		// same place, tells.
		at := edge
		edge, bad, ok = s.stepAlong(r, profile, rgb{r.in[0] - r.ex[0], r.in[1] - r.ex[1], r.in[2] - r.ex[2]})
		ok = ok && math.Abs(edge-at) < s.blur/2
	}
	if ok {
		r.edge, r.at, r.weight = true, s.first+edge, weightOf(bad)
	}
}

// weightOf is the weight of an edge that is so far from a step.
func weightOf(bad float64) float64 { return 1 / (0.002 + bad) }

// stepAlong returns where the profile of r, seen along dir, has its step, from its first
// sample, mm, and how far it is from a step that is one (mean square); ok if it is.
func (s scan) stepAlong(r *ray, profile []rgb, dir rgb) (edge, bad float64, ok bool) {
	steps := len(profile) - 1
	length := float64(steps) * s.dr
	m := max(2, len(profile)/5)
	v := make([]float32, len(profile))
	norm := dir.dot(rgb{r.in[0] - r.ex[0], r.in[1] - r.ex[1], r.in[2] - r.ex[2]})
	area := float32(0)
	for i, p := range profile {
		v[i] = dir.dot(rgb{p[0] - r.ex[0], p[1] - r.ex[1], p[2] - r.ex[2]}) / norm
		if i == 0 || i == steps {
			area += v[i] / 2
		} else {
			area += v[i]
		}
	}
	edge = float64(area) * s.dr
	if edge < 0.075*length || edge > 0.925*length {
		return edge, 1, false
	}
	// The profile must be one step: compare with an ideal one, allowing for the noise
	// that the two plateaus show.
	noise := float32(0)
	for i := range m {
		a, b := v[i]-1, v[steps-i]
		noise += (a*a + b*b) / float32(2*m)
	}
	off := float32(0)
	for i := range v {
		ideal := float32(max(0, min(1, 0.5+0.5*(edge-float64(i)*s.dr)/s.blur)))
		off += (v[i] - ideal) * (v[i] - ideal) / float32(len(v))
	}
	return edge, float64(off), off <= 0.03+2*min(noise, 0.1)
}

// shadeDepth is how much darker a shadow's border makes one part of a disc than another.
const shadeDepth = 3

// stepDirection returns the change of colour from ex to in, and its square: without
// its part along ex where what is left is strong, since a contact shadow only scales
// the outside colour.
func stepDirection(in, ex rgb) (dir rgb, full float32) {
	for q := range 3 {
		dir[q] = in[q] - ex[q]
	}
	full = dir.dot(dir)
	if perp, left := withoutShadow(dir, ex); left > shadowFree*full {
		return perp, left
	}
	return dir, full
}

// withoutShadow returns the change of colour dir without its part along the outside
// colour ex, and its square.
func withoutShadow(dir, ex rgb) (perp rgb, square float32) {
	ee := ex.dot(ex)
	if ee < 1e-6 {
		return perp, 0
	}
	k := dir.dot(ex) / ee
	perp = rgb{dir[0] - k*ex[0], dir[1] - k*ex[1], dir[2] - k*ex[2]}
	return perp, perp.dot(perp)
}

// rim holds points of a disc's rim, polar about its present centre, mm.
type rim struct {
	angle, radius, weight []float64
}

// rimOf returns the edges that the rays of d found, but for those that may be
// another disc's.
func rimOf(d *disc, near []*disc) (m rim) {
	for _, r := range d.rays {
		if !r.edge {
			continue
		}
		if onRim, _ := d.meets(r.angle, near); onRim {
			continue
		}
		m.angle, m.radius, m.weight = append(m.angle, r.angle), append(m.radius, r.at), append(m.weight, r.weight)
	}
	return m
}

// shadowFree is the share of the colour step, squared, that must be left after
// removing the part a shadow can make, for the shadow-free projection to be used.
const shadowFree = 0.12

// fitCircle fits a circle to the rim by iteratively reweighted least squares
// (Tukey's biweight on the distance to the circle, geometric Gauss-Newton). With
// fixed > 0 the radius is held. It returns the centre's offset from the present
// one, the radius, the covariance of the offset and the residual sd.
func fitCircle(m rim, fixed, start, tol float64) (d r2.Vec, radius float64, cov [3]float64, sd float64, ok bool) {
	n := len(m.angle)
	if n < 6 {
		return d, start, cov, 0, false
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
	if fixed > 0 {
		if at := startOf(m, px, py, radius, tol); at != (r2.Vec{}) {
			d, scale = at, tol/3
		}
	}
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
			return d, radius, cov, 0, false
		}
		d.X -= step[0]
		d.Y -= step[1]
		if fixed == 0 {
			radius -= step[2]
		}
		for i := range n {
			abs[i] = float32(math.Abs(math.Hypot(px[i]-d.X, py[i]-d.Y) - radius))
		}
		scale = min(max(1.4826*float64(selectKth(abs, n/2)), tol/12), tol/min(3, 1+float64(iter)/2))
		if iter > 2 && math.Abs(step[0])+math.Abs(step[1]) < 1e-5 {
			break
		}
	}
	ss, ww := 0.0, 0.0
	for i := range n {
		r := math.Hypot(px[i]-d.X, py[i]-d.Y) - radius
		if t := r / (4.7 * scale); t < 1 && t > -1 {
			w := m.weight[i] * (1 - t*t) * (1 - t*t)
			ss += w * r * r
			ww += w
		}
	}
	if ww == 0 {
		return d, radius, cov, 0, false
	}
	sd = math.Sqrt(ss / ww)
	inv, good := invertSym3(a)
	if !good {
		return d, radius, cov, 0, false
	}
	// unit weight: the mean weight times the residual variance
	k := sd * sd * ww / float64(n)
	return d, radius, [3]float64{inv[0][0] * k, inv[0][1] * k, inv[1][1] * k}, sd, true
}

// startOf returns where the fit of a circle of known radius to points of a rim starts
// from: the origin, unless elsewhere, up to a quarter radius away, far more of the rim
// lies on it. Two discs that nearly cover each other have one outline, and between
// their centres is a place that fits neither.
func startOf(m rim, px, py []float64, radius, tol float64) (at r2.Vec) {
	on := func(c r2.Vec) (sum float64) {
		for i, x := range px {
			dx, dy := x-c.X, py[i]-c.Y
			t := (math.Sqrt(dx*dx+dy*dy) - radius) / tol
			if t2 := t * t; t2 < 1 {
				sum += m.weight[i] * (1 - t2) * (1 - t2)
			}
		}
		return sum
	}
	const muchBetter = 1.2
	most := muchBetter * on(r2.Vec{})
	for _, away := range [2]float64{0.12, 0.24} {
		for k := range 12 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 12)
			c := r2.Vec{X: away * radius * cos, Y: away * radius * sin}
			if v := on(c); v > most {
				most, at = v, c
			}
		}
	}
	return at
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
