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

// reduced returns an owned copy of src with fewer pixels: halved, which averages
// four into one, while that leaves at least size, then interpolated. OpenCV's area
// averaging by other factors takes forty times as long.
func reduced(src gocv.Mat, size image.Point) gocv.Mat {
	out := gocv.NewMat()
	half := image.Pt(src.Cols()/2, src.Rows()/2)
	if half.X < size.X || half.Y < size.Y {
		gocv.Resize(src, &out, size, 0, 0, gocv.InterpolationLinear)
		return out
	}
	gocv.Resize(src, &out, half, 0, 0, gocv.InterpolationArea)
	if half == size {
		return out
	}
	defer out.Close()
	return reduced(out, size)
}
