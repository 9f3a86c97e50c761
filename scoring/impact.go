package scoring

import (
	"math"

	"gonum.org/v1/gonum/spatial/r2"
)

// Impact is where one shot struck the board.
type Impact struct {
	ID  string `json:"id,omitempty"`
	Pos r2.Vec `json:"-"` // mm
	// SigmaMM is the standard uncertainty of each coordinate from locating the mark,
	// without what Shared carries; 0 when unknown.
	SigmaMM float64 `json:"sigma_mm,omitempty"`
	// Photo names what the impact was read from, and Shared the errors, one standard
	// deviation each, that all impacts of that Photo have in common (those of its plane):
	// the i-th moves this impact by Shared[i] mm and the others by theirs, together.
	Photo     string   `json:"-"`
	Shared    []r2.Vec `json:"-"`
	Accessory string   `json:"accessory"`
	// Block names the round of the shooting order, or the string, the shot belongs
	// to; "" when the order was not kept. Comparisons with blocks compare shots of
	// the same block only.
	Block string `json:"block,omitempty"`
	// Flyer is the cause the shooter stated before looking at the board ("trigger
	// slipped"), "" for an ordinary shot. A cause, never a position.
	Flyer string `json:"flyer,omitempty"`
}

// Group is the impacts of one accessory, with what is known of shots that left no
// mark. The zero value is an empty group.
type Group struct {
	Accessory string
	Impacts   []Impact
	// Declared is the number of shots the shooter says were fired, 0 when not stated.
	Declared int
	// Misses is the number of shots known to have missed the board.
	Misses int
}

// Unaccounted is how many declared shots are neither a mark nor a stated miss;
// below zero there are more marks than shots. It is 0 when Declared is.
func (g Group) Unaccounted() int {
	if g.Declared == 0 {
		return 0
	}
	return g.Declared - len(g.Impacts) - g.Misses
}

// lost is how many shots left no mark on the board: stated misses and whatever is
// unaccounted for, since a shot without a mark must not make a group look smaller.
func (g Group) lost() int { return g.Misses + max(0, g.Unaccounted()) }

// kept lists the indices of finite impacts that the mask does not set aside; a nil
// mask sets nothing aside.
func (g Group) kept(mask []bool) []int {
	var idx []int
	for i, im := range g.Impacts {
		if (mask == nil || !mask[i]) && finite(im.Pos) {
			idx = append(idx, i)
		}
	}
	return idx
}

func (g Group) points(idx []int) []r2.Vec {
	pts := make([]r2.Vec, len(idx))
	for k, i := range idx {
		pts[k] = g.Impacts[i].Pos
	}
	return pts
}

func finite(p r2.Vec) bool {
	return !math.IsNaN(p.X) && !math.IsInf(p.X, 0) && !math.IsNaN(p.Y) && !math.IsInf(p.Y, 0)
}
