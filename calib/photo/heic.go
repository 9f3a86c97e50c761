package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"

	"github.com/gen2brain/heic"
)

// heicHeader is what we take from a HEIC file's "meta" box before decoding.
type heicHeader struct {
	size   image.Point // of the largest picture in the file, as stored
	colour yuv         // of the primary picture
}

// box splits the first box off data (ISO 14496-12, 4.2); ok is false when it does
// not fit.
func box(data []byte) (kind string, body, rest []byte, ok bool) {
	if len(data) < 8 {
		return "", nil, nil, false
	}
	head, size := uint64(8), uint64(binary.BigEndian.Uint32(data))
	switch size {
	case 0: // to the end
		size = uint64(len(data))
	case 1: // 64 bits
		if len(data) < 16 {
			return "", nil, nil, false
		}
		head, size = 16, binary.BigEndian.Uint64(data[8:])
	}
	if size < head || size > uint64(len(data)) {
		return "", nil, nil, false
	}
	return string(data[4:8]), data[head:size], data[size:], true
}

// children returns the boxes within data up to the first that does not fit.
func children(data []byte) (list []struct {
	kind string
	body []byte
}) {
	for len(data) > 0 {
		kind, body, rest, ok := box(data)
		if !ok {
			break
		}
		list = append(list, struct {
			kind string
			body []byte
		}{kind, body})
		data = rest
	}
	return list
}

// child returns the body of the first box of a kind; nil when there is none.
func child(data []byte, kind string) []byte {
	for _, c := range children(data) {
		if c.kind == kind {
			return c.body
		}
	}
	return nil
}

// boxesWhole reports whether the top-level boxes fill the file exactly.
func boxesWhole(data []byte) bool {
	for len(data) > 0 {
		_, _, rest, ok := box(data)
		if !ok {
			return false
		}
		data = rest
	}
	return true
}

// readHEICHeader walks meta/iprp (ISO 23008-12, 9.3): sizes from every "ispe", the
// colour from the "colr" that belongs to the primary item. heic.DecodeConfig is no
// help here: it looks at the first 32 kB only, and a phone's colour profile alone
// can fill those.
func readHEICHeader(data []byte) (heicHeader, error) {
	meta := child(data, "meta")
	if len(meta) < 4 {
		if !boxesWhole(data) {
			return heicHeader{}, cutShort(nil)
		}
		return heicHeader{}, corrupt(errors.New("it has no picture header"))
	}
	iprp := child(meta[4:], "iprp")
	properties := children(child(iprp, "ipco"))
	head := heicHeader{colour: jfif}
	for _, p := range properties {
		if p.kind == "ispe" && len(p.body) >= 12 {
			// Halves of a uint32 product cannot overflow an int64, see Options.MaxPixels.
			w, h := int64(binary.BigEndian.Uint32(p.body[4:])), int64(binary.BigEndian.Uint32(p.body[8:]))
			const most = 1 << 20 // pixels along a side; far over any limit on their product
			w, h = min(w, most), min(h, most)
			if w*h > int64(head.size.X)*int64(head.size.Y) {
				head.size = image.Pt(int(w), int(h))
			}
		}
	}
	for _, i := range associations(child(iprp, "ipma"), primaryItem(child(meta[4:], "pitm"))) {
		if i < 1 || i > len(properties) {
			continue
		}
		if p := properties[i-1]; p.kind == "colr" && len(p.body) >= 11 && string(p.body[:4]) == "nclx" {
			matrix := binary.BigEndian.Uint16(p.body[8:])
			head.colour = codedYUV(int(matrix), p.body[10]&0x80 != 0)
		}
	}
	return head, nil
}

// primaryItem reads "pitm" (ISO 14496-12, 8.11.4); 0 when it makes no sense.
func primaryItem(b []byte) uint32 {
	switch {
	case len(b) >= 8 && b[0] > 0:
		return binary.BigEndian.Uint32(b[4:])
	case len(b) >= 6 && b[0] == 0:
		return uint32(binary.BigEndian.Uint16(b[4:]))
	}
	return 0
}

// associations reads from "ipma" (ISO 23008-12, 9.3.1) the properties of an item,
// as numbers from 1 into "ipco".
func associations(b []byte, item uint32) (list []int) {
	if len(b) < 8 {
		return nil
	}
	wideItem, wideIndex := b[0] > 0, b[3]&1 != 0
	r := bytes.NewReader(b[8:])
	number := func(wide bool, narrow, wider int) uint32 {
		n := narrow
		if wide {
			n = wider
		}
		var v uint32
		for range n {
			c, err := r.ReadByte()
			if err != nil {
				return 0
			}
			v = v<<8 | uint32(c)
		}
		return v
	}
	for r.Len() > 0 {
		id := number(wideItem, 2, 4)
		for range number(false, 1, 1) {
			index := number(wideIndex, 1, 2)
			if wideIndex {
				index &= 0x7fff
			} else {
				index &= 0x7f
			}
			if id == item {
				list = append(list, int(index))
			}
		}
	}
	return list
}

// decodeHEIC returns the primary picture, upright.
func decodeHEIC(data []byte) (*image.NRGBA, error) {
	head, err := readHEICHeader(data)
	if err != nil {
		return nil, err
	}
	img, err := heic.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	mendCorner(img)
	return opaque(img, head.colour), nil
}

// mendCorner copies the first samples of the second row over those of the first:
// heic v0.4.5 hands out memory that it has just freed, and the allocator's notes
// stand in its first bytes by then.
func mendCorner(img image.Image) {
	const notes = 32 // bytes; 20 were seen
	var pix []byte
	var stride int
	switch img := img.(type) {
	case *image.YCbCr:
		pix, stride = img.Y, img.YStride
	case *image.Gray:
		pix, stride = img.Pix, img.Stride
	case *image.NRGBA:
		pix, stride = img.Pix, img.Stride
	case *image.RGBA:
		pix, stride = img.Pix, img.Stride
	}
	n := min(notes, stride)
	if len(pix) >= stride+n {
		copy(pix[:n], pix[stride:])
	}
}
