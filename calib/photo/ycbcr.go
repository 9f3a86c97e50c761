package photo

import (
	"encoding/binary"
	"image"
	"math"
)

// yuv is the way from Y'CbCr to R'G'B': black and gain of the luma, and what each
// colour takes from the chroma, all gains in 1/65536.
type yuv struct {
	black, gain int32
	rCr         int32
	gCb, gCr    int32
	bCb         int32
}

// newYUV makes the matrix from the luma weights of red and blue (ITU-T H.273,
// 8.3). Full range uses all of 0 to 255; else luma has 16 to 235, chroma 16 to 240.
func newYUV(kr, kb float64, fullRange bool) yuv {
	kg := 1 - kr - kb
	black, luma, chroma := int32(0), 1.0, 1.0
	if !fullRange {
		black, luma, chroma = 16, 255.0/219, 255.0/224
	}
	fixed := func(v float64) int32 { return int32(math.Round(v * 65536)) }
	return yuv{
		black: black,
		gain:  fixed(luma),
		rCr:   fixed(2 * (1 - kr) * chroma),
		gCb:   fixed(-2 * (1 - kb) * kb / kg * chroma),
		gCr:   fixed(-2 * (1 - kr) * kr / kg * chroma),
		bCb:   fixed(2 * (1 - kb) * chroma),
	}
}

var (
	jfif   = newYUV(0.299, 0.114, true)  // ITU-T T.871
	vp8YUV = newYUV(0.299, 0.114, false) // RFC 6386, 9.2: ITU-R BT.601
)

// codedYUV returns the matrix of an ITU-T H.273 MatrixCoefficients number (table
// 4); unspecified and rare ones are taken as JFIF's.
func codedYUV(matrix int, fullRange bool) yuv {
	switch matrix {
	case 1: // BT.709
		return newYUV(0.2126, 0.0722, fullRange)
	case 9, 10: // BT.2020
		return newYUV(0.2627, 0.0593, fullRange)
	}
	return newYUV(0.299, 0.114, fullRange)
}

// fromYCbCr converts Y'CbCr to opaque RGB. Chroma of half the width or height sits
// midway between its luma samples in all our formats; it is interpolated by the
// triangle filter 3/4, 1/4 of the Independent JPEG Group's library ("fancy
// upsampling", jdsample.c), rounding included. Taking the nearest chroma sample, as
// image.YCbCr.At does, would move colour by half a pixel.
//
// nil means a rarer chroma layout (4:1:1, 4:1:0).
func fromYCbCr(src *image.YCbCr, colour yuv) *image.NRGBA {
	var halfX, halfY bool
	switch src.SubsampleRatio {
	case image.YCbCrSubsampleRatio444:
	case image.YCbCrSubsampleRatio422:
		halfX = true
	case image.YCbCrSubsampleRatio440:
		halfY = true
	case image.YCbCrSubsampleRatio420:
		halfX, halfY = true, true
	default:
		return nil
	}
	b := src.Rect
	if halfX && b.Min.X%2 != 0 || halfY && b.Min.Y%2 != 0 {
		return nil // chroma would not start at a sample
	}
	w, h := b.Dx(), b.Dy()
	cw, ch := w, h
	if halfX {
		cw = (w + 1) / 2
	}
	if halfY {
		ch = (h + 1) / 2
	}
	dst := image.NewNRGBA(image.Rect(0, 0, w, h))
	chroma := src.COffset(b.Min.X, b.Min.Y)
	row := func(plane []byte, y int) []byte {
		start := chroma + min(max(y, 0), ch-1)*src.CStride
		return plane[start : start+cw]
	}
	cb, cr := make([]byte, 2*cw), make([]byte, 2*cw)
	sum := make([]uint16, cw)
	for y := range h {
		near, far := y, y
		if halfY {
			near = y / 2
			far = near - 1 + 2*(y%2)
		}
		bias := uint16(1 + y%2) // of the vertical filter alone: jdsample.c, h1v2
		upsample(cb, row(src.Cb, near), row(src.Cb, far), sum, halfX, halfY, bias)
		upsample(cr, row(src.Cr, near), row(src.Cr, far), sum, halfX, halfY, bias)
		luma := src.YOffset(b.Min.X, b.Min.Y+y)
		colour.toRGB(dst.Pix[y*dst.Stride:][:4*w], src.Y[luma:luma+w], cb[:w], cr[:w])
	}
	return dst
}

// upsample fills dst with one row of chroma at luma width, from the chroma row
// that is near and the one on the other side of the luma row.
func upsample(dst, near, far []byte, sum []uint16, halfX, halfY bool, bias uint16) {
	n := len(near)
	far, sum = far[:n], sum[:n]
	switch {
	case !halfX && !halfY:
		copy(dst, near)
	case !halfX:
		for i, c := range near {
			dst[i] = byte((3*uint16(c) + uint16(far[i]) + bias) >> 2)
		}
	case !halfY:
		dst = dst[:2*n]
		dst[0], dst[2*n-1] = near[0], near[n-1]
		for i := 1; i < n; i++ {
			l, r := uint16(near[i-1]), uint16(near[i])
			dst[2*i-1] = byte((3*l + r + 2) >> 2)
			dst[2*i] = byte((3*r + l + 1) >> 2)
		}
	default:
		for i, c := range near {
			sum[i] = 3*uint16(c) + uint16(far[i])
		}
		dst = dst[:2*n]
		dst[0], dst[2*n-1] = byte((4*sum[0]+8)>>4), byte((4*sum[n-1]+7)>>4)
		for i := 1; i < n; i++ {
			l, r := sum[i-1], sum[i]
			dst[2*i-1] = byte((3*l + r + 7) >> 4)
			dst[2*i] = byte((3*r + l + 8) >> 4)
		}
	}
}

// toRGB converts one row.
func (m yuv) toRGB(dst, luma, cb, cr []byte) {
	n := len(luma)
	cb, cr = cb[:n], cr[:n]
	for i, y := range luma {
		y16 := (int32(y)-m.black)*m.gain + 1<<15
		b, r := int32(cb[i])-128, int32(cr[i])-128
		binary.LittleEndian.PutUint32(dst[4*i:],
			clamp8(y16+m.rCr*r)|clamp8(y16+m.gCb*b+m.gCr*r)<<8|clamp8(y16+m.bCb*b)<<16|0xff<<24)
	}
}

// clamp8 rounds 16.16 down to a byte's range.
func clamp8(v int32) uint32 {
	return uint32(min(max(v>>16, 0), 255))
}

// overWhite blends a picture with its alpha plane over white, in place.
func overWhite(img *image.NRGBA, alpha []byte, stride int) {
	for y := range img.Rect.Dy() {
		row := img.Pix[y*img.Stride:]
		for x := range img.Rect.Dx() {
			a := uint32(alpha[y*stride+x])
			for c := range 3 {
				v := &row[4*x+c]
				*v = byte((uint32(*v)*a + 255*(255-a) + 127) / 255)
			}
		}
	}
}
