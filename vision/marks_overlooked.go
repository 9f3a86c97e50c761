package vision

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"
)

// A number of stickers is only as good as what the photo leaves room for: places that
// look somewhat like a sticker, too little to count, and parts of the board of a sticker's
// own colour, on which it hardly shows. Both are said; neither is counted.

// What is said, and when. On 329 random boards (seeds 42000-42328), of which 34 had shown
// stickers that were not found, less said left more of these out, and more was said on
// boards that had shown none.
const (
	leastUnsure = 0.2 // chance of a place that is worth a word
	ownPlace    = 0.8 // radii from the centre of a disc found: nearer lies that one, measured twice
	likeFace    = 0.6 // a sticker's colour is so near the face's, log units,
	faintRatio  = 7.0 // and so many standard deviations of the face's brightness at most,
	shareOnZone = 0.1 // where so many of the stickers found lie
	mostListed  = 6
)

// overlooked grades how much room is left for stickers that were not found. weak are discs
// that may be stickers and were not taken. What is as many as were declared leaves none.
func (s *search) overlooked(found, weak []*disc) Check {
	var places, zones []string
	for _, d := range weak {
		inDot := func(c Circle) bool {
			return c.RadiusMM < 1.5*d.radius && r2.Norm(d.pos)+d.radius < c.RadiusMM+s.rimWidth(d)
		}
		if d.chance < leastUnsure || d.group < 0 || s.groups[d.group].name == "" || s.complete(found, s.groups[d.group].name) || slices.ContainsFunc(s.face, inDot) ||
			slices.ContainsFunc(found, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, d.pos)) < ownPlace*o.radius }) {
			continue
		}
		places = append(places, fmt.Sprintf("%s at %+.0f, %+.0f mm", s.groups[d.group].name, d.pos.X, d.pos.Y))
	}
	for _, g := range s.groups {
		if g.name == "" || s.complete(found, g.name) {
			continue
		}
		for _, z := range s.faintZones(g, found) {
			zones = append(zones, fmt.Sprintf("%s stickers hardly show %s", g.name, s.words(z)))
		}
	}
	n := float64(len(places) + len(zones))
	words := "no place looks like a sticker that was not counted"
	switch {
	case len(found) == 0:
		words = "no sticker was found that could tell what another would look like"
		if len(s.opts.Counts) > 0 {
			n = 1
		}
	case n > 0:
		if more := len(places) - mostListed; more > 0 {
			places = append(places[:mostListed], fmt.Sprintf("%d more", more))
		}
		if len(places) > 0 {
			zones = append(zones, "not counted, since little speaks for a sticker there: "+strings.Join(places, "; "))
		}
		words = "stickers may be overlooked: " + strings.Join(zones, "; ")
	}
	return level("overlooked", n, "places or zones", -n, -0.5, math.Inf(-1), words,
		"look there, add what you know in dartfall review, and next time use stickers of a colour that the board lacks, in good light")
}

// complete reports whether as many stickers of the colour were found as were declared.
func (s *search) complete(found []*disc, colour string) bool {
	n := 0
	for _, d := range found {
		if s.groups[d.group].name == colour {
			n++
		}
	}
	return s.allThere(colour, n)
}

// zone is a part of the board: radii from..to of the raster, px; the last radius stands for
// what lies beside the face.
type zone struct{ from, to int }

// words says where on the board a zone lies.
func (s *search) words(z zone) string {
	if z.to == len(s.m.radial[0]) {
		return "beside the face"
	}
	k := s.flat.PxPerMM
	return fmt.Sprintf("from %.0f to %.0f mm off the centre", float64(z.from)/k, float64(z.to)/k)
}

// holds reports whether pixel i of the raster lies in the zone.
func (s *search) holds(z zone, i int) bool {
	r := int(s.index[i])
	return r >= z.from && r < z.to
}

// faintZones returns the parts of the board, at least half a sticker wide and where stickers
// lie, on which those of g hardly show.
func (s *search) faintZones(g *group, found []*disc) (faint []zone) {
	off := func(r int) float64 {
		v := s.offFace(g.mean, r)
		return math.Sqrt(float64(v.dot(v)))
	}
	last := len(s.m.radial[0]) - 1
	add := func(z zone) {
		var apart []float64
		for r := z.from; r < z.to; r++ {
			apart = append(apart, off(r))
		}
		noise := slices.Clone(s.m.spread[0][z.from:z.to])
		if medianOf(apart) > faintRatio*float64(max(leastSpread[0], selectKth(noise, len(noise)/2))) {
			return
		}
		n := 0
		for _, d := range found {
			if r := min(last, int(r2.Norm(d.pos)*s.flat.PxPerMM)); r >= z.from && r < z.to {
				n++
			}
		}
		if n > 0 && float64(n) >= shareOnZone*float64(len(found)) {
			faint = append(faint, z)
		}
	}
	for r := 0; r < last; r++ {
		z := zone{from: r}
		for r < last && off(r) < likeFace {
			r++
		}
		if z.to = r; float64(z.to-z.from) >= g.discs[0].radius*s.flat.PxPerMM {
			add(z)
		}
	}
	if off(last) < likeFace {
		add(zone{last, last + 1})
	}
	return faint
}

// offFace returns the colour own less the face's at radius r of the raster, px.
func (s *search) offFace(own [3]float32, r int) (v rgb) {
	for c := range v {
		v[c] = own[c] - s.m.radial[c][r]
	}
	return v
}
