package picture

import (
	"math"

	"gonum.org/v1/gonum/spatial/r2"
)

// Scene is everything the pictures of one session show. All text is the caller's;
// all numbers are shown as given.
type Scene struct {
	Title    string
	Distance string // "25 m"; shown beside the 100 mm bar
	Board    Board
	// Accessories holds one to eight; more are drawn too, with less room each.
	Accessories []Accessory
	KeptLabel   string    // what Kept means, such as "without the 2 widest"; "" when no rule is in use
	Verdicts    []Verdict // one line each, the most important first
	InShort     []Verdict // the same in at most two lines of some 25 letters, for the thumbnail
	Rule        string    // the outlier rule and when it was decided
	Order       string    // in which the strings were shot; "" not known
	Safety      string    // "" means SafetyLine
}

// SafetyLine is the caution on every publication picture.
const SafetyLine = "Foam darts can injure eyes: eye protection, a backstop, and local rules first."

// Board is what the rings lie on. Lengths in mm.
type Board struct {
	RadiiMM []float64 // of the rings
}

// Accessory is one accessory's shots and figures.
type Accessory struct {
	Identity
	Sticker  string // colour name of its stickers; "" for none
	Declared int    // shots fired; 0 unknown
	Impacts  []Impact
	Misses   int     // shots that left no mark on the board
	Unstated bool    // some of the misses are only shots without a mark
	All      Figures // of every shot
	Kept     Figures // without the shots set aside; N 0 when no rule is in use
}

// Impact is one shot that left a mark on the board.
type Impact struct {
	Pos      r2.Vec // mm
	String   int    // the string it was shot in, in the order shot; 0 not known
	SetAside bool   // by the outlier rule: hollow
	Doubtful bool   // dashed
}

// Figures are the sizes of a group. N counts the shots they rest on. The mean radius is
// shown large: it uses every shot, so it tells groups apart with fewer of them than the
// extreme spread does (Grubbs, "Statistical Measures of Accuracy for Riflemen and Missile
// Engineers", 1964; from memory).
type Figures struct {
	N             int
	Centre        r2.Vec
	MeanRadius    Range
	ExtremeSpread Range
	Pair          [2]int // indices into Impacts of the two shots farthest apart; equal for none
}

// Range is a value in mm with its 95% interval. NaN stands for unknown.
type Range struct {
	Value, Lo, Hi float64
	AtLeast       bool // shots missed the board: the true size is at least Value
}

// Verdict is a comparison in words with its step.
type Verdict struct {
	Step Step
	Text string
}

// Step is how far a comparison is settled. Each has its own bar: open, half
// filled, filled.
type Step uint8

// The three steps, and what have none and no bar.
const (
	NoDifference Step = iota // none visible
	Leaning                  // not settled
	Clear
	TooFew     // impacts to compare
	CheckShots // their numbers cannot be right or decide
)

func (s Step) String() string {
	return [...]string{"no difference visible", "leaning, not settled", "clear difference", "too few impacts to compare", "check the shots"}[min(s, CheckShots)]
}

// Format is the size of a picture and what is arranged where on it.
type Format uint8

// The formats. Text keeps to the inner 90% of Still, and to x 108 to 972 and
// y 384 to 1536 of Vertical, where no player's button or caption covers it; the
// lower right of Thumbnail, where a duration is shown, stays clear. These zones
// are common practice, no source.
const (
	Still     Format = iota // 1920 x 1080
	Vertical                // 1080 x 1920
	Thumbnail               // 1280 x 720: at most three accessories, no small text
)

// Size returns the format's size in pixels.
func (f Format) Size() (w, h int) {
	switch f {
	case Vertical:
		return 1080, 1920
	case Thumbnail:
		return 1280, 720
	default:
		return 1920, 1080
	}
}

// Geometry says where groups are drawn.
type Geometry uint8

// The geometries.
const (
	AsShot       Geometry = iota // where the shots struck
	CommonCentre                 // each group's centre moved to one point; labelled so
)

// shown returns the impacts as drawn in a geometry.
func (a Accessory) shown(g Geometry) []Impact {
	if g == AsShot {
		return a.Impacts
	}
	moved := make([]Impact, len(a.Impacts))
	for i, m := range a.Impacts {
		m.Pos = r2.Sub(m.Pos, a.All.Centre)
		moved[i] = m
	}
	return moved
}

func (a Accessory) centre(g Geometry) r2.Vec {
	if g == AsShot {
		return a.All.Centre
	}
	return r2.Vec{}
}

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
