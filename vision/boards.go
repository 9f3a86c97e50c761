package vision

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// Side says which of two boards in one photo is meant.
type Side string

// The sides; AnySide is for a photo of one board.
const (
	AnySide Side = ""
	Left    Side = "left"
	Right   Side = "right"
	Top     Side = "top"
	Bottom  Side = "bottom"
)

// Sides lists the sides a user can name.
func Sides() []Side { return []Side{Left, Right, Top, Bottom} }

// of returns how far a photo point lies to that side.
func (s Side) of(p calib.Px) float64 {
	switch s {
	case Left:
		return -p.X
	case Right:
		return p.X
	case Top:
		return -p.Y
	}
	return p.Y
}

// What is alikeShare of the first board's size or more, and shows that share of its edge,
// is another board whatever its rings. Else a second board must be at least secondSize
// of the first one's size (smaller round things with rings are hoops and wheels) and
// show edgeShare of the edge that the first one would at its size. Whatever shows
// perhapsShare of the first one's edge may be a board of another face: 40 of 40 such pairs
// do (seeds 62200-62239), and something else on five of 329 boards (42000-42328).
const (
	secondSize   = 0.5
	edgeShare    = 0.4
	alikeShare   = 0.75
	perhapsShare = 0.22
)

// boards finds the boards that lie beside each other in the photo, each by its best
// candidate plane, the most certain board first. The next one is sought among the ovals
// that are not on those found, since a face of many rings takes the first places of the
// list. Only what has the given rings, or the same rings as the first, counts as another;
// perhaps is the most certain of what else may be one, nil if there is nothing.
func boards(ovals []oval, cam camera, spec RingSpec) (found []candidate, perhaps *candidate) {
	for range maxBoards {
		var top candidate
		perhaps = nil
		for _, c := range findCandidates(ovals, cam) {
			switch {
			case slices.ContainsFunc(found, c.overlaps):
			case !slices.ContainsFunc(found, func(o candidate) bool { return !c.ringed(o, spec) }):
				if c.score > top.score {
					top = c
				}
			case c.mayBeBoard(found[0]) && (perhaps == nil || c.score > perhaps.score):
				perhaps = &c
			}
		}
		if top.rect == nil {
			break
		}
		found = append(found, top)
		outline := top.outline().ellipse.Conic()
		ovals = slices.DeleteFunc(slices.Clone(ovals), func(o oval) bool { return outline.At(o.ellipse.Centre) < 0 })
	}
	return found, perhaps
}

// mayBeBoard reports whether c is large and clear enough beside the first board to be one
// of another face.
func (c candidate) mayBeBoard(first candidate) bool {
	return c.outline().ellipse.Major > secondSize*first.outline().ellipse.Major && c.score > perhapsShare*first.score
}

// maxBoards is how many boards are told apart at most.
const maxBoards = 3

// outline returns the largest oval.
func (c candidate) outline() oval {
	big := c.ovals[0]
	for _, o := range c.ovals {
		if o.ellipse.Major > big.ellipse.Major {
			big = o
		}
	}
	return big
}

// overlaps reports whether either board's centre lies within the other's outline.
func (c candidate) overlaps(o candidate) bool {
	within := func(c, o candidate) bool { return o.outline().ellipse.Conic().At(c.rect.ToPhoto(r2.Vec{})) < 0 }
	return within(c, o) || within(o, c)
}

// ringed reports whether c is a ringed board of about the size of the first one: as
// large and as clear, or showing half of the rings that it should, at most as many
// others, and its share of edge.
func (c candidate) ringed(first candidate, spec RingSpec) bool {
	size := c.outline().ellipse.Major / first.outline().ellipse.Major
	if size > alikeShare && c.score > alikeShare*first.score {
		return true
	}
	if size < secondSize || c.score < edgeShare*size*first.score {
		return false
	}
	want := first.ratios()
	known := first.sides()
	if len(spec.ListMM) >= 2 {
		want = nil
		for _, mm := range spec.ListMM {
			want = append(want, mm/spec.OuterMM)
		}
		known = append(known, want...)
	}
	sides := c.sides()
	rings, found := 0, 0
	for _, w := range want {
		if w > 1-2*thickLineShare { // the outermost line, or its other side
			continue
		}
		rings++
		if has(sides, w) {
			found++
		}
	}
	strange := 0
	for _, r := range c.ratios() {
		// Either side of a line may be the one that the other board shows.
		if !slices.ContainsFunc(sides, func(s float64) bool { return twins(r, s) && has(known, s) }) {
			strange++
		}
	}
	return rings > 0 && 2*found >= rings && strange <= found
}

// has reports whether one of the ratios of rings is r, as far as a plane not yet
// refined can tell.
func has(ratios []float64, r float64) bool {
	return slices.ContainsFunc(ratios, func(q float64) bool { return math.Abs(q/r-1) < 0.025 })
}

// sides returns the radii of all ovals relative to the largest.
func (c candidate) sides() (out []float64) {
	big := slices.Max(c.radii)
	for _, r := range c.radii {
		out = append(out, r/big)
	}
	return out
}

// ratios returns the same without the second side of a line.
func (c candidate) ratios() (out []float64) {
	for _, r := range c.sides() {
		if !slices.ContainsFunc(out, func(o float64) bool { return twins(r, o) }) {
			out = append(out, r)
		}
	}
	return out
}

// twins reports whether two radii may be the two sides of one line.
func twins(a, b float64) bool { return min(a/b, b/a) > maxRatio }

// choose returns the board that is meant, the outlines of the others and a note where it
// is not sure that there is but one; several boards without a choice are a *Refusal.
func choose(found []candidate, perhaps *candidate, side Side) (board candidate, others []calib.Ellipse, note string, err error) {
	if len(found) == 0 {
		return board, nil, "", errNoRings
	}
	if len(found) > 1 && side == AnySide {
		return board, nil, "", &Refusal{"the photo shows more than one board", "say which to measure: " + choices(found)}
	}
	switch {
	case perhaps == nil:
	case side == AnySide:
		others = append(others, perhaps.outline().ellipse)
		note = "beside the board lies something else with rings, and marks nearer to that are left out; if it is the board you mean, say " + choices(append(found, *perhaps))
	case len(found) == 1:
		found = append(found, *perhaps)
		note = fmt.Sprintf("two things with rings are seen that are not alike; the one at the %s was measured: look at the picture whether that is the board", side)
	}
	at := 0
	for i, c := range found {
		if side != AnySide && side.of(c.rect.ToPhoto(r2.Vec{})) > side.of(found[at].rect.ToPhoto(r2.Vec{})) {
			at = i
		}
	}
	for i, c := range found {
		if i != at {
			others = append(others, c.outline().ellipse)
		}
	}
	return found[at], others, note, nil
}

// choices names the options that tell the boards apart.
func choices(found []candidate) string {
	var lo, hi calib.Px
	for i, c := range found {
		p := c.rect.ToPhoto(r2.Vec{})
		if i == 0 {
			lo, hi = p, p
		}
		lo, hi = calib.Px{X: min(lo.X, p.X), Y: min(lo.Y, p.Y)}, calib.Px{X: max(hi.X, p.X), Y: max(hi.Y, p.Y)}
	}
	sides := []Side{Left, Right}
	if hi.Y-lo.Y > hi.X-lo.X {
		sides = []Side{Top, Bottom}
	}
	words := make([]string, len(sides))
	for i, s := range sides {
		words[i] = "--board " + string(s)
	}
	return strings.Join(words, " or ")
}

// ofOthers reports whether a mark belongs to another board: it lies off the face,
// and nearer, in units of the boards' sizes, to another one.
func ofOthers(m Mark, outerMM float64, others []calib.Ellipse) bool {
	own := r2.Norm(m.Pos) / outerMM
	for _, e := range others {
		if own > 1 && math.Sqrt(1+e.Conic().At(m.Photo)) < own {
			return true
		}
	}
	return false
}
