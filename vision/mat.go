package vision

import (
	"errors"
	"image"
	"runtime"

	"gocv.io/x/gocv"

	"dartfall/calib/photo"
)

// wrapNRGBA returns an owned Mat header (8UC4, RGBA order) on img's own pixels:
// OpenCV writes through to img. img must be tightly packed and not empty. All work of
// OpenCV on a photo begins here, and so here it is opened.
func wrapNRGBA(img *image.NRGBA) (gocv.Mat, error) {
	if err := openOpenCV(); err != nil {
		return gocv.Mat{}, err
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	if w <= 0 || h <= 0 || img.Stride != 4*w || len(img.Pix) < 4*w*h {
		return gocv.Mat{}, errors.New("picture is empty or not tightly packed")
	}
	return gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC4, img.Pix[:4*w*h])
}

// reduced returns a photo with size pixels, no more than it has, as a Mat that must
// be closed and may share the photo's memory: halved, which averages four into one,
// while that leaves at least size, then interpolated. OpenCV's area averaging by
// other factors takes forty times as long.
func reduced(p *photo.Photo, size image.Point) (gocv.Mat, error) {
	from := p.Image
	if halfOf(from).X >= size.X && halfOf(from).Y >= size.Y {
		if err := halve(p); err != nil {
			return gocv.Mat{}, err
		}
		from = p.Half
	}
	m, err := wrapNRGBA(from)
	if err != nil {
		return m, err
	}
	for m.Cols()/2 >= size.X && m.Rows()/2 >= size.Y {
		m = resized(m, image.Pt(m.Cols()/2, m.Rows()/2), gocv.InterpolationArea)
	}
	if m.Cols() != size.X || m.Rows() != size.Y {
		m = resized(m, size, gocv.InterpolationLinear)
	}
	runtime.KeepAlive(p)
	return m, nil
}

// halve makes p.Half, once.
func halve(p *photo.Photo) error {
	if p.Half != nil {
		return nil
	}
	size := halfOf(p.Image)
	half := image.NewNRGBA(image.Rectangle{Max: size})
	whole, err := wrapNRGBA(p.Image)
	if err != nil {
		return err
	}
	defer whole.Close()
	src := whole.Region(image.Rectangle{Max: size.Mul(2)})
	defer src.Close()
	dst, err := wrapNRGBA(half)
	if err != nil {
		return err
	}
	defer dst.Close()
	gocv.Resize(src, &dst, size, 0, 0, gocv.InterpolationArea)
	runtime.KeepAlive(p.Image)
	runtime.KeepAlive(half)
	p.Half = half
	return nil
}

func halfOf(img *image.NRGBA) image.Point { return image.Pt(img.Rect.Dx()/2, img.Rect.Dy()/2) }

// resized closes m and returns an owned Mat of the given size.
func resized(m gocv.Mat, size image.Point, how gocv.InterpolationFlags) gocv.Mat {
	defer m.Close()
	out := gocv.NewMat()
	gocv.Resize(m, &out, size, 0, 0, how)
	return out
}
