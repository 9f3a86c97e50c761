package face

import (
	"bytes"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

func pdf(t *testing.T, f Face) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := f.PDF(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

const pointMM = 25.4 / 72 // PDF 32000-1:2008, 8.3.2.3: default user space unit

// arcs returns the end points of the curves drawn on each page, in mm from the
// page's top left corner, grouped by path, with the line width in force.
type path struct {
	widthMM float64
	pts     [][2]float64
}

func pages(t *testing.T, doc []byte) (all [][]path) {
	t.Helper()
	media := regexp.MustCompile(`/MediaBox \[0 0 [\d.]+ ([\d.]+)\]`).FindSubmatch(doc)
	if media == nil {
		t.Fatal("no MediaBox")
	}
	height, _ := strconv.ParseFloat(string(media[1]), 64)
	for _, chunk := range bytes.Split(doc, []byte("stream\n"))[1:] {
		if !bytes.Contains(chunk[:min(len(chunk), 4000)], []byte(" c\n")) {
			continue
		}
		var page []path
		var p path
		width := 0.0
		for _, l := range strings.Split(string(chunk), "\n") {
			var v [6]float64
			if n, _ := fmt.Sscanf(l, "%f w", &v[0]); n == 1 && strings.HasSuffix(l, " w") {
				width = v[0] * pointMM
			}
			if n, _ := fmt.Sscanf(l, "%f %f %f %f %f %f c", &v[0], &v[1], &v[2], &v[3], &v[4], &v[5]); n == 6 {
				p.pts = append(p.pts, [2]float64{v[4] * pointMM, (height - v[5]) * pointMM})
			}
			if l == "S" || l == "f" || l == "B" || l == "s" || l == "b" {
				if len(p.pts) > 0 {
					p.widthMM = width
					page = append(page, p)
				}
				p = path{}
			}
		}
		all = append(all, page)
	}
	return all
}

// The rings are read back from the PDF's own drawing operators: outer diameter
// to 0.1 mm as issued, on one sheet and over many.
func TestRingsReadBackFromTheDrawing(t *testing.T) {
	for _, test := range []struct {
		name string
		f    Face
	}{
		{"one sheet", Face{RingsMM: []float64{60, 120, 160}}},
		{"A4, 800 mm", Face{RingsMM: []float64{800, 200, 400, 600}, LineMM: 4}},
		{"Letter, odd sizes", Face{RingsMM: []float64{122.3, 444.4}, Paper: Letter, LineMM: 1}},
	} {
		t.Run(test.name, func(t *testing.T) {
			f := test.f
			all := pages(t, pdf(t, f))
			if err := f.check(); err != nil {
				t.Fatal(err)
			}
			_, _, sheets := f.layout()
			if len(all) != len(sheets) { // the cover has no curves
				t.Fatalf("%d pages with rings, want %d", len(all), len(sheets))
			}
			for i, page := range all {
				if len(page) != len(f.RingsMM)+1 {
					t.Fatalf("page %d: %d circles, want %d rings and the centre mark", i, len(page), len(f.RingsMM))
				}
				for k, want := range f.RingsMM {
					lo, hi := math.Inf(1), math.Inf(-1)
					for _, pt := range page[k].pts {
						x, y := pt[0]-marginMM+sheets[i].leftMM, sheets[i].topMM+marginMM-pt[1]
						d := 2*math.Hypot(x, y) + page[k].widthMM
						lo, hi = min(lo, d), max(hi, d)
					}
					if !(math.Abs(lo-want) <= 0.1 && math.Abs(hi-want) <= 0.1) {
						t.Errorf("page %d: ring of %g mm is drawn %.3f to %.3f mm wide", i, want, lo, hi)
					}
				}
			}
		})
	}
}

// An independent program draws the page, and the rings are measured in its
// pixels: 254 dots per inch are ten per millimetre.
func TestRingsMeasuredOnThePrintedPage(t *testing.T) {
	if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Skip("poppler's pdftoppm is not installed; the drawing itself is checked above")
	}
	f := Face{RingsMM: []float64{60, 120, 160}, LineMM: 2, Code: "test"}
	dir := t.TempDir()
	file := filepath.Join(dir, "face.pdf")
	if err := os.WriteFile(file, pdf(t, f), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("pdftoppm", "-r", "254", "-f", "2", "-l", "2", "-gray", "-png", file, filepath.Join(dir, "p")).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	names, _ := filepath.Glob(filepath.Join(dir, "p*.png"))
	if len(names) != 1 {
		t.Fatalf("%d pictures, want 1", len(names))
	}
	r, err := os.Open(names[0])
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	decoded, err := png.Decode(r)
	if err != nil {
		t.Fatal(err)
	}
	img := image.NewGray(decoded.Bounds())
	draw.Draw(img, img.Rect, decoded, image.Point{}, draw.Src)
	if err := f.check(); err != nil {
		t.Fatal(err)
	}
	_, _, sheets := f.layout()
	cx, cy := 10*(marginMM-sheets[0].leftMM)-0.5, 10*(marginMM+sheets[0].topMM)-0.5 // pixel centres
	ink := func(x, y float64) float64 {                                             // bilinear, 0 white to 1 black
		x0, y0 := int(math.Floor(x)), int(math.Floor(y))
		u, v := x-float64(x0), y-float64(y0)
		g := func(i, j int) float64 { return 1 - float64(img.GrayAt(i, j).Y)/255 }
		return (1-v)*((1-u)*g(x0, y0)+u*g(x0+1, y0)) + v*((1-u)*g(x0, y0+1)+u*g(x0+1, y0+1))
	}
	// Outer edge of each ring where the ink falls through one half, along 24 rays.
	for _, want := range f.RingsMM {
		for i := range 24 {
			s, c := math.Sincos(2 * math.Pi * (float64(i) + 0.3) / 24)
			edge := math.NaN()
			for r := 5*want - 9; r < 5*want+15; r += 0.05 {
				if ink(cx+r*c, cy-r*s) < 0.5 {
					edge = r
					break
				}
			}
			if !(math.Abs(edge/5-want) <= 0.1) {
				t.Errorf("ring of %g mm, ray %d: outer edge at a diameter of %.3f mm", want, i, edge/5)
			}
		}
	}
	// The horizontal check bar: its ticks are 100 mm apart.
	row := img.Bounds().Dy() - 75 - 12 // above the bar, through the ticks
	var ticks []float64
	for x := 1; x < img.Bounds().Dx(); x++ {
		if img.GrayAt(x, row).Y < 128 && img.GrayAt(x-1, row).Y >= 128 {
			ticks = append(ticks, float64(x))
		}
	}
	if len(ticks) < 2 || !(math.Abs(ticks[1]-ticks[0]-1000) <= 1) {
		t.Errorf("ticks of the check bar at %v tenths of a millimetre, want two 1000 apart", ticks)
	}
}

func TestSameBytes(t *testing.T) {
	f := Face{RingsMM: []float64{300, 100}, Code: "K7", Stickers: []Key{{"A", "Nørth", "blue"}, {"B", "Reed", "orange"}}, StickerMM: 19}
	if a, b := pdf(t, f), pdf(t, f); !bytes.Equal(a, b) {
		t.Error("two runs differ")
	}
}

// Neighbouring sheets share their crosses: the canvas positions coincide.
func TestRegistrationCoincides(t *testing.T) {
	f := Face{RingsMM: []float64{800}}
	if err := f.check(); err != nil {
		t.Fatal(err)
	}
	w, h, sheets := f.layout()
	for _, a := range sheets {
		for _, b := range sheets {
			if a.row == b.row && b.column == a.column+1 {
				right := a.leftMM + w - 2*marginMM - overlapMM/2
				if left := b.leftMM + overlapMM/2; math.Abs(right-left) > 1e-9 {
					t.Errorf("row %d: crosses at %g and %g", a.row, right, left)
				}
			}
			if a.column == b.column && b.row == a.row+1 {
				low := a.topMM - (h - 2*marginMM - overlapMM/2)
				if high := b.topMM - overlapMM/2; math.Abs(low-high) > 1e-9 {
					t.Errorf("column %d: crosses at %g and %g", a.column, low, high)
				}
			}
		}
	}
	// Everything of the face is on some sheet.
	for i := range 720 {
		s, c := math.Sincos(float64(i) * math.Pi / 360)
		x, y, on := 400*c, 400*s, false
		for _, q := range sheets {
			on = on || x >= q.leftMM && x <= q.leftMM+w-2*marginMM && y <= q.topMM && y >= q.topMM-h+2*marginMM
		}
		if !on {
			t.Errorf("the ring at %d half degrees is on no sheet", i)
		}
	}
}

func TestRefuses(t *testing.T) {
	for _, test := range []struct {
		name string
		f    Face
	}{
		{"no ring", Face{}},
		{"two rings in one place", Face{RingsMM: []float64{100, 100}}},
		{"no room for lines", Face{RingsMM: []float64{100, 103}, LineMM: 2}},
		{"inside the centre mark", Face{RingsMM: []float64{5}}},
		{"too large", Face{RingsMM: []float64{9000}}},
		{"not a number", Face{RingsMM: []float64{math.NaN()}}},
		{"negative line", Face{RingsMM: []float64{100}, LineMM: -1}},
	} {
		if err := test.f.PDF(&bytes.Buffer{}); err == nil {
			t.Errorf("%s: no error", test.name)
		}
	}
}
