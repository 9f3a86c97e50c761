package vision

import "math"

// fit measures every disc in the residual: by its outline, or where the marks of the
// photo are dents, by their light and dark flanks.
func (b *bareSearch) fit() {
	for i := range b.discs {
		b.fitOutline(i)
	}
	if !b.soft() {
		return
	}
	dents, better := make([]lobe, len(b.discs)), make([]float64, len(b.discs))
	var likely []float64
	for i := range b.discs {
		dent, smudge := b.fitLobe(i, true), b.fitLobe(i, false)
		dents[i] = dent
		if dent.ok && smudge.ok {
			better[i] = math.Log(smudge.misfit / dent.misfit)
			if b.discs[i].chance >= 0.5 {
				likely = append(likely, better[i])
			}
		}
	}
	if len(likely) == 0 || !(medianOf(likely) > dentBetter) {
		return
	}
	for i, l := range dents {
		d := &b.discs[i]
		if l.ok {
			d.x, d.y, d.cov = l.x, l.y, l.cov
		}
		d.flat = better[i] < dentBetter
	}
}

// soft reports whether most marks have edges as soft as those of dents and smudges,
// and are darker than the ground by no more than these are.
func (b *bareSearch) soft() bool {
	soft, all := 0, 0
	for _, d := range b.discs {
		if d.chance < 0.5 {
			continue
		}
		all++
		if d.core > -dentDeepest && d.core < -0.05 && d.steep < dentSteepest {
			soft++
		}
	}
	return 2*soft > all
}

// dentBetter is how much better, in log units, flanks must fit than a flat top for
// the marks of a photo to be dents. The median was at most 0.12 on four photos with
// smudges and at least 0.56 on four with dents.
const dentBetter = 0.35

// A dent's deepest shade, log units, and the steepest edge of its shading, log units
// per mm: on 25 rendered boards that of dents and smudges was at most 0.17, but for a
// few on lines, and that of holes and chalk at least 0.3.
const (
	dentDeepest  = 1.2
	dentSteepest = 0.22
)

// fitOutline fits a disc with a soft edge to the evidence by least squares
// (Gauss-Newton on centre and radius), so that every part of the outline counts and
// what other discs or print cover does not.
func (b *bareSearch) fitOutline(i int) {
	const softness = 0.12 // of the radius: torn and smeared edges
	d := &b.discs[i]
	others := b.beside(i, 3)
	x, y, r := d.x, d.y, d.r
	var a [3][3]float64
	var n, sum float64
	for range 6 {
		a = [3][3]float64{}
		var g [3]float64
		n, sum = 0, 0
		h := max(0.5, softness*d.r)
		b.w.visit(d.x, d.y, 1.5*d.r, func(j int, _ float32) {
			px, py := float64(j%b.w.w), float64(j/b.w.w)
			if b.printed[j] || nearerAny(others, *d, px, py) {
				return
			}
			dx, dy := px-x, py-y
			q := math.Hypot(dx, dy)
			if q == 0 {
				return
			}
			cover := 1 / (1 + math.Exp((q-r)/h))
			res := (float64(b.w.v[j])-bareAgainst)/(bareFor-bareAgainst) - cover
			slope := cover * (1 - cover) / h
			jac := [3]float64{slope * dx / q, slope * dy / q, slope}
			for p := range 3 {
				g[p] += jac[p] * res
				for t := range 3 {
					a[p][t] += jac[p] * jac[t]
				}
			}
			n++
			sum += res * res
		})
		step, ok := solveSym3(a, g)
		if !ok || math.Hypot(x+step[0]-d.x, y+step[1]-d.y) > 0.5*d.r {
			break
		}
		x, y, r = x+step[0], y+step[1], max(0.6*d.r, min(1.4*d.r, r+step[2]))
	}
	// Neighbouring pixels err together over about the width that e is averaged over.
	d.cov = [3]float64{}
	if inv, ok := invertSym3(a); ok && n > 8 {
		t := sum / n * math.Pow(outlineWidthMM*b.k, 2) / (b.k * b.k)
		d.cov = [3]float64{t * inv[0][0], -t * inv[0][1], t * inv[1][1]} // y of the raster points down
		d.x, d.y, d.r = x, y, r
	}
}

// outlineWidthMM is the width over which errors of the evidence go together.
const outlineWidthMM = 3.0

// beside returns the discs near disc i, within reach of its radii.
func (b *bareSearch) beside(i int, reach float64) (out []spot) {
	d := b.discs[i]
	for j, o := range b.discs {
		if j != i && math.Hypot(d.x-o.x, d.y-o.y) < reach*d.r+1.3*o.r {
			out = append(out, o)
		}
	}
	return out
}

// nearerAny reports whether (x, y) belongs to one of others rather than to d.
func nearerAny(others []spot, d spot, x, y float64) bool {
	if len(others) == 0 {
		return false
	}
	own := math.Hypot(x-d.x, y-d.y) / d.r
	for _, o := range others {
		if math.Hypot(x-o.x, y-o.y)/o.r < own {
			return true
		}
	}
	return false
}

// lobe is a soft patch of shade.
type lobe struct {
	x, y   float64
	cov    [3]float64 // mm²
	misfit float64    // mean square, share of the light
	ok     bool
}

// fitLobe fits a smooth patch about disc i by least squares to the share of light
// that the face gains there,
//
//	gain = base + (p0 + p·u) exp(-1.6 |u|²),   u = (x - centre)/radius
//
// for a dent, whose flanks are lit unequally: its centre lies between the light and
// the dark one. A smudge has no flanks, p = 0, and a flat top, exp(-0.7 |u|⁴). The
// amplitudes follow in closed form from centre and radius, which a pattern search
// finds.
func (b *bareSearch) fitLobe(i int, dent bool) (out lobe) {
	d := b.discs[i]
	others := b.beside(i, 5)
	type sample struct{ x, y, v float64 }
	var data []sample
	stride := max(1, int(d.r/6))
	reach := 2.8 * d.r
	b.w.visit(d.x, d.y, reach, func(j int, _ float32) {
		x, y := j%b.w.w, j/b.w.w
		if x%stride == 0 && y%stride == 0 && b.y.ok[j] && !b.printed[j] && !nearerAny(others, d, float64(x), float64(y)) && !b.thinlyKnown(j) {
			data = append(data, sample{float64(x), float64(y), math.Expm1(float64(b.e[0][j]))})
		}
	})
	if len(data) < 20 {
		return out
	}
	cost := func(x, y, r float64) float64 {
		if math.Hypot(x-d.x, y-d.y) > 0.9*d.r || r < 0.5*d.r || r > 2.2*d.r {
			return math.Inf(1)
		}
		var a [4][4]float64
		var g [4]float64
		var vv float64
		for _, s := range data {
			ux, uy := (s.x-x)/r, (s.y-y)/r
			q := ux*ux + uy*uy
			row := [4]float64{1}
			if dent {
				row[1] = math.Exp(-1.6 * q)
				row[2], row[3] = ux*row[1], uy*row[1]
			} else {
				row[1] = math.Exp(-0.7 * q * q)
			}
			for p := range 4 {
				g[p] += row[p] * s.v
				for t := range 4 {
					a[p][t] += row[p] * row[t]
				}
			}
			vv += s.v * s.v
		}
		return vv - explained(a, g)
	}
	starts := []spot{d}
	if dent { // the middle of its shade is not that of the dent
		for _, o := range [4][2]float64{{0.5, 0}, {-0.5, 0}, {0, 0.5}, {0, -0.5}} {
			starts = append(starts, spot{x: d.x + o[0]*d.r, y: d.y + o[1]*d.r, r: d.r})
		}
	}
	best, x, y, r := math.Inf(1), d.x, d.y, d.r
	for _, s := range starts {
		if c, t := descend(cost, s); c < best {
			best, x, y, r = c, t.x, t.y, t.r
		}
	}
	out = lobe{x: x, y: y, misfit: best / float64(len(data)), ok: true}
	// The curvature of the cost, the radius held, gives the covariance.
	h := 0.05 * d.r
	cxx := (cost(x+h, y, r) + cost(x-h, y, r) - 2*best) / (h * h)
	cyy := (cost(x, y+h, r) + cost(x, y-h, r) - 2*best) / (h * h)
	cxy := (cost(x+h, y+h, r) + cost(x-h, y-h, r) - cost(x+h, y-h, r) - cost(x-h, y+h, r)) / (4 * h * h)
	det := cxx*cyy - cxy*cxy
	if !(det > 0) || math.IsInf(det, 0) {
		out.ok = false
		return out
	}
	t := 2 * out.misfit * math.Pow(outlineWidthMM*b.k/float64(stride), 2) / det / (b.k * b.k)
	out.cov = [3]float64{t * cyy, t * cxy, t * cxx} // y of the raster points down
	return out
}

// descend returns the least cost near a disc and where it is, by a pattern search.
func descend(cost func(x, y, r float64) float64, from spot) (best float64, s spot) {
	s, best = from, cost(from.x, from.y, from.r)
	for _, step := range [...]float64{0.25 * from.r, 0.1 * from.r, 0.04 * from.r, 0.015 * from.r} {
		for improved := true; improved; {
			improved = false
			at := s
			for _, o := range [6][3]float64{{1, 0, 0}, {-1, 0, 0}, {0, 1, 0}, {0, -1, 0}, {0, 0, 1}, {0, 0, -1}} {
				t := spot{x: at.x + o[0]*step, y: at.y + o[1]*step, r: at.r + o[2]*step}
				if c := cost(t.x, t.y, t.r); c < best*(1-1e-6) {
					best, s, improved = c, t, true
				}
			}
		}
	}
	return best, s
}

// thinlyKnown reports whether the ground at pixel j scatters too much to measure on,
// as on the edge of a printed line.
func (b *bareSearch) thinlyKnown(j int) bool {
	r := int(b.ring[j])
	return r >= len(b.sd[0]) || b.sd[0][r] > 0.15
}

// explained returns gᵀ a⁻¹ g, the part of a sum of squares that a linear model with
// normal matrix a and right side g explains. Rows that are all 0 take no part.
func explained(a [4][4]float64, g [4]float64) (sum float64) {
	// Cholesky: a = l lᵀ, then the sum is |l⁻¹ g|².
	var l [4][4]float64
	var z [4]float64
	for i := range 4 {
		for j := range i + 1 {
			t := a[i][j]
			for k := range j {
				t -= l[i][k] * l[j][k]
			}
			switch {
			case i != j && l[j][j] > 0:
				l[i][j] = t / l[j][j]
			case i == j && t > 1e-9*a[i][i]:
				l[i][i] = math.Sqrt(t)
			}
		}
		if l[i][i] == 0 {
			continue
		}
		z[i] = g[i]
		for k := range i {
			z[i] -= l[i][k] * z[k]
		}
		z[i] /= l[i][i]
		sum += z[i] * z[i]
	}
	return sum
}

// judge describes every disc and sets its chance.
func (b *bareSearch) judge() {
	for i := range b.discs {
		b.describe(i)
		b.look(i)
	}
	b.noteLight()
	b.setChances()
}

// describe sets what tells a mark from other things: the evidence inside, what goes
// on outside, and how round the patch is.
func (b *bareSearch) describe(i int) {
	d := &b.discs[i]
	others := b.beside(i, 2.6)
	var sum, n float64
	b.w.visit(d.x, d.y, d.r, func(j int, c float32) {
		sum += float64(c * b.w.v[j])
		n += float64(c)
	})
	d.mean = sum / max(1, n)
	out, all := 0, 0
	for _, rho := range [...]float64{1.3, 1.5, 1.7} {
		for q := range 40 {
			sn, cs := math.Sincos(2 * math.Pi * float64(q) / 40)
			x, y := int(d.x+rho*d.r*cs+0.5), int(d.y+rho*d.r*sn+0.5)
			if x < 0 || y < 0 || x >= b.w.w || y >= b.w.h || inAny(others, float64(x), float64(y), 1.15) {
				continue
			}
			all++
			if b.w.v[y*b.w.w+x] > 0.3 {
				out++
			}
		}
	}
	d.open = float64(out) / float64(max(1, all))
	d.fill = b.fillOf(*d, others)
	d.contrast, d.ground = b.contrastOf(*d, others)
}

// contrastOf returns the RMS residual inside disc d over the scatter of the ground
// between 1.4 and 2.6 radii, and that scatter.
func (b *bareSearch) contrastOf(d spot, others []spot) (contrast, ground float64) {
	var sum, n float64
	var around []float32
	b.w.visit(d.x, d.y, 2.6*d.r, func(j int, _ float32) {
		x, y := float64(j%b.w.w), float64(j/b.w.w)
		r := b.ring[j]
		z := b.e[0][j] * b.e[0][j]
		for c := 1; c < 3; c++ {
			z += 0.5 * b.e[c][j] * b.e[c][j]
		}
		switch q := math.Hypot(x-d.x, y-d.y); {
		case int(r) >= len(b.sd[0]) || b.printed[j]:
		case q < d.r:
			sum, n = sum+float64(z), n+1
		case q > 1.4*d.r && !inAny(others, x, y, 1.3):
			around = append(around, z)
		}
	})
	if n == 0 || len(around) < 8 {
		return 0, 0
	}
	ground = math.Sqrt(float64(selectKth(around, len(around)*7/10)))
	return math.Sqrt(sum/n) / max(ground, bareLeastSD), ground
}

// inAny reports whether (x, y) lies in one of the discs, each widened by grow.
func inAny(discs []spot, x, y, grow float64) bool {
	for _, o := range discs {
		if math.Hypot(x-o.x, y-o.y) < grow*o.r {
			return true
		}
	}
	return false
}

// fillOf returns the area of the patch of evidence under disc d over that of the
// ellipse with its second moments; a speck farther off is no part of it.
func (b *bareSearch) fillOf(d spot, others []spot) float64 {
	var n, sx, sy, sxx, sxy, syy float64
	b.w.visit(d.x, d.y, 1.5*d.r, func(j int, _ float32) {
		x, y := float64(j%b.w.w)-d.x, float64(j/b.w.w)-d.y
		if b.w.v[j] > 0 && !inAny(others, x+d.x, y+d.y, 1) {
			n++
			sx, sy, sxx, sxy, syy = sx+x, sy+y, sxx+x*x, sxy+x*y, syy+y*y
		}
	})
	if n < 4 {
		return 0
	}
	cx, cy := sx/n, sy/n
	det := (sxx/n-cx*cx+1.0/12)*(syy/n-cy*cy+1.0/12) - math.Pow(sxy/n-cx*cy, 2)
	return n / (4 * math.Pi * math.Sqrt(max(det, 1e-9)))
}

// What the fit of a mark's outline leaves out of its uncertainty, as variances per axis:
// multiples of the variance that the fit states; of a raster pixel; of the squared width
// of its edges; and of the squared radius, more where the mark meets another, where print
// covers it, where it is not round, not sure, light (chalk lies in patches) or soft, and
// most for a dent whose flanks do not show. Fitted to the errors of 1200 marks on the
// boards to which bare.txt was fitted first, then scaled so that 95 % of the regions hold
// them; the share of the shape to 1745 on seeds 81000 to 81099 and 82000 to 82059, and
// checked on 80000 to 80069, where 94.7 % are held.
const (
	budgetFit    = 0.04
	budgetPixel  = 0.11
	budgetEdge   = 0.0013
	budgetRadius = 0.0009
	budgetBeside = 0.0034
	budgetPrint  = 0.023
	budgetShape  = 0.08
	budgetUnsure = 0.18
	budgetPale   = 0.009
	budgetSoft   = 0.037
	budgetFlat   = 0.25
)

// budget returns the covariance of the centre of disc i: xx, xy, yy in mm².
func (b *bareSearch) budget(i int) [3]float64 {
	d := &b.discs[i]
	r := d.r / b.k
	share := budgetRadius + budgetPrint*d.print + budgetShape*max(0, 0.98-d.fill) + budgetUnsure*(1-d.chance)
	if len(b.beside(i, 1.2)) > 0 {
		share += budgetBeside
	}
	switch {
	case d.flat:
		share += budgetFlat
	case d.core > 0:
		share += budgetPale
	case d.steep < dentSteepest:
		share += budgetSoft
	}
	edge := min(2*r, max(math.Abs(d.core), math.Abs(d.tone))/max(0.03, d.steep))
	v := share*r*r + budgetEdge*edge*edge + budgetPixel/(b.k*b.k)
	return [3]float64{v + budgetFit*d.cov[0], budgetFit * d.cov[1], v + budgetFit*d.cov[2]}
}
