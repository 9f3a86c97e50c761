package vision

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// MarkOptions says what to look for.
type MarkOptions struct {
	// Colours are the sticker colours to look for; empty: find and name them.
	Colours []string
	// SizeMM is the diameter of the stickers; 0: learn it, one size per colour.
	SizeMM float64
	// Counts are the numbers of stickers that are declared: evidence for and against
	// doubtful ones. Colours that are not in it have none declared.
	Counts []ColourCount
	// Bare looks for holes, dents, smudges and chalk marks instead of stickers.
	Bare bool
	// Clean is the reading of a photo of the same board before the
	// first shot, nil for none: what it shows is no mark.
	Clean *Reading
}

// byColour reports whether marks are told by colours other than black, grey and white.
func (o MarkOptions) byColour() bool {
	grey := []string{"black", "grey", "white"}
	return !o.Bare && (len(o.Colours) == 0 || slices.ContainsFunc(o.Colours, func(c string) bool { return !slices.Contains(grey, c) }))
}

// Limits of the search, in mm and raster pixels per mm.
const (
	reachShare      = 1.6  // the raster reaches this many outer radii from the centre
	flatPxPerMM     = 1.4  // enough for the smallest sticker
	flatSidePx      = 1400 // and no more pixels than this on a side
	firstSidePx     = 1000 // nor than this while sizes are learnt
	mostSidePx      = 2000 // small stickers on a large board may need so many
	flatDiscPx      = 14   // a sticker of known size spans as many pixels
	leastFlatDiscPx = 10   // and the smallest size learnt no fewer
	leastDiscMM     = 6.0  // smallest sticker when the size is unknown
	leastDiscPx     = 8.0  // and no fewer raster pixels than this: texture and noise look like smaller ones
	largestDiscMM   = 45.0
	usualDiscMM     = 19.0 // before anything is known
)

// findMarks finds the marks on a board whose plane is known. face lists the
// circles of the face, outermost first; it may hold just the outer ring. Marks
// come sorted by colour, then from the top down.
func findMarks(p *photo.Photo, rect *calib.Rectification, face []Circle, opts MarkOptions) (marks []Mark, flat *Flat, said remarks) {
	s, flat, warnings := newSearch(p, rect, face, opts)
	if s == nil {
		return nil, flat, remarks{warnings: warnings}
	}
	var known *planes
	if opts.Clean != nil {
		known = s.layClean()
	}
	if opts.Bare {
		return s.bareMarks(known), flat, s.remarks
	}
	marks = s.stickers()
	if known != nil {
		marks = s.withoutKnown(marks, known)
	}
	return marks, flat, s.remarks
}

// remarks are what a search has to say beside its marks.
type remarks struct {
	warnings []string
	checks   []Check
}

// newSearch flattens the board and explains its face; nil, with the reason, when
// there is nothing to search.
func newSearch(p *photo.Photo, rect *calib.Rectification, face []Circle, opts MarkOptions) (s *search, flat *Flat, warnings []string) {
	img := p.Image
	if len(face) == 0 || img.Rect.Dx() < 8 || img.Rect.Dy() < 8 {
		return nil, flatten(p, rect, extentMM{}, 1), []string{"no ring to find marks by"}
	}
	outer := face[0].RadiusMM
	for _, c := range face {
		outer = max(outer, c.RadiusMM)
	}
	reach := reachShare
	if opts.Bare {
		reach = bareReach + 0.05
	}
	s = &search{photo: p, img: img, rect: rect, opts: opts, extent: viewOf(rect, img.Rect.Max, reach*outer), face: face, outerMM: outer}
	switch {
	case opts.Bare:
		s.square(bareFlatPxMM, bareUsualMM, flatSidePx)
	case opts.SizeMM > 0:
		s.sizes = []size{{nominalMM: opts.SizeMM / 2}}
		s.square(flatDiscPx/opts.SizeMM, opts.SizeMM, flatSidePx)
	default:
		s.learnSizes()
	}
	if s.m == nil {
		return nil, s.flat, []string{"the photo shows too little of the board"}
	}
	return s, s.flat, nil
}

// square squares the board up at so many pixels per mm, or fewer where the photo has no
// more or the raster would be too large, and explains its face. m is nil if too little
// of it is seen.
func (s *search) square(pxPerMM, markMM, sidePx float64) {
	lo, hi := s.rect.PxPerMM(r2.Vec{})
	e := s.extent
	scale := min(pxPerMM, (lo+hi)/2, sidePx/max(e.maxX-e.minX, e.maxY-e.minY))
	if s.flat != nil && s.flat.PxPerMM >= scale {
		return
	}
	s.flat, s.y, s.m, s.edgePixels = flatten(s.photo, s.rect, e, scale), nil, nil, nil
	if s.flat.Image.Rect.Dx() < 16 || s.flat.Image.Rect.Dy() < 16 {
		return
	}
	s.y = planesOf(s.flat)
	s.m = modelFace(s.y, s.flat.Centre, s.outerMM*scale, markMM*scale)
	if !s.opts.Bare { // for these the rings are straightened first
		s.index = s.m.radiusIndex(s.y.w, s.y.h)
		s.m.residual = s.m.remainder(s.y, s.index)
	}
}

// search is the state of one findMarks call.
type search struct {
	photo      *photo.Photo
	img        *image.NRGBA
	rect       *calib.Rectification
	opts       MarkOptions
	flat       *Flat
	extent     extentMM // of the board, that flat shows
	face       []Circle
	outerMM    float64
	y          *planes // the raster's colours; for stickers what the face leaves of them
	m          *faceModel
	index      []uint16
	like       []byte // see likeGroup
	edgePixels []edgePixel
	sizes      []size
	groups     []*group
	printed    []bool // pixels of print that repeats; nil when it was not looked for
	remarks
}

// size is one size of sticker.
type size struct {
	nominalMM float64 // radius, as declared or as first seen
	rimMM     float64 // radius at which the rim of a whole one is seen; 0 until learnt
	sure      int     // discs that showed it, where sizes were not given
}

// rimMMOf returns the rim radius of discs looked for with a radius; 0 when not learnt.
func (s *search) rimMMOf(nominalMM float64) float64 {
	for _, z := range s.sizes {
		if z.nominalMM == nominalMM {
			return z.rimMM
		}
	}
	return 0
}

// stickers finds the stickers: what is sure by its outline alone tells the colours,
// and these tell what else is one.
func (s *search) stickers() []Mark {
	all := s.withoutPrint(s.candidates())
	sure := s.choose(all, 0.8)
	if len(sure) == 0 {
		sure = s.choose(all, 0.5)
	}
	s.groupColours(sure)
	if faint := s.faintColours(all); len(faint) > 0 {
		s.groupColours(append(sure, faint...))
	}
	found := s.dropAlongRings(s.dropRepeated(s.choose(s.relate(all), 0.5), all))
	s.groupColours(found)
	found, tried := s.fillClumps(dropPatches(s.named(found)))
	found, faint := s.byArea(s.dropAlongRings(s.named(found)))
	found = s.byUnion(found)
	all = slices.Concat(all, tried, faint)
	found, weak := s.byShare(found, s.dropRepeated(s.weaker(found, all), all))
	found = s.dropAlongRings(found)
	muddled := s.muddled(found) // by their looks, whatever was declared
	found = s.weighCounts(found, weak)
	s.flagClumps(found)
	s.checks = append(s.checks, s.overlooked(found, weak))
	s.settle(found)
	return s.marksOf(found, muddled)
}

// dropPatches drops discs within a larger one of the same colour: gloss or a fleck of
// light on a sticker shows as a disc too when stickers of several sizes are looked for. It
// drops the less certain of two that are one, measured twice: no farther apart than rims
// so blurred are off.
func dropPatches(ds []*disc) []*disc {
	within := func(d, o *disc) bool {
		away := r2.Norm(r2.Sub(o.pos, d.pos))
		return o.group == d.group && o != d &&
			(o.radius > 1.2*d.radius && away < o.radius-0.4*d.radius || away < measuredTwice*d.tol && o.chance > d.chance)
	}
	return slices.DeleteFunc(slices.Clone(ds), func(d *disc) bool {
		return slices.ContainsFunc(ds, func(o *disc) bool { return within(d, o) })
	})
}

// measuredTwice is how many tolerances of their rims two discs of one colour may be apart
// that are one.
const measuredTwice = 2.5

// candidates returns the discs that edges speak for, measured.
func (s *search) candidates() []*disc {
	var ps []peak
	for _, z := range s.sizes {
		ps = append(ps, s.peaks(s.edges(), z.nominalMM*s.flat.PxPerMM, leastVotes)...)
	}
	slices.SortStableFunc(ps, func(a, b peak) int { return cmp.Compare(b.rank, a.rank) })
	all := s.worthALook(ps)
	s.learnRims(all)
	return all
}

// Of the peaks the mostLooks best on the face are measured in the photo, and fewer
// off it, where only a nearly whole rim counts.
const (
	mostLooks    = 300
	mostOffFace  = 100
	offFaceVotes = 0.12
)

// worthALook returns discs for the best of the peaks, which are sorted by rank. Off
// the face those near it come first: the board soon ends.
func (s *search) worthALook(ps []peak) []*disc {
	var on, near, far []peak
	for _, p := range ps {
		switch from := math.Hypot(p.x-s.flat.Centre.X, p.y-s.flat.Centre.Y); {
		case from <= s.m.edgePx+p.r:
			on = append(on, p)
		case p.votes < offFaceVotes:
		case from <= 1.3*s.m.edgePx:
			near = append(near, p)
		default:
			far = append(far, p)
		}
	}
	off := append(near[:min(3*mostOffFace/4, len(near))], far[:min(mostOffFace/4, len(far))]...)
	return s.discsAt(append(on[:min(mostLooks, len(on))], off...))
}

// learnRims measures all discs and sets the rim radius of each size to the median of
// its sure and whole ones.
func (s *search) learnRims(all []*disc) {
	for _, d := range all {
		s.look(d, nil)
	}
	for i := range s.sizes {
		z := &s.sizes[i]
		var rs []float32
		for _, d := range all {
			if d.nominalMM == z.nominalMM && d.chance > 0.9 && d.support() > 0.85 {
				rs = append(rs, float32(d.radius))
			}
		}
		if len(rs) > 0 {
			z.rimMM = float64(selectKth(rs, len(rs)/2))
		}
	}
	for _, d := range all {
		if r := s.rimMMOf(d.nominalMM); r > 0 {
			d.radius = r
		}
	}
}

// learnSizes squares the board up and sets the sizes to those of the stickers seen: at
// first coarsely, and again where that shows none or too small ones.
func (s *search) learnSizes() {
	s.square(flatPxPerMM, usualDiscMM, firstSidePx)
	if s.m == nil {
		return
	}
	s.sizes = s.sizesSeen(leastDiscPx / 2)
	if len(s.sizes) == 0 {
		s.square(flatPxPerMM, usualDiscMM, flatSidePx)
		s.sizes = s.sizesSeen(leastDiscPx)
	} else if least := 2 * s.sizes[0].nominalMM; least*s.flat.PxPerMM < leastFlatDiscPx {
		side := max(s.extent.maxX-s.extent.minX, s.extent.maxY-s.extent.minY)
		s.square(min(flatPxPerMM, flatDiscPx/least), usualDiscMM, min(max(leastFlatDiscPx/least*side, flatSidePx), mostSidePx))
	}
	s.sizes = slices.DeleteFunc(s.sizes, func(z size) bool { return 2*z.nominalMM*s.flat.PxPerMM < leastDiscPx })
}

// Once fewSure stickers have shown their size, idleLooks in vain, the likeliest places
// first, are enough to give up on another size. Two sizes of sticker differ by sameSize.
const (
	fewSure   = 6
	idleLooks = 60
	sameSize  = 1.15 // ratio of radii
)

// sizesSeen returns the sizes of sticker, of at least so many pixels, that the raster
// shows, smallest first.
func (s *search) sizesSeen(leastPx float64) []size {
	k, edges := s.flat.PxPerMM, s.edges()
	outside := uint16(len(s.m.radial[0]) - 1)
	onFace := slices.DeleteFunc(slices.Clone(edges), func(e edgePixel) bool { return s.index[int(e.y)*s.y.w+int(e.x)] == outside })
	var ps []peak
	least := max(leastPx/2, leastDiscMM/2*k)
	for r := least; r < largestDiscMM/2*k; r *= 1.1 {
		ps = append(ps, s.peaks(onFace, r, 0.4)...)
	}
	ps = thin(ps, 2, sameSize)
	all := s.worthALook(ps)
	var sure []*disc
	last := 0 // look that showed a sure one
	for i, d := range all {
		if len(sure) >= fewSure && i-last > idleLooks {
			break
		}
		if s.look(d, nil); d.chance > 0.9 && d.support() > 0.85 && d.radius*k >= least {
			sure, last = append(sure, d), i
		}
	}
	slices.SortStableFunc(sure, func(a, b *disc) int { return cmp.Compare(b.chance, a.chance) })
	// One disc may have been found with several radii, or in its own curves: keep the best.
	var one []*disc
	for _, d := range sure {
		if !slices.ContainsFunc(one, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, d.pos)) < o.radius }) {
			one = append(one, d)
		}
	}
	slices.SortStableFunc(one, func(a, b *disc) int { return cmp.Compare(a.radius, b.radius) })
	var out []size
	var areas []float64 // that the discs of each size cover
	for i := 0; i < len(one); {
		j, area := i, 0.0
		for ; j < len(one) && one[j].radius < 1.1*one[i].radius; j++ {
			area += one[j].radius * one[j].radius
		}
		if j > i+1 || !s.oddOneOut(one[i], one) {
			out = append(out, size{nominalMM: one[(i+j)/2].radius, sure: j - i})
			areas = append(areas, area)
		}
		i = j
	}
	// Texture and numerals hold many small discs; stickers cover more. Sizes that lie close
	// together are one, seen badly.
	order := make([]int, len(out))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(areas[j], areas[i]) })
	var keep []size
	for _, i := range order {
		z := out[i]
		if areas[i] < 0.15*areas[order[0]] || slices.ContainsFunc(keep, func(o size) bool {
			return max(z.nominalMM/o.nominalMM, o.nominalMM/z.nominalMM) < sameSize
		}) {
			continue
		}
		keep = append(keep, z)
	}
	slices.SortFunc(keep, func(a, b size) int { return cmp.Compare(a.nominalMM, b.nominalMM) })
	return keep
}

// oddOneOut reports whether a disc, the only one of its size, is a curve of the face and
// no sticker: where many show another size, some in its very colour.
func (s *search) oddOneOut(d *disc, all []*disc) bool {
	return len(all) > fewSure && slices.ContainsFunc(all, func(o *disc) bool {
		return o != d && apart(s.surface(o), s.surface(d)) < sameColour
	})
}

// What the rim's scatter does not show of a mark's uncertainty, set so that 95 % of
// the regions hold the truth on 60 rendered boards: how many rays share one error
// (they are averaged over three, and JPEG mixes pixels), how far the centre may be
// off in pixels, and by how much more the less the disc differs from the face (JPEG codes
// a faint chroma in blocks of 16 pixels), and what a sticker's thickness does to its
// outline, in mm. On 100 rendered boards (seeds 42100-42199) 71% of the regions of steps
// below 0.5 log units hold the truth without faintPx, 88% with it.
const (
	raysPerError = 12
	centrePx     = 0.15
	faintPx      = 0.12 // for a step of one log unit; inversely as the step
	thicknessMM  = 0.03
)

// covOf returns the covariance xx, xy, yy of a disc's centre in mm².
func covOf(rect *calib.Rectification, d *disc) [3]float64 {
	lo, hi := rect.PxPerMM(d.pos)
	faint := faintPx / (d.step.size() + 0.02)
	own := (centrePx*centrePx+faint*faint)/(lo*hi) + thicknessMM*thicknessMM
	return [3]float64{raysPerError*d.cov[0] + own, raysPerError * d.cov[1], raysPerError*d.cov[2] + own}
}

// muddled reports, and warns, that by the sum of their chances so many of the discs are
// no stickers that none can be relied on: the blocks of a picture saved too small, for
// one, show many on a zone of the stickers' own colour.
func (s *search) muddled(ds []*disc) bool {
	wrong := 0.0
	for _, d := range ds {
		wrong += 1 - d.chance
	}
	if wrong < 2 || wrong < mostWrong*float64(len(ds)) {
		return false
	}
	s.warnings = append(s.warnings, fmt.Sprintf("about %.0f of the %d stickers found are probably none (grain, leaf light, or a picture saved too small): all are doubtful; send the photo as taken, or check them all in dartfall review", wrong, len(ds)))
	return true
}

// mostWrong is the share of false stickers, by their chances, above which all of a photo
// are doubtful: a tenth was the most on 130 random boards (seeds 42000-42129).
const mostWrong = 0.15

// marksOf turns discs into marks, sorted by colour, then from the top down.
func (s *search) marksOf(ds []*disc, muddled bool) []Mark {
	var marks []Mark
	for _, d := range ds {
		g := s.groups[d.group]
		m := Mark{Kind: Sticker, Pos: d.pos, Photo: s.rect.ToPhoto(d.pos), CovMM2: covOf(s.rect, d), DiameterMM: 2 * d.radius,
			Colour: g.name, Visible: d.visible(), Confidence: d.chance}
		if g.second != "" {
			m.Flags = append(m.Flags, UnsureHue)
		}
		if r2.Norm(d.pos) > s.outerMM {
			m.Flags = append(m.Flags, OffFace)
		}
		if d.chance < 0.8 || muddled {
			m.Flags = append(m.Flags, Doubtful)
		}
		if d.atLeast {
			m.Flags = append(m.Flags, AtLeast)
		}
		if d.byCount != "" {
			m.Flags = append(m.Flags, d.byCount)
		}
		marks = append(marks, m)
	}
	slices.SortStableFunc(marks, func(a, b Mark) int {
		return cmp.Or(cmp.Compare(a.Colour, b.Colour), cmp.Compare(b.Pos.Y, a.Pos.Y))
	})
	return marks
}
