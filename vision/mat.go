package vision

import (
	"errors"
	"image"

	"gocv.io/x/gocv"
)

var errNotJPEG = errors.New("not a JPEG that can be decoded")

// DecodeJPEG decodes a JPEG as stored, ignoring its orientation tag, with chroma
// sited as the standard says. It suits photo.Options.DecodeJPEG.
func DecodeJPEG(data []byte) (*image.NRGBA, error) {
	if len(data) < 4 || data[0] != 0xff || data[1] != 0xd8 {
		return nil, errNotJPEG
	}
	m, err := gocv.IMDecode(data, gocv.IMReadColor|gocv.IMReadIgnoreOrientation)
	if err != nil {
		return nil, errNotJPEG
	}
	defer m.Close()
	if m.Empty() {
		return nil, errNotJPEG
	}
	img := image.NewNRGBA(image.Rect(0, 0, m.Cols(), m.Rows()))
	dst, err := wrapNRGBA(img)
	if err != nil {
		return nil, err
	}
	defer dst.Close()
	gocv.CvtColor(m, &dst, gocv.ColorBGRToRGBA)
	return img, nil
}

// EncodeJPEG encodes an opaque picture without any metadata.
func EncodeJPEG(img *image.NRGBA, quality int) ([]byte, error) {
	src, err := wrapNRGBA(img)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	bgr := gocv.NewMat()
	defer bgr.Close()
	gocv.CvtColor(src, &bgr, gocv.ColorRGBAToBGR)
	buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, bgr, []int{gocv.IMWriteJpegQuality, quality})
	if err != nil {
		return nil, err
	}
	defer buf.Close()
	return append([]byte(nil), buf.GetBytes()...), nil
}

// wrapNRGBA returns an owned Mat header (8UC4, RGBA order) on img's own pixels:
// OpenCV writes through to img. img must be tightly packed and not empty.
func wrapNRGBA(img *image.NRGBA) (gocv.Mat, error) {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	if w <= 0 || h <= 0 || img.Stride != 4*w || len(img.Pix) < 4*w*h {
		return gocv.Mat{}, errors.New("picture is empty or not tightly packed")
	}
	return gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC4, img.Pix[:4*w*h])
}
