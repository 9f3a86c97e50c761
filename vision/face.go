package vision

import (
	"image/color"
	"math"
	"slices"

	"dartfall/calib"
)

// The face model: a ringed face depends on radius alone, up to smooth light. In
// log-linear colour the two add up,
//
//	y(x) = F(|x|) + L(x) + whatever lies on the face,
//
// so robust estimates of F (median over the angle) and L (local median over a
// window larger than a mark) leave the marks as the residual.

// logFloor is added to linear light in [0, 1] before the logarithm: below it
// sensor noise and the 8-bit steps of a JPEG rule, not the surface.
const logFloor = 0.02

// transparent is the border of flattened pictures.
var transparent = color.RGBA{}

// logLinear maps an 8-bit sRGB value to ln(linear + logFloor).
var logLinear = func() (t [256]float32) {
	for i := range t {
		t[i] = float32(math.Log(srgbToLinear(float64(i)/255) + logFloor))
	}
	return t
}()

// planes holds the three channels of an opponent colour raster: brightness (mean
// of the three logarithms) and two log-chromas, ln R - ln G and ln B - ln G.
// Light changes brightness; chroma it leaves nearly alone.
type planes struct {
	w, h int
	ch   [3][]float32
	ok   []bool // the photo reaches this pixel
}

func newPlanes(w, h int) *planes {
	p := &planes{w: w, h: h}
	for c := range p.ch {
		p.ch[c] = make([]float32, w*h)
	}
	return p
}

// opponent converts linear-log R, G, B to brightness and two chromas.
func opponent(r, g, b float32) [3]float32 {
	return [3]float32{(r + g + b) / 3, r - g, b - g}
}

func planesOf(f *Flat) *planes {
	w, h := f.Image.Rect.Dx(), f.Image.Rect.Dy()
	p := newPlanes(w, h)
	p.ok = make([]bool, w*h)
	for i := range w * h {
		v := f.colour(i)
		p.ch[0][i], p.ch[1][i], p.ch[2][i] = v[0], v[1], v[2]
		p.ok[i] = f.Image.Pix[4*i+3] == 255
	}
	return p
}

// colour returns the opponent colour of pixel i.
func (f *Flat) colour(i int) [3]float32 {
	p := f.Image.Pix[4*i : 4*i+4]
	return opponent(logLinear[p[0]], logLinear[p[1]], logLinear[p[2]])
}

// faceModel is F and L with the scatter of what they explain.
type faceModel struct {
	centre   calib.Px     // of the raster
	radial   [3][]float32 // F per raster pixel of radius
	spread   [3][]float32 // robust sd over the angle, per radius
	edgePx   float64      // radius to which the face reaches; beyond it F is constant
	markPx   float64      // diameter of the largest mark
	light    *lightMap    // L
	bend     *bend        // of the rings; nil for true circles
	residual *planes      // y - F - L
}

// modelFace explains the raster y by radius and light. edgePx is the radius of
// the outermost ring and markPx the diameter of the largest mark, in raster pixels.
// F and L take turns; what neither explains is left out from the second turn on. The
// residual is left to remainder or straighten.
func modelFace(y *planes, centre calib.Px, edgePx, markPx float64) *faceModel {
	m := &faceModel{centre: centre, edgePx: edgePx, markPx: markPx, light: newLightMap(y.w, y.h, markPx)}
	n := int(edgePx+3) + 2
	for c := range m.radial {
		m.radial[c] = make([]float32, n)
		m.spread[c] = make([]float32, n)
	}
	m.fitRadial(y, 0)
	m.light.fit(y, m, false)
	m.fitRadial(y, 1)
	m.light.fit(y, m, true)
	m.fitRadial(y, 2)
	return m
}

// remainder makes y into y - F - L. index is radiusIndex of y.
func (m *faceModel) remainder(y *planes, index []uint16) *planes {
	row := make([]float32, y.w)
	for c := range 3 {
		f := m.radial[c]
		for v := range y.h {
			m.light.row(c, v, row)
			at := y.ch[c][v*y.w : (v+1)*y.w]
			for x, r := range index[v*y.w : (v+1)*y.w] {
				at[x] -= f[r] + row[x]
			}
		}
	}
	return y
}

// faceAt returns the colour that the face has at a pixel, in the light there.
func (m *faceModel) faceAt(x, y int) (c [3]float32) {
	r := min(int(math.Hypot(float64(x)-m.centre.X, float64(y)-m.centre.Y)+0.5), len(m.radial[0])-1)
	for k := range c {
		c[k] = m.radial[k][r] + m.light.near(k, x, y)
	}
	return c
}

// radiusIndex returns for each pixel the index of its radius in radial.
func (m *faceModel) radiusIndex(w, h int) []uint16 {
	out := make([]uint16, w*h)
	last := float32(len(m.radial[0]) - 1)
	for y := range h {
		dy := float32(float64(y) - m.centre.Y)
		for x := range w {
			dx := float32(float64(x) - m.centre.X)
			out[y*w+x] = uint16(min(float32(math.Sqrt(float64(dx*dx+dy*dy)))+0.5, last))
		}
	}
	return out
}

// radialAngles directions are enough for a median that a few marks do not move.
const radialAngles = 240

// fitRadial sets F and its scatter from y - L on circles of every radius. From
// the second round on pixels that the model did not explain are left out where
// enough remain.
func (m *faceModel) fitRadial(y *planes, round int) {
	var unit [radialAngles][2]float64
	for k := range unit {
		unit[k][1], unit[k][0] = math.Sincos(2 * math.Pi * float64(k) / radialAngles)
	}
	last := len(m.radial[0]) - 1
	var all, clear [3][]float32
	for r := range last + 1 {
		for c := range 3 {
			all[c], clear[c] = all[c][:0], clear[c][:0]
		}
		stride := max(1, radialAngles/max(8, int(2*math.Pi*float64(r))))
		for k := 0; k < radialAngles; k += stride {
			radius := float64(r)
			if r == last { // beyond the face: the margin just outside
				radius = m.edgePx + 3 + float64(k%5)
			}
			radius += m.bend.at(radius, k)
			px, py := int(m.centre.X+radius*unit[k][0]+0.5), int(m.centre.Y+radius*unit[k][1]+0.5)
			if px < 0 || py < 0 || px >= y.w || py >= y.h || !y.ok[py*y.w+px] {
				continue
			}
			var v [3]float32
			i, cell := py*y.w+px, m.light.cellOf(px, py)
			for c := range 3 {
				v[c] = y.ch[c][i] - m.light.ch[c][cell]
				all[c] = append(all[c], v[c])
			}
			if round > 0 && !m.stray(v, r) {
				for c := range 3 {
					clear[c] = append(clear[c], v[c])
				}
			}
		}
		seen := len(all[0])
		if seen*stride < radialAngles/8 { // mostly out of the photo: go on as inside
			if r > 0 {
				for c := range 3 {
					m.radial[c][r], m.spread[c][r] = m.radial[c][r-1], m.spread[c][r-1]
				}
			}
			continue
		}
		for c := range 3 {
			v := all[c]
			if len(clear[c]) > seen/4 {
				v = clear[c]
			}
			lit := selectKth(v, len(v)*7/10)
			m.radial[c][r], m.spread[c][r] = medianMAD(v)
			if c == 0 && round == 0 && lit-m.radial[c][r] < darkestShade {
				// Before the light is known the lit part of a circle is the better guess:
				// shadows darken, and near the centre they cover whole circles.
				m.radial[c][r] = lit
			}
		}
	}
	inner := int(1.3*m.markPx) + 1
	if round == 2 { // a heap may yet have been told from the face
		inner = m.clearOfHeap(inner)
	}
	m.distrustCentre(y, inner)
}

// darkestShade is how much a shadow may darken the face, log units; what is darker by more
// is another colour.
const darkestShade = 1.35

// stray reports whether y - L = v is not explained by F at radius index r; a change
// of brightness alone that a shadow could make does not count.
func (m *faceModel) stray(v [3]float32, r int) bool {
	b := v[0] - m.radial[0][r]
	c1 := (v[1] - m.radial[1][r]) / (2 * max(m.spread[1][r], 0.02))
	c2 := (v[2] - m.radial[2][r]) / (2 * max(m.spread[2][r], 0.02))
	q := c1*c1 + c2*c2
	if b < -darkestShade || b > 0.45 {
		q += b * b / 0.01
	}
	return q > 16
}

// distrustCentre replaces F within radius inner where marks, not the face, may rule
// whole circles. There F is that of the ground farther out, except over intervals
// of radius in which nearly all directions agree on another colour and which end
// sharply: a printed dot or line ends at one radius, marks do not.
func (m *faceModel) distrustCentre(y *planes, inner int) {
	n := len(m.radial[0])
	if inner+3 >= n {
		return
	}
	var ground, scatter [3]float32
	for c := range 3 {
		v := append([]float32(nil), m.radial[c][inner:min(n-1, inner+inner/2+2)]...)
		ground[c], _ = medianMAD(v)
		v = append(v[:0], m.spread[c][inner:min(n-1, inner+inner/2+2)]...)
		scatter[c], _ = medianMAD(v)
	}
	at := func(r int) [3]float32 { return [3]float32{m.radial[0][r], m.radial[1][r], m.radial[2][r]} }
	for r := inner; r >= 0; r-- {
		own := at(r)
		if alike(own, ground) {
			continue
		}
		// [a, r] is an interval of one other colour.
		a := r
		for a > 0 && alike(at(a-1), own) {
			a--
		}
		middle := at((a + r) / 2)
		real := m.share(y, r+2, middle) < 0.3 && m.share(y, (a+r)/2, middle) > 0.55 &&
			(a <= 2 || m.share(y, a-3, middle) < 0.3)
		if !real {
			for i := a; i <= r; i++ {
				for c := range 3 {
					m.radial[c][i], m.spread[c][i] = ground[c], scatter[c]
				}
			}
		}
		r = a
	}
}

// clearOfHeap returns the radius, least or more, from which on the face rules, not what is
// heaped about the centre: at most radii of the next mark's width the scatter is little more than the
// face's usual one.
func (m *faceModel) clearOfHeap(least int) int {
	n, width := len(m.radial[0]), int(m.markPx)+1
	var limit [3]float32
	for c := range limit {
		v := slices.Clone(m.spread[c])
		limit[c] = heapScatter * max(leastSpread[c], selectKth(v, n/2))
	}
	heaped := func(r int) bool {
		return m.spread[0][r] > limit[0] || m.spread[1][r] > limit[1] || m.spread[2][r] > limit[2]
	}
	for r := least; r+width < n/2; r++ {
		many := 0
		for i := r; i < r+width; i++ {
			if heaped(i) {
				many++
			}
		}
		if 2*many < width && !heaped(r) {
			return r
		}
	}
	return least
}

// heapScatter is how many times the face's usual scatter a heap of marks shows.
const heapScatter = 5

// alike reports whether two face colours are the same but for light and noise.
func alike(a, b [3]float32) bool {
	return abs32(a[0]-b[0]) < 0.2 && abs32(a[1]-b[1]) < 0.12 && abs32(a[2]-b[2]) < 0.12
}

// share returns which part of the circle of r pixels looks like the colour v.
func (m *faceModel) share(y *planes, r int, v [3]float32) float64 {
	n := max(8, int(2*math.Pi*float64(r)))
	seen, like := 0, 0
	for k := range n {
		s, cs := math.Sincos(2 * math.Pi * float64(k) / float64(n))
		px, py := int(math.Round(m.centre.X+float64(r)*cs)), int(math.Round(m.centre.Y+float64(r)*s))
		if px < 0 || py < 0 || px >= y.w || py >= y.h || !y.ok[py*y.w+px] {
			continue
		}
		i := py*y.w + px
		seen++
		d := func(c int) float32 { return abs32(y.ch[c][i] - m.light.near(c, px, py) - v[c]) }
		if d(0) < 0.4 && d(1) < 0.3 && d(2) < 0.3 {
			like++
		}
	}
	if seen == 0 {
		return 0
	}
	return float64(like) / float64(seen)
}

// medianMAD returns the median and the robust standard deviation (1.4826 times
// the median absolute deviation) of v, which it reorders. Both are 0 for no values.
func medianMAD(v []float32) (median, sd float32) {
	if len(v) == 0 {
		return 0, 0
	}
	median = selectKth(v, len(v)/2)
	for i := range v {
		v[i] = abs32(v[i] - median)
	}
	return median, 1.4826 * selectKth(v, len(v)/2)
}

// selectKth returns the k-th smallest value of v, which it reorders (Hoare's
// selection).
func selectKth[T float32 | float64](v []T, k int) T {
	lo, hi := 0, len(v)-1
	for lo < hi {
		pivot := v[(lo+hi)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}
