package vision

import (
	"math"
	"slices"
	"strings"
	"testing"

	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// numbered is the plain board, 900 x 900 px, with numerals and a caption.
func numbered(tilt, azimuth, roll float64, marks ...boardtest.Mark) boardtest.Scene {
	s := boardtest.Plain(900, 900)
	s.Camera.Tilt, s.Camera.Azimuth, s.Camera.Roll = tilt, azimuth, roll
	s.Face.Numerals = boardtest.Numerals{SizeMM: 16, Zones: []boardtest.Colour{ink, ink, ink}}
	s.Face.Caption, s.Face.CaptionMM = "BOARD 4", 10
	s.Marks = marks
	return s
}

// The turn between two photos comes from what the face has beside its rings, in
// other light, from another place, with new stickers on it; a face with nothing but
// rings gives none.
func TestTurnBetween(t *testing.T) {
	sun := boardtest.Light{Name: "sun", Ambient: 0.5, Sun: 0.4, Shadow: "edge", ShadowAngle: 0.7, ShadowAtMM: 40, PenumbraMM: 20}
	new := boardtest.Stickers("blue", 19, [2]float64{40, 30}, [2]float64{-70, 20}, [2]float64{75, -90}, [2]float64{-20, -120})
	for _, c := range []struct {
		name   string
		turn   float64 // of the second frame against the first
		change func(a, b *boardtest.Scene)
		ok     bool
	}{
		{"numerals", 0.2, nil, true},
		{"numerals, upside down", 3, func(a, b *boardtest.Scene) {
			for _, s := range []*boardtest.Scene{a, b} { // a square sheet looks alike upside down
				s.Board = boardtest.Board{WidthMM: 560, HeightMM: 560, Colour: cream}
			}
		}, true},
		{"a square sheet, upside down", 3, nil, false},
		{"another light", -0.3, func(a, b *boardtest.Scene) { b.Light = sun }, true},
		{"rings alone", 0.1, func(a, b *boardtest.Scene) {
			for _, s := range []*boardtest.Scene{a, b} {
				s.Face.Numerals, s.Face.Caption = boardtest.Numerals{}, ""
				s.Board = boardtest.Board{WidthMM: 560, HeightMM: 560, Colour: cream}
			}
			a.Seed, b.Seed = 1, 2 // the paper's own texture is another
		}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			a, b := numbered(0.3, 2, 0.1, new...), numbered(0.2, -1, -0.2)
			if c.change != nil {
				c.change(&a, &b)
			}
			var faces [2]unrolled
			for i, s := range []boardtest.Scene{a, b} {
				img, truth := boardtest.Render(s)
				rect := truth.Rectification
				rect = rect.WithTurn(rect.Turn + float64(i)*c.turn)
				faces[i] = unroll(flatten(&photo.Photo{Image: img}, rect, viewOf(rect, img.Rect.Max, 260), 1.5), 200)
			}
			got, ok := turnBetween(faces[0], faces[1], cleanNear)
			if ok != c.ok {
				t.Fatalf("turnBetween says %v, want %v", ok, c.ok)
			}
			if off := math.Remainder(got-c.turn, 2*math.Pi); ok && !(math.Abs(off) <= 0.001) {
				t.Errorf("turned by %.4f rad, want %.4f", got, c.turn)
			}
		})
	}
}

// With a photo of the clean board, what that shows is no mark: sighters, old holes.
func TestCleanPhoto(t *testing.T) {
	bare := func(kind boardtest.Kind) func(at ...[2]float64) []boardtest.Mark {
		return func(at ...[2]float64) (out []boardtest.Mark) {
			for _, p := range at {
				out = append(out, boardtest.Mark{Kind: kind, X: p[0], Y: p[1], DiameterMM: 12})
			}
			return out
		}
	}
	stickers := func(at ...[2]float64) []boardtest.Mark { return boardtest.Stickers("blue", 19, at...) }
	old, new := [][2]float64{{-120, 60}, {60, 20}}, [][2]float64{{30, 65}, {-70, -20}, {85, -90}}
	for _, c := range []struct {
		name string
		put  func(at ...[2]float64) []boardtest.Mark
		opts MarkOptions
	}{
		{"stickers", stickers, MarkOptions{Colours: []string{"blue"}, SizeMM: 19}},
		{"holes", bare(boardtest.Hole), MarkOptions{Bare: true}},
		{"smudges", bare(boardtest.Smudge), MarkOptions{Bare: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			opts := Options{Rings: RingSpec{OuterMM: 400}, Marks: c.opts}
			read := func(s boardtest.Scene) *Reading {
				img, _ := boardtest.Render(s)
				r, err := Read(&photo.Photo{Name: "test.jpg", Image: img}, opts)
				if err != nil {
					t.Fatal(err)
				}
				return r
			}
			without := read(numbered(0.3, 2, 0.1, c.put(slices.Concat(old, new)...)...))
			opts.Marks.Clean = read(numbered(0.15, -1, -0.15, c.put(old...)...))
			with := read(numbered(0.3, 2, 0.1, c.put(slices.Concat(old, new)...)...))
			if len(without.Marks) < 5 || len(with.Marks) != 3 {
				t.Errorf("%d marks without the clean photo and %d with it, want 5 and 3: %q", len(without.Marks), len(with.Marks), with.Warnings)
			}
			if !c.opts.Bare && !strings.Contains(strings.Join(with.Warnings, "\n"), "clean photo shows them already") {
				t.Errorf("the marks left out are not named: %q", with.Warnings)
			}
		})
	}
}
