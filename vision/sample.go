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
	if !interpolable(img, p) {
		return c, false
	}
	return lightAt(img, p), true
}

// interpolable reports whether p lies among the photo's pixel centres.
func interpolable(img *image.NRGBA, p calib.Px) bool {
	return p.X >= 0 && p.Y >= 0 && p.X < float64(img.Rect.Dx()-1) && p.Y < float64(img.Rect.Dy()-1)
}

// lightAt is sampleRGB at an interpolable point.
func lightAt(img *image.NRGBA, p calib.Px) rgb {
	x, y := int(p.X), int(p.Y)
	fx, fy := float32(p.X-float64(x)), float32(p.Y-float64(y))
	i := y*img.Stride + 4*x
	a, b := img.Pix[i:i+8:i+8], img.Pix[i+img.Stride:i+img.Stride+8:i+img.Stride+8]
	mix := func(k int) float32 {
		top := linear[a[k]] + fx*(linear[a[k+4]]-linear[a[k]])
		bot := linear[b[k]] + fx*(linear[b[k+4]]-linear[b[k]])
		return top + fy*(bot-top)
	}
	return rgb{mix(0), mix(1), mix(2)}
}

// sampleLine fills out with samples as sampleRGB's, evenly spread from p to q; false
// where the line leaves the photo.
func sampleLine(img *image.NRGBA, p, q calib.Px, out []rgb) bool {
	d := q.Sub(p).Scale(1 / float64(len(out)-1))
	at := func(i int) calib.Px { return calib.Px{X: p.X + float64(i)*d.X, Y: p.Y + float64(i)*d.Y} }
	if !interpolable(img, p) || !interpolable(img, at(len(out)-1)) {
		return false
	}
	for i := range out {
		out[i] = lightAt(img, at(i))
	}
	return true
}
