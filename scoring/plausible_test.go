package scoring

import (
	"strings"
	"testing"
)

// Common practice, no source: half-length darts of 1 g leave at 60 to 400 fps.
func TestImplausible(t *testing.T) {
	for fps, want := range map[float64]string{60: "", 150: "", 400: "", 0: "", 935: "is its unit fps", 26: "is its unit m/s", 1: "wrong unit or a slip", 28400: "wrong unit or a slip"} {
		if got := ImplausibleSpeed(fps * 0.3048); (got == "") != (want == "") || !strings.Contains(got, want) {
			t.Errorf("%v fps: %q, want %q", fps, got, want)
		}
	}
	for g, fits := range map[float64]bool{1.1: true, 0: true, 12: true, 1100: false, 0.0011: false} {
		if got := ImplausibleMass(g); (got == "") != fits {
			t.Errorf("%v g: %q", g, got)
		}
	}
	for cd, fits := range map[float64]bool{0.67: true, 0.4: true, 0.05: false, 3: false} {
		if got := ImplausibleDrag(cd); (got == "") != fits {
			t.Errorf("Cd %v: %q", cd, got)
		}
	}
}
