package vision

import (
	"image"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// MarkOptions says what to look for.
type MarkOptions struct {
	// Colours are the sticker colours to look for; empty: find and name them.
	Colours []string
	// SizeMM is the diameter of the stickers; 0: learn it, one size per colour.
	SizeMM float64
	// Bare looks for holes, dents, smudges and chalk marks instead of stickers.
	Bare bool
}

// Limits of the search, in mm and raster pixels per mm.
const (
	reachShare    = 1.6  // the raster reaches this many outer radii from the centre
	flatPxPerMM   = 1.4  // enough for the smallest sticker
	flatSidePx    = 1400 // and no more pixels than this on a side
	flatDiscPx    = 18   // a sticker of known size should span as many pixels
	leastDiscMM   = 6.0  // smallest sticker when the size is unknown
	largestDiscMM = 45.0
	usualDiscMM   = 19.0 // before anything is known
)

// findMarks finds the marks on a board whose plane is known. face lists the
// circles of the face, outermost first; it may hold just the outer ring. Marks
// come sorted by colour, then from the top down.
func findMarks(img *image.NRGBA, rect *calib.Rectification, face []Circle, opts MarkOptions) (marks []Mark, flat *Flat, warnings []string) {
	if len(face) == 0 || img.Rect.Dx() < 8 || img.Rect.Dy() < 8 {
		return nil, flatten(img, rect, extentMM{}, 1), []string{"no ring to find marks by"}
	}
	outer := face[0].RadiusMM
	for _, c := range face {
		outer = max(outer, c.RadiusMM)
	}
	e := viewOf(rect, img.Rect.Max, reachShare*outer)
	lo, hi := rect.PxPerMM(r2.Vec{})
	fine := flatPxPerMM
	if opts.SizeMM > 0 {
		fine = max(fine, flatDiscPx/opts.SizeMM)
	}
	if opts.Bare {
		fine = bareFlatPxMM
	}
	scale := min(fine, (lo+hi)/2, flatSidePx/max(e.maxX-e.minX, e.maxY-e.minY))
	flat = flatten(img, rect, e, scale)
	if flat.Image.Rect.Dx() < 16 || flat.Image.Rect.Dy() < 16 {
		return nil, flat, []string{"the photo shows too little of the board"}
	}
	s := &search{img: img, rect: rect, opts: opts, flat: flat, outerMM: outer}
	size := opts.SizeMM
	if size == 0 {
		size = usualDiscMM
	}
	if opts.Bare {
		size = bareUsualMM
	}
	s.y = planesOf(flat)
	s.m = modelFace(s.y, flat.Centre, outer*scale, size*scale)
	if opts.Bare {
		return s.bareMarks(), flat, s.warnings
	}
	return s.stickers(), flat, s.warnings
}

// search is the state of one findMarks call.
type search struct {
	img      *image.NRGBA
	rect     *calib.Rectification
	opts     MarkOptions
	flat     *Flat
	outerMM  float64
	y        *planes
	m        *faceModel
	index    []uint16
	classes  []*class
	evidence []*evidence
	warnings []string
	flecked  bool // light falls in flecks, as through leaves
}

func (s *search) stickers() []Mark {
	k := s.flat.PxPerMM
	least := leastDiscMM
	if s.opts.SizeMM > 0 {
		least = s.opts.SizeMM
	}
	s.index = s.m.radiusIndex(s.y.w, s.y.h)
	mask := make([]bool, s.y.w*s.y.h)
	s.m.maskMarks(mask, s.index)
	s.classes = learnClasses(s.y, s.m, mask, 1.1*s.outerMM*k, math.Pi/4*least*least*k*k, s.opts.SizeMM > 0 && s.opts.SizeMM*k < 14)
	s.nameClasses()
	s.flecked = s.fleckShare() > fleckLimit
	s.evidence = s.evidences()
	return s.refine(s.place(s.evidence))
}

// evidences returns w_k of every sticker class.
func (s *search) evidences() []*evidence {
	n := s.y.w * s.y.h
	out := make([]*evidence, len(s.classes))
	same := make([]int, len(s.classes)) // the first class of the same name: one colour, one set of discs
	for k, c := range s.classes {
		same[k] = k
		if c.name == "" {
			continue
		}
		for j, o := range s.classes[:k] {
			if o.name == c.name {
				same[k] = j
				break
			}
		}
		if same[k] == k {
			out[k] = &evidence{s.y.w, s.y.h, make([]float32, n)}
		}
	}
	e, l := s.m.residual, s.m.light
	cost := make([]float32, len(s.classes))
	for i := range n {
		if !e.ok[i] {
			for _, o := range out {
				if o != nil {
					o.v[i] = -1
				}
			}
			continue
		}
		r := s.index[i]
		ground := groundMisfit(e.ch[0][i], e.ch[1][i], e.ch[2][i], s.m.spread[0][r], s.m.spread[1][r], s.m.spread[2][r])
		b := s.y.ch[0][i]
		if int(r) < len(s.m.radial[0])-1 {
			b -= l.ch[0][i]
		}
		c1, c2 := s.y.ch[1][i], s.y.ch[2][i]
		best, second := -1, -1
		for k, c := range s.classes {
			cost[k] = c.misfit(b, c1, c2)
			if j := same[k]; j != k {
				cost[j] = min(cost[j], cost[k])
			}
		}
		for k := range s.classes {
			if same[k] != k {
				continue
			}
			if best < 0 || cost[k] < cost[best] {
				best, second = k, best
			} else if second < 0 || cost[k] < cost[second] {
				second = k
			}
		}
		for k, o := range out {
			if o == nil {
				continue
			}
			v := ground - cost[k]
			switch {
			case ground > 10 && cost[k] > 30: // unlike either: clutter or a mixed pixel
				v = -0.6
			case v > 0 && k != best: // another colour explains it better
				v = min(v, cost[best]-cost[k])
				if v < 0 {
					v = max(v, -0.2)
				}
			case k != best && cost[best] < 12 && ground-cost[best] > maxEvidence/2 && s.classes[best].name != "":
				v = -0.2 // hidden under another colour: neutral
			}
			if s.flecked && s.brighter(i) {
				v = min(v, -0.2) // a fleck of light explains it
			}
			o.v[i] = max(-maxEvidence, min(maxEvidence, v))
		}
	}
	for _, o := range out {
		if o != nil {
			s.level(o)
		}
	}
	return out
}

// A fleck of light is brighter than its surroundings by up to fleckGain (in log
// units) and keeps their chroma. Where flecks cover more than fleckLimit of the
// face, brightness alone speaks for no sticker.
const (
	fleckGain  = 1.2
	fleckLimit = 0.02
)

// brighter reports whether more light alone explains pixel i.
func (s *search) brighter(i int) bool {
	e, r := s.m.residual, s.index[i]
	b := e.ch[0][i]
	if !(b > max(0.05, 2*s.m.spread[0][r])) || b > fleckGain {
		return false
	}
	u, v := e.ch[1][i]/max(1.2*s.m.spread[1][r], 0.03), e.ch[2][i]/max(1.2*s.m.spread[2][r], 0.03)
	return u*u+v*v < 6
}

// fleckShare returns the share of the face that more light alone explains.
func (s *search) fleckShare() float64 {
	n, flecks := 0, 0
	last := uint16(len(s.m.radial[0]) - 1)
	for i, r := range s.index {
		if r < last && s.m.residual.ok[i] {
			n++
			if s.m.residual.ch[0][i] > 0.12 && s.brighter(i) {
				flecks++
			}
		}
	}
	return float64(flecks) / float64(max(1, n))
}

// level lowers the evidence on circles where the bare face itself looks like the
// class, so that there too the typical pixel speaks against a disc: a sticker on a
// zone of its own colour must differ from the rest of the zone.
func (s *search) level(e *evidence) {
	const bins, ground = 64, -1.0
	n := len(s.m.radial[0])
	count := make([][bins]int32, n)
	for i, r := range s.index {
		if s.y.ok[i] {
			count[r][int((e.v[i]+maxEvidence)*(bins-1)/(2*maxEvidence))]++
		}
	}
	drop := make([]float32, n)
	for r := range n - 1 {
		total, sum := int32(0), int32(0)
		for _, c := range count[r] {
			total += c
		}
		for b, c := range count[r] {
			if sum += c; 2*sum >= total {
				drop[r] = max(0, (float32(b)+0.5)*2*maxEvidence/bins-maxEvidence-ground)
				break
			}
		}
	}
	// Near the centre a single sticker can fill whole circles: no levelling there.
	for r := range min(n, int(usualDiscMM*0.6*s.flat.PxPerMM)) {
		drop[r] = 0
	}
	for i, r := range s.index {
		e.v[i] = max(-maxEvidence, e.v[i]-drop[r])
	}
}

// place finds the discs of every class on the raster.
func (s *search) place(ev []*evidence) []disc {
	k := s.flat.PxPerMM
	known := 0.0
	for i, c := range s.classes {
		if ev[i] == nil {
			continue
		}
		if s.opts.SizeMM > 0 {
			c.radius = s.opts.SizeMM / 2 * k
			continue
		}
		c.radius = learnRadius(ev[i], leastDiscMM/2*k, largestDiscMM/2*k)
		if c.radius > 0 && known == 0 {
			known = c.radius
		}
	}
	var out []disc
	for i, c := range s.classes {
		if ev[i] == nil {
			continue
		}
		if c.radius == 0 {
			c.radius = known
		}
		if c.radius == 0 {
			continue
		}
		f := &finder{e: ev[i], cover: make([]float32, len(ev[i].v)), class: i, cx: s.flat.Centre.X, cy: s.flat.Centre.Y, farPx: s.m.edgePx + c.radius}
		f.price = 0.12 * maxEvidence * math.Pi * c.radius * c.radius
		f.grow(c.radius, 400)
		out = append(out, f.discs...)
	}
	return out
}

// refined is a disc measured in the photo.
type refined struct {
	disc
	pos     r2.Vec
	radius  float64 // mm
	cov     [3]float64
	sd      float64
	share   float64 // of the visible rim that lies on the circle
	visible float64 // of the rim not under another disc
	clean   float64
	step    rimStep
	flags   []Flag
	ok      bool
}

// hasRim reports whether enough of the disc's rim was measured to place it by.
func (d *refined) hasRim() bool { return d.ok && d.share >= 0.45 && d.clean*d.visible >= 0.12 }

// plain reports whether the area of a disc on the face speaks for it without a rim.
func (s *search) plain(d *refined) bool {
	return r2.Norm(d.pos) <= s.outerMM && d.gain >= 0.3*maxEvidence*math.Pi*d.r*d.r
}

// raysPerDisc edge rays are cast for each disc.
const raysPerDisc = 90

// refine measures every disc's rim in the photo, learns the size of each class
// from whole discs, and drops what has no rim.
func (s *search) refine(found []disc) []Mark {
	k := s.flat.PxPerMM
	ds := make([]refined, len(found))
	for i, d := range found {
		ds[i] = refined{disc: d, pos: s.flat.ToBoard(calib.Px{X: d.x, Y: d.y}), radius: d.r / k}
	}
	for pass := range 3 {
		for i := range ds {
			s.measure(ds, i)
		}
		if pass == 0 {
			ds = s.dropScenery(ds)
		}
		if pass < 2 {
			s.learnSizes(ds)
			ds = s.mergeTwins(ds)
		}
	}
	ds = s.dropScenery(ds)
	if len(s.opts.Colours) == 0 {
		ds = s.dropClutter(ds)
	}
	ds = s.dropUnsound(ds)
	var marks []Mark
	for i := range ds {
		d := &ds[i]
		c := s.classes[d.class]
		full := maxEvidence * math.Pi * d.r * d.r
		if !d.hasRim() {
			// On a ground of nearly its own colour a disc's rim can be too faint to
			// measure while its area is plain: keep the place found on the raster.
			if !s.plain(d) {
				continue
			}
			d.pos = s.flat.ToBoard(calib.Px{X: d.x, Y: d.y})
			v := math.Pow(0.05*d.radius+0.3/k, 2)
			d.cov, d.share = [3]float64{v, 0, v}, 0.6
		}
		conf := min(1, d.share) * min(1, d.gain/(0.25*full))
		m := Mark{Kind: Sticker, Pos: d.pos, Photo: s.rect.ToPhoto(d.pos), CovMM2: d.cov, DiameterMM: 2 * d.radius,
			Colour: c.name, Visible: d.visible, Confidence: conf, Flags: d.flags}
		if c.unsure {
			m.Flags = append(m.Flags, UnsureHue)
		}
		if r2.Norm(d.pos) > s.outerMM {
			m.Flags = append(m.Flags, OffFace)
		}
		if conf < 0.5 && !slices.Contains(m.Flags, Doubtful) {
			m.Flags = append(m.Flags, Doubtful)
		}
		marks = append(marks, m)
	}
	sort.SliceStable(marks, func(i, j int) bool {
		if marks[i].Colour != marks[j].Colour {
			return marks[i].Colour < marks[j].Colour
		}
		return marks[i].Pos.Y > marks[j].Pos.Y
	})
	return marks
}

// dropScenery drops discs outside the outer ring whose rim is not nearly whole:
// what stands behind the board has sticker colours too, but no discs of the right
// size in the board's plane.
func (s *search) dropScenery(ds []refined) []refined {
	s.measureSteps(ds)
	keep := ds[:0]
	for i := range ds {
		d := &ds[i]
		full := maxEvidence * math.Pi * d.r * d.r
		if r2.Norm(d.pos) > s.outerMM+0.5*d.radius && (!d.ok || d.share < 0.8 || d.clean < 0.75 || d.visible < 0.45 || d.gain < 0.5*full*d.visible || !s.alone(d) || d.step.closed < 0.8) {
			continue
		}
		keep = append(keep, *d)
	}
	return keep
}

// dropClutter drops the classes that are no stickers, when no colours were
// declared: tape, shadow flecks, printed crosses and numerals can be covered with
// discs, but hardly any of those discs has a rim of its own all around.
func (s *search) dropClutter(ds []refined) []refined {
	total, whole := make([]int, len(s.classes)), make([]int, len(s.classes))
	for i := range ds {
		d := &ds[i]
		if d.ok && d.share > 0.45 && d.clean*d.visible > 0.12 {
			total[d.class]++
		}
		full := maxEvidence * math.Pi * d.r * d.r
		if d.ok && d.share > 0.8 && d.clean > 0.8 && d.visible > 0.6 && d.gain > 0.55*full*d.visible {
			whole[d.class]++
		}
	}
	keep := ds[:0]
	for i := range ds {
		if k := ds[i].class; whole[k] > 0 && 3*whole[k] >= total[k] {
			keep = append(keep, ds[i])
		}
	}
	return keep
}

// alone reports whether the ground around a disc speaks against more of its
// colour.
func (s *search) alone(d *refined) bool {
	e := s.evidence[d.class]
	for _, rho := range [2]float64{1.35, 1.7} {
		more := 0
		for k := range 32 {
			sn, cs := math.Sincos(2 * math.Pi * float64(k) / 32)
			x, y := int(d.x+rho*d.r*cs+0.5), int(d.y+rho*d.r*sn+0.5)
			if x >= 0 && y >= 0 && x < e.w && y < e.h && e.v[y*e.w+x] > 0.5 {
				more++
			}
		}
		if more > 8 {
			return false
		}
	}
	return true
}

// measure fits disc i to its rim.
func (s *search) measure(ds []refined, i int) {
	d := &ds[i]
	c := s.classes[d.class]
	r := d.radius
	if c.edge > 0 {
		r = c.edge
	}
	inside, ok := s.insideColour(ds, i)
	if !ok {
		d.ok = false
		return
	}
	m := castRays(s.img, s.rect, d.pos, r, raysPerDisc, inside)
	hidden := 0
	keep := rim{rays: m.rays, seen: m.seen}
	for q := range m.rays {
		a := 2 * math.Pi * (float64(q) + 0.5) / float64(m.rays)
		if s.covered(ds, i, a, r) {
			hidden++
		}
	}
	for q, a := range m.angle {
		if !s.covered(ds, i, a, r) {
			keep.angle = append(keep.angle, a)
			keep.radius = append(keep.radius, m.radius[q])
			keep.weight = append(keep.weight, m.weight[q])
		}
	}
	d.visible = 1 - float64(hidden)/float64(m.rays)
	keep.seen = max(1, m.seen-hidden)
	fixed := c.edge
	d.clean = float64(len(keep.angle)) / float64(keep.seen)
	if fixed == 0 && d.visible*d.clean < 0.7 {
		fixed = r
	}
	lo, hi := s.rect.PxPerMM(d.pos)
	tol := max(0.06*r, 1.2/math.Sqrt(lo*hi))
	move, radius, cov, sd, share, good := fitCircle(keep, fixed, r, tol)
	limit := 0.5 * r
	if !good || r2.Norm(move) > limit || (fixed == 0 && math.Abs(radius-r) > 0.3*r) {
		d.ok = false
		d.share = 0
		return
	}
	d.ok, d.share, d.sd = true, share, sd
	d.cov = cov
	d.pos = r2.Add(d.pos, move)
	if fixed == 0 {
		d.radius = radius
	} else {
		d.radius = r
	}
}

// covered reports whether the rim point of disc i at angle a lies under another
// disc, or so near one's rim that the edge there may be the other's.
func (s *search) covered(ds []refined, i int, a, r float64) bool {
	sn, cs := math.Sincos(a)
	p := r2.Add(ds[i].pos, r2.Vec{X: r * cs, Y: r * sn})
	for j := range ds {
		if j == i {
			continue
		}
		o := &ds[j]
		if d := r2.Norm(r2.Sub(p, o.pos)); d < 1.12*o.radius {
			if o.class != ds[i].class && s.above(ds, i, j) {
				continue
			}
			return true
		}
	}
	return false
}

// above reports whether disc i lies on disc j, from whose colour the common part
// shows.
func (s *search) above(ds []refined, i, j int) bool {
	ci, cj := s.classes[ds[i].class], s.classes[ds[j].class]
	mid := r2.Scale(0.5, r2.Add(ds[i].pos, ds[j].pos))
	own, other := 0, 0
	for dx := -1; dx <= 1; dx++ {
		for dy := -1; dy <= 1; dy++ {
			p := s.flat.ToFlat(r2.Add(mid, r2.Vec{X: float64(dx), Y: float64(dy)}))
			x, y := int(p.X+0.5), int(p.Y+0.5)
			if x < 0 || y < 0 || x >= s.y.w || y >= s.y.h {
				continue
			}
			q := y*s.y.w + x
			b := s.y.ch[0][q] - s.m.light.ch[0][q]
			if ci.misfit(b, s.y.ch[1][q], s.y.ch[2][q]) < cj.misfit(b, s.y.ch[1][q], s.y.ch[2][q]) {
				own++
			} else {
				other++
			}
		}
	}
	return own > other
}

// insideColour returns the median colour of the visible inner part of disc i in
// linear light.
func (s *search) insideColour(ds []refined, i int) (c [3]float32, ok bool) {
	d := &ds[i]
	var v [3][]float32
	for q := range 60 {
		// a sunflower pattern over the inner 70 percent
		rho := 0.7 * d.radius * math.Sqrt((float64(q)+0.5)/60)
		sn, cs := math.Sincos(2.399963 * float64(q))
		p := r2.Add(d.pos, r2.Vec{X: rho * cs, Y: rho * sn})
		hidden := false
		for j := range ds {
			if j != i && ds[j].class != d.class && r2.Norm(r2.Sub(p, ds[j].pos)) < 1.05*ds[j].radius && !s.above(ds, i, j) {
				hidden = true
				break
			}
		}
		if hidden {
			continue
		}
		if l, in := sampleRGB(s.img, s.rect.ToPhoto(p)); in {
			for k := range 3 {
				v[k] = append(v[k], l[k])
			}
		}
	}
	if len(v[0]) < 3 {
		cl := s.classes[d.class].linear()
		return [3]float32{float32(cl[0]), float32(cl[1]), float32(cl[2])}, true
	}
	for k := range 3 {
		c[k] = selectKth(v[k], len(v[k])/2)
	}
	return c, true
}

// learnSizes sets each class's rim radius to the median over its whole discs.
func (s *search) learnSizes(ds []refined) {
	for k, c := range s.classes {
		if c.name == "" {
			continue
		}
		var rs []float32
		for i := range ds {
			if d := &ds[i]; d.class == k && d.ok && d.visible > 0.9 && d.clean > 0.75 && d.share > 0.7 {
				rs = append(rs, float32(d.radius))
			}
		}
		if len(rs) > 0 && c.edge == 0 {
			c.edge = float64(selectKth(rs, len(rs)/2))
		}
	}
}
