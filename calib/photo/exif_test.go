package photo

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
)

// exifTag is one entry of an image file directory (TIFF 6.0, section 2).
type exifTag struct {
	id    uint16
	typ   uint16 // 2 ASCII, 3 SHORT, 4 LONG, 5 RATIONAL
	value any    // string, int, or [2]uint32
}

// Tag numbers of CIPA DC-008 (Exif 2.32), 4.6.
const (
	tagMake, tagModel, tagOrientation       = 0x010f, 0x0110, 0x0112
	tagExifIFD                              = 0x8769
	tagTaken, tagFocalLength                = 0x9003, 0x920a
	tagPixelX, tagPixelY                    = 0xa002, 0xa003
	tagPlaneX, tagPlaneY, tagPlaneUnit      = 0xa20e, 0xa20f, 0xa210
	tagFocal35                              = 0xa405
	typeASCII, typeShort, typeLong, typeRat = 2, 3, 4, 5
)

func orientationTag(o int) exifTag { return exifTag{tagOrientation, typeShort, o} }

// tiffBlock lays out a TIFF header with two directories: ifd0, and the Exif one
// when it has entries. Little endian.
func tiffBlock(ifd0, exif []exifTag) []byte {
	le := binary.LittleEndian
	out := []byte("II*\x00\x08\x00\x00\x00")
	dir := func(tags []exifTag, link bool) {
		n := len(tags)
		if link {
			n++
		}
		start := len(out)
		after := start + 2 + 12*n + 4
		var extra []byte
		out = le.AppendUint16(out, uint16(n))
		for _, t := range tags {
			out = le.AppendUint16(out, t.id)
			out = le.AppendUint16(out, t.typ)
			var b []byte
			count := 1
			switch v := t.value.(type) {
			case string:
				b = append([]byte(v), 0)
				count = len(b)
			case int:
				if t.typ == typeShort {
					b = le.AppendUint16(nil, uint16(v))
				} else {
					b = le.AppendUint32(nil, uint32(v))
				}
			case [2]uint32:
				b = le.AppendUint32(le.AppendUint32(nil, v[0]), v[1])
			}
			out = le.AppendUint32(out, uint32(count))
			if len(b) <= 4 {
				out = append(out, append(b, 0, 0, 0, 0)[:4]...)
				continue
			}
			out = le.AppendUint32(out, uint32(after+len(extra)))
			extra = append(extra, b...)
			if len(extra)%2 == 1 {
				extra = append(extra, 0)
			}
		}
		if link {
			out = le.AppendUint16(out, tagExifIFD)
			out = le.AppendUint16(out, typeLong)
			out = le.AppendUint32(out, 1)
			out = le.AppendUint32(out, uint32(after+len(extra)))
		}
		out = le.AppendUint32(out, 0)
		out = append(out, extra...)
	}
	dir(ifd0, len(exif) > 0)
	if len(exif) > 0 {
		dir(exif, false)
	}
	return out
}

// withJPEGEXIF puts an APP1 segment right after SOI.
func withJPEGEXIF(jpg, block []byte) []byte {
	body := append([]byte("Exif\x00\x00"), block...)
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1}, byte((len(body)+2)>>8), byte(len(body)+2))
	return append(append(out, body...), jpg[2:]...)
}

// withPNGEXIF puts an eXIf chunk right after IHDR.
func withPNGEXIF(p, block []byte) []byte {
	const ihdrEnd = 8 + 25
	chunk := append([]byte("eXIf"), block...)
	out := bytes.Clone(p[:ihdrEnd])
	out = binary.BigEndian.AppendUint32(out, uint32(len(block)))
	out = append(out, chunk...)
	out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(chunk))
	return append(out, p[ihdrEnd:]...)
}

// withWebPEXIF makes a simple WebP an extended one (RFC 9649, 2.7) with an EXIF
// chunk at its end.
func withWebPEXIF(w []byte, width, height int, block []byte) []byte {
	le := binary.LittleEndian
	chunk := func(id string, body []byte) []byte {
		out := le.AppendUint32([]byte(id), uint32(len(body)))
		out = append(out, body...)
		if len(body)%2 == 1 {
			out = append(out, 0)
		}
		return out
	}
	u24 := func(v int) []byte { return []byte{byte(v), byte(v >> 8), byte(v >> 16)} }
	head := append([]byte{8, 0, 0, 0}, append(u24(width-1), u24(height-1)...)...)
	body := append([]byte("WEBP"), chunk("VP8X", head)...)
	body = append(body, w[12:]...)
	body = append(body, chunk("EXIF", block)...)
	return append(le.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

// withTIFFOrientation adds the tag to the only directory of an uncompressed
// little-endian TIFF, which it moves to the end of the file.
func withTIFFOrientation(t []byte, o int) []byte {
	le := binary.LittleEndian
	dir := int(le.Uint32(t[4:]))
	n := int(le.Uint16(t[dir:]))
	entries := t[dir+2 : dir+2+12*n]
	out := bytes.Clone(t)
	if len(out)%2 == 1 {
		out = append(out, 0)
	}
	le.PutUint32(out[4:], uint32(len(out)))
	out = le.AppendUint16(out, uint16(n+1))
	done := false
	add := func() {
		out = le.AppendUint16(out, tagOrientation)
		out = le.AppendUint16(out, typeShort)
		out = le.AppendUint32(out, 1)
		out = le.AppendUint32(out, uint32(o))
		done = true
	}
	for i := 0; i < len(entries); i += 12 {
		if !done && le.Uint16(entries[i:]) > tagOrientation {
			add()
		}
		out = append(out, entries[i:i+12]...)
	}
	if !done {
		add()
	}
	return le.AppendUint32(out, 0)
}
