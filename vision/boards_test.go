package vision

import (
	"errors"
	"fmt"
	"image"
	"image/draw"
	"math"
	"strings"
	"testing"

	"dartfall/calib"
	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// pair renders two boards in one photo: the halves of it are crops of one wide
// view, each with the photo's own principal point, so the whole is what one camera
// sees of two planes.
func pair(a, b boardtest.Scene, above bool) *photo.Photo {
	w, h := a.Camera.Width, a.Camera.Height
	step := image.Pt(w, 0)
	if above {
		step = image.Pt(0, h)
	}
	half := calib.Px{X: float64(step.X) / 2, Y: float64(step.Y) / 2}
	a.Camera.PrincipalPx, b.Camera.PrincipalPx = half, half.Scale(-1)
	whole := image.NewNRGBA(image.Rect(0, 0, w+step.X, h+step.Y))
	for i, s := range []boardtest.Scene{a, b} {
		img, _ := boardtest.Render(s)
		draw.Draw(whole, img.Rect.Add(step.Mul(i)), img, image.Point{}, draw.Src)
	}
	return &photo.Photo{Name: "two.jpg", Image: whole}
}

// half is the plain board on 700 x 700 px, under its own tilt, with blue stickers.
func half(tilt, azimuth, fill float64, at ...[2]float64) boardtest.Scene {
	s := boardtest.Plain(700, 700)
	s.Camera.Tilt, s.Camera.Azimuth = tilt, azimuth
	s.Camera.DistanceMM = s.Camera.FillDistanceMM(s.Face.OuterMM(), fill)
	s.Marks = boardtest.Stickers("blue", 19, at...)
	return s
}

// Two boards in one photo are never merged: without a choice that is an error which
// names the choices, with one only that board's marks come back.
func TestTwoBoards(t *testing.T) {
	first := [][2]float64{{40, 30}, {-70, 20}, {75, -90}, {215, 20}} // the last off the face
	second := [][2]float64{{-20, -60}, {120, 50}, {-216, 0}}
	a, b := half(0.2, 0.3, 0.75, first...), half(0.3, 2.5, 0.62, second...)
	for _, c := range []struct {
		name    string
		above   bool
		side    Side
		want    [][2]float64
		choices string
	}{
		{"beside, not said", false, AnySide, nil, "--board left or --board right"},
		{"left", false, Left, first, ""},
		{"right", false, Right, second, ""},
		{"above, not said", true, AnySide, nil, "--board top or --board bottom"},
		{"bottom", true, Bottom, second, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			p := pair(a, b, c.above)
			r, err := Read(p, Options{Rings: RingSpec{OuterMM: 400}, Board: c.side, Marks: MarkOptions{Colours: []string{"blue"}, SizeMM: 19}})
			var refusal *Refusal
			if c.side == AnySide {
				if !errors.As(err, &refusal) || !strings.Contains(refusal.Reason, "more than one board") || !strings.Contains(refusal.Advice, c.choices) {
					t.Fatalf("error %v (%+v), want one that offers %s", err, refusal, c.choices)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Marks) != len(c.want) {
				t.Errorf("%d marks, want %d: %v", len(r.Marks), len(c.want), r.Marks)
			}
			for _, w := range c.want { // the camera does not roll: up is the photo's
				best := math.Inf(1)
				for _, m := range r.Marks {
					best = min(best, math.Hypot(m.Pos.X-w[0], m.Pos.Y-w[1]))
				}
				if !(best < 20) { // the verticals of a tilted board lean by up to 4 degrees
					t.Errorf("no mark within 20 mm of (%g, %g): nearest %.1f", w[0], w[1], best)
				}
			}
		})
	}
}

// Boards of a single ring each are two as well.
func TestTwoBoardsOfOneRing(t *testing.T) {
	a, b := half(0.1, 0.3, 0.75), half(0.15, 2.5, 0.68)
	for _, s := range []*boardtest.Scene{&a, &b} {
		s.Face.Rings = []boardtest.Ring{{OuterDiameterMM: 400, LineMM: 12, Line: ink}}
	}
	_, err := Read(pair(a, b, false), Options{Rings: RingSpec{OuterMM: 400}})
	var refusal *Refusal
	if !errors.As(err, &refusal) || !strings.Contains(refusal.Advice, "--board left or --board right") {
		t.Errorf("error %v (%+v), want one that offers a choice", err, refusal)
	}
}

// A board of another face beside is not merged either: the clearer one is measured, with a
// word about the other, and either can be asked for.
func TestTwoUnlikeBoards(t *testing.T) {
	a, b := half(0.2, 0.3, 0.75, [2]float64{40, 30}, [2]float64{-70, 20}), half(0.3, 2.5, 0.62, [2]float64{-20, -60})
	b.Face.Rings = []boardtest.Ring{{OuterDiameterMM: 400, LineMM: 4, Line: ink}, {OuterDiameterMM: 150, LineMM: 4, Line: ink}}
	for _, c := range []struct {
		side  Side
		rings RingSpec
		marks int
		note  string
	}{
		{AnySide, specOf(a.Face), 2, "say --board left or --board right"},
		{Left, specOf(a.Face), 2, "the one at the left was measured"},
		{Right, RingSpec{OuterMM: 400, ListMM: []float64{150, 400}}, 1, ""}, // these are that board's rings
	} {
		r, err := Read(pair(a, b, false), Options{Rings: c.rings, Board: c.side, Marks: MarkOptions{Colours: []string{"blue"}, SizeMM: 19}})
		if err != nil {
			t.Errorf("board %q: %v", c.side, err)
			continue
		}
		if !strings.Contains(strings.Join(r.Warnings, "\n"), c.note) || len(r.Marks) != c.marks {
			t.Errorf("board %q: %d marks, want %d, and the words %q: %q", c.side, len(r.Marks), c.marks, c.note, r.Warnings)
		}
	}
}

// Random boards of several kinds beside their like: neither the many rings of a face, nor
// a ball or hoop that lies about, nor which side of a line was found hides the second.
func TestTwoRandomBoards(t *testing.T) {
	for _, seed := range []uint64{61003, 61004, 61011, 61014, 61019, 61025, 61027, 62033} {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			a := boardtest.Random(seed, boardtest.Varied)
			a.Camera.Width, a.Camera.Height = max(a.Camera.Width, a.Camera.Height), min(a.Camera.Width, a.Camera.Height)
			shrink(&a.Camera, 1000)
			a.Camera.FocalPx *= 2 // two of these side by side are one photo of a usual camera
			a.Camera.AimPx = calib.Px{}
			a.Camera.DistanceMM = a.Camera.FillDistanceMM(a.Face.OuterMM(), 0.8)
			b := a
			b.Camera.Azimuth += 1.5
			b.Camera.Tilt *= 0.7
			b.Camera.DistanceMM *= 1.2
			_, err := Read(pair(a, b, false), Options{Rings: specOf(a.Face)})
			var refusal *Refusal
			if !errors.As(err, &refusal) || !strings.Contains(refusal.Advice, "--board left or --board right") {
				t.Errorf("%s: error %v (%+v), want one that offers a choice", a.Face.Kind, err, refusal)
			}
		})
	}
}

// One board stays one, and naming a side then changes nothing but a note.
func TestSideOfOneBoard(t *testing.T) {
	img, _ := boardtest.Render(half(0.2, 0.3, 0.75, [2]float64{40, 30}))
	r, err := Read(&photo.Photo{Name: "one.jpg", Image: img}, Options{Rings: RingSpec{OuterMM: 400}, Board: Left})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(strings.Join(r.Warnings, "\n"), "only one board") {
		t.Errorf("no note that there was nothing to choose: %q", r.Warnings)
	}
}
