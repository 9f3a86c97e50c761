package vision

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// disc is a sticker hypothesis, measured in the full-resolution photo.
type disc struct {
	pos       r2.Vec  // mm
	peak      r2.Vec  // where edges spoke for it, mm
	nominalMM float64 // radius it was looked for with
	radius    float64 // mm, of the rim
	votes     float64
	inside    rgb     // colour of its uncovered inner part, linear light
	uneven    float64 // robust sd of that, log units
	fill      float64 // share of that part whose colour is nearer to inside than to the face's
	rays      []ray   // about pos
	castFor   casting
	cov       [3]float64 // xx, xy, yy of pos, mm²
	sd        float64    // of the rim points about the circle, mm
	fitted    bool
	tol       float64 // a rim point so near the circle is on it, mm
	leastPx   float64 // radius in the photo, in the direction in which it is least

	on, against, hidden int     // rays with a rim, without one, and under or beside other discs
	runs                int     // of hidden: what lies beyond looks like the disc itself
	step                rimStep // across the rim
	ground              float64 // scatter of what lies beside it in that direction, log units
	group               int     // of its colour, -1 for none
	kin                 float64 // distance from that colour
	chance              float64 // that this is a sticker
	atLeast             bool    // more of its colour lie beside or under it than were found
	byCount             Flag    // what a declared count says about it, "" for nothing
}

// seen is the number of rays in the photo.
func (d *disc) seen() int { return d.on + d.against + d.hidden }

// support is the share of the visible rim that was found.
func (d *disc) support() float64 { return float64(d.on) / float64(max(1, d.on+d.against)) }

// visible is the share of the rim that no other disc hides.
func (d *disc) visible() float64 { return float64(d.on+d.against) / float64(max(1, d.seen())) }

// look measures the rim of d in the light of the discs chosen so far and moves d
// onto it, unless few rays show already that it is no sticker.
func (s *search) look(d *disc, chosen []*disc) {
	lo, hi := s.rect.PxPerMM(d.pos)
	nearMM := 0.1 / math.Sqrt(lo*hi)
	d.leastPx = lo * d.nominalMM
	d.tol = max(0.06*d.nominalMM, 12*nearMM)
	near := neighbours(d, chosen)
	start := d.pos
	if d.rays == nil {
		few := *d // what few rays fit is too coarse to start a whole look from
		s.measure(&few, near, start, glanceRays, nearMM)
		if few.chance < hopelessAtAGlance {
			few.rays = nil
			*d = few
			return
		}
	}
	for range 3 {
		move := s.measure(d, near, start, raysPerDisc, nearMM)
		if d.chance < hopeless || r2.Norm(move) < nearMM {
			return
		}
	}
}

// measure fits d to what n rays show, which are cast anew where d is not nearMM to
// where they were, and judges it.
func (s *search) measure(d *disc, near []*disc, start r2.Vec, n int, nearMM float64) (move r2.Vec) {
	s.interior(d, near)
	s.cast(d, near, n, nearMM)
	move, d.fitted = s.fitRim(d, near, start)
	d.tally(near, s)
	d.chance = s.chanceOf(d)
	return move
}

// casting is what rays were cast for.
type casting struct {
	pos    r2.Vec
	radius float64
	inside rgb
	beside int
}

// cast casts n rays for d, unless those it has were cast within nearMM of its place
// and for nearly its radius and colour.
func (s *search) cast(d *disc, near []*disc, n int, nearMM float64) {
	const sameLight = 0.02
	beside := usualBeside
	if len(near) == 0 && s.faint(d) {
		beside = noisyBeside
	}
	c := d.castFor
	off := rgb{d.inside[0] - c.inside[0], d.inside[1] - c.inside[1], d.inside[2] - c.inside[2]}
	if d.rays != nil && r2.Norm(r2.Sub(d.pos, c.pos)) < nearMM &&
		math.Abs(d.radius-c.radius) < 0.05*d.radius && off.dot(off) < sameLight*sameLight && beside == c.beside {
		return
	}
	d.rays = castRays(s.img, s.rect, d.pos, d.radius, d.inside, n, beside)
	d.castFor = casting{d.pos, d.radius, d.inside, beside}
}

// faint reports whether the inside of d differs little from the face, and by not much more
// than its pixels do from each other: black on black and white on white, in noise.
func (s *search) faint(d *disc) bool {
	const few, little = 4, 0.5 // standard deviations; log units
	face, ok := s.faceAt(d.pos)
	own := opponentOf(d.inside)
	off := rgb{own[0] - face[0], own[1] - face[1], own[2] - face[2]}
	return ok && math.Sqrt(float64(off.dot(off))) < min(little, few*d.uneven)
}

// A disc with less than this chance is not looked at again on its own. At a glance
// less is asked: on 40 random boards with 713 stickers one was lost to it, white and
// off the face, and of all other places hardly a third is left.
const (
	hopeless          = 0.02
	hopelessAtAGlance = 0.002
)

// fitRim fits d to the edges its rays found and moves it; false when they fix no
// circle near where d was looked for.
func (s *search) fitRim(d *disc, near []*disc, start r2.Vec) (move r2.Vec, ok bool) {
	rim := rimOf(d, near)
	if n := len(rim.angle); 4*n < d.freeRays(near) || n*raysPerDisc < leastRim*len(d.rays) {
		return move, false
	}
	whole := float64(len(rim.angle)) >= wholeRim*float64(len(d.rays))
	fixed := s.rimMMOf(d.nominalMM)
	if fixed == 0 && !whole {
		fixed = d.nominalMM
	}
	move, radius, cov, sd, ok := fitCircle(rim, fixed, d.radius, d.tol)
	if fixed > 0 && whole {
		freeMove, freeRadius, freeCov, freeSD, fits := fitCircle(rim, 0, d.radius, d.tol)
		if fits && freeSD < rimGain*sd && math.Abs(freeRadius-fixed) < rimSlack*fixed {
			move, radius, cov, sd, ok = freeMove, freeRadius, freeCov, freeSD, true
		}
	}
	off := func(r float64) bool { return math.Abs(r-d.nominalMM) > max(0.14*d.nominalMM, d.tol) }
	if fixed == 0 && off(radius) { // two discs that nearly cover each other
		move, radius, cov, sd, ok = fitCircle(rim, d.nominalMM, d.radius, d.tol)
	}
	pos := r2.Add(d.pos, move)
	if !ok || r2.Norm(r2.Sub(pos, start)) > 0.5*d.nominalMM || off(radius) {
		return move, false
	}
	d.radius, d.cov, d.sd = radius, cov, sd
	d.shift(move)
	return move, true
}

// A rim of which most is seen may depart from the usual radius: on a zone of its own
// colour a sticker shows by its shadow alone. That counts where it explains the rim so
// much better.
const (
	wholeRim = 0.7 // of the rays
	rimSlack = 0.06
	rimGain  = 0.7
)

// leastRim of raysPerDisc rays with an edge fix the centre of a disc of known radius.
const leastRim = 9

// freeRays counts the rays of d in the photo that meet no other disc.
func (d *disc) freeRays(near []*disc) (n int) {
	for _, r := range d.rays {
		if onRim, under := d.meets(r.angle, near); r.seen && !onRim && !under {
			n++
		}
	}
	return n
}

// shift moves d and refers its rays to the new centre, to first order.
func (d *disc) shift(move r2.Vec) {
	d.pos = r2.Add(d.pos, move)
	d.rays = slices.Clone(d.rays) // copies of d keep theirs
	for i := range d.rays {
		r := &d.rays[i]
		sin, cos := math.Sincos(r.angle)
		r.at -= move.X*cos + move.Y*sin
	}
}

// neighbours returns those of ds, other than d, that can touch d.
func neighbours(d *disc, ds []*disc) (near []*disc) {
	for _, o := range ds {
		if o != d && r2.Norm(r2.Sub(o.pos, d.pos)) < 1.2*o.radius+1.6*d.radius {
			near = append(near, o)
		}
	}
	return near
}

// meets tells how the rim point of d at angle a lies to other discs: on the rim of
// one, so that an edge there may be the other's, or under one.
func (d *disc) meets(a float64, others []*disc) (rim, under bool) {
	sin, cos := math.Sincos(a)
	p := r2.Add(d.pos, r2.Vec{X: d.radius * cos, Y: d.radius * sin})
	for _, o := range others {
		q := r2.Norm(r2.Sub(p, o.pos)) / o.radius
		rim = rim || math.Abs(q-1) < 0.12
		under = under || q < 1
	}
	return rim, under
}

// tally counts what the rays of d say and measures the step across its rim. A ray that
// meets d's own colour beyond the rim, where the face has another, counts neither for
// nor against: another sticker of that colour lies there. face knows the face; nil where
// nothing does.
func (d *disc) tally(near []*disc, face *search) {
	d.on, d.against, d.hidden, d.runs = 0, 0, 0, 0
	var rim []ray
	for _, r := range d.rays {
		if !r.seen {
			continue
		}
		onRim, under := d.meets(r.angle, near)
		on := r.edge && math.Abs(r.at-d.radius) < d.tol
		switch {
		case onRim, under && !on:
			d.hidden++
		case !on && face != nil && face.runsOn(d, r):
			d.hidden++
			d.runs++
		case on:
			d.on++
			rim = append(rim, r)
		default:
			d.against++
		}
	}
	d.step = stepOf(rim)
	d.ground = face.scatterAbout(d, near)
}

// scatterAbout returns the robust sd of what is seen beside d and the face does not
// explain, in the direction of the step across its rim, log units: the grain of the face
// and of what else lies there.
func (s *search) scatterAbout(d *disc, near []*disc) float64 {
	size := d.step.size()
	if s == nil || size == 0 {
		return 0
	}
	var along []float32
	for _, r := range d.rays {
		if !r.seen {
			continue
		}
		if onRim, under := d.meets(r.angle, near); onRim || under {
			continue
		}
		sin, cos := math.Sincos(r.angle)
		face, ok := s.faceAt(r2.Add(d.pos, r2.Scale(1.2*d.radius, r2.Vec{X: cos, Y: sin})))
		if !ok {
			continue
		}
		seen := opponentOf(r.ex)
		off := rgb{seen[0] - face[0], seen[1] - face[1], seen[2] - face[2]}
		along = append(along, off.dot(rgb(d.step.median))/float32(size))
	}
	_, sd := medianMAD(along)
	return float64(sd)
}

// runsOn reports whether what ray r meets outside d looks like d and not like the face
// there.
func (s *search) runsOn(d *disc, r ray) bool {
	sin, cos := math.Sincos(r.angle)
	face, ok := s.faceAt(r2.Add(d.pos, r2.Scale(1.2*d.radius, r2.Vec{X: cos, Y: sin})))
	seen := opponentOf(r.ex)
	return ok && apart(seen, opponentOf(d.inside)) < likeness*apart(seen, face)
}

// likeness is how much nearer a colour must be to a sticker's than to the face's to
// count as the sticker's.
const likeness = 0.5

// faceAt returns the colour that the face has at a place, in the light there; false
// outside the raster.
func (s *search) faceAt(at r2.Vec) (colour [3]float32, ok bool) {
	p := s.flat.ToFlat(at)
	x, y := int(p.X+0.5), int(p.Y+0.5)
	if x < 0 || y < 0 || x >= s.y.w || y >= s.y.h {
		return colour, false
	}
	return s.m.faceAt(x, y), true
}

// interior sets the colour of the part of d that no neighbour covers, and how much of
// it the face does not explain.
func (s *search) interior(d *disc, near []*disc) {
	var free, all []rgb
	var freeAt, allAt []r2.Vec
	for q := range 48 { // a sunflower pattern over the inner three quarters
		rho := 0.75 * d.radius * math.Sqrt((float64(q)+0.5)/48)
		sin, cos := math.Sincos(2.399963 * float64(q))
		p := r2.Add(d.pos, r2.Vec{X: rho * cos, Y: rho * sin})
		c, ok := sampleRGB(s.img, s.rect.ToPhoto(p))
		if !ok {
			continue
		}
		all, allAt = append(all, c), append(allAt, p)
		if !slices.ContainsFunc(near, func(o *disc) bool { return r2.Norm(r2.Sub(p, o.pos)) < 1.05*o.radius }) {
			free, freeAt = append(free, c), append(freeAt, p)
		}
	}
	if len(free) < 6 {
		free, freeAt = all, allAt
	}
	d.inside, d.uneven = middle(free)
	d.fill = 0
	own := opponentOf(d.inside)
	for i, c := range free {
		seen := opponentOf(c)
		if face, ok := s.faceAt(freeAt[i]); ok && apart(seen, own) < apart(seen, face) {
			d.fill += 1 / float64(len(free))
		}
	}
}

// middle returns the median per channel and the robust sd in opponent colour.
func middle(cs []rgb) (median rgb, sd float64) {
	if len(cs) == 0 {
		return median, 0
	}
	var lin, log [3][]float32
	for _, c := range cs {
		o := opponentOf(c)
		for k := range 3 {
			lin[k], log[k] = append(lin[k], c[k]), append(log[k], o[k])
		}
	}
	for k := range 3 {
		median[k] = selectKth(lin[k], len(cs)/2)
		_, v := medianMAD(log[k])
		sd = math.Hypot(sd, float64(v))
	}
	return median, sd
}

// choose takes discs greedily, the most certain first, each judged in the light of
// those already chosen.
func (s *search) choose(all []*disc, least float64) (chosen []*disc) {
	rest := slices.Clone(all)
	for _, d := range rest {
		if d.chance >= hopeless {
			s.look(d, nil)
		}
	}
	for len(rest) > 0 {
		b := slices.MaxFunc(rest, func(a, b *disc) int { return cmp.Compare(a.chance, b.chance) })
		if b.chance < least {
			break
		}
		chosen = append(chosen, b)
		rest = slices.DeleteFunc(rest, func(d *disc) bool {
			dist := r2.Norm(r2.Sub(d.pos, b.pos))
			if d != b && dist < 0.3*b.radius {
				// What lies mostly under b slides onto it when looked at alone.
				if dist = r2.Norm(r2.Sub(d.peak, b.pos)); dist >= 0.3*b.radius {
					d.pos = d.peak
				}
			}
			if d != b && dist >= 0.3*b.radius && dist < 1.3*(b.radius+d.radius) {
				s.look(d, chosen)
				dist = r2.Norm(r2.Sub(d.pos, b.pos))
			}
			return dist < 0.3*b.radius
		})
	}
	return s.keepCertain(chosen, least)
}

// keepCertain judges the chosen discs in the light of each other and drops, the
// least certain first, those that do not stand.
func (s *search) keepCertain(chosen []*disc, least float64) []*disc {
	for _, d := range chosen {
		if len(neighbours(d, chosen)) > 0 {
			s.look(d, chosen)
		}
	}
	for {
		worst := -1
		for i, d := range chosen {
			if d.chance < least && (worst < 0 || d.chance < chosen[worst].chance) {
				worst = i
			}
		}
		if worst < 0 {
			return chosen
		}
		d := chosen[worst]
		chosen = slices.Delete(chosen, worst, worst+1)
		for _, o := range neighbours(d, chosen) {
			s.look(o, chosen)
		}
	}
}
