package vision

import (
	"image"
	"math"

	"gocv.io/x/gocv"
)

// visit calls f with the index and the coverage of every pixel that a soft-edged
// disc of r pixels at (cx, cy) touches.
func (e *evidence) visit(cx, cy, r float64, f func(i int, cover float32)) {
	y0, y1 := max(0, int(math.Floor(cy-r-0.5))), min(e.h-1, int(math.Ceil(cy+r+0.5)))
	for y := y0; y <= y1; y++ {
		dy := float64(y) - cy
		reach := (r+0.5)*(r+0.5) - dy*dy
		if reach <= 0 {
			continue
		}
		half := math.Sqrt(reach)
		x0, x1 := max(0, int(math.Ceil(cx-half))), min(e.w-1, int(math.Floor(cx+half)))
		inner := r - 0.5
		for x := x0; x <= x1; x++ {
			dx := float64(x) - cx
			d2 := dx*dx + dy*dy
			c := float32(1)
			if inner <= 0 || d2 > inner*inner {
				c = float32(max(0, r+0.5-math.Sqrt(d2)))
			}
			f(y*e.w+x, c)
		}
	}
}

// integral returns the summed-area table of e, (w+1) by (h+1).
func (e *evidence) integral() []float64 {
	n := e.w + 1
	t := make([]float64, n*(e.h+1))
	for y := range e.h {
		var a float64
		for x := range e.w {
			a += float64(e.v[y*e.w+x])
			i := (y+1)*n + x + 1
			t[i] = t[i-n] + a
		}
	}
	return t
}

// squareSum returns the sum of e, of which t is the integral, over the square of
// half-width half about (x, y).
func (e *evidence) squareSum(t []float64, x, y, half int) float64 {
	x0, x1 := max(0, x-half), min(e.w, x+half+1)
	y0, y1 := max(0, y-half), min(e.h, y+half+1)
	n := e.w + 1
	return t[y1*n+x1] - t[y0*n+x1] - t[y1*n+x0] + t[y0*n+x0]
}

// patches returns the pixels of the 4-connected sets on which in holds, but for sets
// of more than largest pixels.
func patches(w, h, largest int, in func(i int) bool) [][]int {
	mask := make([]byte, w*h)
	for i := range mask {
		if in(i) {
			mask[i] = 255
		}
	}
	m, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8U, mask)
	if err != nil {
		return nil
	}
	defer m.Close()
	labels, stats, middles := gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	defer labels.Close()
	defer stats.Close()
	defer middles.Close()
	n := gocv.ConnectedComponentsWithStatsWithParams(m, &labels, &stats, &middles, 4, gocv.MatTypeCV32S, gocv.CCL_DEFAULT)
	labels.ConvertTo(&labels, gocv.MatTypeCV32F) // whole numbers up to 2²⁴ are exact
	label, err := labels.DataPtrFloat32()
	if err != nil || n < 2 {
		return nil
	}
	small := make([]bool, n)
	for l := 1; l < n; l++ { // label 0 is the background
		small[l] = int(stats.GetIntAt(l, int(gocv.CC_STAT_AREA))) <= largest
	}
	sets := make([][]int, n)
	for i, l := range label {
		if small[int(l)] {
			sets[int(l)] = append(sets[int(l)], i)
		}
	}
	out := sets[:0]
	for _, s := range sets {
		if len(s) > 0 {
			out = append(out, s)
		}
	}
	return out
}

// bounds returns the bounding box of a set of pixels of a raster w wide.
func bounds(set []int, w int) image.Rectangle {
	b := image.Rect(set[0]%w, set[0]/w, set[0]%w+1, set[0]/w+1)
	for _, i := range set {
		b = b.Union(image.Rect(i%w, i/w, i%w+1, i/w+1))
	}
	return b
}

// boxMean returns v averaged over squares of the given odd side.
func boxMean(v []float32, w, h, side int) []float32 {
	out := make([]float32, len(v))
	m := newMat32(v, w, h)
	defer m.Close()
	gocv.BoxFilter(m, &m, -1, image.Pt(side, side))
	if d, err := m.DataPtrFloat32(); err == nil {
		copy(out, d)
	}
	return out
}
