package vision

import (
	"image"
	"slices"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/spatial/r2"
)

// Where a sticker hardly differs from the face but for noise, no pixel of its rim tells, but
// its whole area does: a matched filter for its colour and size finds it.

// What a place must show to be looked at: likeness is 0 for the face and 1 for the colour
// sought. On 329 random boards (seeds 42000-42328) 11 stickers of 74 that were not found lie
// at such places, and little else does.
const (
	leastLikeness = 0.45 // of a disc's area above what lies around it
	leastOfNoise  = 8.0  // and so many standard deviations of that elsewhere in the zone
	alikeFrom     = 0.6  // of its middle: less or more is another colour
	alikeTo       = 1.25
)

// byArea adds the discs in zones of their own colour that their area speaks for, as far as
// their rims bear it out. tried are all discs so proposed.
func (s *search) byArea(found []*disc) (more, tried []*disc) {
	more = slices.Clone(found)
	for _, g := range s.groups {
		if g.name == "" || s.complete(found, g.name) {
			continue
		}
		for _, z := range s.faintZones(g, found) {
			for _, d := range s.areas(g, z, found) {
				if s.look(d, more); d.rays == nil { // not worth a whole look
					continue
				}
				s.relate([]*disc{d})
				s.look(d, more)
				tried = append(tried, d)
				clear := !slices.ContainsFunc(more, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, d.pos)) < ownPlace*o.radius })
				if d.chance >= 0.5 && d.group >= 0 && s.groups[d.group].name == g.name && clear {
					more = append(more, d)
				}
			}
		}
	}
	return more, tried
}

// areas returns discs of the size of g's first where the raster looks like g in zone z, the likest first.
// Their area votes for them in place of their rim.
func (s *search) areas(g *group, z zone, found []*disc) (out []*disc) {
	like := gocv.NewMatWithSizeFromScalar(gocv.Scalar{}, s.y.h, s.y.w, gocv.MatTypeCV32F)
	defer like.Close()
	v, err := like.DataPtrFloat32()
	if err != nil {
		return nil
	}
	s.likeness(v, g, z, found)
	d := g.discs[0]
	r := d.radius * s.flat.PxPerMM
	inner, outer := 2*int(0.8*r)+1, 2*int(1.5*r)+1
	in, all := gocv.NewMat(), gocv.NewMat()
	defer in.Close()
	defer all.Close()
	gocv.BoxFilter(like, &in, -1, image.Pt(inner, inner))
	gocv.BoxFilter(like, &all, -1, image.Pt(outer, outer))
	// The mean of the square less that of the frame around it.
	frame := float64(outer*outer - inner*inner)
	gocv.AddWeighted(in, 1+float64(inner*inner)/frame, all, -float64(outer*outer)/frame, 0, &in)
	score, err := in.DataPtrFloat32()
	if err != nil {
		return nil
	}
	var some []float32
	for i := 0; i < len(score); i += 7 {
		if s.holds(z, i) {
			some = append(some, score[i])
		}
	}
	_, noise := medianMAD(some)
	least := max(leastLikeness, leastOfNoise*noise)
	var ps []peak
	w := s.y.w
	for i := w + 1; i < len(score)-w-1; i++ {
		if q := score[i]; q >= least && s.holds(z, i) && q >= score[i-1] && q >= score[i-w] && q > score[i+1] && q > score[i+w] {
			ps = append(ps, peak{float64(i % w), float64(i / w), r, float64(q), float64(q)})
		}
	}
	for _, o := range s.discsAt(thin(ps, 0.8*r, 2)) {
		o.nominalMM, o.radius = d.nominalMM, d.radius
		var middle []float32
		s.visit(o.pos, 0.85*o.radius, func(i int) { middle = append(middle, v[i]) })
		if a := selectKth(middle, len(middle)/2); a >= alikeFrom && a < alikeTo {
			out = append(out, o)
		}
	}
	return out
}

// likeness sets v, pixel by pixel, to how far in zone z the raster is from the face towards
// g's colour, channels by their scatter (Fisher's linear discriminant); 0 elsewhere and on
// the discs found.
func (s *search) likeness(v []float32, g *group, z zone, found []*disc) {
	weights := make([]rgb, z.to-z.from)
	for k := range weights {
		weights[k], _ = s.towards(g.mean, z.from+k)
	}
	left := &s.m.residual.ch
	for i := range v {
		if s.holds(z, i) && s.y.ok[i] {
			v[i] = max(-1, min(2, weights[int(s.index[i])-z.from].dot(rgb{left[0][i], left[1][i], left[2][i]})))
		}
	}
	for _, d := range found {
		s.visit(d.pos, d.radius+s.rimWidth(d), func(i int) { v[i] = 0 })
	}
}
