package vision

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// castShadow darkens what a disc of radiusMM at c, moved by off, covers beside itself.
func castShadow(img *image.NRGBA, truth boardtest.Truth, c r2.Vec, radiusMM float64, off r2.Vec) {
	const dark, n = 0.25, 5
	mid := truth.Rectification.ToPhoto(c)
	lo, hi := truth.Rectification.PxPerMM(c)
	reach := int(1.2*radiusMM*math.Max(lo, hi)) + 3
	for y := int(mid.Y) - reach; y <= int(mid.Y)+reach; y++ {
		for x := int(mid.X) - reach; x <= int(mid.X)+reach; x++ {
			in := 0.0
			for k := range n * n {
				p := mid
				p.X, p.Y = float64(x)+(float64(k%n)+0.5)/n-0.5, float64(y)+(float64(k/n)+0.5)/n-0.5
				b := truth.Rectification.ToBoard(p)
				if r2.Norm(r2.Sub(b, c)) > radiusMM && r2.Norm(r2.Sub(b, r2.Add(c, off))) < radiusMM {
					in += 1.0 / (n * n)
				}
			}
			at := img.Pix[img.PixOffset(x, y):][:3]
			for q := range at {
				at[q] = uint8(math.Round(float64(at[q]) * (1 - dark*in)))
			}
		}
	}
}

// Through a camera's JPEG, with chroma at half the resolution, and with a shadow half a
// millimetre wide beside each, stickers keep their places.
func TestStickersInTheirPlaces(t *testing.T) {
	for _, shadowMM := range []float64{0, 0.5} {
		s := boardtest.Plain(1400, 1200)
		s.Camera.Tilt, s.Camera.Azimuth = 0.3, 1
		s.Imaging.BlurPx, s.Imaging.ShotSD = 0.8, 0.01
		colours := []string{"orange", "purple", "blue"}
		for i := range 24 {
			sin, cos := math.Sincos(float64(i) * 2.4)
			r := 36 * math.Sqrt(float64(i)+0.5)
			s.Marks = append(s.Marks, boardtest.Stickers(colours[i%3], 16, [2]float64{r * cos, r * sin})...)
		}
		img, truth := boardtest.Render(s)
		for _, m := range truth.Marks {
			castShadow(img, truth, r2.Vec{X: m.X, Y: m.Y}, m.DiameterMM/2, r2.Vec{X: 0.8 * shadowMM, Y: -0.6 * shadowMM})
		}
		var file bytes.Buffer
		if err := jpeg.Encode(&file, img, &jpeg.Options{Quality: 85}); err != nil {
			t.Fatal(err)
		}
		coded, err := DecodeJPEG(file.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		marks, _, _ := findMarks(&photo.Photo{Image: coded}, truth.Rectification, circlesOf(truth), MarkOptions{Colours: colours, SizeMM: 16})
		var sum, n float64
		for _, m := range marks {
			for _, o := range truth.Marks {
				if d := r2.Norm(r2.Sub(m.Pos, r2.Vec{X: o.X, Y: o.Y})); d < 4 {
					sum, n = sum+d*d, n+1
				}
			}
		}
		rms := math.Sqrt(sum / n)
		t.Logf("shadow %.1f mm: %.0f stickers, %.3f mm RMS off", shadowMM, n, rms)
		if n != 24 || !(rms < 0.04) {
			t.Errorf("shadow %.1f mm: %.0f of 24 stickers, %.3f mm RMS off their places, want 0.04", shadowMM, n, rms)
		}
	}
}
