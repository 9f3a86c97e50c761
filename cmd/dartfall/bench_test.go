package main

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"gocv.io/x/gocv"

	"dartfall/calib/boardtest"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

// BenchmarkPhotoPerDecode measures a 12-MP photo, from file to impacts and both
// pictures, and in turn with it decodes the same bytes with OpenCV. It reports how
// many decodings one photo takes, by the medians, and each in ms.
func BenchmarkPhotoPerDecode(b *testing.B) {
	dir := b.TempDir()
	s := boardtest.Plain(4032, 3024)
	s.Camera.Tilt = 0.35
	s.Surroundings = boardtest.Surroundings{Wall: "hedge", WallMM: 800, Floor: "grass", FloorMM: 700, Legs: true}
	for i := range 30 {
		sin, cos := math.Sincos(2.4 * float64(i))
		r := 180 * math.Sqrt((float64(i)+0.5)/30)
		s.Marks = append(s.Marks, boardtest.Stickers("red", 15, [2]float64{r * cos, r * sin})...)
	}
	if err := boardtest.WriteCase(dir, "full", s); err != nil {
		b.Fatal(err)
	}
	file := filepath.Join(dir, "full.jpg")
	data, err := os.ReadFile(file)
	if err != nil {
		b.Fatal(err)
	}
	j := job{out: dir, edgeName: "outer", givenMM: []float64{100, 200, 300, 400}}
	j.opts.Rings = vision.RingSpec{OuterMM: 400, ListMM: j.givenMM}
	j.opts.Marks = vision.MarkOptions{Colours: []string{"red"}, SizeMM: 15}
	m := newMeasurer(j)
	vision.SaveMemory()
	var photo, decode []time.Duration
	for b.Loop() {
		start := time.Now()
		p, err := m.measure(context.Background(), file)
		photo = append(photo, time.Since(start))
		if err != nil || p.State == sheet.Refused || len(p.Marks) < 28 {
			b.Fatalf("%d marks of 30, state %s, %v", len(p.Marks), p.State, err)
		}
		start = time.Now()
		img, err := gocv.IMDecode(data, gocv.IMReadColor)
		decode = append(decode, time.Since(start))
		if err != nil {
			b.Fatal(err)
		}
		img.Close()
	}
	median := func(d []time.Duration) float64 {
		slices.Sort(d)
		return d[len(d)/2].Seconds() * 1000
	}
	b.ReportMetric(median(photo)/median(decode), "decodes/photo")
	b.ReportMetric(median(photo), "ms/photo")
	b.ReportMetric(median(decode), "ms/decode")
}
