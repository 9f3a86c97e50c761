package vision

import (
	"bytes"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// scored compares found marks with the truth of a scene: how many visible marks
// were found within half a diameter with the right colour, how many found marks
// are none, and the root mean square of the distances in mm.
func scored(truth boardtest.Truth, marks []Mark) (missed, extra int, rmsMM float64) {
	used := make([]bool, len(marks))
	n := 0
	for _, m := range truth.Marks {
		if m.VisibleFraction < 0.25 {
			continue
		}
		best, at := math.Inf(1), -1
		for i, f := range marks {
			if d := math.Hypot(f.Pos.X-m.X, f.Pos.Y-m.Y); !used[i] && d < best && f.Colour == m.Name {
				best, at = d, i
			}
		}
		if !(best < m.DiameterMM/2) {
			missed++
			continue
		}
		used[at] = true
		rmsMM += best * best
		n++
	}
	for _, u := range used {
		if !u {
			extra++
		}
	}
	return missed, extra, math.Sqrt(rmsMM / float64(max(1, n)))
}

func circlesOf(truth boardtest.Truth) (cs []Circle) {
	for _, r := range truth.Rings {
		cs = append(cs, Circle{RadiusMM: r.OuterDiameterMM / 2, InnerMM: r.OuterDiameterMM/2 - r.LineMM, Seen: 1})
	}
	return cs
}

// Boards drawn with exact truth: each row is one difficulty that mark finding has
// to handle.
func TestFindMarks(t *testing.T) {
	board := func() boardtest.Scene {
		s := boardtest.Plain(1200, 1200)
		s.Camera.Tilt, s.Camera.Azimuth = 0.35, 0.6
		return s
	}
	for _, c := range []struct {
		name    string
		marks   []boardtest.Mark
		colours []string
		sizeMM  float64
		limitMM float64 // RMS of the positions
	}{
		{"plain, known", slices.Concat(boardtest.Stickers("red", 19, [2]float64{40, 30}, [2]float64{-70, 20}, [2]float64{75, -90}),
			boardtest.Stickers("blue", 19, [2]float64{-20, -60}, [2]float64{120, 50})), []string{"red", "blue"}, 19, 0.12},
		{"plain, learnt", slices.Concat(boardtest.Stickers("green", 16, [2]float64{40, 30}, [2]float64{-70, 20}, [2]float64{75, -90}),
			boardtest.Stickers("purple", 19, [2]float64{-20, -65}, [2]float64{120, 65})), nil, 0, 0.12},
		{"on ring lines", boardtest.Stickers("orange", 19, [2]float64{50, 0}, [2]float64{0, 100}, [2]float64{-150, 0}, [2]float64{0, -200}), []string{"orange"}, 19, 0.2},
		{"overlapping", boardtest.Stickers("blue", 19, [2]float64{60, 60}, [2]float64{70, 66}, [2]float64{72, 54}, [2]float64{-60, 0}, [2]float64{-60, -70}), []string{"blue"}, 19, 0.6},
		{"off the face", boardtest.Stickers("red", 19, [2]float64{30, 20}, [2]float64{-60, 40}, [2]float64{215, 30}), []string{"red"}, 19, 0.15},
		{"no marks", nil, []string{"red"}, 19, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := board()
			s.Marks = c.marks
			img, truth := boardtest.Render(s)
			marks, flat, _ := findMarks(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Colours: c.colours, SizeMM: c.sizeMM})
			missed, extra, rms := scored(truth, marks)
			if missed != 0 || extra != 0 || !(rms <= c.limitMM) {
				t.Errorf("missed %d, extra %d, RMS %.3f mm (want 0, 0, at most %.3f): %+v", missed, extra, rms, c.limitMM, marks)
			}
			if flat == nil || flat.Image.Rect.Empty() {
				t.Error("no flat picture")
			}
			for _, m := range marks {
				if (r2.Norm(m.Pos) > 200) != slices.Contains(m.Flags, OffFace) || slices.Contains(m.Flags, AtLeast) {
					t.Errorf("mark at %v carries flags %v", m.Pos, m.Flags)
				}
			}
		})
	}
}

// photographed renders a scene, stores it as its JPEG and reads it back.
func photographed(t *testing.T, s boardtest.Scene) (*photo.Photo, boardtest.Truth) {
	img, truth := boardtest.Render(s)
	var file bytes.Buffer
	if err := boardtest.EncodeJPEG(&file, img, s.JPEG); err != nil {
		t.Fatal(err)
	}
	p, err := photo.Decode(file.Bytes(), "board", photo.Options{DecodeJPEG: DecodeJPEG})
	if err != nil {
		t.Fatal(err)
	}
	return p, truth
}

// Noise and the grain of a JPEG on a board seen small look like discs of a few pixels.
func TestNoMarksInNoise(t *testing.T) {
	p, _ := photographed(t, boardtest.Random(3021, boardtest.Hopeless)) // two wide rings at 1 px per mm, no marks
	r, err := Read(p, Options{Rings: RingSpec{OuterMM: 800}})
	if err != nil || len(r.Marks) > 0 {
		t.Errorf("%d marks on a clean board (%v)", len(r.Marks), err)
	}
}

// In leaf light flecks and numerals look like discs of white and black: what is
// reported must be stickers, and coloured ones must not suffer.
func TestLeafLight(t *testing.T) {
	s := boardtest.Plain(1000, 1000)
	s.Light.Ambient, s.Light.Sun, s.Light.Shadow, s.Light.PenumbraMM = 0.45, 0.55, "leaves", 4
	s.Marks = slices.Concat(boardtest.Stickers("red", 12, [2]float64{40, 30}, [2]float64{-70, 20}, [2]float64{75, -90}),
		boardtest.Stickers("white", 12, [2]float64{-20, -65}, [2]float64{120, 65}))
	img, truth := boardtest.Render(s)
	marks, _, _ := findMarks(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Colours: []string{"black", "red", "white"}, SizeMM: 12})
	if _, extra, _ := scored(truth, marks); extra != 0 {
		t.Errorf("%d marks reported that are none: %+v", extra, marks)
	}
	red := 0
	for _, m := range marks {
		if m.Colour == "red" {
			red++
		}
	}
	if red != 3 {
		t.Errorf("%d red marks found, want 3", red)
	}
}

// The stated covariances hold 95 % of the true places. 60 stickers on two boards: by
// chance alone 4.5 fall short in 100 runs when fewer than 53 are held (binomial).
func TestMarkCovarianceHolds(t *testing.T) {
	held, n := 0, 0
	for _, tilt := range []float64{0.2, 0.7} {
		s := boardtest.Plain(1400, 1200)
		s.Camera.Tilt, s.Camera.Azimuth = tilt, 1
		s.Imaging.ShotSD, s.Imaging.BlurPx = 0.02, 1.2
		for i := range 30 {
			sin, cos := math.Sincos(float64(i) * 2.4)
			r := 33 * math.Sqrt(float64(i)+0.5)
			s.Marks = append(s.Marks, boardtest.Stickers("blue", 16, [2]float64{r * cos, r * sin})...)
		}
		img, truth := boardtest.Render(s)
		marks, _, _ := findMarks(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Colours: []string{"blue"}, SizeMM: 16})
		for _, m := range marks {
			for _, o := range truth.Marks {
				x, y := m.Pos.X-o.X, m.Pos.Y-o.Y
				if math.Hypot(x, y) > 4 {
					continue
				}
				n++
				c := m.CovMM2
				// 5.99 is the 95 % point of chi-squared with two degrees of freedom
				// (NIST/SEMATECH e-Handbook, table 1.3.6.7.4).
				if (c[2]*x*x-2*c[1]*x*y+c[0]*y*y)/(c[0]*c[2]-c[1]*c[1]) < 5.99 {
					held++
				}
			}
		}
	}
	if n != 60 || held < 53 {
		t.Errorf("%d of %d covariances hold the truth, want at least 53 of 60", held, n)
	}
}

// Votes gather at the centres of discs of the radius asked for, and hardly elsewhere.
func TestPeaks(t *testing.T) {
	s := boardtest.Plain(1000, 1000)
	s.Marks = boardtest.Stickers("green", 20, [2]float64{60, 20}, [2]float64{-50, 40})
	img, truth := boardtest.Render(s)
	f, _, warnings := newSearch(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{SizeMM: 20})
	if f == nil {
		t.Fatal(warnings)
	}
	f.candidates()
	ps := f.peaks(f.edges(), 10*f.flat.PxPerMM, 0.5)
	for _, m := range truth.Marks {
		near := slices.ContainsFunc(ps, func(p peak) bool {
			at := f.flat.ToBoard(calib.Px{X: p.x, Y: p.y})
			return math.Hypot(at.X-m.X, at.Y-m.Y) < 1
		})
		if !near {
			t.Errorf("no peak of votes within 1 mm of the disc at %.0f, %.0f", m.X, m.Y)
		}
	}
	if len(ps) > 6 {
		t.Errorf("%d places have half the votes of a disc, want two and few others", len(ps))
	}
}

// evenSearch is a search on a face of one colour in even light.
func evenSearch(outerMM float64) *search {
	s := &search{flat: &Flat{PxPerMM: 1}, y: newPlanes(1, 1), m: &faceModel{edgePx: 1, light: newLightMap(1, 1, 1)}, outerMM: outerMM}
	for c := range s.m.radial {
		s.m.radial[c] = []float32{0}
	}
	return s
}

// One colour in sun and in shade is one group, two colours in either are two.
func TestGroupColours(t *testing.T) {
	red, orange := rgb{0.6, 0.1, 0.08}, rgb{0.75, 0.3, 0.06}
	shade := func(c rgb) rgb { return rgb{0.6 * c[0], 0.6 * c[1], 0.6 * c[2]} }
	s := evenSearch(100)
	var ds []*disc
	for _, c := range []rgb{red, shade(red), orange, shade(orange)} {
		ds = append(ds, &disc{inside: c, pos: r2.Vec{X: 50}})
	}
	s.groupColours(ds)
	if len(s.groups) != 2 || ds[0].group != ds[1].group || ds[2].group != ds[3].group {
		t.Errorf("groups %d %d %d %d of %d, want two, each of one colour", ds[0].group, ds[1].group, ds[2].group, ds[3].group, len(s.groups))
	}
}

// A disc keeps the number of a group from an earlier grouping, which had more.
func TestRelateAfterRegrouping(t *testing.T) {
	s := evenSearch(100)
	red := rgb{0.6, 0.1, 0.08}
	s.groupColours([]*disc{{inside: red, pos: r2.Vec{X: 50}}, {inside: red, pos: r2.Vec{X: -50}}})
	d := &disc{inside: red, pos: r2.Vec{Y: 50}, group: 3}
	if s.relate([]*disc{d}); d.group != 0 || !(d.kin < 0.01) {
		t.Errorf("group %d at a distance of %g, want group 0 at none", d.group, d.kin)
	}
}

func TestFlattenKeepsPlaces(t *testing.T) {
	s := boardtest.Plain(800, 600)
	s.Camera.Tilt = 0.5
	img, truth := boardtest.Render(s)
	f := flatten(&photo.Photo{Image: img}, truth.Rectification, extentMM{-250, 250, -250, 250}, 1)
	for _, x := range []r2.Vec{{X: 10, Y: 20}, {X: -100, Y: 77}} {
		if got := f.ToBoard(f.ToFlat(x)); !(r2.Norm(r2.Sub(got, x)) < 1e-9) {
			t.Errorf("ToBoard(ToFlat(%v)) = %v", x, got)
		}
	}
	// The 300 mm ring (dark, 3 mm) is where it should be, all around.
	for k := range 24 {
		sn, cs := math.Sincos(float64(k) * math.Pi / 12)
		at := func(r float64) int {
			p := f.ToFlat(r2.Vec{X: r * cs, Y: r * sn})
			return int(f.Image.NRGBAAt(int(math.Round(p.X)), int(math.Round(p.Y))).G)
		}
		if !(at(148.5) < at(143)-25 && at(148.5) < at(154)-25) {
			t.Errorf("direction %d: ring %d, inside %d, outside %d", k, at(148.5), at(143), at(154))
		}
	}
}

func BenchmarkFindMarks(b *testing.B) {
	s := boardtest.Plain(4000, 3000)
	s.Camera.Tilt = 0.4
	for i := range 30 {
		sn, cs := math.Sincos(float64(i) * 2.4)
		s.Marks = append(s.Marks, boardtest.Stickers("red", 19, [2]float64{30 * math.Sqrt(float64(i)) * cs, 30 * math.Sqrt(float64(i)) * sn})...)
	}
	img, truth := boardtest.Render(s)
	for b.Loop() {
		findMarks(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Colours: []string{"red"}, SizeMM: 19})
	}
}

// The size of the stickers is learnt from the photo where it is not given, also of ones
// that are only a few pixels wide on the raster where sizes are learnt.
func TestSizesLearnt(t *testing.T) {
	for _, c := range []struct {
		name   string
		seed   uint64
		sizeMM float64
	}{
		{"8 mm on a large board", 42009, 8},
		{"10 mm on a drawn face", 42096, 10},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := boardtest.Random(c.seed, boardtest.Varied)
			p, _ := asPhoto(s)
			r, err := Read(p, Options{Rings: specOf(s.Face)})
			if err != nil {
				t.Fatal(err)
			}
			var mm []float64
			for _, m := range r.Marks {
				mm = append(mm, m.DiameterMM)
			}
			if got, want := len(mm), len(s.Marks); got < want-1 || got > want+want/5+1 {
				t.Fatalf("%d stickers, want about %d", got, want)
			}
			if got := medianOf(mm); math.Abs(got/c.sizeMM-1) > 0.1 {
				t.Errorf("they measure %.1f mm, want %g", got, c.sizeMM)
			}
		})
	}
}

// Two accessories may have stickers of two sizes.
func TestTwoSizesLearnt(t *testing.T) {
	s := tilted(15, 60, -0.03)
	for i := range 10 {
		x := 30*float64(i) - 140
		s.Marks = append(s.Marks, boardtest.Stickers("red", 13, [2]float64{x, 60 + 5*float64(i%3)})...)
		s.Marks = append(s.Marks, boardtest.Stickers("blue", 17, [2]float64{x + 7, -45 - 8*float64(i%4)})...)
	}
	p, truth := asPhoto(s)
	marks, _, _ := findMarks(p, truth.Rectification, circlesOf(truth), MarkOptions{})
	if missed, extra, _ := scored(truth, marks); missed+extra > 0 {
		t.Errorf("%d missed, %d extra", missed, extra)
	}
	for _, m := range marks {
		if want := map[string]float64{"red": 13, "blue": 17}[m.Colour]; math.Abs(m.DiameterMM-want) > 0.7 {
			t.Errorf("%s sticker of %.1f mm, want %g", m.Colour, m.DiameterMM, want)
		}
	}
}

// Black stickers on a black face, each pixel of which differs from it by little more than
// noise: a person sees them at once. In more noise rims alone showed two of six.
func TestFaintStickers(t *testing.T) {
	for _, noise := range []float64{1, 1.2} {
		s := boardtest.Plain(1200, 1200)
		s.Board.Paper = boardtest.Colour{R: 44, G: 34, B: 30}
		s.Imaging.ShotSD, s.Imaging.ReadSD = 0.012*noise, 0.0065*noise
		s.Marks = boardtest.Stickers("black", 19, [2]float64{75, 25}, [2]float64{-70, 25}, [2]float64{70, -90}, [2]float64{-25, -70}, [2]float64{20, 70}, [2]float64{-120, -20})
		p, truth := photographed(t, s)
		marks, _, _ := findMarks(p, truth.Rectification, circlesOf(truth), MarkOptions{Colours: []string{"black"}, SizeMM: 19})
		if missed, extra, _ := scored(truth, marks); missed != 0 || extra != 0 {
			t.Errorf("%g times the noise: missed %d, extra %d of %d", noise, missed, extra, len(truth.Marks))
		}
	}
}

// Where by their own chances many of the stickers are none, all are doubtful.
func TestMuddled(t *testing.T) {
	for _, c := range []struct {
		n      int
		chance float64
		want   bool
	}{{40, 0.75, true}, {40, 0.95, false}, {5, 0.7, false}, {0, 0, false}} {
		s := &search{}
		ds := make([]*disc, c.n)
		for i := range ds {
			ds[i] = &disc{chance: c.chance}
		}
		if got := s.muddled(ds); got != c.want || len(s.warnings) > 0 != c.want {
			t.Errorf("%d of chance %g: muddled %v, warnings %q; want %v", c.n, c.chance, got, s.warnings, c.want)
		}
	}
}

// A lone sticker of another size, and of another colour, is found among many.
func TestOneLargerSticker(t *testing.T) {
	s := boardtest.Plain(1600, 1200)
	s.Marks = append(boardtest.Stickers("red", 13, [2]float64{60, 40}, [2]float64{-70, 30}, [2]float64{20, -90}, [2]float64{-50, -60},
		[2]float64{110, -20}, [2]float64{-20, 75}, [2]float64{35, 120}, [2]float64{-120, -30}), boardtest.Stickers("blue", 19, [2]float64{80, -70})...)
	p, truth := photographed(t, s)
	marks, _, _ := findMarks(p, truth.Rectification, circlesOf(truth), MarkOptions{})
	if missed, extra, _ := scored(truth, marks); missed+extra > 0 {
		t.Errorf("missed %d, extra %d of %d: %v", missed, extra, len(truth.Marks), marks)
	}
}
