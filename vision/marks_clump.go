package vision

import (
	"fmt"
	"image"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// Overlapping stickers of one colour share an outline, and little of it may be one
// sticker's own. What such a sticker adds is area: a part of the board that has a
// sticker's colour and that neither the face nor the discs found explain.

// leftOver is a connected area of a group's colour that no disc found explains, beside
// one of them.
type leftOver struct {
	group  int
	pixels []int // of the raster
	nextTo []*disc
}

// Less than leftOverShare of a sticker's area is left over by rims that are not quite
// round and by shadows (TestFindMarks holds it for stickers apart from each other).
const leftOverShare = 0.12

// leftOvers returns what the discs found leave over.
func (s *search) leftOvers(found []*disc) (out []leftOver) {
	for k, g := range s.groups {
		own := slices.DeleteFunc(slices.Clone(found), func(d *disc) bool { return d.group != k })
		if g.name == "" || len(own) == 0 {
			continue
		}
		least := leftOverShare * s.areaPx(own[0])
		for _, set := range s.leftBy(g, own, found, least) {
			l := leftOver{group: k, pixels: set}
			for _, d := range own {
				reach := d.radius + s.rimWidth(d) + 2/s.flat.PxPerMM
				if slices.ContainsFunc(set, func(i int) bool { return r2.Norm(r2.Sub(s.placeOf(i), d.pos)) < reach }) {
					l.nextTo = append(l.nextTo, d)
				}
			}
			if len(l.nextTo) > 0 {
				out = append(out, l)
			}
		}
	}
	return out
}

// leftBy returns the connected sets of at least so many pixels that look like the group
// of the discs own and that none of these covers. What shows their colour within the
// disc of another group lies on top of that.
func (s *search) leftBy(g *group, own, found []*disc, least float64) (sets [][]int) {
	const covered, left = 2, 4
	like := s.likeGroup(g, own)
	for _, d := range found {
		rim := s.rimWidth(d)
		s.visit(d.pos, d.radius+rim, func(i int) {
			if slices.Contains(own, d) || r2.Norm(r2.Sub(s.placeOf(i), d.pos)) > d.radius-rim {
				like[i] |= covered
			}
		})
	}
	var seeds []int
	for _, d := range own {
		s.visit(d.pos, likeReach*d.radius, func(i int) {
			if like[i]&(covered|left) == 0 && s.settled(like, i, own[0]) {
				like[i] |= left
				seeds = append(seeds, i)
			}
		})
	}
	for _, seed := range seeds {
		if like[seed]&left == 0 {
			continue
		}
		like[seed] &^= left
		set := []int{seed}
		for k := 0; k < len(set); k++ {
			for _, i := range [4]int{set[k] - s.y.w, set[k] - 1, set[k] + 1, set[k] + s.y.w} {
				if i >= 0 && i < len(like) && like[i]&left != 0 {
					like[i] &^= left
					set = append(set, i)
				}
			}
		}
		if float64(len(set)) >= least {
			sets = append(sets, set)
		}
	}
	return sets
}

// areaPx is the area of a disc on the raster.
func (s *search) areaPx(d *disc) float64 {
	r := d.radius * s.flat.PxPerMM
	return math.Pi * r * r
}

// rimWidth is how far beyond its radius a disc may still colour the raster, mm.
func (s *search) rimWidth(d *disc) float64 { return d.tol + 1/s.flat.PxPerMM }

// placeOf returns the place on the board of pixel i of the raster.
func (s *search) placeOf(i int) r2.Vec {
	return s.flat.ToBoard(calib.Px{X: float64(i % s.y.w), Y: float64(i / s.y.w)})
}

// visit calls f for the pixels of the raster within radius mm of a place.
func (s *search) visit(at r2.Vec, radius float64, f func(i int)) {
	s.visitRows(at, radius, func(y, from, to int) {
		for x := from; x < to; x++ {
			f(y*s.y.w + x)
		}
	})
}

// visitRows calls f for the rows of the raster within radius mm of a place, with the first
// pixel of the row that is and the first that is no longer.
func (s *search) visitRows(at r2.Vec, radius float64, f func(y, from, to int)) {
	c, r := s.flat.ToFlat(at), radius*s.flat.PxPerMM
	for y := max(0, int(math.Ceil(c.Y-r))); y <= min(s.y.h-1, int(c.Y+r)); y++ {
		half := math.Sqrt(max(0, r*r-(float64(y)-c.Y)*(float64(y)-c.Y)))
		if from, to := max(0, int(math.Ceil(c.X-half))), min(s.y.w, int(c.X+half)+1); from < to {
			f(y, from, to)
		}
	}
}

// likeReach is how far about a disc, in radii, more of its colour is looked for.
const likeReach = 3

// isLike is the bit of a pixel that looks more like a group than like the face.
const isLike = 1

// likeGroup returns the raster with isLike set about the discs own where that holds for
// their group. The next call writes over it.
func (s *search) likeGroup(g *group, own []*disc) []byte {
	if s.like == nil {
		s.like = make([]byte, s.y.w*s.y.h)
	}
	clear(s.like)
	for _, d := range own {
		s.visit(d.pos, likeReach*d.radius, func(i int) {
			if s.like[i] != 0 || !s.y.ok[i] || s.printed != nil && s.printed[i] {
				return
			}
			x, y := i%s.y.w, i/s.y.w
			seen := s.flat.colour(i)
			lit := g.mean
			lit[0] += s.m.light.near(0, x, y)
			if off := apart(seen, lit); off < sameColour && off < likeness*apart(seen, s.m.faceAt(x, y)) {
				s.like[i] = isLike
			}
		})
	}
	return s.like
}

// settled reports whether most of a square of about a third of d's radius about pixel i
// looks like the group: of a pixel that disagrees noise or a thin line is the reason.
func (s *search) settled(like []byte, i int, d *disc) bool {
	half := int(0.15 * d.radius * s.flat.PxPerMM)
	x, y := i%s.y.w, i/s.y.w
	n, of := 0, 0
	for v := max(0, y-half); v <= min(s.y.h-1, y+half); v++ {
		for _, l := range like[v*s.y.w+max(0, x-half) : v*s.y.w+min(s.y.w, x+half+1)] {
			n += int(l & isLike)
			of++
		}
	}
	return 2*n > of
}

// proposal returns the disc of the size of its neighbours that explains most of l and
// least of what is neither of that colour nor under a disc.
func (s *search) proposal(l leftOver, found []*disc) *disc {
	near := l.nextTo[0]
	raster := image.Rect(0, 0, s.y.w, s.y.h)
	reach := int(near.radius * s.flat.PxPerMM)
	centres := bounds(l.pixels, s.y.w).Inset(-reach)
	window := centres.Inset(-reach - 1).Intersect(raster)
	centres = centres.Intersect(raster)
	before := s.worthBefore(l, found, window)
	width := window.Dx() + 1
	best, at := 0, r2.Vec{}
	for y := centres.Min.Y; y < centres.Max.Y; y++ {
		for x := centres.Min.X + (centres.Min.X+y)%2; x < centres.Max.X; x += 2 {
			p := s.placeOf(y*s.y.w + x)
			v := 0
			s.visitRows(p, near.radius, func(y, from, to int) {
				row := before[(y-window.Min.Y)*width:]
				v += int(row[to-window.Min.X] - row[from-window.Min.X])
			})
			if v > best {
				best, at = v, p
			}
		}
	}
	if best == 0 {
		return nil
	}
	return &disc{pos: at, nominalMM: near.nominalMM, radius: near.radius, group: -1,
		votes: votesAt(s.edges(), s.flat.ToFlat(at), near.radius*s.flat.PxPerMM)}
}

// worthBefore returns, for every row of the window and every place in it, the worth to l
// of the pixels left of that place: 1 for a pixel of l, -1 for one that is neither of its
// colour nor under a disc found. A row takes one more than the window is wide.
func (s *search) worthBefore(l leftOver, found []*disc, window image.Rectangle) []int32 {
	near := l.nextTo[0]
	like := s.likeGroup(s.groups[l.group], l.nextTo)
	worth := make([]int32, (window.Dx()+1)*window.Dy())
	at := func(i int) int {
		return (i/s.y.w-window.Min.Y)*(window.Dx()+1) + i%s.y.w - window.Min.X + 1
	}
	const own, under = 1, 2
	for _, i := range l.pixels {
		worth[at(i)] = own
	}
	for _, d := range found {
		s.visit(d.pos, d.radius+s.rimWidth(d), func(i int) {
			if image.Pt(i%s.y.w, i/s.y.w).In(window) && worth[at(i)] != own {
				worth[at(i)] = under
			}
		})
	}
	for y := window.Min.Y; y < window.Max.Y; y++ {
		for i := y*s.y.w + window.Min.X; i < y*s.y.w+window.Max.X; i++ {
			k := at(i)
			switch {
			case worth[k] == under, worth[k] == 0 && s.settled(like, i, near):
				worth[k] = 0
			case worth[k] == 0:
				worth[k] = -1
			}
			if i > y*s.y.w+window.Min.X {
				worth[k] += worth[k-1]
			}
		}
	}
	return worth
}

// clumpRounds is how often what is left over is looked at: each may add one disc to
// each left-over area.
const clumpRounds = 4

// fillClumps adds the discs that what is left over speaks for, edges and areas, as far as
// their rims and insides bear it out. tried are all discs so proposed.
func (s *search) fillClumps(found []*disc) (more, tried []*disc) {
	found = slices.Clone(found)
	take := func(d *disc, leastApart float64) {
		if s.look(d, found); d.rays == nil { // not worth a whole look
			return
		}
		s.relate([]*disc{d})
		s.look(d, found)
		tried = append(tried, d)
		if d.chance < 0.5 || d.group < 0 || s.groups[d.group].name == "" || double(d, found) {
			return
		}
		// One found for two moves onto its own rim now.
		with := append(slices.Clip(found), d)
		for i, o := range found {
			if s.groups[o.group].name == s.groups[d.group].name && r2.Norm(r2.Sub(o.pos, d.pos)) < leastApart*d.radius {
				own := *o
				if s.look(&own, with); own.chance < 0.5 || r2.Norm(r2.Sub(own.pos, d.pos)) < leastApart*d.radius {
					return
				}
				with[i] = &own
			}
		}
		found = with
	}
	fresh := found
	for range clumpRounds {
		before := found
		for _, d := range s.beside(fresh, found) {
			take(d, leastApart)
		}
		for _, l := range s.leftOvers(found) {
			// What was refused is refused again where nothing is new.
			if !slices.ContainsFunc(l.nextTo, func(d *disc) bool { return slices.Contains(fresh, d) || !slices.Contains(before, d) }) {
				continue
			}
			if d := s.proposal(l, found); d != nil {
				take(d, 0)
			}
		}
		fresh = slices.DeleteFunc(slices.Clone(found), func(d *disc) bool { return slices.Contains(before, d) })
		if len(fresh) == 0 {
			break
		}
		s.groupColours(found)
	}
	return found, tried
}

// What edges speak for within leastApart radii of a disc of its colour is that disc,
// measured badly.
const leastApart = 0.65

// besideReach is how far from a disc, in radii, edges may belong to one that touches it.
const besideReach = 2.5

// beside returns the discs that edges near the fresh ones speak for which are on the rim of
// none found: two stickers that touch may show one peak, or one of them may draw the other
// onto its rim.
func (s *search) beside(fresh, found []*disc) (out []*disc) {
	var free []edgePixel
	for _, e := range s.edges() {
		p := s.placeOf(int(e.y)*s.y.w + int(e.x))
		near := slices.ContainsFunc(fresh, func(d *disc) bool { return r2.Norm2(r2.Sub(p, d.pos)) < besideReach*besideReach*d.radius*d.radius })
		if near && !slices.ContainsFunc(found, func(d *disc) bool { return s.explains(d, e, p) }) {
			free = append(free, e)
		}
	}
	for _, z := range s.sizes {
		for _, d := range s.discsAt(s.peaks(free, z.nominalMM*s.flat.PxPerMM, leastVotes)) {
			if r := s.rimMMOf(d.nominalMM); r > 0 {
				d.radius = r
			}
			if !double(d, found) && s.printShare(d, 0, d.radius) <= mostPrinted {
				d.votes = votesAt(s.edges(), s.flat.ToFlat(d.pos), z.nominalMM*s.flat.PxPerMM)
				out = append(out, d)
			}
		}
	}
	return out
}

// explains reports whether the edge e at p runs along the rim of d.
func (s *search) explains(d *disc, e edgePixel, p r2.Vec) bool {
	const along = 0.85 // cosine
	off := r2.Sub(p, d.pos)
	q := r2.Norm(off)
	return math.Abs(q-d.radius) < s.rimWidth(d) && math.Abs(off.X*float64(e.gx)-off.Y*float64(e.gy)) > along*q
}

// double reports whether d lies on the place of one of ds.
func double(d *disc, ds []*disc) bool {
	return slices.ContainsFunc(ds, func(o *disc) bool {
		return r2.Norm(r2.Sub(o.pos, d.pos)) < 0.3*math.Max(o.radius, d.radius)
	})
}

// roomShare of a disc's area under other discs hides it: what else shows of it is no more
// than a rim is wide.
const roomShare = 0.95

// roomStep is how far apart, in radii, room is looked for.
const roomStep = 0.25

// room returns the places about d at which another disc of the colour of ds, one group
// among found, could lie unseen: at least 0.4 diameters from the centre of each, covered
// by discs found, and mostly by those of its own colour, so that no seam need show. They
// come roomStep radii apart.
func room(d *disc, ds, found []*disc) (places []r2.Vec) {
	const reach = 1.35
	near := slices.DeleteFunc(slices.Clone(found), func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, d.pos)) > (1+reach)*d.radius+o.radius })
	own := slices.DeleteFunc(slices.Clone(near), func(o *disc) bool { return !slices.Contains(ds, o) })
	for y := -reach; y <= reach; y += roomStep {
		for x := -reach; x <= reach; x += roomStep {
			at := r2.Add(d.pos, r2.Vec{X: x * d.radius, Y: y * d.radius})
			known := slices.ContainsFunc(own, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, at)) < 0.8*o.radius-1e-9 })
			if !known && math.Hypot(x, y) <= reach && coverage(at, d.radius, near) >= roomShare && coverage(at, d.radius, own) >= 0.5 {
				places = append(places, at)
			}
		}
	}
	return places
}

// expectedUnseen is the number of discs of the colour of ds to expect at so many places of
// room about d: discs of a colour are taken to lie as densely there, unseen, as the seen
// ones do within two diameters.
func expectedUnseen(d *disc, ds []*disc, places int) float64 {
	n := 0
	for _, o := range ds {
		if r2.Norm(r2.Sub(o.pos, d.pos)) < 4*d.radius {
			n++
		}
	}
	return float64(n) / (math.Pi * 4 * 4) * float64(places) * roomStep * roomStep
}

// leastUnseen discs expected unseen beside one are worth a word: with more asked, stickers
// in heaps (TestCrowds) are overlooked without one; with less, single pairs get one.
const leastUnseen = 0.002

// leastHeap stickers make a heap in which another may lie unseen. When fewer did, 145 of 627
// random boards (seeds 40000-40299, 42000-42328) got a word though they lack none; 51 do now,
// and 26 in place of 30 of the stickers overlooked lie beside one.
const leastHeap = 6

// heap returns the discs that touch d, and those that touch them.
func heap(d *disc, found []*disc) []*disc {
	all := []*disc{d}
	for k := 0; k < len(all); k++ {
		for _, o := range found {
			if r2.Norm(r2.Sub(o.pos, all[k].pos)) < o.radius+all[k].radius && !slices.Contains(all, o) {
				all = append(all, o)
			}
		}
	}
	return all
}

// coverage returns the share of a disc's area that lies under discs.
func coverage(at r2.Vec, radius float64, discs []*disc) float64 {
	const points = 60
	n := 0
	for q := range points {
		sin, cos := math.Sincos(2.399963 * float64(q)) // a sunflower pattern
		p := r2.Add(at, r2.Scale(radius*math.Sqrt((float64(q)+0.5)/points), r2.Vec{X: cos, Y: sin}))
		if slices.ContainsFunc(discs, func(o *disc) bool { return r2.Norm(r2.Sub(p, o.pos)) < o.radius }) {
			n++
		}
	}
	return float64(n) / points
}

// allThere reports whether n stickers are as many as are declared of the colour.
func (s *search) allThere(colour string, n int) bool {
	return slices.ContainsFunc(s.opts.Counts, func(c ColourCount) bool { return c.Colour == colour && n >= c.Stickers })
}

// flagClumps flags the discs beside which more stickers lie than were told apart, or
// could lie unseen, and says where and what to do.
func (s *search) flagClumps(found []*disc) {
	const advice = "look at the marks flagged " + string(AtLeast) + ", add what you know in dartfall review, and next time photograph before stickers pile up"
	place := func(colour string, at r2.Vec) string { return fmt.Sprintf("%s at %+.0f, %+.0f mm", colour, at.X, at.Y) }
	var more, unseen []string
	for _, l := range s.leftOvers(found) {
		var at r2.Vec
		for _, i := range l.pixels {
			at = r2.Add(at, r2.Scale(1/float64(len(l.pixels)), s.placeOf(i)))
		}
		for _, d := range l.nextTo {
			d.atLeast = true
		}
		more = append(more, place(s.groups[l.group].name, at))
	}
	for k, g := range s.groups {
		own := slices.DeleteFunc(slices.Clone(found), func(d *disc) bool { return d.group != k })
		if s.allThere(g.name, len(own)) {
			continue
		}
		for _, d := range own {
			if len(heap(d, found)) < leastHeap {
				continue
			}
			places := room(d, own, found)
			if expectedUnseen(d, own, len(places)) >= leastUnseen && !d.atLeast {
				d.atLeast = true
				unseen = append(unseen, place(g.name, d.pos))
			}
		}
	}
	if len(more) > 0 {
		s.warnings = append(s.warnings, fmt.Sprintf("at least one more sticker lies at each of these places than could be told apart: %s; %s", strings.Join(more, "; "), advice))
	}
	if len(unseen) > 0 {
		s.warnings = append(s.warnings, fmt.Sprintf("stickers overlap so that another could lie among them unseen, at %s; %s", strings.Join(unseen, "; "), advice))
	}
}
