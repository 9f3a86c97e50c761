package scoring

import (
	"math"
	"slices"
	"strconv"
	"strings"
)

// When a reading is looked at, and when a slip explains it.
const (
	farOff   = 0.15 // of the usual reading: looked at (common practice, no source)
	fitsNear = 0.12 // of the usual reading: a corrected value must come this near

	fewReadings = 3 // fewer have no usual reading
)

// Slips, as they are named.
const (
	slipPoint    = "decimal point"
	slipTogether = "two readings run together"
	slipSwapped  = "swapped digits"
	slipDropped  = "dropped digit"
	slipSplit    = "digits split apart"
	slipRest     = "rest of the reading before"
	slipMisheard = "\"four\" heard as \"for\""
	slipComma    = "a comma that may separate two readings; write a point or a space"
	slipTotal    = "of the whole string, not a reading"
	slipMPS      = "written in m/s"
	slipFPS      = "written in fps"
	slipUnknown  = "far from the others"
)

// Meant lists what a reading was probably meant as: itself, unless a slip explains it
// better; nothing when it was taken back, is the rest of another or a figure of the whole
// string, or when nobody can tell.
func (r Reading) Meant() []float64 {
	switch {
	case r.Corrected:
		return nil
	case len(r.Likely) > 0:
		return r.Likely
	case r.Slip == "" || r.Slip == slipUnknown:
		return []float64{r.Value}
	}
	return nil
}

// flagSlips marks the readings that lie far from the usual one of their string and looks
// for the slip that explains them. A string too short to have a usual reading borrows
// that of all. Below three readings in all only those are marked that no dart can have.
func flagSlips(all []ReadingString, unit SpeedUnit) {
	var together []float64
	for _, s := range all {
		together = append(together, counting(s.Readings)...)
	}
	if len(together) == 0 {
		return
	}
	seen := usualReading(together)
	common := possible(seen, unit)
	if len(together) < fewReadings && common == seen {
		return
	}
	for _, s := range all {
		usual := common
		if values := counting(s.Readings); len(values) >= fewReadings {
			usual = possible(usualReading(values), unit)
		}
		flagString(s.Readings, usual, unit)
	}
}

// possible moves the decimal point of a usual reading that no dart can have.
func possible(usual float64, unit SpeedUnit) float64 {
	for usual*unit.MPS() < slowestMPS {
		usual *= 10
	}
	for usual*unit.MPS() > impossibleMPS {
		usual /= 10
	}
	return usual
}

// flagString marks the readings of one string.
func flagString(rs []Reading, usual float64, unit SpeedUnit) {
	for k := range rs {
		switch {
		case rs[k].Corrected || rs[k].Slip != "" || math.Abs(rs[k].Value-usual) <= farOff*usual:
		default:
			whole, pieces := rejoined(rs[k:], usual)
			if pieces == 0 {
				rs[k].Slip, rs[k].Likely = slipOf(rs[k].Value, usual, unit)
				continue
			}
			rs[k].Slip, rs[k].Likely = slipSplit, []float64{whole}
			for i := range pieces - 1 {
				rs[k+1+i].Slip = slipRest
			}
		}
	}
}

// rejoined puts the first two or three readings together where that gives a usual one:
// "28 4", "2 8 4". Without one, pieces is 0.
func rejoined(rs []Reading, usual float64) (whole float64, pieces int) {
	whole = rs[0].Value
	for i := 1; i < min(3, len(rs)) && !rs[i].Corrected; i++ {
		switch whole = joined(whole, rs[i].Value); {
		case whole == 0: // a piece is no whole number
			return 0, 0
		case isNear(whole, usual):
			return whole, i + 1
		}
	}
	return 0, 0
}

// counting lists the values of readings that were not taken back.
func counting(rs []Reading) []float64 {
	var values []float64
	for _, r := range rs {
		if !r.Corrected {
			values = append(values, r.Value)
		}
	}
	return values
}

// usualReading is the median of the largest set of readings that lie within farOff of
// one of them; of all, when no two lie together. When many readings have slips their
// plain median may be one.
func usualReading(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	usual := sorted[:0]
	from, to := 0, 0
	for _, v := range sorted {
		for from < len(sorted) && sorted[from] < v*(1-farOff) {
			from++
		}
		for to < len(sorted) && sorted[to] <= v*(1+farOff) {
			to++
		}
		if to-from >= len(usual) { // of two alike the faster: a lost digit is the likelier slip
			usual = sorted[from:to]
		}
	}
	if len(usual) < 2 {
		usual = sorted
	}
	return Quantile(0.5, usual)
}

func isNear(x, usual float64) bool { return math.Abs(x-usual) <= fitsNear*usual }

// joined puts the digits of two whole numbers together, 0 when they are not whole.
func joined(a, b float64) float64 {
	left, right := digitsOf(a), digitsOf(b)
	if strings.Contains(left+right, ".") {
		return 0
	}
	v, err := strconv.ParseFloat(left+right, 64)
	if err != nil {
		return 0
	}
	return v
}

func digitsOf(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// slipOf names the likely slip of a reading and the values it would have been, none when
// that is a guess.
func slipOf(v, usual float64, unit SpeedUnit) (string, []float64) {
	digits := digitsOf(v)
	whole := !strings.Contains(digits, ".")
	for _, f := range []float64{10, 100, 1000, 0.1, 0.01} {
		// A whole number that is too small lost a digit rather than a point.
		if x := v * f; isNear(x, usual) && !(f > 1 && whole) {
			return slipPoint, []float64{math.Round(x*1000) / 1000}
		}
	}
	other, slip := MetresPerSecond, slipMPS
	if unit == MetresPerSecond {
		other, slip = FeetPerSecond, slipFPS
	}
	converted := math.Round(v*other.MPS()/unit.MPS()*10) / 10
	switch {
	case isNear(converted, usual) && whole && lostDigit(digits, usual):
		return slipDropped + " or " + slip, nil
	case isNear(converted, usual):
		return slip, []float64{converted}
	case !whole:
		return slipUnknown, nil
	}
	for cut := 1; cut < len(digits); cut++ {
		a, _ := strconv.ParseFloat(digits[:cut], 64)
		b, _ := strconv.ParseFloat(digits[cut:], 64)
		if isNear(a, usual) && isNear(b, usual) {
			return slipTogether, []float64{a, b}
		}
	}
	for i := 0; i+1 < len(digits); i++ {
		swapped := digits[:i] + digits[i+1:i+2] + digits[i:i+1] + digits[i+2:]
		if x, _ := strconv.ParseFloat(swapped, 64); isNear(x, usual) {
			return slipSwapped, []float64{x}
		}
	}
	if lostDigit(digits, usual) {
		return slipDropped, nil // which digit is a guess
	}
	return slipUnknown, nil
}

// lostDigit tells whether one more digit anywhere makes a usual reading.
func lostDigit(digits string, usual float64) bool {
	for i := 0; i <= len(digits); i++ {
		for d := '0'; d <= '9'; d++ {
			if x, _ := strconv.ParseFloat(digits[:i]+string(d)+digits[i:], 64); isNear(x, usual) {
				return true
			}
		}
	}
	return false
}
