package vision

import (
	"slices"
	"strings"
	"testing"

	"dartfall/calib/boardtest"
)

// Every quality of a photo has one plain line, and what falls short says what to do.
func TestGrade(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*boardtest.Scene)
		poor   string // the check that falls short, "" for none
	}{
		{"good for 8 mm stickers", func(*boardtest.Scene) {}, ""},
		{"small", func(s *boardtest.Scene) { s.Camera.DistanceMM *= 2 }, "sampling"},
		{"steep", func(s *boardtest.Scene) { s.Camera.Tilt = 0.8 }, "tilt"},
		{"dim", func(s *boardtest.Scene) { s.Imaging.ExposureEV = -6.3 }, "light"},
		{"glare", func(s *boardtest.Scene) { s.Light.Glare, s.Light.GlareMM = 0.6, 110 }, "glare"},
		{"red light", func(s *boardtest.Scene) { s.Light.Tint = [3]float64{1.5, 1, 0.8} }, "colour"},
		{"half of it", func(s *boardtest.Scene) { s.Camera.AimPx.X = 720 }, "ring-seen"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := tilted(15, 40, 0)
			c.change(&s)
			p, _ := asPhoto(s)
			r, err := Read(p, Options{Rings: specOf(s.Face), Marks: MarkOptions{Colours: []string{"red"}, SizeMM: 8}})
			if err != nil && len(r.Checks) == 0 {
				t.Fatal(err)
			}
			var names []string
			for _, k := range r.Checks {
				names = append(names, k.Name)
				if k.Words == "" || strings.Contains(k.Words, "\n") || (k.Advice == "") != (k.Level == Good) {
					t.Errorf("%s is %s: words %q, advice %q", k.Name, k.Level, k.Words, k.Advice)
				}
				if k.Name == c.poor && k.Level == Good {
					t.Errorf("%s is good: %s", k.Name, k.Words)
				}
				if c.poor == "" && k.Level != Good {
					t.Errorf("%s is %s: %s", k.Name, k.Level, k.Words)
				}
			}
			if want := []string{"sampling", "tilt", "blur", "light", "glare", "colour", "ring-seen", "ring-fit", "plane"}; !slices.Equal(names, want) {
				t.Errorf("checks %v, want %v", names, want)
			}
		})
	}
}
