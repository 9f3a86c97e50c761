package vision

import (
	"bytes"
	"fmt"
	"math"
	"testing"

	"gocv.io/x/gocv"

	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// benchScene is a board on grass before a hedge, tilted by 20 degrees, with red
// stickers spread over it.
func benchScene(width, height, marks int) boardtest.Scene {
	s := boardtest.Plain(width, height)
	s.Camera.Tilt = 0.35
	s.Surroundings = boardtest.Surroundings{Wall: "hedge", WallMM: 800, Floor: "grass", FloorMM: 700, Legs: true}
	for i := range marks {
		sin, cos := math.Sincos(float64(i) * 2.4)
		r := 180 * math.Sqrt((float64(i)+0.5)/float64(max(marks, 30)))
		s.Marks = append(s.Marks, boardtest.Stickers("red", 15, [2]float64{r * cos, r * sin})...)
	}
	return s
}

// full is the size of a phone's 12 MP photo.
const fullWidth, fullHeight = 4032, 3024

func BenchmarkDecodeJPEG(b *testing.B) {
	img, _ := boardtest.Render(benchScene(fullWidth, fullHeight, 30))
	var buf bytes.Buffer
	if err := boardtest.EncodeJPEG(&buf, img, boardtest.JPEG{}); err != nil {
		b.Fatal(err)
	}
	b.Run("dartfall", func(b *testing.B) {
		var d JPEGDecoder
		for b.Loop() {
			if _, err := d.Decode(buf.Bytes()); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("opencv", func(b *testing.B) {
		for b.Loop() {
			m, err := gocv.IMDecode(buf.Bytes(), gocv.IMReadColor)
			if err != nil {
				b.Fatal(err)
			}
			m.Close()
		}
	})
}

// BenchmarkStages times what Read does, step by step.
func BenchmarkStages(b *testing.B) {
	s := benchScene(fullWidth, fullHeight, 30)
	p, truth := asPhoto(s)
	cam := newCamera(fullWidth, fullHeight, s.Camera.FocalPx, false)
	e, err := findEdges(p)
	if err != nil {
		b.Fatal(err)
	}
	ovals := findOvals(e)
	plane := func() (candidate, error) {
		found, perhaps := boards(ovals, cam, specOf(s.Face))
		top, _, _, err := choose(found, perhaps, AnySide)
		if err != nil {
			return top, err
		}
		return top.fit(e, cam)
	}
	top, err := plane()
	if err != nil {
		b.Fatal(err)
	}
	fit, err := refine(p.Image, top.rect, cam, false, 1)
	if err != nil {
		b.Fatal(err)
	}
	for _, stage := range []struct {
		name string
		run  func() error
	}{
		{"edges", func() error { _, err := findEdges(p); return err }},
		{"ovals", func() error { findOvals(e); return nil }},
		{"candidates", func() error { _, err := plane(); return err }},
		{"plane", func() error { _, err := refine(p.Image, top.rect, cam, false, 1); return err }},
		{"scale", func() error { _, err := fit.scaled(cam, specOf(s.Face)); return err }},
		{"marks", func() error {
			findMarks(p, truth.Rectification, circlesOf(truth), MarkOptions{Colours: []string{"red"}, SizeMM: 15})
			return nil
		}},
	} {
		b.Run(stage.name, func(b *testing.B) {
			for b.Loop() {
				if err := stage.run(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkRead shows how the cost grows with pixels and with marks.
func BenchmarkRead(b *testing.B) {
	read := func(width, marks int) {
		s := benchScene(width, width*3/4, marks)
		b.Run(fmt.Sprintf("px=%dx%d/marks=%d", s.Camera.Width, s.Camera.Height, marks), func(b *testing.B) {
			img, _ := boardtest.Render(s)
			p := &photo.Photo{Name: "bench.jpg", Image: img, Camera: photo.Camera{Focal35MM: s.Camera.Focal35MM()}}
			opts := Options{Rings: specOf(s.Face), Marks: MarkOptions{Colours: []string{"red"}, SizeMM: 15}}
			for b.Loop() {
				r, err := Read(p, opts)
				if err != nil {
					b.Fatal(err)
				}
				if d := len(r.Marks) - marks; d < -2 || d > 2 {
					b.Fatalf("%d marks, want %d", len(r.Marks), marks)
				}
			}
		})
	}
	for _, width := range []int{2016, 2848, 4032, 5696, 8064} {
		read(width, 30)
	}
	for _, marks := range []int{0, 60, 120} {
		read(fullWidth, marks)
	}
}
