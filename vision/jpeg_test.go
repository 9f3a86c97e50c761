package vision

import (
	"bytes"
	"image"
	"image/color"
	"math"
	"os"
	"testing"

	"gocv.io/x/gocv"
)

// TestDecodeJPEG compares with OpenCV's imgcodecs, pixel by pixel, and decodes a
// second, smaller picture into the same memory.
func TestDecodeJPEG(t *testing.T) {
	large, err := os.ReadFile("../testdata/demo/demo-3.jpg")
	if err != nil {
		t.Fatal(err)
	}
	small, err := EncodeJPEG(ramp(31, 17), 90)
	if err != nil {
		t.Fatal(err)
	}
	var d JPEGDecoder
	for _, data := range [][]byte{large, small} {
		got, err := d.Decode(data)
		if err != nil {
			t.Fatal(err)
		}
		m, err := gocv.IMDecode(data, gocv.IMReadColor|gocv.IMReadIgnoreOrientation)
		if err != nil {
			t.Fatal(err)
		}
		want := gocv.NewMat()
		gocv.CvtColor(m, &want, gocv.ColorBGRToRGBA)
		if size := image.Pt(want.Cols(), want.Rows()); got.Rect.Size() != size {
			t.Errorf("size %v, want %v", got.Rect.Size(), size)
		}
		if !bytes.Equal(got.Pix, want.ToBytes()) {
			t.Error("pixels differ from OpenCV's")
		}
		want.Close()
		m.Close()
	}
}

func TestDecodeJPEGRefuses(t *testing.T) {
	for name, data := range map[string][]byte{"nothing": nil, "junk": []byte("\xff\xd8\xff\xe0 no picture"), "png": []byte("\x89PNG\r\n\x1a\n")} {
		if img, err := DecodeJPEG(data); err == nil {
			t.Errorf("%s: decoded to %v", name, img.Rect)
		}
	}
}

func TestEncodeJPEG(t *testing.T) {
	want := ramp(64, 48)
	data, err := EncodeJPEG(want, 95)
	if err != nil {
		t.Fatal(err)
	}
	got, err := DecodeJPEG(data)
	if err != nil {
		t.Fatal(err)
	}
	const tol = 6 // grey levels: what quality 95 leaves of a ramp
	for i := range want.Pix {
		if d := int(got.Pix[i]) - int(want.Pix[i]); d > tol || d < -tol {
			t.Fatalf("byte %d: %d, want %d", i, got.Pix[i], want.Pix[i])
		}
	}
	if _, err := EncodeJPEG(image.NewRGBA(image.Rectangle{}), 95); err == nil {
		t.Error("an empty picture was encoded")
	}
}

// ramp is a smooth opaque picture.
func ramp(w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetRGBA(x, y, color.RGBA{uint8(3 * x), uint8(4 * y), 90, 255})
		}
	}
	return img
}

// TestDecodeWithin: the picture a decoder reduces is the mean of what it would decode.
func TestDecodeWithin(t *testing.T) {
	whole := image.NewRGBA(image.Rect(0, 0, 400, 240))
	for y := range 240 {
		for x := range 400 {
			whole.SetRGBA(x, y, color.RGBA{uint8(x / 2), uint8(y), 90, 255})
		}
	}
	data, err := EncodeJPEG(whole, 95)
	if err != nil {
		t.Fatal(err)
	}
	var d JPEGDecoder
	for longSidePx, want := range map[int]image.Point{400: {400, 240}, 399: {350, 210}, 200: {200, 120}, 60: {50, 30}, 1: {50, 30}} {
		got, err := d.DecodeWithin(data, longSidePx)
		if err != nil || got.Rect.Size() != want {
			t.Fatalf("within %d: %v, %v, want %v", longSidePx, got.Rect, err, want)
		}
		for _, at := range [][2]float64{{0.3, 0.4}, {0.7, 0.8}} {
			x, y := at[0]*float64(want.X), at[1]*float64(want.Y)
			k := 400 / float64(want.X)
			a, b := got.NRGBAAt(int(x), int(y)), whole.RGBAAt(int((math.Floor(x)+0.5)*k), int((math.Floor(y)+0.5)*k))
			for c, diff := range [3]int{int(a.R) - int(b.R), int(a.G) - int(b.G), int(a.B) - int(b.B)} {
				if max(diff, -diff) > 3 {
					t.Errorf("within %d at %v: channel %d differs by %d", longSidePx, at, c, diff)
				}
			}
		}
	}
}
