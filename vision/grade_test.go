package vision

import (
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/boardtest"
)

// Every quality of a photo has one plain line, and what falls short says what to do.
// A photo out of focus is told so, however sharp the few pixels beside an edge look alone,
// and before its list of rings is blamed.
func TestGradeBlur(t *testing.T) {
	for _, c := range []struct {
		blurPx float64
		level  Level
	}{{1, Good}, {2.5, Good}, {5, Rough}, {7.5, Refused}} {
		s := boardtest.Plain(2800, 2100)
		s.Camera.Tilt, s.Camera.DistanceMM = 0.2, s.Camera.FillDistanceMM(s.Face.OuterMM(), 0.75)
		s.Imaging.BlurPx = c.blurPx
		p, _ := asPhoto(s)
		r, err := Read(p, Options{Rings: specOf(s.Face), PlaneOnly: true, PhotoUp: true})
		if c.level == Refused {
			if err == nil || !strings.Contains(err.Error(), "out of focus") {
				t.Errorf("blurred by %g px: error %v", c.blurPx, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("blurred by %g px: %v", c.blurPx, err)
			continue
		}
		k := r.Checks[slices.IndexFunc(r.Checks, func(k Check) bool { return k.Name == "blur" })]
		t.Logf("blurred by %g px: %+v", c.blurPx, k)
		if k.Level != c.level || k.Value < 0.7*c.blurPx || k.Value > 1.5*c.blurPx {
			t.Errorf("blurred by %g px: %s, %s", c.blurPx, k.Level, k.Words)
		}
	}
}

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
			if want := []string{"sampling", "tilt", "blur", "light", "glare", "colour", "ring-seen", "ring-fit", "plane", "overlooked"}; !slices.Equal(names, want) {
				t.Errorf("checks %v, want %v", names, want)
			}
		})
	}
}

// Light paper in the sun burns out long before stickers lose their colour: what is
// declared is looked for, and a declared colour that may have burnt out with the face
// is asked after.
func TestBurntOutFace(t *testing.T) {
	s := tilted(15, 40, 0)
	s.Imaging.ExposureEV = 2
	s.Marks = append(boardtest.Stickers("blue", 16, [2]float64{30, 40}, [2]float64{-60, 10}), boardtest.Stickers("white", 16, [2]float64{-20, -70})...)
	p, _ := asPhoto(s)
	for _, c := range []struct {
		marks   MarkOptions
		refused string // what the refusal names, "" for none
	}{
		{MarkOptions{Colours: []string{"blue"}, SizeMM: 16}, ""},
		{MarkOptions{Colours: []string{"blue", "white"}, SizeMM: 16}, "white stickers may be burnt out"},
		{MarkOptions{Colours: []string{"blue", "red"}, SizeMM: 16}, "red stickers may be burnt out"},
		{MarkOptions{Colours: []string{"blue", "red"}, SizeMM: 16, Counts: []ColourCount{{"blue", 2}}}, ""}, // red is shot later
		{MarkOptions{SizeMM: 16}, "no number can be stood behind"},
		{MarkOptions{Bare: true}, "no number can be stood behind"},
	} {
		r, err := Read(p, Options{Rings: specOf(s.Face), Marks: c.marks})
		if c.refused == "" {
			if err != nil || len(r.Marks) != 2 || !r.Rough() {
				t.Errorf("%+v: %v, marks %v; want two, on a rough photo", c.marks, err, r.Marks)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), c.refused) || len(r.Marks) > 0 {
			t.Errorf("%+v: %v and %d marks, want an error that says %q", c.marks, err, len(r.Marks), c.refused)
		}
	}
}

// The tilt of a board squared up by points of it is that of the camera before it, whose
// middle is the photo's.
func TestTiltByPoints(t *testing.T) {
	for _, tiltDeg := range []float64{0, 25} {
		s := tilted(tiltDeg, 40, 0)
		p, truth := asPhoto(s)
		var ties []calib.Tie
		for _, at := range []r2.Vec{{X: -150, Y: 150}, {X: 150, Y: 150}, {X: 150, Y: -150}, {X: -150, Y: -150}} {
			ties = append(ties, calib.Tie{At: truth.Rectification.ToPhoto(at), Board: at, SigmaPx: 1})
		}
		r, err := Read(p, Options{Points: ties, PlaneOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		if got := r.TiltRad * 180 / math.Pi; !(math.Abs(got-tiltDeg) < 2) {
			t.Errorf("%.0f° off square-on measures %.1f°", tiltDeg, got)
		}
	}
}
