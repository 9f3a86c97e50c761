package photo

import "image"

// fromYCbCr converts full-range Y'CbCr (ITU-T T.871, JFIF) to opaque RGB. Chroma of
// half the width or height sits midway between its luma samples there; it is
// interpolated by the triangle filter 3/4, 1/4 of the Independent JPEG Group's
// library ("fancy upsampling", jdsample.c), rounding included. Taking the nearest
// chroma sample, as image.YCbCr.At does, would move colour by half a pixel.
//
// nil means a rarer chroma layout (4:1:1, 4:1:0).
func fromYCbCr(src *image.YCbCr) *image.NRGBA {
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
		toRGB(dst.Pix[y*dst.Stride:][:4*w], src.Y[luma:luma+w], cb[:w], cr[:w])
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

// toRGB converts one row; the 16.16 factors are those of ITU-T T.871, section 7:
// 1.402, 0.344136, 0.714136, 1.772.
func toRGB(dst, luma, cb, cr []byte) {
	n := len(luma)
	cb, cr = cb[:n], cr[:n]
	for i, y := range luma {
		y16 := int32(y)<<16 + 1<<15
		b, r := int32(cb[i])-128, int32(cr[i])-128
		d := dst[4*i : 4*i+4 : 4*i+4]
		d[0] = clamp8((y16 + 91881*r) >> 16)
		d[1] = clamp8((y16 - 22554*b - 46802*r) >> 16)
		d[2] = clamp8((y16 + 116130*b) >> 16)
		d[3] = 255
	}
}

func clamp8(v int32) byte {
	return byte(min(max(v, 0), 255))
}
