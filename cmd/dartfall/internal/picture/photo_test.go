package picture

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// testBoard is a plain rendered board seen at a slant, and what lies on it.
func testBoard(t testing.TB, w, h int, marks int) OverlayInput {
	t.Helper()
	s := float64(w) / 640
	rect, ok := calib.FromHomography([9]float64{0.5 * s, 0.02 * s, 320 * s, -0.03 * s, -0.52 * s, 230 * s, 2e-4, -1e-4, 1}, calib.Lens{})
	if !ok {
		t.Fatal("FromHomography refused the test plane")
	}
	im := image.NewNRGBA(image.Rect(0, 0, w, h))
	draw.Draw(im, im.Rect, image.NewUniform(color.NRGBA{120, 130, 118, 255}), image.Point{}, draw.Src)
	in := OverlayInput{
		Photo: im, Rect: rect, RadiiMM: []float64{400, 300, 200, 100},
		Identities: Identities([]string{"North", "Reed", "Slate"}, []string{"blue", "orange", "purple"}),
		Facts:      Facts{Photo: "board-3.jpg", PxPerMM: 0.51 * s, ResidualMM: 0.031, Distance: "25 m"},
	}
	count := [3]int{}
	for i := range marks {
		who := i % 3
		count[who]++
		sin, cos := math.Sincos(2.4 * float64(i)) // the golden angle: spread, without chance
		r := 60 * float64(who+1) * math.Sqrt(float64(i+1)/float64(marks))
		in.Marks = append(in.Marks, Mark{
			Pos: r2.Vec{X: 20 + r*cos, Y: r*sin - 10}, DiameterMM: 19, Who: who, Number: count[who],
			SetAside: i%11 == 7, Doubtful: i%7 == 5,
		})
	}
	paint := func(r image.Rectangle, at func(x r2.Vec) (color.NRGBA, bool)) {
		for y := r.Min.Y; y < r.Max.Y; y++ {
			for x := r.Min.X; x < r.Max.X; x++ {
				if c, ok := at(rect.ToBoard(calib.Px{X: float64(x), Y: float64(y)})); ok {
					im.SetNRGBA(x, y, c)
				}
			}
		}
	}
	paint(im.Rect, func(x r2.Vec) (color.NRGBA, bool) {
		r := r2.Norm(x)
		on := math.Mod(r, 100) > 96 && r < 400
		c := color.NRGBA{240, 240, 236, 255}
		if on {
			c = color.NRGBA{20, 20, 20, 255}
		}
		return c, math.Abs(x.X) < 450 && math.Abs(x.Y) < 450
	})
	for _, m := range in.Marks {
		p := rect.ToPhoto(m.Pos)
		k := int(16 * s)
		box := image.Rect(int(p.X)-k, int(p.Y)-k, int(p.X)+k, int(p.Y)+k).Intersect(im.Rect)
		paint(box, func(x r2.Vec) (color.NRGBA, bool) {
			return []color.NRGBA{{40, 90, 190, 255}, {240, 140, 30, 255}, {130, 60, 160, 255}}[m.Who], r2.Norm(r2.Sub(x, m.Pos)) < 9.5
		})
	}
	return in
}

// flatten squares the test board up.
func flatten(in OverlayInput, pxPerMM, halfMM float64) FlatInput {
	n := int(2*halfMM*pxPerMM) + 1
	f := FlatInput{
		Image: image.NewNRGBA(image.Rect(0, 0, n, n)), PxPerMM: pxPerMM,
		Centre: calib.Px{X: float64(n-1) / 2, Y: float64(n-1) / 2},
		Marks:  in.Marks, Identities: in.Identities, Facts: in.Facts,
	}
	for y := range n {
		for x := range n {
			b := r2.Vec{X: (float64(x) - f.Centre.X) / pxPerMM, Y: (f.Centre.Y - float64(y)) / pxPerMM}
			p := in.Rect.ToPhoto(b)
			if q := image.Pt(int(math.Round(p.X)), int(math.Round(p.Y))); q.In(in.Photo.Rect) {
				f.Image.SetNRGBA(x, y, in.Photo.NRGBAAt(q.X, q.Y))
			}
		}
	}
	return f
}

func TestOverlayGolden(t *testing.T) {
	golden(t, "overlay", Overlay(testBoard(t, 640, 480, 24)).Image)
}

func TestFlatPictureGolden(t *testing.T) {
	golden(t, "flat", FlatPicture(flatten(testBoard(t, 640, 480, 24), 0.5, 480)).Image)
}

// A dense board: every number finds a place, and no two texts touch.
func TestOverlayTextKeepsApart(t *testing.T) {
	for _, n := range []int{0, 1, 15, 60} {
		in := testBoard(t, 1600, 1200, n)
		in.Facts.Photo = "a very long file name that came from a telephone 2026-05-03 10.16.40 (copy of a copy).jpg"
		in.Facts.Note = "rough: 0.8 px/mm, look at every mark"
		for name, p := range map[string]Picture{"overlay": Overlay(in), "flat": FlatPicture(flatten(in, 1.2, 500))} {
			if p.Unlabelled > 0 {
				t.Errorf("%s with %d marks: %d numbers found no place", name, n, p.Unlabelled)
			}
			checkBoxes(t, fmt.Sprintf("%s with %d marks", name, n), p)
		}
	}
}

// checkBoxes demands that every text lies on the canvas and that no two overlap.
func checkBoxes(t testing.TB, what string, p Picture) {
	t.Helper()
	for i, b := range p.Boxes {
		if !b.Rect.In(p.Image.Rect) {
			t.Errorf("%s: text %q at %v leaves the canvas %v", what, b.Text, b.Rect, p.Image.Rect)
		}
		for _, o := range p.Boxes[:i] {
			if b.Rect.Overlaps(o.Rect) {
				t.Errorf("%s: texts %q at %v and %q at %v overlap", what, b.Text, b.Rect, o.Text, o.Rect)
			}
		}
	}
}

// The bar must be 100 mm of the board, not of the screen: its ends, mapped back,
// are 100 mm apart. The drawn ink is found in the picture itself.
func TestOverlayBarIsTrue(t *testing.T) {
	in := testBoard(t, 1600, 1200, 0)
	draw.Draw(in.Photo, in.Photo.Rect, image.NewUniform(color.NRGBA{200, 200, 200, 255}), image.Point{}, draw.Src)
	in.RadiiMM = []float64{400}
	p := Overlay(in)
	// The bar lies 40 mm below the ring: look for ink along that line of the board.
	lo, hi := math.Inf(1), math.Inf(-1)
	for x := -120.0; x <= 120; x += 0.25 {
		q := in.Rect.ToPhoto(r2.Vec{X: x, Y: -440})
		if c := p.Image.RGBAAt(int(math.Round(q.X)), int(math.Round(q.Y))); levelsApart(c, ink) < 40 {
			lo, hi = math.Min(lo, x), math.Max(hi, x)
		}
	}
	// The end ticks are 3 px wide here, so their outer edges add some 2.5 mm.
	if got := hi - lo; !(math.Abs(got-102.5) < 2.5) {
		t.Errorf("bar spans %.1f mm of the board, want 100 between the middles of its ticks", got)
	}
}

func TestReduceAverages(t *testing.T) {
	im := image.NewNRGBA(image.Rect(0, 0, 8, 4))
	for i := range im.Pix {
		im.Pix[i] = byte(i * 37)
	}
	for i := 3; i < len(im.Pix); i += 4 {
		if i%12 != 3 {
			im.Pix[i] = 255
		}
	}
	var memory Memory // what is in it from the last picture must not show
	for _, k := range []int{1, 2, 4} {
		out := memory.reduce(im, k, 1, ground)
		if want := image.Rect(0, 0, 8/k, 4/k+1); out.Rect != want {
			t.Fatalf("reduce by %d: size %v, want %v", k, out.Rect, want)
		}
		for y := range 4 / k {
			for x := range 8 / k {
				var sum [3]float64
				for j := range k * k {
					c := im.NRGBAAt(x*k+j%k, y*k+j/k)
					a := float64(c.A) / 255
					for i, v := range [3][2]uint8{{c.R, ground.R}, {c.G, ground.G}, {c.B, ground.B}} {
						sum[i] += (a*float64(v[0]) + (1-a)*float64(v[1])) / float64(k*k)
					}
				}
				got := out.RGBAAt(x, y)
				for i, v := range [3]uint8{got.R, got.G, got.B} {
					if !(math.Abs(float64(v)-sum[i]) <= 0.51) {
						t.Errorf("reduce by %d at (%d, %d) channel %d = %d, want %.2f", k, x, y, i, v, sum[i])
					}
				}
			}
		}
	}
}

// A mark on the horizon's far side, outside the photo or of no accessory must not
// stop the drawing.
func TestOverlayOddMarks(t *testing.T) {
	in := testBoard(t, 640, 480, 3)
	in.Marks = append(in.Marks,
		Mark{Pos: r2.Vec{X: 1e6, Y: 1e6}, DiameterMM: 19, Number: 1},
		Mark{Pos: r2.Vec{X: math.NaN()}, DiameterMM: 19, Number: 2},
		Mark{Pos: r2.Vec{X: 0, Y: 0}, DiameterMM: math.NaN(), Number: 3},
		Mark{Pos: r2.Vec{X: -9000}, DiameterMM: 19, Number: 4},
		Mark{DiameterMM: 12, Who: 99, Number: 5},
	)
	in.Facts = Facts{}
	checkBoxes(t, "odd marks", Overlay(in))
}

func BenchmarkOverlay(b *testing.B) {
	in := testBoard(b, 4032, 3024, 45)
	for b.Loop() {
		Overlay(in)
	}
}

func BenchmarkFlatPicture(b *testing.B) {
	in := flatten(testBoard(b, 2016, 1512, 45), 2, 600)
	for b.Loop() {
		FlatPicture(in)
	}
}
