package vision

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// bareScene is a face of lines with numerals on which kind of marks lie.
func bareScene(kind boardtest.Kind, diameterMM float64, at ...[2]float64) boardtest.Scene {
	s := boardtest.Plain(1000, 1000)
	s.Camera.Tilt, s.Camera.Azimuth = 0.3, 0.7
	black := boardtest.Colour{R: 22, G: 22, B: 22}
	s.Face.Numerals = boardtest.Numerals{SizeMM: 14, Zones: []boardtest.Colour{black, black, black}}
	for _, p := range at {
		s.Marks = append(s.Marks, boardtest.Mark{Kind: kind, X: p[0], Y: p[1], DiameterMM: diameterMM})
	}
	return s
}

// readBare finds the bare marks of a scene and compares them with its truth, found
// within half a diameter.
func readBare(s boardtest.Scene) (marks []Mark, missed, extra int, rmsMM float64) {
	img, truth := boardtest.Render(s)
	marks, _, _ = findMarks(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Bare: true})
	missed, extra, rmsMM = scored(truth, marks)
	return marks, missed, extra, rmsMM
}

// Each row is one thing that is hard about bare marks; the positions must come out
// within a share of the marks' own ragged outline.
func TestBareMarks(t *testing.T) {
	apart := [][2]float64{{40, 62}, {-70, 25}, {75, -85}, {-30, -58}, {130, 50}}
	for _, c := range []struct {
		name    string
		scene   boardtest.Scene
		limitMM float64
	}{
		{"holes apart", bareScene(boardtest.Hole, 11, apart...), 0.4},
		{"holes that touch", bareScene(boardtest.Hole, 10, [2]float64{40, 62}, [2]float64{50, 64}, [2]float64{-70, 25}, [2]float64{-61, 29}), 0.8},
		{"holes on lines", bareScene(boardtest.Hole, 11, [2]float64{72, 69}, [2]float64{-35, 36}, [2]float64{-110, -103}), 0.5},
		{"dents", bareScene(boardtest.Dent, 15, apart...), 0.9},
		{"smudges", bareScene(boardtest.Smudge, 13, apart...), 0.6},
		{"around the centre", bareScene(boardtest.Smudge, 13, [2]float64{-22, 13}, [2]float64{19, 14}, [2]float64{-4, -2}, [2]float64{-33, -3}, [2]float64{-8, -21}, [2]float64{-17, -8}, [2]float64{2, 27}), 0.8},
		{"a clean face", bareScene(boardtest.Hole, 10), 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			marks, missed, extra, rms := readBare(c.scene)
			if missed != 0 || extra != 0 || !(rms <= c.limitMM) {
				t.Errorf("missed %d, extra %d, RMS %.2f mm (want 0, 0, at most %.2f): %+v", missed, extra, rms, c.limitMM, marks)
			}
		})
	}
}

// What is drawn about the centre is none, and hides no mark: holes on a dot and on the arms
// of a cross, torn-off ends included; and a smudge or hole across a broad line of its own
// tone is one mark.
func TestBareOnPrint(t *testing.T) {
	around := func(r float64, n int) (at [][2]float64) {
		for k := range n {
			sin, cos := math.Sincos(2*math.Pi*float64(k)/float64(n) + 0.4)
			at = append(at, [2]float64{r * cos, r * sin})
		}
		return at
	}
	navy := boardtest.Colour{R: 24, G: 30, B: 80}
	for _, c := range []struct {
		name   string
		kind   boardtest.Kind
		at     [][2]float64
		change func(*boardtest.Scene)
	}{
		{"a dot", boardtest.Hole, [][2]float64{{70, 65}, {-80, 20}, {60, -90}}, func(s *boardtest.Scene) {
			s.Face.Centre = boardtest.CentreMark{Shape: "dot", SizeMM: 16, Colour: navy}
		}},
		{"holes on a dot", boardtest.Hole, append(around(13, 3), [2]float64{-70, 65}, [2]float64{80, 20}), func(s *boardtest.Scene) {
			s.Face.Centre = boardtest.CentreMark{Shape: "dot", SizeMM: 44, Colour: boardtest.Colour{R: 244, G: 180, B: 90}}
		}},
		{"a short cross", boardtest.Hole, [][2]float64{{70, 65}, {-80, 20}, {60, -90}}, func(s *boardtest.Scene) {
			s.Face.Centre = boardtest.CentreMark{Shape: "cross", SizeMM: 32, LineMM: 6, Colour: navy}
		}},
		{"holes on a cross", boardtest.Hole, [][2]float64{{2, 1}, {-28, 1}, {1, -29}, {60, -90}}, func(s *boardtest.Scene) {
			s.Face.Centre = boardtest.CentreMark{Shape: "cross", SizeMM: 60, LineMM: 6, Colour: boardtest.Colour{R: 200, G: 60, B: 50}}
		}},
		{"smudges across a line", boardtest.Smudge, around(98, 5), func(s *boardtest.Scene) { s.Face.Rings[2].LineMM = 4 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := bareScene(c.kind, 13, c.at...)
			c.change(&s)
			if marks, missed, extra, _ := readBare(s); missed != 0 || extra != 0 {
				t.Errorf("missed %d, extra %d: %+v", missed, extra, marks)
			}
		})
	}
}

// Dents on felt darken it, pixel by pixel, by little more than its grain does. One in eight
// may go wrong either way, as on random boards.
func TestBareOnCoarseGround(t *testing.T) {
	s := bareScene(boardtest.Dent, 13, [2]float64{30, 22}, [2]float64{-24, 31}, [2]float64{-70, 25}, [2]float64{75, -85}, [2]float64{-30, -58}, [2]float64{130, 50}, [2]float64{10, -130}, [2]float64{-120, -60})
	s.Board = boardtest.Board{WidthMM: 560, HeightMM: 560, Colour: boardtest.Colour{R: 128, G: 130, B: 132}, Texture: "felt"}
	s.Face.Numerals = boardtest.Numerals{}
	if marks, missed, extra, _ := readBare(s); missed > 1 || extra > 1 {
		t.Errorf("missed %d of 8, extra %d: %+v", missed, extra, marks)
	}
}

// A hole that tears a numeral is found; the numeral is none.
func TestBareHoleOnNumeral(t *testing.T) {
	s := bareScene(boardtest.Hole, 10, [2]float64{-60, 40})
	marks, missed, extra, _ := readBare(s)
	if missed != 0 || extra != 0 {
		t.Fatalf("without a hole on a numeral: missed %d, extra %d: %+v", missed, extra, marks)
	}
	s.Marks = append(s.Marks, boardtest.Mark{Kind: boardtest.Hole, X: 172, Y: 4, DiameterMM: 9})
	if marks, missed, extra, _ = readBare(s); missed != 0 || extra != 0 {
		t.Errorf("with one: missed %d, extra %d: %+v", missed, extra, marks)
	}
}

// In leaf light flecks as large as marks are left out, and holes still found.
func TestBareLeafLight(t *testing.T) {
	s := bareScene(boardtest.Hole, 11, [2]float64{40, 62}, [2]float64{-70, 25}, [2]float64{75, -85})
	s.Light.Ambient, s.Light.Sun, s.Light.Shadow, s.Light.PenumbraMM, s.Light.ShadowWidthMM = 0.45, 0.55, "leaves", 6, 30
	if marks, missed, extra, _ := readBare(s); missed != 0 || extra != 0 {
		t.Errorf("missed %d, extra %d: %+v", missed, extra, marks)
	}
}

// The ground between the arms of a wide cross is the face, not the cross, though its
// arms cover a third and more of the circles there.
func TestFaceUnderWideCross(t *testing.T) {
	const n, half, long = 161, 7, 36
	y := newPlanes(n, n)
	y.ok = make([]bool, n*n)
	for i := range y.ok {
		y.ok[i] = true
		dx, dy := math.Abs(float64(i%n-n/2)), math.Abs(float64(i/n-n/2))
		if min(dx, dy) <= half && max(dx, dy) <= long {
			y.ch[0][i] = 2.5
		}
	}
	m := modelFace(y, calib.Px{X: n / 2, Y: n / 2}, n/2, 24)
	for r, v := range m.radial[0] {
		if !(math.Abs(float64(v)) < 0.1) {
			t.Fatalf("F is %.2f at %d pixels, want that of the ground, 0", v, r)
		}
	}
}

// Print is itself when blur or shade weakens it, but not lighter or of another hue.
func TestSameInk(t *testing.T) {
	b := &bareSearch{e: [3][]float32{{-1.2, -0.6, -0.3, -0.8, 0.8}, {0.3, 0.1, 0.1, -0.6, -0.2}, {0.1, 0, 0, 0.5, 0}}}
	for j, want := range []bool{true, true, false, false, false} {
		if got := b.sameInk(0, j); got != want {
			t.Errorf("pixels 0 and %d are of one ink: %v, want %v", j, got, want)
		}
	}
}

// The up mark is no bare mark; a hole beside it, or a sticker on it, stays.
func TestDropUp(t *testing.T) {
	at := func(k Kind, x, y float64) Mark { return Mark{Kind: k, Pos: r2.Vec{X: x, Y: y}, DiameterMM: 14} }
	r := &Reading{Up: Up{Source: UpByMark, AtMM: 220}, Marks: []Mark{at(Bare, 1, 223), at(Bare, 12, 220), at(Sticker, 1, 220)}}
	if r.dropUp(); len(r.Marks) != 2 || r.Marks[0].Pos.X != 12 {
		t.Errorf("left are %+v, want the second and third", r.Marks)
	}
}

// What the clean board shows on the same raster is explained, a pixel off or not.
func TestExplainKnown(t *testing.T) {
	const n = 12
	patch := func(x, y int) *planes {
		p := newPlanes(n, n)
		p.ok = make([]bool, n*n)
		for i := range p.ok {
			p.ok[i] = true
		}
		for dy := range 3 {
			for dx := range 3 {
				p.ch[0][(y+dy)*n+x+dx] = -1
			}
		}
		return p
	}
	for _, c := range []struct {
		name   string
		before *planes
		want   bool // that the middle of the patch is print
	}{
		{"the same", patch(4, 4), true},
		{"a pixel off", patch(5, 3), true},
		{"elsewhere", patch(9, 9), false},
	} {
		here := patch(4, 4)
		b := &bareSearch{search: &search{y: here}, k: 1, e: here.ch, w: &evidence{n, n, make([]float32, n*n)}, printed: make([]bool, n*n)}
		for i, v := range here.ch[0] {
			b.w.v[i] = -v
		}
		b.explainKnown(c.before)
		if got := b.printed[5*n+5]; got != c.want {
			t.Errorf("%s: print is %v, want %v", c.name, got, c.want)
		}
	}
}

// explained must equal the drop of the sum of squares under a straight line. By
// hand: v = 1, 3, 2 at x = -1, 0, 1 has the fit 2 + x/2, which explains
// 3·2² + 2·0.5² = 12.5 of 14.
func TestExplained(t *testing.T) {
	var a [4][4]float64
	var g [4]float64
	for _, p := range [][2]float64{{-1, 1}, {0, 3}, {1, 2}} {
		row := [4]float64{1, p[0]}
		for i := range row {
			g[i] += row[i] * p[1]
			for j := range row {
				a[i][j] += row[i] * row[j]
			}
		}
	}
	if got := explained(a, g); !(math.Abs(got-12.5) < 1e-9) {
		t.Errorf("explained = %g, want 12.5", got)
	}
}

// The stated covariance must cover the errors, and not be more than three times too
// wide: the mean squared Mahalanobis distance of two coordinates is 2 when it is
// exact.
func TestBareCovariance(t *testing.T) {
	var sum float64
	n := 0
	for seed := range uint64(2) {
		var at [][2]float64
		for k := range 12 {
			sin, cos := math.Sincos(float64(k) * 2.4)
			r := 30 + 11*float64(k)
			at = append(at, [2]float64{r * cos, r * sin})
		}
		s := bareScene(boardtest.Hole, 9+4*float64(seed), at...)
		s.Seed = seed
		img, truth := boardtest.Render(s)
		marks, _, _ := findMarks(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Bare: true})
		for _, m := range marks {
			for _, want := range truth.Marks {
				d := r2.Sub(m.Pos, r2.Vec{X: want.X, Y: want.Y})
				if r2.Norm(d) > want.DiameterMM/2 {
					continue
				}
				xx, xy, yy := m.CovMM2[0], m.CovMM2[1], m.CovMM2[2]
				sum += (yy*d.X*d.X - 2*xy*d.X*d.Y + xx*d.Y*d.Y) / (xx*yy - xy*xy)
				n++
			}
		}
	}
	if mean := sum / float64(n); n < 20 || !(mean > 2.0/9 && mean < 2.6) {
		t.Errorf("mean squared Mahalanobis distance of %d holes is %.2f, want 2.0/9 to 2.6", n, mean)
	}
}
