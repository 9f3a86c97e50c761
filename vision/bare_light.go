package vision

import "math"

// What light can do to a face: the smooth light field L shows how dark and how
// bright it gets on this photo, and how its colour changes with brightness. A patch
// that stays within that may be a fleck of light or a leaf's shadow.

// lightRange is the light seen on the face.
type lightRange struct {
	least, most float32    // of L's brightness
	slope       [2]float32 // change of each chroma per unit of brightness
}

// lightRange measures L over the face.
func (b *bareSearch) lightRange() (out lightRange) {
	l := &b.light
	var bright []float32
	var n, s0, s1, s2, s00, s01, s02 float64
	last := len(b.m.radial[0]) - 1
	for i := 0; i < len(b.index); i += 17 {
		if !b.y.ok[i] || int(b.index[i]) >= last {
			continue
		}
		bright = append(bright, l[0][i])
		x, u, v := float64(l[0][i]), float64(l[1][i]), float64(l[2][i])
		n++
		s0, s1, s2, s00, s01, s02 = s0+x, s1+u, s2+v, s00+x*x, s01+x*u, s02+x*v
	}
	if n < 16 {
		return out
	}
	out.least = selectKth(bright, len(bright)/50)
	out.most = selectKth(bright, len(bright)-1-len(bright)/50)
	if d := s00 - s0*s0/n; d > 0 {
		out.slope = [2]float32{float32((s01 - s0*s1/n) / d), float32((s02 - s0*s2/n) / d)}
	}
	return out
}

// explains reports whether light within the range makes of the ground what pixel i
// shows.
func (r *lightRange) explains(b *bareSearch, i int) bool {
	const margin, chroma = 0.15, 0.12
	t := b.e[0][i]
	l := b.light[0][i] + t
	return r.most-r.least > 2*margin && l > r.least-margin && l < r.most+margin &&
		abs32(b.e[1][i]-t*r.slope[0]) < chroma && abs32(b.e[2][i]-t*r.slope[1]) < chroma
}

// discountLight makes neutral the flecks of light and shade that are larger than marks:
// marks at their borders are none of them.
func (b *bareSearch) discountLight() {
	for _, set := range patches(b.w.w, b.w.h, b.w.w*b.w.h, func(i int) bool { return b.w.v[i] > 0 && b.lights.explains(b, i) }) {
		if p := bounds(set, b.w.w); float64(max(p.Dx(), p.Dy())) > bareLargestMM*b.k {
			for _, i := range set {
				b.w.v[i] = barePrinted
			}
		}
	}
}

// noteLight sets for every disc how much of it light explains, and counts those that
// it may explain.
func (b *bareSearch) noteLight() {
	b.flecks = 0
	for i := range b.discs {
		d := &b.discs[i]
		n, light := 0, 0
		b.w.visit(d.x, d.y, 0.8*d.r, func(j int, _ float32) {
			if b.w.v[j] > 0 {
				n++
				if b.lights.explains(b, j) {
					light++
				}
			}
		})
		d.light = float64(light) / float64(max(1, n))
		d.step = float64(b.lightStep(d))
		if d.light > 0.5 {
			b.flecks++
		}
	}
}

// lightStep returns by how much L's brightness changes over a disc and its rim: a
// lot where a shadow ends, which the smooth field follows only roughly.
func (b *bareSearch) lightStep(d *spot) float32 {
	l := b.light[0]
	lo, hi := float32(math.Inf(1)), float32(math.Inf(-1))
	b.w.visit(d.x, d.y, 1.5*d.r, func(j int, _ float32) {
		lo, hi = min(lo, l[j]), max(hi, l[j])
	})
	return hi - lo
}
