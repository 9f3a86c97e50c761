package vision

// evidence is a raster of numbers.
type evidence struct {
	w, h int
	v    []float32
}

// table is a summed-area table in steps of 1/tableUnit, of size (w+1) x (h+1). Its
// sums may run over, which their differences do not show as long as the sum over a
// box stays below 2^31 steps.
type table []int32

const tableUnit = 4096

// boxSum returns the sum over the square of half-width half about (x, y).
func (t table) boxSum(w, h, x, y, half int) float64 {
	x0, x1 := max(0, x-half), min(w, x+half+1)
	y0, y1 := max(0, y-half), min(h, y+half+1)
	n := w + 1
	return float64(t[y1*n+x1]-t[y0*n+x1]-t[y1*n+x0]+t[y0*n+x0]) / tableUnit
}

// blob is a connected set of pixels.
type blob struct {
	area           int
	x0, y0, x1, y1 int
	first          int
}

// blobs returns the 4-connected sets of pixels that satisfy in, with at least
// six pixels.
func blobs(e *evidence, in func(v float32) bool) []blob {
	seen := make([]bool, len(e.v))
	var out []blob
	var stack []int
	for s := range e.v {
		if seen[s] || !in(e.v[s]) {
			continue
		}
		b := blob{x0: e.w, y0: e.h, x1: -1, y1: -1, first: s}
		stack = append(stack[:0], s)
		seen[s] = true
		for len(stack) > 0 {
			i := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			x, y := i%e.w, i/e.w
			b.area++
			b.x0, b.x1, b.y0, b.y1 = min(b.x0, x), max(b.x1, x), min(b.y0, y), max(b.y1, y)
			for _, n := range [4]int{i - 1, i + 1, i - e.w, i + e.w} {
				if n < 0 || n >= len(e.v) || (n == i-1 && x == 0) || (n == i+1 && x == e.w-1) || seen[n] || !in(e.v[n]) {
					continue
				}
				seen[n] = true
				stack = append(stack, n)
			}
		}
		if b.area >= 6 {
			out = append(out, b)
		}
	}
	return out
}

// integral returns the summed-area table of v.
func integral(v []float32, w, h int) table {
	n := w + 1
	t := make(table, n*(h+1))
	for y := range h {
		above, out := t[y*n+1:][:w], t[(y+1)*n+1:][:w]
		sum := int32(0)
		for x, f := range v[y*w:][:w] {
			sum += int32(f * tableUnit)
			out[x] = above[x] + sum
		}
	}
	return t
}
