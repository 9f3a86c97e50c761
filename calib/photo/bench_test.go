package photo

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"testing"
)

// large is a 12 MP picture with detail everywhere.
func large() *image.NRGBA {
	rng := rand.New(rand.NewPCG(1, 2))
	img := image.NewNRGBA(image.Rect(0, 0, 4000, 3000))
	for y := range 3000 {
		for x := range 4000 {
			v := byte(128 + (x/16+y/16)%64 + rng.IntN(16))
			p := img.Pix[y*img.Stride+4*x:]
			p[0], p[1], p[2], p[3] = v, byte(x/16), byte(y/12), 255
		}
	}
	return img
}

func BenchmarkUpright(b *testing.B) {
	img := large()
	for o := 2; o <= 8; o++ {
		b.Run(fmt.Sprint(o), func(b *testing.B) {
			for b.Loop() {
				upright(img, o)
			}
		})
	}
}

func BenchmarkDecodeJPEG(b *testing.B) {
	data := encodeJPEG(b, large())
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, err := Decode(data, "x.jpg", Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkStandardJPEG(b *testing.B) {
	data := encodeJPEG(b, large())
	for b.Loop() {
		if _, err := jpeg.Decode(bytes.NewReader(data)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFromYCbCr(b *testing.B) {
	src := image.NewYCbCr(image.Rect(0, 0, 4000, 3000), image.YCbCrSubsampleRatio420)
	for i := range src.Cb {
		src.Cb[i], src.Cr[i] = byte(i), byte(i/3)
	}
	for b.Loop() {
		fromYCbCr(src, jfif)
	}
}
