package photo

import "image"

// upright undoes how the camera was held: orientation is the EXIF tag 0x0112
// (CIPA DC-008, 4.6.4.A), which says where the stored picture's first row and
// column belong. 0, 1 and values outside 1 to 8 leave the picture as it is. img
// must start at (0, 0); it is returned or left unchanged.
//
//	tag  row 0 is   column 0 is   stored pixel (x, y) goes to
//	1    top        left          (x, y)
//	2    top        right         (w-1-x, y)
//	3    bottom     right         (w-1-x, h-1-y)
//	4    bottom     left          (x, h-1-y)
//	5    left       top           (y, x)
//	6    right      top           (h-1-y, x)
//	7    right      bottom        (h-1-y, w-1-x)
//	8    left       bottom        (y, w-1-x)
func upright(img *image.NRGBA, orientation int) *image.NRGBA {
	if orientation < 2 || orientation > 8 {
		return img
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	outW, outH := w, h
	if orientation >= 5 {
		outW, outH = h, w
	}
	out := image.NewNRGBA(image.Rect(0, 0, outW, outH))
	// Stored pixel (x, y) goes to byte start + x*dx + y*dy of the result.
	s := out.Stride
	right, bottom := 4*(outW-1), s*(outH-1)
	var start, dx, dy int
	switch orientation {
	case 2:
		start, dx, dy = right, -4, s
	case 3:
		start, dx, dy = right+bottom, -4, -s
	case 4:
		start, dx, dy = bottom, 4, -s
	case 5:
		start, dx, dy = 0, s, 4
	case 6:
		start, dx, dy = right, s, -4
	case 7:
		start, dx, dy = right+bottom, -s, -4
	case 8:
		start, dx, dy = bottom, -s, 4
	}
	// In tiles, so that the rows written by a column stay in the cache.
	const tile = 32
	for y0 := 0; y0 < h; y0 += tile {
		for x0 := 0; x0 < w; x0 += tile {
			x1 := min(x0+tile, w)
			for y := y0; y < min(y0+tile, h); y++ {
				src := img.Pix[y*img.Stride+4*x0 : y*img.Stride+4*x1]
				at := start + x0*dx + y*dy
				for ; len(src) >= 4; src = src[4:] {
					*(*[4]byte)(out.Pix[at:]) = *(*[4]byte)(src)
					at += dx
				}
			}
		}
	}
	return out
}
