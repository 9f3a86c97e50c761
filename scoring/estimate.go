package scoring

import (
	"encoding/json"
	"math"
)

// Estimate is one published figure.
//
// Value is NaN when the figure is not defined (extreme spread of one shot); Lo and
// Hi are NaN, and Level 0, when it has no interval. Lo and Hi bound what the same
// figure would be on average over many groups of the same size from the same
// part, with probability Level; they say nothing about how well this group was
// measured.
type Estimate struct {
	Value  float64
	Lo, Hi float64
	Level  float64
	N      int // shots the figure rests on
	// MeasureSigma is the standard uncertainty that locating the marks adds to
	// Value, same unit; 0 when it is unknown.
	MeasureSigma float64
	// Definition says which of several rival definitions this is and what the
	// interval is an interval of.
	Definition string
}

// undefined is a figure that cannot be given for n shots.
func undefined(n int, definition string) Estimate {
	return Estimate{Value: math.NaN(), Lo: math.NaN(), Hi: math.NaN(), N: n, Definition: definition}
}

// HasInterval tells whether Lo and Hi are there.
func (e Estimate) HasInterval() bool { return e.Level > 0 && !math.IsNaN(e.Lo) && !math.IsNaN(e.Hi) }

// Scale returns f times the estimate, f ≥ 0.
func (e Estimate) Scale(f float64) Estimate {
	e.Value, e.Lo, e.Hi, e.MeasureSigma = f*e.Value, f*e.Lo, f*e.Hi, f*e.MeasureSigma
	return e
}

// Mrad returns a size in mm as the angle it fills at a distance, in milliradians.
func (e Estimate) Mrad(distanceMM float64) Estimate {
	angle := func(mm float64) float64 { return 1000 * Angle(mm, distanceMM) }
	e.Value, e.Lo, e.Hi, e.MeasureSigma = angle(e.Value), angle(e.Lo), angle(e.Hi), angle(e.MeasureSigma)
	return e
}

type estimateJSON struct {
	Value        *float64 `json:"value"`
	Lo           *float64 `json:"lo"`
	Hi           *float64 `json:"hi"`
	Level        float64  `json:"level,omitempty"`
	N            int      `json:"n"`
	MeasureSigma float64  `json:"measure_sigma,omitempty"`
	Definition   string   `json:"definition"`
}

// MarshalJSON writes an undefined number as null.
func (e Estimate) MarshalJSON() ([]byte, error) {
	number := func(v float64) *float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		return &v
	}
	measure := e.MeasureSigma
	if math.IsNaN(measure) || math.IsInf(measure, 0) {
		measure = 0
	}
	return json.Marshal(estimateJSON{number(e.Value), number(e.Lo), number(e.Hi), e.Level, e.N, measure, e.Definition})
}

// UnmarshalJSON reads what MarshalJSON wrote; null becomes NaN.
func (e *Estimate) UnmarshalJSON(data []byte) error {
	var j estimateJSON
	if err := json.Unmarshal(data, &j); err != nil {
		return err
	}
	number := func(p *float64) float64 {
		if p == nil {
			return math.NaN()
		}
		return *p
	}
	*e = Estimate{number(j.Value), number(j.Lo), number(j.Hi), j.Level, j.N, j.MeasureSigma, j.Definition}
	return nil
}

// Warning is something a reader of the result must see. It stops nothing.
type Warning struct {
	Code string `json:"code"` // stable, for programs: "few-shots"
	Text string `json:"text"` // for people
}

func (w Warning) Error() string { return w.Text }
