package vision

import (
	"image"
	"math"

	"gocv.io/x/gocv"
)

// Dents and smudges on coarse ground darken it by no more than its grain does here and
// there, but over a mark's whole width. Seen at that width, as a difference of Gaussians,
// grain averages out.

// dimMap is how much darker than its surroundings the face is about a place, at a mark's
// width and in its local scatter.
type dimMap struct {
	w, h int
	by   int       // raster pixels that a pixel stands for
	v    []float32 // in standard deviations; the best width
	r    []float32 // radius of a mark of that width, raster pixels
}

// Settings of dimMap.
const (
	dimPxMM  = 0.5 // resolution
	dimWidth = 1.8 // radius of a dent over the Gaussian's sigma that its shade has
	dimClip  = 6.0 // standard deviations: what departs farther counts no more
	dimLeast = 4.5 // standard deviations that a place must be darker by
	dimApart = 2   // pixels within which only the darkest place counts
)

// dimSigmasMM are the widths looked for; each is held against twice itself.
var dimSigmasMM = [...]float64{2.8, 4}

// seeDim sets b.dim. What is print or was taken for light has no part in it.
func (b *bareSearch) seeDim() {
	by := max(1, int(b.k/dimPxMM))
	e := &evidence{w: b.w.w / by, h: b.w.h / by}
	e.v = make([]float32, e.w*e.h)
	for i := range e.v {
		var sum, n float32
		for y := i / e.w * by; y < (i/e.w+1)*by; y += 2 { // b.z is smooth
			for x := i % e.w * by; x < (i%e.w+1)*by; x += 2 {
				if j := y*b.w.w + x; !b.printed[j] && b.w.v[j] != barePrinted {
					sum += max(-dimClip, min(dimClip, b.z[j]))
				}
				n++
			}
		}
		e.v[i] = sum / n
	}
	d := &dimMap{w: e.w, h: e.h, by: by, v: make([]float32, len(e.v)), r: make([]float32, len(e.v))}
	b.dim = d
	k := b.k / float64(by)
	for _, s := range dimSigmasMM {
		dark := blurred(e, 2*s*k)
		for i, v := range blurred(e, s*k) {
			dark[i] -= v
		}
		t := scatterAbout(e.w, e.h, max(1, int(calmCellMM*k)), func(i int) (float32, bool) { return dark[i], e.v[i] != 0 })
		for i, v := range dark {
			if sd := t.at(i); sd > 0 && v > sd*d.v[i] {
				d.v[i], d.r[i] = v/sd, float32(dimWidth*s*b.k)
			}
		}
	}
}

// blurred returns e under a Gaussian of s pixels.
func blurred(e *evidence, s float64) []float32 {
	m := newMat32(e.v, e.w, e.h)
	defer m.Close()
	gocv.GaussianBlur(m, &m, image.Point{}, s, s, gocv.BorderReflect101)
	out := make([]float32, len(e.v))
	if v, err := m.DataPtrFloat32(); err == nil {
		copy(out, v)
	}
	return out
}

// weighDim makes evidence of places that are darker at a mark's width, in e, each pixel of
// which stands for by pixels of the raster, but for those that show enough of their own.
func (b *bareSearch) weighDim(e *evidence, by int) {
	d := b.dim
	scale := float64(d.by) / float64(by)
	for y := dimApart; y < d.h-dimApart; y++ {
		for x := dimApart; x < d.w-dimApart; x++ {
			i := y*d.w + x
			if !(d.v[i] > dimLeast) || !d.darkest(x, y) {
				continue
			}
			var in []int
			var own float32
			e.visit((float64(x)+0.5)*scale-0.5, (float64(y)+0.5)*scale-0.5, float64(d.r[i])/float64(by), func(j int, _ float32) {
				in = append(in, j)
				own += e.v[j]
			})
			for _, j := range in {
				if own < spotRent*float32(len(in)) {
					e.v[j] = max(e.v[j], bareFor/2)
				}
			}
		}
	}
}

// darkest reports whether no place near (x, y) is darker.
func (d *dimMap) darkest(x, y int) bool {
	v := d.v[y*d.w+x]
	for yy := y - dimApart; yy <= y+dimApart; yy++ {
		for xx := x - dimApart; xx <= x+dimApart; xx++ {
			if d.v[yy*d.w+xx] > v {
				return false
			}
		}
	}
	return true
}

// within returns the most that is seen within r raster pixels of (x, y).
func (d *dimMap) within(x, y, r float64) (most float64) {
	(&evidence{w: d.w, h: d.h}).visit(x/float64(d.by), y/float64(d.by), r/float64(d.by), func(i int, _ float32) {
		most = math.Max(most, float64(d.v[i]))
	})
	return most
}

// scatterMap is the scatter of values about the cells of a raster.
type scatterMap struct {
	w, cell, gw int
	v           []float32
}

// The scatter about a cell is that of the cells up to calmReach away.
const (
	calmCellMM = 15.0
	calmReach  = 3
)

// scatterAbout returns the scatter about zero of what value gives for the pixels of a raster
// w by h, cells of so many pixels a side taken together: 0 where it gives none.
func scatterAbout(w, h, cell int, value func(i int) (float32, bool)) scatterMap {
	const bins, span = 32, 4 // times three quarters of all values
	m := scatterMap{w: w, cell: cell, gw: (w + cell - 1) / cell}
	gh := (h + cell - 1) / cell
	m.v = make([]float32, m.gw*gh)
	var all []float32
	for i := 0; i < w*h; i += 37 {
		if v, ok := value(i); ok {
			all = append(all, abs32(v))
		}
	}
	if len(all) == 0 {
		return m
	}
	unit := max(1e-6, selectKth(all, len(all)*3/4)*span/bins)
	counts := make([][bins]int32, len(m.v))
	step := 1 + cell/12
	for y := 0; y < h; y += step {
		for x := 0; x < w; x += step {
			if v, ok := value(y*w + x); ok {
				counts[y/cell*m.gw+x/cell][int(min(bins-1, abs32(v)/unit))]++
			}
		}
	}
	for y := range gh {
		for x := range m.gw {
			var sum [bins]int32
			n := int32(0)
			for q := max(0, y-calmReach); q <= min(gh-1, y+calmReach); q++ {
				for p := max(0, x-calmReach); p <= min(m.gw-1, x+calmReach); p++ {
					for k, c := range counts[q*m.gw+p] {
						sum[k] += c
						n += c
					}
				}
			}
			if n > 0 {
				m.v[y*m.gw+x] = unit * max(quantileOf(sum[:], float32(n)/2)/0.6745, quantileOf(sum[:], float32(n)*3/4)/1.15)
			}
		}
	}
	return m
}

// quantileOf returns where in a histogram, in bins, n counts lie below.
func quantileOf(counts []int32, n float32) float32 {
	for k, c := range counts {
		if n < float32(c) {
			return float32(k) + n/float32(c)
		}
		n -= float32(c)
	}
	return float32(len(counts))
}

// index returns the cell of pixel i.
func (m *scatterMap) index(i int) int { return i/m.w/m.cell*m.gw + i%m.w/m.cell }

// at returns the scatter about pixel i.
func (m *scatterMap) at(i int) float32 { return m.v[m.index(i)] }
