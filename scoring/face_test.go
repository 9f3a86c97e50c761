package scoring

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

func faceNamed(t *testing.T, name string) Face {
	t.Helper()
	for _, f := range Faces() {
		if f.Name == name {
			return f
		}
	}
	t.Fatalf("no face %q", name)
	return Face{}
}

// Ring diameters: World Archery (read in the FFTA rule book), ISSF 6.3.4 (bases read on
// club pages, rows by arithmetic).
func TestFaceDimensions(t *testing.T) {
	tests := []struct {
		name           string
		value          int
		wantDiameterMM float64
	}{
		{"World Archery 122 cm", 10, 122}, {"World Archery 122 cm", 1, 1220}, {"World Archery 80 cm", 7, 320}, {"World Archery 40 cm", 5, 240},
		{"ISSF 10 m air rifle", 1, 45.5}, {"ISSF 10 m air pistol", 7, 59.5}, {"ISSF 50 m rifle", 1, 154.4},
		{"ISSF 25 m precision pistol", 7, 200}, {"ISSF 25 m rapid fire pistol", 5, 500},
	}
	for _, tt := range tests {
		f := faceNamed(t, tt.name)
		found := false
		for i, v := range f.Values {
			if v == tt.value {
				found = near(2*f.RadiiMM[i], tt.wantDiameterMM, 1e-9)
			}
		}
		if !found {
			t.Errorf("%s: ring %d is not %v mm", tt.name, tt.value, tt.wantDiameterMM)
		}
	}
}

// Line touch: with the 5.6 mm gauge the ten of the 50 m rifle face reaches to 8.0 mm.
// Decimals: floor(10 (11 − d/8))/10, 10.9 up to 0.8 mm (10.0 to 10.9 read; the other
// rings recalled).
func TestScore(t *testing.T) {
	f := faceNamed(t, "ISSF 50 m rifle")
	for _, tt := range []struct {
		d     float64
		whole int
		tenth float64
	}{{0, 10, 10.9}, {0.8, 10, 10.9}, {0.81, 10, 10.8}, {8.0, 10, 10.0}, {8.01, 9, 9.9}, {80, 1, 1.0}, {80.01, 0, 0}} {
		pos := r2.Vec{X: tt.d * 0.6, Y: -tt.d * 0.8}
		whole, err := f.Score(pos)
		tenth, err2 := f.DecimalScore(pos)
		if err != nil || err2 != nil || whole != tt.whole || !near(tenth, tt.tenth, 1e-12) {
			t.Errorf("%v mm: %d, %v, want %d, %v", tt.d, whole, tenth, tt.whole, tt.tenth)
		}
	}
	if _, err := faceNamed(t, "World Archery 80 cm").DecimalScore(r2.Vec{}); err == nil {
		t.Error("a decimal score on a face without one: no error")
	}
	for _, bad := range []Face{{}, {RadiiMM: []float64{2, 1}, Values: []int{2, 1}}, {RadiiMM: []float64{math.NaN()}, Values: []int{1}}} {
		if _, err := bad.Score(r2.Vec{}); err == nil {
			t.Errorf("Score on %+v: no error", bad)
		}
	}
}
