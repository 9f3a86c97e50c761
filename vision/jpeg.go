package vision

/*
#cgo pkg-config: libturbojpeg
#include <turbojpeg.h>
*/
import "C"

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"unsafe"
)

// JPEGs go through libjpeg-turbo itself: OpenCV's imgcodecs does no more, needs a
// second picture in another order of channels, and brings 120 libraries for
// formats that are not used here.

var errNotJPEG = errors.New("not a JPEG that can be decoded")

// JPEGDecoder decodes one photo after another into the same memory. The zero
// value is ready for use, by one goroutine at a time.
type JPEGDecoder struct{ pix []byte }

// Decode decodes a JPEG as stored, ignoring its orientation tag, with chroma
// sited as the standard says; the picture is opaque. It is overwritten by the next
// call. Decode suits photo.Options.DecodeJPEG.
func (d *JPEGDecoder) Decode(data []byte) (*image.NRGBA, error) {
	return d.DecodeWithin(data, math.MaxInt)
}

// DecodeWithin is Decode of a picture reduced, by eighths of its size, until its long
// side is at most longSidePx (or to one eighth). The decoder does that with less work
// than decoding all pixels takes.
func (d *JPEGDecoder) DecodeWithin(data []byte, longSidePx int) (*image.NRGBA, error) {
	size, err := jpeg.DecodeConfig(bytes.NewReader(data))
	if err != nil || size.Width <= 0 || size.Height <= 0 {
		return nil, errNotJPEG
	}
	eighths := 8
	part := func(full int) int { return (full*eighths + 7) / 8 }
	for eighths > 1 && part(max(size.Width, size.Height)) > longSidePx {
		eighths--
	}
	size.Width, size.Height = part(size.Width), part(size.Height)
	n := 4 * size.Width * size.Height
	if cap(d.pix) < n {
		d.pix = make([]byte, n)
	}
	img := &image.NRGBA{Pix: d.pix[:n], Stride: 4 * size.Width, Rect: image.Rect(0, 0, size.Width, size.Height)}
	h := C.tjInitDecompress()
	if h == nil {
		return nil, errors.New("the JPEG decoder did not start")
	}
	defer C.tjDestroy(h)
	failed := C.tjDecompress2(h, (*C.uchar)(&data[0]), C.ulong(len(data)),
		(*C.uchar)(&img.Pix[0]), C.int(size.Width), C.int(img.Stride), C.int(size.Height),
		C.TJPF_RGBA, C.TJFLAG_LIMITSCANS)
	// A warning is not the end: phones and editors leave stray bytes.
	if failed != 0 && C.tjGetErrorCode(h) != C.TJERR_WARNING {
		return nil, fmt.Errorf("%w: %s", errNotJPEG, C.GoString(C.tjGetErrorStr2(h)))
	}
	return img, nil
}

// DecodeJPEG is JPEGDecoder.Decode into memory of its own.
func DecodeJPEG(data []byte) (*image.NRGBA, error) { return new(JPEGDecoder).Decode(data) }

// EncodeJPEG encodes an opaque picture with 4:2:0 chroma and without any
// metadata. quality is 1 to 100.
func EncodeJPEG(img *image.RGBA, quality int) ([]byte, error) {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	if w <= 0 || h <= 0 {
		return nil, errors.New("picture is empty")
	}
	t := C.tjInitCompress()
	if t == nil {
		return nil, errors.New("the JPEG encoder did not start")
	}
	defer C.tjDestroy(t)
	var out *C.uchar
	var n C.ulong
	defer func() { C.tjFree(out) }()
	if C.tjCompress2(t, (*C.uchar)(&img.Pix[0]), C.int(w), C.int(img.Stride), C.int(h), C.TJPF_RGBA,
		&out, &n, C.TJSAMP_420, C.int(quality), 0) != 0 {
		return nil, errors.New(C.GoString(C.tjGetErrorStr2(t)))
	}
	return C.GoBytes(unsafe.Pointer(out), C.int(n)), nil
}
