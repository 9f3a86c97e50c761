package scoring

import "fmt"

// What foam darts have (common practice, no source). Beyond, a number is likelier a wrong
// unit or a slip, so that is said, and nothing is made of it.
const (
	slowestMPS, fastestMPS = 10, 150
	impossibleMPS          = 300 // of a single reading: digits are then run together or shifted
	lightestG, heaviestG   = 0.3, 50
	leastCd, mostCd        = 0.1, 1.5
)

// ImplausibleSpeed says why a foam dart is unlikely to have this speed and what to check;
// "" when it may, or when there is none (0 or NaN).
func ImplausibleSpeed(mps float64) string {
	plausible := func(mps float64) bool { return mps >= slowestMPS && mps <= fastestMPS }
	if !(mps > 0) || plausible(mps) {
		return ""
	}
	foot := FeetPerSecond.MPS()
	check := "look for a wrong unit or a slip."
	switch {
	case plausible(mps * foot):
		check = "is its unit fps, not m/s?"
	case plausible(mps / foot):
		check = "is its unit m/s, not fps?"
	}
	return fmt.Sprintf("%.4g m/s (%.4g fps) is not plausible for a foam dart (%d to %d m/s, %.0f to %.0f fps; common practice): %s",
		mps, mps/foot, slowestMPS, fastestMPS, slowestMPS/foot, fastestMPS/foot, check)
}

// ImplausibleMass is ImplausibleSpeed for a mass.
func ImplausibleMass(grams float64) string {
	if !(grams > 0) || grams >= lightestG && grams <= heaviestG {
		return ""
	}
	return fmt.Sprintf("%.4g g is not plausible for a foam dart (%g to %d g; common practice): look for a wrong unit or a slip.", grams, lightestG, heaviestG)
}

// ImplausibleDrag is ImplausibleSpeed for a drag coefficient.
func ImplausibleDrag(cd float64) string {
	if cd >= leastCd && cd <= mostCd {
		return ""
	}
	return fmt.Sprintf("a drag coefficient of %.2g is not plausible for a foam dart (%g to %g; common practice)", cd, leastCd, mostCd)
}
