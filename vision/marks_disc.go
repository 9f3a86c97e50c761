package vision

import (
	"math"
	"sort"
)

// Discs are found by explanation. For a class k every pixel x carries evidence
//
//	w_k(x) = misfit of the ground - misfit of the class, clipped to ±maxEvidence,
//
// and a set of discs earns the evidence of every pixel its union covers, less a
// price per disc. Covering bare ground costs, hidden parts under another colour
// are neutral, pixels covered twice count once: so overlapping discs are counted
// by what the visible outline needs, with the known radius deciding.

// maxEvidence clips the evidence of one pixel.
const maxEvidence = 4

// disc is a disc hypothesis on the raster, in pixels.
type disc struct {
	x, y, r float64
	class   int
	gain    float64 // evidence nobody else explains
}

// evidence is w_k for one class.
type evidence struct {
	w, h int
	v    []float32
}

// stencil is a soft-edged disc on the raster: visit calls f with the index and
// the coverage of every pixel that the disc touches.
func visit(w, h int, cx, cy, r float64, f func(i int, cover float32)) {
	y0, y1 := max(0, int(math.Floor(cy-r-0.5))), min(h-1, int(math.Ceil(cy+r+0.5)))
	for y := y0; y <= y1; y++ {
		dy := float64(y) - cy
		reach := (r+0.5)*(r+0.5) - dy*dy
		if reach <= 0 {
			continue
		}
		half := math.Sqrt(reach)
		x0, x1 := max(0, int(math.Ceil(cx-half))), min(w-1, int(math.Floor(cx+half)))
		inner := r - 0.5
		for x := x0; x <= x1; x++ {
			dx := float64(x) - cx
			d2 := dx*dx + dy*dy
			c := float32(1)
			if inner <= 0 || d2 > inner*inner {
				c = float32(max(0, r+0.5-math.Sqrt(d2)))
			}
			f(y*w+x, c)
		}
	}
}

// finder places discs of one class.
type finder struct {
	e     *evidence
	cover []float32 // how much of each pixel accepted discs cover, as a sum
	discs []disc
	price float64 // least gain of a disc
	// Beyond farPx of (cx, cy) a seed must promise half a disc: scenery there.
	cx, cy, farPx float64
	class         int
}

// gainOf returns the evidence a disc at (x, y) would add to the present cover.
func (f *finder) gainOf(x, y, r float64) float64 {
	g := float32(0)
	visit(f.e.w, f.e.h, x, y, r, func(i int, c float32) {
		if free := 1 - f.cover[i]; free > 0 {
			g += f.e.v[i] * min(c, free)
		}
	})
	return float64(g)
}

func (f *finder) put(d disc, sign float32) {
	visit(f.e.w, f.e.h, d.x, d.y, d.r, func(i int, c float32) { f.cover[i] += sign * c })
}

// polish moves each disc to where it earns most given the others, until nothing
// moves or the rounds are over, and drops those that do not earn their price.
func (f *finder) polish(rounds int, only func(d disc) bool) {
	for round := range rounds {
		moved := false
		for k := 0; k < len(f.discs); k++ {
			d := f.discs[k]
			if only != nil && !only(d) {
				continue
			}
			f.put(d, -1)
			best := f.gainOf(d.x, d.y, d.r)
			start := d
			for _, step := range []float64{d.r / 3, d.r / 8, 0.5, 0.25} {
				if round > 0 && step > d.r/4 {
					continue
				}
				for improved := true; improved; {
					improved = false
					from := d
					for _, o := range [8][2]float64{{1, 0}, {-1, 0}, {0, 1}, {0, -1}, {1, 1}, {1, -1}, {-1, 1}, {-1, -1}} {
						if g := f.gainOf(from.x+o[0]*step, from.y+o[1]*step, d.r); g > best+1e-3 {
							best, d.x, d.y, improved = g, from.x+o[0]*step, from.y+o[1]*step, true
						}
					}
				}
			}
			d.gain = best
			if best < f.price {
				f.discs = append(f.discs[:k], f.discs[k+1:]...)
				k--
				moved = true
				continue
			}
			if math.Hypot(d.x-start.x, d.y-start.y) > 0.2 {
				moved = true
			}
			f.discs[k] = d
			f.put(d, 1)
		}
		if !moved {
			return
		}
	}
}

// grow adds discs greedily, best first, polishing the neighbourhood of each.
func (f *finder) grow(r float64, limit int) {
	e := f.e
	stride := max(1, int(r/5))
	type seed struct {
		x, y int
		gain float64
	}
	var seeds []seed
	all, positive := e.integrals()
	box, inner := int(math.Ceil(r)), int(r*math.Sqrt2/2)
	for y := stride; y < e.h-stride; y += stride {
		for x := stride; x < e.w-stride; x += stride {
			i := y*e.w + x
			if s := e.v[i] + e.v[i-1] + e.v[i+1] + e.v[i-e.w] + e.v[i+e.w]; s > 1.5 {
				least := 0.5 * f.price
				dx, dy := float64(x)-f.cx, float64(y)-f.cy
				far := dx*dx+dy*dy > f.farPx*f.farPx
				if far {
					least = 0.5 * maxEvidence * math.Pi * r * r
				}
				// A disc earns no more than all that speaks for it in its square.
				if boxSum(positive, e.w, e.h, x, y, box) < least || (far && boxSum(all, e.w, e.h, x, y, inner) < 5*r*r) {
					continue
				}
				// Scenery of a sticker's colour goes on where a disc would end.
				if far && boxSum(positive, e.w, e.h, x, y, 2*box) > 0.4*maxEvidence*float64(16*box*box) {
					continue
				}
				if g := f.gainOf(float64(x), float64(y), r); g > least {
					seeds = append(seeds, seed{x, y, g})
				}
			}
		}
	}
	for len(seeds) > 0 && len(f.discs) < limit {
		best := 0
		for i := range seeds {
			if seeds[i].gain > seeds[best].gain {
				best = i
			}
		}
		s := seeds[best]
		d := disc{x: float64(s.x), y: float64(s.y), r: r, class: f.class, gain: s.gain}
		f.discs = append(f.discs, d)
		f.put(d, 1)
		near := func(o disc) bool { return math.Hypot(o.x-d.x, o.y-d.y) < 3*r }
		before := len(f.discs)
		f.polish(4, near)
		added := len(f.discs) == before
		rest := seeds[:0]
		for i, t := range seeds {
			if math.Hypot(float64(t.x)-d.x, float64(t.y)-d.y) < 4*r {
				if i == best && !added {
					continue
				}
				t.gain = f.gainOf(float64(t.x), float64(t.y), r)
				if t.gain < 0.5*f.price {
					continue
				}
				if i == best {
					continue
				}
			}
			rest = append(rest, t)
		}
		seeds = rest
	}
	f.polish(3, nil)
}

// integrals returns the summed-area tables of the evidence and of its positive
// part, of size (w+1) x (h+1).
func (e *evidence) integrals() (all, positive []float64) {
	n := e.w + 1
	all, positive = make([]float64, n*(e.h+1)), make([]float64, n*(e.h+1))
	for y := range e.h {
		var a, p float64
		for x := range e.w {
			v := float64(e.v[y*e.w+x])
			a += v
			p += max(0, v)
			i := (y+1)*n + x + 1
			all[i], positive[i] = all[i-n]+a, positive[i-n]+p
		}
	}
	return all, positive
}

// boxSum returns the sum over the square of half-width half about (x, y).
func boxSum(t []float64, w, h, x, y, half int) float64 {
	x0, x1 := max(0, x-half), min(w, x+half+1)
	y0, y1 := max(0, y-half), min(h, y+half+1)
	n := w + 1
	return t[y1*n+x1] - t[y0*n+x1] - t[y1*n+x0] + t[y0*n+x0]
}

// learnRadius returns the radius of discs of the class from its isolated round
// blobs in the evidence, between lo and hi pixels; 0 when there is none.
func learnRadius(e *evidence, lo, hi float64) float64 {
	var rs []float64
	for _, b := range blobs(e, func(v float32) bool { return v > 0 }) {
		r := math.Sqrt(float64(b.area) / math.Pi)
		wd, ht := float64(b.x1-b.x0+1), float64(b.y1-b.y0+1)
		fill := float64(b.area) / (math.Pi / 4 * wd * ht)
		if r < lo || r > hi || math.Abs(wd-ht) > 0.12*(wd+ht)/2+1.5 || fill < 0.93 || fill > 1.12 {
			continue
		}
		rs = append(rs, r)
	}
	if len(rs) == 0 {
		return 0
	}
	// The densest radius: stacks of overlapping discs look larger, never smaller.
	sort.Float64s(rs)
	best, bestN := 0.0, 0
	for i := range rs {
		n, s := 0, 0.0
		for _, r := range rs[i:] {
			if r < 1.08*rs[i]+0.3 {
				n++
				s += r
			}
		}
		if n > bestN {
			best, bestN = s/float64(n), n
		}
	}
	return best
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
