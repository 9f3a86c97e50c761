package vision

import (
	"errors"
	"image"

	"gocv.io/x/gocv"
)

// wrapNRGBA returns an owned Mat header (8UC4, RGBA order) on img's own pixels:
// OpenCV writes through to img. img must be tightly packed and not empty.
func wrapNRGBA(img *image.NRGBA) (gocv.Mat, error) {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	if w <= 0 || h <= 0 || img.Stride != 4*w || len(img.Pix) < 4*w*h {
		return gocv.Mat{}, errors.New("picture is empty or not tightly packed")
	}
	return gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC4, img.Pix[:4*w*h])
}
