package picture

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

var formats = []struct {
	name   string
	format Format
}{{"still", Still}, {"vertical", Vertical}, {"thumbnail", Thumbnail}}

// small halves a picture twice: goldens show layout and colour at a quarter of
// the size.
func small(im *image.RGBA) *image.RGBA {
	n := &image.NRGBA{Pix: im.Pix, Stride: im.Stride, Rect: im.Rect} // opaque: the same bytes
	return new(Memory).reduce(n, 4, 0, ground)
}

func TestSceneGoldens(t *testing.T) {
	for _, f := range formats {
		golden(t, f.name, small(Compose(demoScene(t), f.format, AsShot).Picture().Image))
	}
	golden(t, "common-centre", small(Compose(demoScene(t), Still, CommonCentre).Picture().Image))
	golden(t, "eight", small(Compose(eightScene(), Still, AsShot).Picture().Image))
}

// Texts never overlap or leave the part of the canvas that stays visible, for
// scenes of any size: no accessory to eight, no shot to fifty, names of any
// length, groups wider than the board, misses on all sides.
func TestTextStaysInPlace(t *testing.T) {
	safe := map[Format]image.Rectangle{
		Still:     image.Rect(96, 54, 1824, 1026), // the inner 90%
		Vertical:  image.Rect(108, 384, 972, 1536),
		Thumbnail: image.Rect(64, 36, 1216, 684),
	}
	const grace = 2 // an italic or accent may reach past its advance
	for seed := range uint64(20) {
		s := randomScene(rand.New(rand.NewPCG(seed, 2)))
		if seed == 0 {
			s = eightScene()
		}
		for _, f := range formats {
			for _, g := range []Geometry{AsShot, CommonCentre} {
				if seed%2 == uint64(g) && seed > 3 {
					continue
				}
				what := fmt.Sprintf("seed %d, %s, geometry %d", seed, f.name, g)
				p := Compose(s, f.format, g).Picture()
				checkBoxes(t, what, p)
				for _, b := range p.Boxes {
					if !b.Rect.In(safe[f.format].Inset(-grace)) {
						t.Errorf("%s: text %q at %v leaves the safe area %v", what, b.Text, b.Rect, safe[f.format])
					}
				}
			}
		}
	}
}

// The lower right of a thumbnail is where players show a duration.
func TestThumbnailLeavesDurationClear(t *testing.T) {
	for _, s := range []Scene{demoScene(t), eightScene()} {
		im := Compose(s, Thumbnail, AsShot).Picture().Image
		for y := 630; y < 720; y++ {
			for x := 1020; x < 1280; x++ {
				if levelsApart(im.RGBAAt(x, y), ground) > 0 {
					t.Fatalf("%q: pixel (%d, %d) is not empty", s.Title, x, y)
				}
			}
		}
	}
}

// No impact is ever cut off, however far out.
func TestWidestShotIsInside(t *testing.T) {
	for _, far := range []float64{10, 380, 520, 3000} {
		s := demoScene(t)
		s.Accessories[0].Impacts[2].Pos = r2.Vec{X: -far, Y: far / 3}
		s.Accessories[0].fill()
		for _, f := range formats {
			for _, g := range []Geometry{AsShot, CommonCentre} {
				c := composer{Page: &Page{}, scene: s, geometry: g}
				for _, area := range []box{{0, 0, 700, 700}, {0, 0, 900, 400}} {
					plan := boardPlan{area: area, glyphPx: 12, who: c.everyone()}
					perMM := plan.side() / 2 / c.halfView(plan)
					for _, a := range s.Accessories {
						for _, m := range a.shown(g) {
							x, y := math.Abs(m.Pos.X)*perMM+1.6*plan.glyphPx, math.Abs(m.Pos.Y)*perMM+1.6*plan.glyphPx
							if !(x <= area.x1/2 && y <= area.y1/2) {
								t.Errorf("%s, shot %.0f mm out: a mark reaches %.0f by %.0f px, the view %.0f by %.0f", f.name, far, x, y, area.x1/2, area.y1/2)
							}
						}
					}
				}
			}
		}
	}
}

// Layers laid over each other are the picture, to within rounding of the alpha.
func TestLayersStackToPicture(t *testing.T) {
	p := Compose(demoScene(t), Still, AsShot)
	var layers []*image.RGBA
	for i := range p.Layers() {
		layers = append(layers, p.Layer(i))
	}
	want := p.Picture().Image
	got := blank(want.Rect.Dx(), want.Rect.Dy(), ground)
	for _, l := range layers { // what a video editor does with them
		draw.Draw(got, got.Rect, l, image.Point{}, draw.Over)
	}
	bad := 0
	for i := range want.Pix {
		if d := int(got.Pix[i]) - int(want.Pix[i]); d > 4 || d < -4 {
			bad++
		}
	}
	if bad > len(want.Pix)/10000 {
		t.Errorf("%d of %d values differ by more than 4 levels from the picture", bad, len(want.Pix))
	}
}

func TestLayerNames(t *testing.T) {
	names := Compose(demoScene(t), Still, AsShot).Layers()
	for i, n := range names {
		if !regexp.MustCompile(`^[0-9]{2}-[a-z]+(-[a-z]+)?(-[A-Za-z0-9]+)?$`).MatchString(n) {
			t.Errorf("layer %d is called %q: not fit for a file name", i, n)
		}
		if slices.Contains(names[:i], n) {
			t.Errorf("layer name %q appears twice", n)
		}
	}
	for _, want := range []string{"01-board", "02-rings-scale", "03-spread-A", "06-marks-A"} {
		if !slices.Contains(names, want) {
			t.Errorf("layers %v lack %s", names, want)
		}
	}
}

// Each reveal step only adds: accessory k's marks appear at step k+1.
func TestRevealAddsAccessories(t *testing.T) {
	p := Compose(demoScene(t), Still, AsShot)
	if p.Steps() != 5 {
		t.Fatalf("Steps() = %d, want 5 for three accessories", p.Steps())
	}
	prev := p.Step(0)
	for k := 1; k < p.Steps(); k++ {
		next := p.Step(k)
		if bytes.Equal(prev.Image.Pix, next.Image.Pix) {
			t.Errorf("step %d looks like step %d", k, k-1)
		}
		if len(next.Boxes) <= len(prev.Boxes) {
			t.Errorf("step %d has %d texts, step %d has %d: nothing was added", k, len(next.Boxes), k-1, len(prev.Boxes))
		}
		prev = next
	}
	if !bytes.Equal(prev.Image.Pix, p.Picture().Image.Pix) {
		t.Error("the last step is not the picture")
	}
}

// Two blocks each, shot A B B A: the reveal follows the order shot, and A's figures
// come with its second block.
func TestRevealFollowsTheStrings(t *testing.T) {
	s := demoScene(t)
	s.Accessories = s.Accessories[:2]
	for w, strings := range [][2]int{{1, 4}, {2, 3}} {
		for i := range s.Accessories[w].Impacts {
			s.Accessories[w].Impacts[i].String = strings[i%2]
		}
	}
	p := Compose(s, Still, AsShot)
	at := map[string]int{}
	for _, l := range p.layers {
		at[l.name[len("00-"):]] = l.step
	}
	want := map[string]int{"marks-A-1": 1, "marks-B-1": 2, "marks-B-2": 3, "marks-A-2": 4, "labels-A": 4, "labels-B": 3, "figures-A": 4, "verdict": 5}
	for name, step := range want {
		if at[name] != step {
			t.Errorf("%s appears at step %d, want %d", name, at[name], step)
		}
	}
	if p.Steps() != 6 {
		t.Errorf("Steps() = %d, want 6: the board, four strings, the verdict", p.Steps())
	}
	s.Accessories[1].Impacts[0].String = 0
	if p := Compose(s, Still, AsShot); p.Steps() != 4 {
		t.Errorf("with one impact of unknown string Steps() = %d, want 4: by accessory", p.Steps())
	}
}

// The same scene gives the same bytes.
func TestPictureRepeats(t *testing.T) {
	a, b := Compose(eightScene(), Vertical, AsShot).Picture(), Compose(eightScene(), Vertical, AsShot).Picture()
	if !bytes.Equal(a.Image.Pix, b.Image.Pix) {
		t.Error("two drawings of one scene differ")
	}
}

// WCAG 2.1, success criterion 1.4.3: text 4.5:1 on its ground, large text and
// graphics (1.4.11) 3:1. Values of the formula from memory.
func TestContrast(t *testing.T) {
	ratio := func(a, b color.NRGBA) float64 {
		la, lb := luminance(a), luminance(b)
		return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
	}
	if got := ratio(white, color.NRGBA{A: 255}); !(math.Abs(got-21) < 1e-9) {
		t.Errorf("white on black has contrast %v, want 21 by definition", got)
	}
	for _, bg := range []color.NRGBA{ground, paper, backing} {
		for _, c := range []struct {
			name string
			col  color.NRGBA
			need float64
		}{{"ink", ink, 7}, {"soft ink", softInk, 4.5}} {
			if got := ratio(c.col, bg); !(got >= c.need) {
				t.Errorf("%s on %v has contrast %.2f, want %.1f", c.name, bg, got, c.need)
			}
		}
		for _, tone := range okabeIto {
			if got := ratio(lineTone(tone), bg); !(got >= 2.5) {
				t.Errorf("a thin line of tone %v on %v has contrast %.2f, want 2.5", tone, bg, got)
			}
		}
	}
}

func TestFitAndWrap(t *testing.T) {
	var set typesetter
	st := style{regularWeight, 20}
	for _, c := range []struct {
		in    string
		maxPx float64
	}{{"short", 300}, {"a name that is far too long for this place", 120}, {"W", 1}, {"", 10}, {"\n\ttabs\nand lines", 200}} {
		got, fitted := set.fit(c.in, st, c.maxPx, 0.7)
		if w := set.width(got, fitted); !(w <= c.maxPx) {
			t.Errorf("fit(%q, %v) = %q, %.1f px wide", c.in, c.maxPx, got, w)
		}
	}
	for _, l := range set.wrap("one two three four five six seven eight nine ten", st, 90, 3) {
		if w := set.width(l, st); !(w <= 90) {
			t.Errorf("wrap gave %q, %.1f px wide", l, w)
		}
	}
}

func TestLengthText(t *testing.T) {
	for _, c := range []struct {
		mm   float64
		want string
	}{{0, "0 mm"}, {98.6, "99 mm"}, {999.4, "999 mm"}, {999.6, "1.00 m"}, {1234, "1.23 m"}, {math.NaN(), "–"}, {math.Inf(1), "–"}} {
		if got := lengthText(c.mm); got != c.want {
			t.Errorf("lengthText(%v) = %q, want %q", c.mm, got, c.want)
		}
	}
}

func BenchmarkStill(b *testing.B) {
	s := demoScene(b)
	for b.Loop() {
		Compose(s, Still, AsShot).Picture()
	}
}

func BenchmarkEightAccessories(b *testing.B) {
	s := eightScene()
	for b.Loop() {
		Compose(s, Still, AsShot).Picture()
	}
}

// Misses are data: on every picture the counts add up to the shots that
// went off the board.
func TestNoMissIsLost(t *testing.T) {
	count := regexp.MustCompile(`^[A-H] ([0-9]+) (missed|off)$`)
	scenes := []Scene{demoScene(t), eightScene()}
	for seed := range uint64(12) {
		scenes = append(scenes, randomScene(rand.New(rand.NewPCG(seed, 3))))
	}
	for i, s := range scenes {
		for _, f := range formats {
			want, got := 0, 0
			for w, a := range s.Accessories {
				if f.format != Thumbnail || w < 3 {
					want += a.Misses
				}
			}
			for _, b := range Compose(s, f.format, AsShot).Picture().Boxes {
				if m := count.FindStringSubmatch(b.Text); m != nil {
					n, _ := strconv.Atoi(m[1])
					got += n
				}
			}
			if got != want {
				t.Errorf("scene %d, %s: the picture counts %d misses, the scene has %d", i, f.name, got, want)
			}
		}
	}
}

func TestFactsRound(t *testing.T) {
	for _, c := range []struct {
		mm   float64
		want string
	}{{0.0312, "ring fit ±0.031 mm"}, {0.25, "ring fit ±0.25 mm"}, {2.34, "ring fit ±2.3 mm"}, {15, "ring fit ±15.0 mm"}} {
		if got := (Facts{ResidualMM: c.mm}).list(0, 0)[0]; got != c.want {
			t.Errorf("Facts{ResidualMM: %v} reads %q, want %q", c.mm, got, c.want)
		}
	}
}

// More marks than shots are no share of them.
func TestCountText(t *testing.T) {
	for _, c := range []struct {
		n, declared, misses int
		want                string
	}{
		{15, 15, 0, "15 shots"}, {1, 0, 0, "1 shot"}, {14, 15, 1, "14 of 15 shots"}, {15, 3, 0, "15 marks, shots stated: 3"},
	} {
		if got := countText(Accessory{Declared: c.declared, Misses: c.misses, All: Figures{N: c.n}}); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
}
