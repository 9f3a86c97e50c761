package photo

import (
	"image"
	"testing"
)

// A picture of no camera's shape was cropped; a smaller copy and a turned one were not.
func TestCropped(t *testing.T) {
	for _, c := range []struct {
		recorded, size image.Point
		want           bool
	}{
		{image.Point{}, image.Pt(4032, 3024), false},
		{image.Point{}, image.Pt(3024, 4032), false},
		{image.Point{}, image.Pt(1599, 1200), false},
		{image.Point{}, image.Pt(1920, 1080), false},
		{image.Point{}, image.Pt(3000, 3000), false},
		{image.Point{}, image.Pt(3226, 3024), true},
		{image.Point{}, image.Pt(2000, 700), true},
		{image.Pt(4032, 3024), image.Pt(1512, 2016), false},
		{image.Pt(4032, 3024), image.Pt(3000, 3000), true},
		{image.Pt(3226, 3024), image.Pt(3226, 3024), true}, // an editor's record
		{image.Point{}, image.Pt(4032, 1960), false},
		{image.Point{}, image.Pt(4000, 1868), false},
		{image.Point{}, image.Point{}, false}, // unknown
	} {
		facts := exifFacts{widthPx: float64(c.recorded.X), heightPx: float64(c.recorded.Y)}
		if got := facts.cropped(c.size); got != c.want {
			t.Errorf("%v, recorded %v: cropped %v, want %v", c.size, c.recorded, got, c.want)
		}
	}
}
