package vision

import (
	"image"

	"dartfall/calib"
)

// linear maps an 8-bit sRGB value to linear light, 0 to 1 (IEC 61966-2-1).
var linear = func() (t [256]float32) {
	for i := range t {
		t[i] = float32(srgbToLinear(float64(i) / 255))
	}
	return t
}()

// rgb is a colour in linear light.
type rgb [3]float32

func (a rgb) dot(b rgb) float32 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// sampleRGB interpolates the photo bilinearly in linear light; false outside.
func sampleRGB(img *image.NRGBA, p calib.Px) (c rgb, ok bool) {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	if !(p.X >= 0 && p.Y >= 0 && p.X < float64(w-1) && p.Y < float64(h-1)) {
		return c, false
	}
	x, y := int(p.X), int(p.Y)
	fx, fy := float32(p.X-float64(x)), float32(p.Y-float64(y))
	i := y*img.Stride + 4*x
	a, b := img.Pix[i:i+8:i+8], img.Pix[i+img.Stride:i+img.Stride+8:i+img.Stride+8]
	for k := range 3 {
		top := linear[a[k]] + fx*(linear[a[k+4]]-linear[a[k]])
		bot := linear[b[k]] + fx*(linear[b[k+4]]-linear[b[k]])
		c[k] = top + fy*(bot-top)
	}
	return c, true
}
