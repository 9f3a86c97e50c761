package scoring

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r2"
)

// Face is a round face whose rings have values.
type Face struct {
	Name string `json:"name"`
	// Source is the rule book, and Checked how far its numbers were checked for this
	// table.
	Source  string `json:"source"`
	Checked string `json:"checked"`
	// RadiiMM of the rings' outer edges and Values belong together, the highest value
	// and smallest radius first.
	RadiiMM []float64 `json:"radii_mm"`
	Values  []int     `json:"values"`
	// InnerMM is the radius of the inner ten, which breaks ties; 0 when there is none.
	InnerMM float64 `json:"inner_mm,omitempty"`
	// GaugeMM is the diameter of the gauge or projectile for the line-touch rule.
	GaugeMM float64 `json:"gauge_mm"`
	// Decimal tells that the rule book defines tenths, in steps of a tenth of the ring
	// spacing from the edge of the ten.
	Decimal bool `json:"decimal"`
}

// Rule books of the published faces, and how far they were checked.
const (
	archeryBook    = "World Archery faces as reproduced in the FFTA rule book, II.1.B.2.1 and II.2.B.2.1"
	archeryChecked = "ring diameters and line-touch rule read in the 2023 text; shaft diameter of 9.3 mm recalled"
	issfBook       = "ISSF General Technical Rules, chapter 6.3.4"
	issfChecked    = "base diameters and line-touch rule read on club pages, rings by arithmetic; gauge and inner ten recalled"
	smallBore      = "base diameters, line-touch rule and 5.6 mm gauge read on club pages, rings by arithmetic; inner ten recalled"
)

// Faces lists the published faces, under their standards' own names.
func Faces() []Face {
	archery := func(name string, zoneMM float64, zones int) Face {
		f := evenFace(zoneMM, zoneMM, zones)
		f.Name, f.Source, f.Checked, f.GaugeMM, f.InnerMM = name, archeryBook, archeryChecked, 9.3, zoneMM/2
		return f
	}
	issf := func(name, checked string, ten, spacing, inner, gauge float64, rings int, decimal bool) Face {
		f := evenFace(ten, spacing, rings)
		f.Name, f.Source, f.Checked, f.GaugeMM, f.InnerMM, f.Decimal = name, issfBook, checked, gauge, inner, decimal
		return f
	}
	return []Face{
		archery("World Archery 122 cm", 61, 10),
		archery("World Archery 80 cm", 40, 10),
		archery("World Archery 80 cm, 6 rings", 40, 6),
		archery("World Archery 60 cm", 30, 10),
		archery("World Archery 40 cm", 20, 10),
		issf("ISSF 10 m air rifle", issfChecked, 0.25, 2.5, 0, 4.5, 10, true),
		issf("ISSF 10 m air pistol", issfChecked, 5.75, 8, 2.5, 4.5, 10, true),
		issf("ISSF 50 m rifle", smallBore, 5.2, 8, 2.5, 5.6, 10, true),
		issf("ISSF 25 m precision pistol", smallBore, 25, 25, 12.5, 5.6, 10, false),
		issf("ISSF 25 m rapid fire pistol", smallBore, 50, 40, 25, 5.6, 6, false),
	}
}

// evenFace has rings from the ten down, evenly spaced.
func evenFace(tenMM, spacingMM float64, rings int) Face {
	var f Face
	for i := range rings {
		f.RadiiMM, f.Values = append(f.RadiiMM, tenMM+float64(i)*spacingMM), append(f.Values, 10-i)
	}
	return f
}

// Check tells what is wrong with a face, if anything.
func (f Face) Check() error {
	if len(f.RadiiMM) == 0 || len(f.RadiiMM) != len(f.Values) {
		return fmt.Errorf("a face needs one value for every ring, not %s for %s", count(len(f.Values), "value"), count(len(f.RadiiMM), "ring"))
	}
	if !(f.GaugeMM >= 0) || math.IsInf(f.GaugeMM, 0) {
		return fmt.Errorf("the gauge cannot be %v mm", f.GaugeMM)
	}
	for i, r := range f.RadiiMM {
		if !(r > 0) || i > 0 && !(r > f.RadiiMM[i-1] && f.Values[i] < f.Values[i-1]) {
			return fmt.Errorf("from the middle outwards the rings must grow and their values fall")
		}
	}
	return nil
}

// Hit is what one impact scores.
type Hit struct {
	Value int  `json:"value"` // 0 outside all rings
	Inner bool `json:"inner"` // within the inner ten
	// Tenths is the decimal score, nil on a face without one.
	Tenths *float64 `json:"tenths,omitempty"`
	// EdgeMM is how far the projectile's edge is from the nearest ring that decides its
	// value: an impact measured less well than that may score one ring more or less.
	EdgeMM float64 `json:"edge_mm"`
}

// Score returns what an impact relative to the ring centre scores by the line-touch
// rule: the higher value when the projectile's edge touches the ring, that is when the
// centre's distance less half the gauge is at most the ring's radius.
func (f Face) Score(pos r2.Vec) (Hit, error) {
	if err := f.Check(); err != nil {
		return Hit{}, err
	}
	if !finite(pos) {
		return Hit{}, fmt.Errorf("an impact without a place has no score")
	}
	edge := math.Hypot(pos.X, pos.Y) - f.GaugeMM/2
	touches := func(radius float64) bool { return edge <= radius+touching }
	h := Hit{EdgeMM: math.Inf(1), Inner: f.InnerMM > 0 && touches(f.InnerMM)}
	for i := len(f.RadiiMM) - 1; i >= 0; i-- {
		if touches(f.RadiiMM[i]) {
			h.Value = f.Values[i]
		}
		h.EdgeMM = min(h.EdgeMM, math.Abs(edge-f.RadiiMM[i]))
	}
	if f.Decimal && len(f.RadiiMM) > 1 {
		tenths := f.tenths(edge)
		h.Tenths = &tenths
	}
	return h, nil
}

// touching is what counts as touching in spite of rounding, mm.
const touching = 1e-9

// tenths is the decimal score of a projectile with this edge: every ring split into ten
// equal steps, 10.9 at most and 0 outside.
func (f Face) tenths(edge float64) float64 {
	step := f.RadiiMM[1] - f.RadiiMM[0]
	ten, last := float64(f.Values[0]), float64(f.Values[len(f.Values)-1])
	score := math.Floor(10*(ten+(f.RadiiMM[0]-edge)/step)+touching) / 10
	if score < last {
		return 0
	}
	return min(score, ten+0.9)
}

// Scorecard is what a group scores on a face. All shots count, whatever any outlier rule
// says; a shot without a mark counts 0.
type Scorecard struct {
	Accessory string `json:"accessory"`
	Shots     int    `json:"shots"` // marks and shots without one
	Missed    int    `json:"missed"`
	Points    int    `json:"points"`
	Possible  int    `json:"possible"`
	// Mean is the points of one shot; without an interval when all shots score alike.
	Mean  Estimate `json:"mean"`
	Tens  int      `json:"tens"` // shots with the highest value
	Inner int      `json:"inner"`
	// Tenths is the decimal total, nil on a face without a decimal score.
	Tenths *float64 `json:"tenths,omitempty"`
	Hits   []Hit    `json:"hits"` // of the marks, in order
}

const defScoreMean = "points of one shot, shots without a mark counting 0; interval by Student's t, within what a shot can score"

// ScoreGroup scores every mark of a group. level as in Options. Impacts without a usable
// place are an error: a score must not leave a shot out.
func ScoreGroup(g Group, f Face, level float64) (Scorecard, error) {
	if err := f.Check(); err != nil {
		return Scorecard{}, err
	}
	c := Scorecard{Accessory: g.Accessory, Missed: g.lost(), Shots: len(g.Impacts) + g.lost()}
	points := make([]float64, c.Missed, c.Shots)
	var tenths float64
	for _, im := range g.Impacts {
		h, err := f.Score(im.Pos)
		if err != nil {
			return Scorecard{}, err
		}
		c.Hits, points = append(c.Hits, h), append(points, float64(h.Value))
		c.Points += h.Value
		if h.Value == f.Values[0] {
			c.Tens++
		}
		if h.Inner {
			c.Inner++
		}
		if h.Tenths != nil {
			tenths += *h.Tenths
			c.Tenths = &tenths
		}
	}
	c.Mean, c.Possible = meanPoints(points, float64(f.Values[0]), level), c.Shots*f.Values[0]
	return c, nil
}

// meanPoints is the mean of scores from 0 to most. Its interval stays within them; scores
// that are all alike say nothing of how much shots differ, so they have none.
func meanPoints(points []float64, most, level float64) Estimate {
	e := meanEstimate(points, level, defScoreMean)
	if e.HasInterval() && e.Lo == e.Hi {
		e.Lo, e.Hi, e.Level = math.NaN(), math.NaN(), 0
	}
	if e.HasInterval() {
		e.Lo, e.Hi = max(0, e.Lo), min(most, e.Hi)
	}
	return e
}
