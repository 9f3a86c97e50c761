package vision

import (
	"math"
	"sort"
)

// A colour class is one sticker colour as this photo shows it. All stickers of a
// sheet share it, so it is learnt once, from the interiors of what the face model
// leaves unexplained, and every pixel is then asked how well it fits.
type class struct {
	mean [3]float32 // opponent colour under the board's mean light
	sd   [3]float32
	// shade is the class under falling light: entry i for a gain of shadeGain(i).
	shade  [shadeSteps][3]float32
	pixels int     // interior pixels it was learnt from
	name   string  // colour name, "" for what is no sticker
	unsure bool    // a second name fits nearly as well
	radius float64 // of its discs, raster pixels; 0 until learnt
	// edge is the radius in mm at which the edge finder sees the rim of a whole
	// disc of this class; 0 until learnt.
	edge float64
	// lo and hi bound shade.
	lo, hi [3]float32
}

// shadeSteps gains, a quarter of a stop apart, from slightly more light than the
// mean down to deep shade.
const shadeSteps = 10

func shadeGain(i int) float64 { return math.Exp2(0.25 - 0.25*float64(i)) }

// shadowCost is what it costs a pixel, in squared standard deviations, to be
// explained by a shadow's edge that the smooth light does not hold.
const shadowCost = 6

func (c *class) fillShade() {
	// back from opponent to linear R, G, B
	g := float64(c.mean[0]) - float64(c.mean[1]+c.mean[2])/3
	l := [3]float64{g + float64(c.mean[1]), g, g + float64(c.mean[2])}
	for i := range c.shade {
		var y [3]float32
		for k := range 3 {
			v := max(0, math.Exp(l[k])-logFloor)
			y[k] = float32(math.Log(v*shadeGain(i) + logFloor))
		}
		c.shade[i] = opponent(y[0], y[1], y[2])
		for k, v := range c.shade[i] {
			if i == 0 {
				c.lo[k], c.hi[k] = v, v
			}
			c.lo[k], c.hi[k] = min(c.lo[k], v), max(c.hi[k], v)
		}
	}
}

// linear returns the class colour in linear light under the board's mean light.
func (c *class) linear() [3]float64 {
	g := float64(c.mean[0]) - float64(c.mean[1]+c.mean[2])/3
	var out [3]float64
	for k, v := range [3]float64{g + float64(c.mean[1]), g, g + float64(c.mean[2])} {
		out[k] = max(0, math.Exp(v)-logFloor)
	}
	return out
}

// misfit returns the squared distance, in standard deviations, of the opponent
// colour (b, c1, c2) from the class under any light that is likely.
func (c *class) misfit(b, c1, c2 float32) float32 {
	const far = 40
	s1, s2, sb := 1/max(1.3*c.sd[1], 0.10), 1/max(1.3*c.sd[2], 0.10), 1/max(1.3*c.sd[0], 0.10)
	// The distance from the box around all shades bounds the misfit from below.
	u := max(0, c.lo[1]-c1, c1-c.hi[1]) * s1
	v := max(0, c.lo[2]-c2, c2-c.hi[2]) * s2
	w := max(0, c.lo[0]-b, b-c.hi[0]) * sb
	if u*u+v*v+w*w > far {
		return far
	}
	best := float32(far)
	for i := range c.shade {
		s := &c.shade[i]
		d0, d1, d2 := (b-s[0])*sb, (c1-s[1])*s1, (c2-s[2])*s2
		q := d0*d0 + d1*d1 + d2*d2
		if i > 2 {
			q += 0.4 * float32(i-2)
		}
		best = min(best, q)
	}
	return best
}

// groundMisfit returns the squared distance, in standard deviations, of a
// residual from the face in any likely light.
func groundMisfit(b, c1, c2, sb, s1, s2 float32) float32 {
	s1, s2, sb = max(1.2*s1, 0.035), max(1.2*s2, 0.035), max(1.2*sb, 0.07)
	u, v, w := c1/s1, c2/s2, b/sb
	q := u*u + v*v
	if b > -1.35 && b < 0.35 {
		return q + min(w*w, shadowCost)
	}
	return q + w*w
}

// learnClasses finds the colours of the unexplained interiors within reach (raster
// pixels) of the centre, most frequent first. discArea is the least area a sticker
// may have, in pixels; tiny says that discs are so small that their interiors are
// but a few pixels wide.
func learnClasses(y *planes, m *faceModel, mask []bool, reach, discArea float64, tiny bool) []*class {
	e := m.residual
	apart := 2
	if tiny {
		apart = 1
	}
	type pixel struct{ v [3]float32 }
	var px []pixel
	w, h := y.w, y.h
	similar := func(i, j int) bool {
		return mask[j] && abs32(y.ch[0][i]-y.ch[0][j]) < 0.3 && abs32(y.ch[1][i]-y.ch[1][j]) < 0.3 && abs32(y.ch[2][i]-y.ch[2][j]) < 0.3
	}
	x0, x1 := max(2, int(m.centre.X-reach)), min(w-2, int(m.centre.X+reach)+1)
	y0, y1 := max(2, int(m.centre.Y-reach)), min(h-2, int(m.centre.Y+reach)+1)
	for py := y0; py < y1; py++ {
		for qx := x0; qx < x1; qx++ {
			i := py*w + qx
			if !mask[i] || !e.ok[i] {
				continue
			}
			if !similar(i, i-apart) || !similar(i, i+apart) || !similar(i, i-apart*w) || !similar(i, i+apart*w) {
				continue
			}
			if math.Hypot(float64(qx)-m.centre.X, float64(py)-m.centre.Y) > reach {
				continue
			}
			px = append(px, pixel{[3]float32{y.ch[0][i] - m.light.ch[0][i], y.ch[1][i], y.ch[2][i]}})
		}
	}
	const bin = 0.25
	key := func(v [3]float32) [3]int {
		return [3]int{int(math.Floor(float64(v[0] / (1.4 * bin)))), int(math.Floor(float64(v[1] / bin))), int(math.Floor(float64(v[2] / bin)))}
	}
	least := max(12, 0.25*discArea)
	var out []*class
	for len(out) < 16 && float64(len(px)) >= least {
		count := map[[3]int]int{}
		for _, p := range px {
			count[key(p.v)]++
		}
		keys := make([][3]int, 0, len(count))
		for k := range count {
			keys = append(keys, k)
		}
		sort.Slice(keys, func(i, j int) bool {
			a, b := keys[i], keys[j]
			if a[0] != b[0] {
				return a[0] < b[0]
			}
			if a[1] != b[1] {
				return a[1] < b[1]
			}
			return a[2] < b[2]
		})
		best, bestN := [3]int{}, -1
		for _, k := range keys {
			n := 0
			for a := -1; a <= 1; a++ {
				for b := -1; b <= 1; b++ {
					for c := -1; c <= 1; c++ {
						n += count[[3]int{k[0] + a, k[1] + b, k[2] + c}]
					}
				}
			}
			n += count[k]
			if n > bestN {
				best, bestN = k, n
			}
		}
		mean := [3]float32{(float32(best[0]) + 0.5) * 1.4 * bin, (float32(best[1]) + 0.5) * bin, (float32(best[2]) + 0.5) * bin}
		near := func(v [3]float32, r float32) bool {
			d0, d1, d2 := (v[0]-mean[0])/1.4, v[1]-mean[1], v[2]-mean[2]
			return d0*d0+d1*d1+d2*d2 < r*r
		}
		for range 4 { // mean shift
			var s [3]float64
			n := 0
			for _, p := range px {
				if near(p.v, 0.35) {
					for k := range 3 {
						s[k] += float64(p.v[k])
					}
					n++
				}
			}
			if n == 0 {
				break
			}
			for k := range 3 {
				mean[k] = float32(s[k] / float64(n))
			}
		}
		var dev [3][]float32
		rest := px[:0]
		for _, p := range px {
			if near(p.v, 0.55) {
				for k := range 3 {
					dev[k] = append(dev[k], p.v[k])
				}
				continue
			}
			rest = append(rest, p)
		}
		px = rest
		n := len(dev[0])
		if float64(n) < least {
			if n == 0 {
				break
			}
			continue
		}
		c := &class{pixels: n}
		for k := range 3 {
			c.mean[k], c.sd[k] = medianMAD(dev[k])
		}
		c.fillShade()
		out = append(out, c)
	}
	return mergeShades(out)
}

// mergeShades drops classes that are a brighter one seen in shade.
func mergeShades(cs []*class) []*class {
	var out []*class
	for i, c := range cs {
		shaded := false
		for j, o := range cs {
			if i == j || o.mean[0] < c.mean[0]+0.15 || o.pixels < c.pixels/3 {
				continue
			}
			for k := range o.shade {
				if s := o.shade[k]; shadeGain(k) < 0.9 && abs32(s[0]-c.mean[0]) < 0.15 && abs32(s[1]-c.mean[1]) < 0.25 && abs32(s[2]-c.mean[2]) < 0.25 {
					// black and other greys shade into each other: keep those apart
					if abs32(o.mean[1]) > 0.3 || abs32(o.mean[2]) > 0.3 {
						shaded = true
					}
				}
			}
		}
		if !shaded {
			out = append(out, c)
		}
	}
	return out
}
