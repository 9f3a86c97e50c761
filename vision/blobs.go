package vision

// evidence is a raster of numbers.
type evidence struct {
	w, h int
	v    []float32
}

// blob is a connected set of pixels.
type blob struct {
	area           int
	x0, y0, x1, y1 int
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
		b := blob{x0: e.w, y0: e.h, x1: -1, y1: -1}
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
