package vision

import (
	"image"
	"image/color"
	"math"

	"gocv.io/x/gocv"

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
	pix := f.Image.Pix
	for i := range w * h {
		r, g, b := logLinear[pix[4*i]], logLinear[pix[4*i+1]], logLinear[pix[4*i+2]]
		p.ch[0][i] = (r + g + b) * (1.0 / 3)
		p.ch[1][i] = r - g
		p.ch[2][i] = b - g
		p.ok[i] = pix[4*i+3] == 255
	}
	return p
}

// faceModel is F and L with the scatter of what they explain.
type faceModel struct {
	centre   calib.Px     // of the raster
	radial   [3][]float32 // F per raster pixel of radius
	spread   [3][]float32 // robust sd over the angle, per radius
	edgePx   float64      // radius to which the face reaches; beyond it F is constant
	markPx   float64      // diameter of the largest mark
	light    *planes      // L at every pixel
	residual *planes      // y - F - L
}

// modelFace explains the raster y by radius and light. edgePx is the radius of
// the outermost ring and markPx the diameter of the largest mark, in raster pixels.
func modelFace(y *planes, centre calib.Px, edgePx, markPx float64) *faceModel {
	m := &faceModel{centre: centre, edgePx: edgePx, markPx: markPx}
	n := int(edgePx+3) + 2
	for c := range m.radial {
		m.radial[c] = make([]float32, n)
		m.spread[c] = make([]float32, n)
	}
	light := newPlanes(y.w, y.h)
	m.light = light
	res := newPlanes(y.w, y.h)
	res.ok = y.ok
	m.residual = res
	index := m.radiusIndex(y.w, y.h)
	mask := make([]bool, y.w*y.h)
	for round := range 3 {
		m.fitRadial(y, mask, round)
		for c := range 3 {
			f, l, src, dst := m.radial[c], light.ch[c], y.ch[c], res.ch[c]
			for i, r := range index {
				dst[i] = src[i] - f[r] - l[i]
			}
		}
		if round == 2 {
			break
		}
		if round == 1 {
			m.maskMarks(mask, index)
		}
		m.addLight(mask, markPx)
		for c := range 3 {
			f, l, src, dst := m.radial[c], light.ch[c], y.ch[c], res.ch[c]
			for i, r := range index {
				dst[i] = src[i] - f[r] - l[i]
			}
		}
		m.maskMarks(mask, index)
	}
	return m
}

// radiusIndex returns for each pixel the index of its radius in radial.
func (m *faceModel) radiusIndex(w, h int) []uint16 {
	out := make([]uint16, w*h)
	last := float32(len(m.radial[0]) - 1)
	for y := range h {
		dy := float32(float64(y) - m.centre.Y)
		for x := range w {
			dx := float32(float64(x) - m.centre.X)
			r := float32(math.Sqrt(float64(dx*dx+dy*dy))) + 0.5
			out[y*w+x] = uint16(min(r, last))
		}
	}
	return out
}

// fitRadial sets F and its scatter from y - L on circles of every radius. From
// the second round on masked pixels are left out where enough remain.
func (m *faceModel) fitRadial(y *planes, mask []bool, round int) {
	last := len(m.radial[0]) - 1
	var all, clear [3][]float32
	for r := 0; r <= last; r++ {
		for c := range 3 {
			all[c], clear[c] = all[c][:0], clear[c][:0]
		}
		n := max(8, min(int(2*math.Pi*float64(r)), 720))
		radius := float64(r)
		seen := 0
		for k := range n {
			if r == last { // beyond the face: the margin just outside
				radius = m.edgePx + 3 + float64(k%5)
			}
			s, cs := math.Sincos(2 * math.Pi * float64(k) / float64(n))
			px := int(math.Round(m.centre.X + radius*cs))
			py := int(math.Round(m.centre.Y + radius*s))
			if px < 0 || py < 0 || px >= y.w || py >= y.h {
				continue
			}
			i := py*y.w + px
			if !y.ok[i] {
				continue
			}
			seen++
			for c := range 3 {
				v := y.ch[c][i] - m.light.ch[c][i]
				all[c] = append(all[c], v)
				if round > 0 && !mask[i] {
					clear[c] = append(clear[c], v)
				}
			}
		}
		if seen < n/8 { // mostly out of the photo: go on as inside
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
			lit := float32(0)
			if c == 0 && round == 0 {
				lit = selectKth(v, len(v)*7/10)
			}
			m.radial[c][r], m.spread[c][r] = medianMAD(v)
			if c == 0 && round == 0 {
				// Before the light is known the lit part of a circle is the better guess:
				// shadows darken, and near the centre they cover whole circles.
				m.radial[c][r] = lit
			}
		}
	}
	m.distrustCentre(y)
}

// distrustCentre replaces F near the centre where marks, not the face, may rule
// whole circles. There F is that of the ground farther out, except over intervals
// of radius in which nearly all directions agree on another colour and which end
// sharply: a printed dot or line ends at one radius, marks do not.
func (m *faceModel) distrustCentre(y *planes) {
	n := len(m.radial[0])
	inner := int(1.3*m.markPx) + 1
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
		l := m.light
		if abs32(y.ch[0][i]-l.ch[0][i]-v[0]) < 0.4 && abs32(y.ch[1][i]-l.ch[1][i]-v[1]) < 0.3 && abs32(y.ch[2][i]-l.ch[2][i]-v[2]) < 0.3 {
			like++
		}
	}
	if seen == 0 {
		return 0
	}
	return float64(like) / float64(seen)
}

// maskMarks marks pixels the model does not explain; a change of brightness alone
// that a shadow could make does not count.
func (m *faceModel) maskMarks(mask []bool, index []uint16) {
	e := m.residual
	for i, r := range index {
		mask[i] = e.ok[i] && unexplained(e.ch[0][i], e.ch[1][i], e.ch[2][i],
			m.spread[0][r], m.spread[1][r], m.spread[2][r]) > 16
	}
}

// unexplained returns the squared distance, in standard deviations, of a residual
// from what light and noise can do.
func unexplained(b, c1, c2, sb, s1, s2 float32) float32 {
	s1, s2 = max(s1, 0.02), max(s2, 0.02)
	u, v := c1/(2*s1), c2/(2*s2)
	q := u*u + v*v
	if b < -1.35 || b > 0.45 {
		q += b * b / 0.01
	}
	return q
}

// addLight adds to L the local median of the residual of unmasked pixels.
func (m *faceModel) addLight(mask []bool, markPx float64) {
	e := m.residual
	step := max(1, int(markPx/5))
	gw, gh := (e.w+step-1)/step, (e.h+step-1)/step
	window := 2*int(1.6*markPx/float64(step)) + 1
	window = min(window, 101)
	for c := range 3 {
		g := coarseMedian(e, c, mask, step, gw, gh, window)
		spread(m.light.ch[c], e.w, e.h, g, gw, gh, step)
	}
}

// lightStep is the resolution of the 8-bit raster the light is smoothed in, in
// log units.
const lightStep = 1.0 / 50

// coarseMedian averages the unmasked pixels of channel c over blocks of step
// pixels, fills blocks that have none from around, and takes the running median.
func coarseMedian(e *planes, c int, mask []bool, step, gw, gh, window int) []float32 {
	sum := make([]float32, gw*gh)
	num := make([]float32, gw*gh)
	src := e.ch[c]
	for y := range e.h {
		row := (y / step) * gw
		for x := range e.w {
			if i := y*e.w + x; e.ok[i] && !mask[i] {
				sum[row+x/step] += src[i]
				num[row+x/step]++
			}
		}
	}
	half := float32(step*step) / 2
	sums, nums := newMat32(sum, gw, gh), newMat32(num, gw, gh)
	defer sums.Close()
	defer nums.Close()
	wide := 2*window + 1
	gocv.BoxFilter(sums, &sums, -1, image.Pt(wide, wide))
	gocv.BoxFilter(nums, &nums, -1, image.Pt(wide, wide))
	ws, err1 := sums.DataPtrFloat32()
	wn, err2 := nums.DataPtrFloat32()
	q := make([]byte, gw*gh)
	for i := range q {
		v := float32(0)
		switch {
		case num[i] >= half:
			v = sum[i] / num[i]
		case err1 == nil && err2 == nil && wn[i] > 0.02:
			v = ws[i] / wn[i]
		}
		q[i] = byte(max(0, min(255, 128.5+v/lightStep)))
	}
	m, err := gocv.NewMatFromBytes(gh, gw, gocv.MatTypeCV8U, q)
	out := make([]float32, gw*gh)
	if err != nil {
		return out
	}
	defer m.Close()
	med := gocv.NewMat()
	defer med.Close()
	gocv.MedianBlur(m, &med, window)
	soft := gocv.NewMat()
	defer soft.Close()
	med.ConvertTo(&soft, gocv.MatTypeCV32F)
	gocv.BoxFilter(soft, &soft, -1, image.Pt(3, 3))
	if v, err := soft.DataPtrFloat32(); err == nil {
		for i := range out {
			out[i] = (v[i] - 128) * lightStep
		}
	}
	return out
}

// newMat32 returns an owned one-channel float Mat holding a copy of v.
func newMat32(v []float32, w, h int) gocv.Mat {
	m := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F)
	if d, err := m.DataPtrFloat32(); err == nil {
		copy(d, v)
	}
	return m
}

// spread adds the coarse raster g, whose cells are step pixels wide, to dst by
// linear interpolation.
func spread(dst []float32, w, h int, g []float32, gw, gh, step int) {
	inv := 1 / float32(step)
	offset := float32(step-1) / 2
	xs := make([]int, w)
	fx := make([]float32, w)
	for x := range w {
		t := (float32(x) - offset) * inv
		i := max(0, min(int(math.Floor(float64(t))), gw-2))
		xs[x], fx[x] = i, max(0, min(1, t-float32(i)))
	}
	if gw < 2 || gh < 2 {
		for i := range dst {
			dst[i] += g[0]
		}
		return
	}
	for y := range h {
		t := (float32(y) - offset) * inv
		j := max(0, min(int(math.Floor(float64(t))), gh-2))
		fy := max(0, min(1, t-float32(j)))
		a, b := g[j*gw:(j+1)*gw], g[(j+1)*gw:(j+2)*gw]
		for x := range w {
			i, f := xs[x], fx[x]
			top := a[i] + f*(a[i+1]-a[i])
			low := b[i] + f*(b[i+1]-b[i])
			dst[y*w+x] += top + fy*(low-top)
		}
	}
}

// medianMAD returns the median and the robust standard deviation (1.4826 times
// the median absolute deviation) of v, which it reorders. Both are 0 for no values.
func medianMAD(v []float32) (median, sd float32) {
	if len(v) == 0 {
		return 0, 0
	}
	median = selectKth(v, len(v)/2)
	for i := range v {
		v[i] = float32(math.Abs(float64(v[i] - median)))
	}
	return median, 1.4826 * selectKth(v, len(v)/2)
}

// selectKth returns the k-th smallest value of v, which it reorders (Hoare's
// selection).
func selectKth(v []float32, k int) float32 {
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
