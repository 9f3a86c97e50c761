package scoring

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r2"
)

// Face is a round face whose rings have values.
type Face struct {
	Name string `json:"name"`
	// Source is the rule book and how far its numbers were checked.
	Source string `json:"source"`
	// RadiiMM and Values belong together, the highest value and smallest radius first.
	RadiiMM []float64 `json:"radii_mm"`
	Values  []int     `json:"values"`
	// GaugeMM is the diameter of the gauge or projectile for the line-touch rule.
	GaugeMM float64 `json:"gauge_mm"`
	// Decimal tells that the rule book defines tenths, in steps of a tenth of the ring
	// spacing from the edge of the ten.
	Decimal bool `json:"decimal"`
}

// Faces lists the published faces, under their standards' own names.
func Faces() []Face {
	const (
		archery = "World Archery faces as reproduced in the FFTA rule book II.1.B.2.1 and II.2.B.2.1 (read, 2023 text); shaft diameter recalled"
		issf    = "ISSF General Technical Rules 6.3.4 (base diameters read on club pages, rings by arithmetic; gauges partly recalled)"
	)
	even := func(name, source string, first, spacing, gauge float64, rings int, decimal bool) Face {
		f := Face{Name: name, Source: source, GaugeMM: gauge, Decimal: decimal}
		for i := range rings {
			f.RadiiMM, f.Values = append(f.RadiiMM, first+float64(i)*spacing), append(f.Values, 10-i)
		}
		return f
	}
	return []Face{
		even("World Archery 122 cm", archery, 61, 61, 9.3, 10, false),
		even("World Archery 80 cm", archery, 40, 40, 9.3, 10, false),
		even("World Archery 60 cm", archery, 30, 30, 9.3, 10, false),
		even("World Archery 40 cm", archery, 20, 20, 9.3, 10, false),
		even("ISSF 10 m air rifle", issf, 0.25, 2.5, 4.5, 10, true),
		even("ISSF 10 m air pistol", issf, 5.75, 8, 4.5, 10, true),
		even("ISSF 50 m rifle", issf, 5.2, 8, 5.6, 10, true),
		even("ISSF 25 m precision pistol", issf, 25, 25, 5.6, 10, false),
		even("ISSF 25 m rapid fire pistol", issf, 50, 40, 5.6, 6, false),
	}
}

func (f Face) check() error {
	if len(f.RadiiMM) == 0 || len(f.RadiiMM) != len(f.Values) || !(f.GaugeMM >= 0) {
		return fmt.Errorf("a face needs one value for every ring and a gauge of zero or more")
	}
	for i, r := range f.RadiiMM {
		if !(r > 0) || i > 0 && !(r > f.RadiiMM[i-1] && f.Values[i] < f.Values[i-1]) {
			return fmt.Errorf("the rings must grow outwards while their values fall")
		}
	}
	return nil
}

// Score returns the value of an impact relative to the ring centre by the line-touch
// rule: the higher value when the projectile's edge touches the ring, that is when the
// centre's distance less half the gauge is at most the ring's radius. 0 is outside all
// rings.
func (f Face) Score(pos r2.Vec) (int, error) {
	if err := f.check(); err != nil {
		return 0, err
	}
	d := math.Hypot(pos.X, pos.Y) - f.GaugeMM/2
	for i, r := range f.RadiiMM {
		if d <= r+1e-9 {
			return f.Values[i], nil
		}
	}
	return 0, nil
}

// DecimalScore returns the score in tenths, 10.9 at most and 0 outside, for faces whose
// rule book defines it: every ring is split into ten equal steps.
func (f Face) DecimalScore(pos r2.Vec) (float64, error) {
	if err := f.check(); err != nil {
		return 0, err
	}
	if !f.Decimal || len(f.RadiiMM) < 2 {
		return 0, fmt.Errorf("%s has no decimal score", f.Name)
	}
	d := math.Hypot(pos.X, pos.Y)
	step := f.RadiiMM[1] - f.RadiiMM[0]
	ten := f.RadiiMM[0] + f.GaugeMM/2
	score := math.Floor(10*(float64(f.Values[0])+(ten-d)/step)+1e-9) / 10
	if last := float64(f.Values[len(f.Values)-1]); score < last {
		return 0, nil
	}
	return min(score, float64(f.Values[0])+0.9), nil
}
