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
		if d.chance < leastUnsure || d.group < 0 || s.groups[d.group].name == "" || s.complete(found, s.groups[d.group].name) ||
			slices.ContainsFunc(found, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, d.pos)) < ownPlace*o.radius }) {
			continue
		}
		places = append(places, fmt.Sprintf("%s at %+.0f, %+.0f mm", s.groups[d.group].name, d.pos.X, d.pos.Y))
	}
	for _, g := range s.groups {
		if g.name == "" || s.complete(found, g.name) {
			continue
		}
		for _, where := range s.faintZones(g, found) {
			zones = append(zones, fmt.Sprintf("%s stickers hardly show %s", g.name, where))
		}
	}
	n := float64(len(places) + len(zones))
	words := "no place looks like a sticker that was not counted"
	if n > 0 {
		if more := len(places) - mostListed; more > 0 {
			places = append(places[:mostListed], fmt.Sprintf("%d more", more))
		}
		if len(places) > 0 {
			zones = append(zones, "not counted, since little speaks for a sticker there: "+strings.Join(places, "; "))
		}
		words = "stickers may be overlooked: " + strings.Join(zones, "; ")
	}
	return level("overlooked", n, "places", -n, -0.5, math.Inf(-1), words,
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

// faintZones says where on the board, at least half a sticker wide and where stickers lie,
// those of g hardly show.
func (s *search) faintZones(g *group, found []*disc) (where []string) {
	off := func(r int) float64 {
		v := rgb{}
		for c := range v {
			v[c] = g.mean[c] - s.m.radial[c][r]
		}
		return math.Sqrt(float64(v.dot(v)))
	}
	last := len(s.m.radial[0]) - 1
	k := s.flat.PxPerMM
	faint := func(from, to int) bool { // radii of the face, px; last for what lies beside it
		var apart []float64
		for r := from; r < to; r++ {
			apart = append(apart, off(r))
		}
		noise := slices.Clone(s.m.spread[0][from:to])
		if medianOf(apart) > faintRatio*float64(max(leastSpread[0], selectKth(noise, len(noise)/2))) {
			return false
		}
		n := 0
		for _, d := range found {
			if r := int(r2.Norm(d.pos) * k); r >= from && (r < to || to > last) {
				n++
			}
		}
		return n > 0 && float64(n) >= shareOnZone*float64(len(found))
	}
	for r := 0; r < last; r++ {
		from := r
		for r < last && off(r) < likeFace {
			r++
		}
		if float64(r-from) >= g.discs[0].radius*k && faint(from, r) {
			where = append(where, fmt.Sprintf("from %.0f to %.0f mm off the centre", float64(from)/k, float64(r)/k))
		}
	}
	if off(last) < likeFace && faint(last, last+1) {
		where = append(where, "beside the face")
	}
	return where
}
