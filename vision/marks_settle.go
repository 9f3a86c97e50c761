package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// A rim is seen best along the whole change of colour across it, most of which is
// brightness, and that a JPEG keeps at full resolution. But a sticker may cast a thin
// shadow to one side, which moves a rim so seen; what is left of the change without its
// part along the outside colour is blind to shadow, and much of it is chroma, which a
// JPEG blurs. All stickers of a photo lie in one light, so what the two ways differ by on
// all of them tells the shadow, and each place is then taken from both.

// way is a way to see rims, and where one disc lies by it.
type way struct {
	rim      rim
	move     r2.Vec  // from the disc's present place, mm
	radius   float64 // mm; the two ways see slightly different ones
	variance float64 // of move, mm² per axis; unseen where this way shows too little
}

const (
	unseen = 1e6  // mm²
	exact  = 1e-8 // the least variance: what is drawn without noise fits exactly
)

// placing is where a disc lies by either way.
type placing struct {
	d            *disc
	whole, blind way
	lean         float64 // by how much of its width a shadow without any light moves whole
}

// settle places discs by both ways together.
func (s *search) settle(ds []*disc) {
	all := make([]*placing, 0, len(ds))
	for _, d := range ds {
		if p := s.rims(d, neighbours(d, ds)); p != nil {
			all = append(all, p)
		}
	}
	for _, of := range []func(*placing) *way{func(p *placing) *way { return &p.whole }, func(p *placing) *way { return &p.blind }} {
		fitWay(all, of)
	}
	shadow, varShadow := shadowOf(all)
	for _, p := range all {
		v := p.whole.variance + p.lean*p.lean*varShadow
		if v < unseen && p.d.cov[0]+p.d.cov[2] > 0 {
			share := p.blind.variance / (v + p.blind.variance)
			from := r2.Sub(p.whole.move, r2.Scale(p.lean, shadow))
			p.d.shift(r2.Add(r2.Scale(share, from), r2.Scale(1-share, p.blind.move)))
			// As the rim that is seen has it, longer across what is hidden.
			scale := share * v / raysPerError * 2 / (p.d.cov[0] + p.d.cov[2])
			for i := range p.d.cov {
				p.d.cov[i] *= scale
			}
		}
	}
}

// fitWay fits circles to the rims seen one way: of any radius where most of a rim is
// seen, else of the radius that these have by the same way.
func fitWay(all []*placing, of func(*placing) *way) {
	fit := func(p *placing, fixed float64) {
		w := of(p)
		move, radius, cov, _, ok := fitCircle(w.rim, fixed, p.d.radius, p.d.tol)
		if ok && r2.Norm(move) < p.d.tol {
			w.move, w.radius, w.variance = move, radius, max(exact, raysPerError*(cov[0]+cov[2])/2)
		}
	}
	type kind struct {
		nominalMM float64
		group     int
	}
	kindOf := func(p *placing) kind { return kind{p.d.nominalMM, p.d.group} }
	radii := map[kind][]float64{}
	most := func(p *placing) bool { return float64(len(of(p).rim.angle)) >= wholeRim*raysPerDisc }
	for _, p := range all {
		if of(p).variance = unseen; !most(p) {
			continue
		}
		if fit(p, 0); of(p).variance < unseen {
			radii[kindOf(p)] = append(radii[kindOf(p)], of(p).radius)
		}
	}
	for _, p := range all {
		if rs := radii[kindOf(p)]; !most(p) && len(rs) >= 3 && len(of(p).rim.angle) >= leastRim {
			fit(p, medianOf(slices.Clone(rs)))
		}
	}
}

// shadowSD is how far, before anything is seen, a shadow may move a rim, mm.
const shadowSD = 0.3

// shadowOf returns what the shadows of stickers do to a rim seen along the whole step,
// per lean, and its variance per axis: a weighted mean over all discs, those that lie
// apart from the rest with less weight (Huber).
func shadowOf(all []*placing) (shadow r2.Vec, variance float64) {
	for range 6 {
		sum, info := r2.Vec{}, 1/(shadowSD*shadowSD)
		for _, p := range all {
			v := p.whole.variance + p.blind.variance
			off := r2.Sub(p.whole.move, p.blind.move)
			w := 1 / v
			if z := r2.Norm(r2.Sub(off, r2.Scale(p.lean, shadow))) / math.Sqrt(v); z > 2 {
				w *= 2 / z
			}
			sum = r2.Add(sum, r2.Scale(w*p.lean, off))
			info += w * p.lean * p.lean
		}
		shadow, variance = r2.Scale(1/info, sum), 1/info
	}
	return shadow, variance
}

// rims reads the rim of d in the photo either way, where no disc of near meets it; nil
// where that shows too little.
func (s *search) rims(d *disc, near []*disc) *placing {
	if len(d.rays) != raysPerDisc {
		return nil
	}
	p := &placing{d: d}
	sc := scanRim(s.img, s.rect, d.pos, d.radius, raysPerDisc, 0.5)
	add := func(m *rim, k int, profile []rgb, along rgb) {
		var r ray
		r.in, r.ex = levelsOf(profile)
		edge, bad, ok := sc.stepAlong(&r, profile, along)
		if at := sc.first + edge; ok && math.Abs(at-d.radius) < d.tol {
			m.angle, m.radius, m.weight = append(m.angle, rayAngle(k, raysPerDisc)), append(m.radius, at), append(m.weight, weightOf(bad))
		}
	}
	var step, out rgb
	mean := make([]rgb, 0, 65)
	for k := range sc.along {
		profile := sc.meanOf(k, d.castFor.beside, mean)
		if onRim, under := d.meets(rayAngle(k, raysPerDisc), near); profile == nil || onRim || under || !d.rays[k].edge {
			continue
		}
		in, ex := levelsOf(profile)
		whole := rgb{in[0] - ex[0], in[1] - ex[1], in[2] - ex[2]}
		add(&p.whole.rim, k, profile, whole)
		if blind, left := withoutShadow(whole, ex); left > leastBlind*whole.dot(whole) {
			add(&p.blind.rim, k, profile, blind)
		}
		for q := range 3 {
			step[q] += whole[q]
			out[q] += ex[q]
		}
	}
	if len(p.whole.rim.angle) < leastRim {
		return nil
	}
	p.lean = float64(step.dot(out) / step.dot(step))
	return p
}

// leastBlind is the share of the step, squared, that must be left without its part along
// the outside colour for a rim to be seen so.
const leastBlind = 0.02
