package photo

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"testing"

	"github.com/disintegration/imaging"
)

// withHEICTurn adds to the one picture of testdata/ref.heic the properties that a
// phone held otherwise writes (ISO/IEC 23008-12, 6.5.10 "irot" and 6.5.12 "imir"):
// quarters of a turn anticlockwise, then, unless axis is negative, a mirror that
// exchanges top and bottom (0) or left and right (1).
func withHEICTurn(data []byte, quarters, axis int) []byte {
	properties := []byte{0, 0, 0, 9, 'i', 'r', 'o', 't', byte(quarters)}
	uses := []byte{0x84} // essential, the fourth property of the file
	if axis >= 0 {
		properties = append(properties, 0, 0, 0, 9, 'i', 'm', 'i', 'r', byte(axis))
		uses = append(uses, 0x85)
	}
	at := func(kind string) int { return bytes.Index(data, []byte(kind)) - 4 }
	size := func(pos int) int { return int(binary.BigEndian.Uint32(data[pos:])) }
	ipco, ipma := at("ipco"), at("ipma")
	var out []byte
	out = append(out, data[:ipco+size(ipco)]...)
	out = append(out, properties...)
	out = append(out, data[ipma:ipma+size(ipma)]...)
	out = append(out, uses...)
	out = append(out, data[ipma+size(ipma):]...)

	grow := func(pos, by int) {
		binary.BigEndian.PutUint32(out[pos:], binary.BigEndian.Uint32(out[pos:])+uint32(by))
	}
	added := len(properties) + len(uses)
	grow(at("meta"), added)
	grow(at("iprp"), added)
	grow(ipco, len(properties))
	grow(ipma+len(properties), len(uses))
	out[ipma+len(properties)+18] += byte(len(uses)) // association_count of the only item
	grow(at("iloc")+20, added)                      // base_offset of the only item
	return out
}

// libheif 1.15.1 (heif-convert) shows these files the same way up; seen, its pictures
// are not kept here. Where chroma is halved the turn may round it differently, hence
// one pixel in a thousand. The reference is larger than 128 px a side: heic v0.4.5 garbles the
// chroma of smaller turned pictures, on which no board could be measured.
func TestHEICOrientation(t *testing.T) {
	data := readFile(t, "testdata/ref.heic")
	plain, err := Decode(data, "ref.heic", Options{})
	if err != nil {
		t.Fatal(err)
	}
	for quarters, turn := range []func(image.Image) *image.NRGBA{imaging.Clone, imaging.Rotate90, imaging.Rotate180, imaging.Rotate270} {
		for axis, mirror := range map[int]func(image.Image) *image.NRGBA{-1: imaging.Clone, 0: imaging.FlipV, 1: imaging.FlipH} {
			t.Run(fmt.Sprintf("%d quarters, mirror %d", quarters, axis), func(t *testing.T) {
				p, err := Decode(withHEICTurn(data, quarters, axis), "turned.heic", Options{})
				if err != nil {
					t.Fatal(err)
				}
				if n := differ(p.Image, mirror(turn(plain.Image)), 6); n > 30 {
					t.Errorf("%d pixels are not where the file's own turn puts them", n)
				}
			})
		}
	}
}
