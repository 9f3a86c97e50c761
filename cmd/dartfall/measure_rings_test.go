package main

import (
	"slices"
	"strings"
	"testing"
)

func TestWithOutermost(t *testing.T) {
	for _, c := range []struct {
		name string
		list []float64
		ring float64
		want []float64 // nil for an error
	}{
		{"ring alone", nil, 800, []float64{800}},
		{"list alone", []float64{800, 400}, 0, []float64{400, 800}},
		{"the same twice", []float64{400, 800}, 800, []float64{400, 800}},
		{"in inches", []float64{400, 800}, 31.5 * 25.4, []float64{400, 800.1}},
		{"a ring outside the list", []float64{400, 600}, 800, []float64{400, 600, 800}},
		{"the list has a larger one", []float64{400, 800}, 600, nil},
		{"two sizes for one ring", []float64{400, 800}, 804, nil},
	} {
		got, err := withOutermost(c.list, c.ring)
		if (err != nil) != (c.want == nil) || !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, %v; want %v", c.name, got, err, c.want)
		}
	}
}

func TestParsePoints(t *testing.T) {
	const rest = ";900,640=300,300; 900,700 = 300,-300;812,700=-300,-300"
	if ties, err := parsePoints("812,640=-300,300" + rest); err != nil || len(ties) != 4 || ties[2].At.Y != 700 || ties[2].Board.Y != -300 {
		t.Errorf("%+v, %v", ties, err)
	}
	for _, first := range []string{"812,640=-300,300 900,640=300,300", "812,640=-300,30cm", "812,640=-300,NaN", "812,640,1=-300,300", "812,640", "", "812,640=-300,300=1"} {
		if _, err := parsePoints(first + rest); err == nil || !strings.Contains(err.Error(), "is not pixel=millimetre") {
			t.Errorf("%q: %v", first, err)
		}
	}
}
