package picture

import (
	"fmt"
	"math"
)

// lengthText writes a length for a picture: whole millimetres below a metre, then
// metres with two decimals. Hand-placed marks are good to 5 to 10 mm (common
// practice, no source), so more digits would claim too much; the files keep them.
func lengthText(mm float64) string {
	switch {
	case math.IsNaN(mm) || math.IsInf(mm, 0):
		return "–"
	case math.Abs(mm) >= 999.5:
		return fmt.Sprintf("%.2f m", mm/1000)
	default:
		return fmt.Sprintf("%.0f mm", mm)
	}
}

// rangeText writes a range's value, with "≥" when it is a lower bound.
func rangeText(r Range) string {
	s := lengthText(r.Value)
	if r.AtLeast && finite(r.Value) {
		return "≥ " + s
	}
	return s
}
