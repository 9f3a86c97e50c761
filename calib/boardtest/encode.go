package boardtest

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/jpeg"
	"io"
	"math"
	"time"
)

// JPEG says how EncodeJPEG stores a photo. The zero value stores it upright at
// quality 90 without metadata.
type JPEG struct {
	Quality int // 1 to 100; 0 for 90
	// Orientation is the EXIF tag, 1 to 8: the pixels are stored so that applying
	// it gives back the upright photo. 0 stores them upright without the tag.
	Orientation int
	Focal35MM   float64   // rounded to whole mm, as the tag demands; 0 leaves it out
	Taken       time.Time // camera clock; zero leaves it out
	Make, Model string
}

// EncodeJPEG writes the upright photo as a baseline JPEG with 4:2:0 chroma. An
// EXIF block is written when o holds anything for it.
func EncodeJPEG(w io.Writer, img *image.NRGBA, o JPEG) error {
	if o.Quality == 0 {
		o.Quality = 90
	}
	img = stored(img, o.Orientation)
	// The photo is opaque, so that NRGBA and RGBA are the same bytes; the encoder
	// has a fast way only for the latter.
	opaque := &image.RGBA{Pix: img.Pix, Stride: img.Stride, Rect: img.Rect}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, opaque, &jpeg.Options{Quality: o.Quality}); err != nil {
		return err
	}
	const startOfImage = 2 // bytes before the first segment
	app1 := exifSegment(o)
	for _, part := range [][]byte{b.Bytes()[:startOfImage], app1, b.Bytes()[startOfImage:]} {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}

// stored returns the pixels as a camera with the given EXIF orientation (EXIF
// 2.32, tag 0x0112) stores the upright photo.
func stored(img *image.NRGBA, orientation int) *image.NRGBA {
	if orientation < 2 || orientation > 8 {
		return img
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	sw, sh := w, h
	if orientation >= 5 {
		sw, sh = h, w
	}
	out := image.NewNRGBA(image.Rect(0, 0, sw, sh))
	for y := range h {
		for x := range w {
			// Row 0 of the stored picture is the side of the upright one that the
			// tag names, its column 0 likewise.
			var sx, sy int
			switch orientation {
			case 2: // row 0 top, column 0 right
				sx, sy = w-1-x, y
			case 3: // bottom, right
				sx, sy = w-1-x, h-1-y
			case 4: // bottom, left
				sx, sy = x, h-1-y
			case 5: // left, top
				sx, sy = y, x
			case 6: // right, top
				sx, sy = y, w-1-x
			case 7: // right, bottom
				sx, sy = h-1-y, w-1-x
			case 8: // left, bottom
				sx, sy = h-1-y, x
			}
			copy(out.Pix[out.PixOffset(sx, sy):][:4], img.Pix[img.PixOffset(x, y):][:4])
		}
	}
	return out
}

// exifSegment returns the APP1 segment, nil when there is nothing to say. Little
// endian TIFF with one directory and an Exif directory (EXIF 2.32, section 4.6).
func exifSegment(o JPEG) []byte {
	const ascii, short, long = 2, 3, 4
	type entry struct {
		tag, kind uint16
		count     uint32
		value     uint32
		text      []byte // ascii beyond 4 bytes, placed after the directory
	}
	str := func(tag uint16, s string) entry {
		return entry{tag: tag, kind: ascii, count: uint32(len(s) + 1), text: append([]byte(s), 0, 0, 0, 0)[:max(len(s)+1, 5)]}
	}
	var main, sub []entry
	if o.Make != "" {
		main = append(main, str(0x010f, o.Make))
	}
	if o.Model != "" {
		main = append(main, str(0x0110, o.Model))
	}
	if o.Orientation > 0 {
		main = append(main, entry{tag: 0x0112, kind: short, count: 1, value: uint32(o.Orientation)})
	}
	if !o.Taken.IsZero() {
		sub = append(sub, str(0x9003, o.Taken.Format("2006:01:02 15:04:05")))
	}
	if o.Focal35MM > 0 {
		sub = append(sub, entry{tag: 0xa405, kind: short, count: 1, value: uint32(math.Round(o.Focal35MM))})
	}
	if len(main)+len(sub) == 0 {
		return nil
	}
	const exifDirectory = 0x8769
	if len(sub) > 0 {
		main = append(main, entry{tag: exifDirectory, kind: long, count: 1})
	}
	le := binary.LittleEndian
	tiff := []byte{'I', 'I', 42, 0, 8, 0, 0, 0}
	directory := func(es []entry) {
		text := len(tiff) + 2 + 12*len(es) + 4
		var after []byte
		tiff = le.AppendUint16(tiff, uint16(len(es)))
		for _, e := range es {
			tiff = le.AppendUint16(tiff, e.tag)
			tiff = le.AppendUint16(tiff, e.kind)
			tiff = le.AppendUint32(tiff, e.count)
			switch {
			case e.text != nil && e.count <= 4: // short text sits in the value itself
				tiff = append(tiff, e.text[:4]...)
				continue
			case e.text != nil:
				e.value = uint32(text + len(after))
				after = append(after, e.text...)
			case e.tag == exifDirectory:
				// It follows this directory and its texts, of which this is the last
				// entry.
				e.value = uint32(text + len(after))
			}
			tiff = le.AppendUint32(tiff, e.value)
		}
		tiff = le.AppendUint32(tiff, 0) // no next directory
		tiff = append(tiff, after...)
	}
	directory(main)
	if len(sub) > 0 {
		directory(sub)
	}
	seg := []byte{0xff, 0xe1}
	seg = binary.BigEndian.AppendUint16(seg, uint16(2+6+len(tiff)))
	seg = append(seg, "Exif\x00\x00"...)
	return append(seg, tiff...)
}
