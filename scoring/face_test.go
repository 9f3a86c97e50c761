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
// rings recalled). Inner ten to 5.3 mm (recalled).
func TestScore(t *testing.T) {
	f := faceNamed(t, "ISSF 50 m rifle")
	for _, tt := range []struct {
		d     float64
		whole int
		tenth float64
		inner bool
		edge  float64 // to the nearest ring, by hand
	}{{0, 10, 10.9, true, 8}, {0.8, 10, 10.9, true, 7.2}, {0.81, 10, 10.8, true, 7.19}, {5.3, 10, 10.3, true, 2.7}, {5.31, 10, 10.3, false, 2.69},
		{8.0, 10, 10.0, false, 0}, {8.01, 9, 9.9, false, 0.01}, {80, 1, 1.0, false, 0}, {80.01, 0, 0, false, 0.01}} {
		h, err := f.Score(r2.Vec{X: tt.d * 0.6, Y: -tt.d * 0.8})
		if err != nil || h.Value != tt.whole || h.Tenths == nil || !near(*h.Tenths, tt.tenth, 1e-12) || h.Inner != tt.inner || !near(h.EdgeMM, tt.edge, 1e-9) {
			t.Errorf("%v mm: %+v, %v, want %d, %v, inner %v, %v mm from a ring", tt.d, h, err, tt.whole, tt.tenth, tt.inner, tt.edge)
		}
	}
	if h, err := faceNamed(t, "World Archery 80 cm").Score(r2.Vec{}); err != nil || h.Tenths != nil {
		t.Errorf("a face without a decimal score gives %+v, %v", h, err)
	}
	for _, bad := range []Face{{}, {RadiiMM: []float64{2, 1}, Values: []int{2, 1}}, {RadiiMM: []float64{math.NaN()}, Values: []int{1}}, {RadiiMM: []float64{1}, Values: []int{1}, GaugeMM: -1}} {
		if _, err := bad.Score(r2.Vec{}); err == nil {
			t.Errorf("Score on %+v: no error", bad)
		}
	}
	if _, err := f.Score(r2.Vec{X: math.NaN()}); err == nil {
		t.Error("Score of an impact without a place: no error")
	}
}

// The six-ring face scores 5 to 10 with the rings of the 80 cm face (read in the FFTA
// rule book); outside its 5 is nothing. A shaft that touches a line takes the higher
// value.
func TestScoreArchery(t *testing.T) {
	six, full := faceNamed(t, "World Archery 80 cm, 6 rings"), faceNamed(t, "World Archery 80 cm")
	const shaft = 9.3 / 2
	for _, tt := range []struct {
		d         float64
		six, full int
	}{{0, 10, 10}, {40 + shaft, 10, 10}, {40 + shaft + 0.01, 9, 9}, {240 + shaft, 5, 5}, {240 + shaft + 0.01, 0, 4}, {400 + shaft, 0, 1}, {400 + shaft + 0.01, 0, 0}} {
		a, errA := six.Score(r2.Vec{Y: tt.d})
		b, errB := full.Score(r2.Vec{Y: tt.d})
		if errA != nil || errB != nil || a.Value != tt.six || b.Value != tt.full {
			t.Errorf("%v mm: %d and %d, want %d and %d", tt.d, a.Value, b.Value, tt.six, tt.full)
		}
	}
}

// By hand: on the 50 m rifle face marks at 0, 8 and 16 mm score 10.9, 10.0 and 9.0; one
// miss and one shot unaccounted for count 0: mean 29/5. Three tens and a nine have mean
// 9.75 and SD 0.5, t is 3.182 (3 degrees of freedom, tables).
func TestScoreGroup(t *testing.T) {
	g := groupOf(r2.Vec{}, r2.Vec{X: 8}, r2.Vec{Y: -16})
	g.Declared, g.Misses = 5, 1
	c, err := ScoreGroup(g, faceNamed(t, "ISSF 50 m rifle"), 0.95)
	if err != nil || c.Shots != 5 || c.Missed != 2 || c.Points != 29 || c.Possible != 50 || c.Tens != 2 || c.Inner != 1 || !near(*c.Tenths, 29.9, 1e-9) {
		t.Errorf("%+v, %v", c, err)
	}
	if !near(c.Mean.Value, 5.8, 1e-12) {
		t.Errorf("mean %+v", c.Mean)
	}
	four := groupOf(r2.Vec{}, r2.Vec{X: 8}, r2.Vec{X: -8}, r2.Vec{Y: -16})
	if c, err := ScoreGroup(four, faceNamed(t, "ISSF 50 m rifle"), 0.95); err != nil || !near(c.Mean.Lo, 9.75-3.182*0.5/2, 1e-3) || c.Mean.Hi != 10 {
		t.Errorf("three tens and a nine: mean %+v, %v", c.Mean, err)
	}
	// An interval says nothing that cannot be: neither below nothing nor above the ten, and
	// not that shots never differ because three did not.
	if c, err = ScoreGroup(groupOf(r2.Vec{}, r2.Vec{X: 500}), faceNamed(t, "ISSF 50 m rifle"), 0.95); err != nil || c.Mean.Lo != 0 || c.Mean.Hi != 10 {
		t.Errorf("a ten and a nought: mean %+v, %v", c.Mean, err)
	}
	if c, err = ScoreGroup(groupOf(r2.Vec{}, r2.Vec{X: 1}, r2.Vec{Y: 1}), faceNamed(t, "ISSF 50 m rifle"), 0.95); err != nil || c.Mean.Value != 10 || c.Mean.HasInterval() {
		t.Errorf("three tens: mean %+v, %v", c.Mean, err)
	}
	if c, err := ScoreGroup(Group{}, faceNamed(t, "ISSF 50 m rifle"), 0.95); err != nil || c.Shots != 0 || !math.IsNaN(c.Mean.Value) {
		t.Errorf("an empty group: %+v, %v", c, err)
	}
	if _, err := ScoreGroup(g, Face{}, 0.95); err == nil {
		t.Error("a face without rings: no error")
	}
}
