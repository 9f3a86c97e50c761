package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/draw"
	"image/png"
	"os"
	"strings"
	"testing"
)

func readFile(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// TestReferenceDecoders compares with what libjpeg-turbo, libwebp and libheif made
// of the same files (a crop of the demo, through ImageMagick 6 and heif-convert
// 1.15): chroma placed and the matrix used as theirs. The two differ by the
// rounding of the inverse transform, up to 3 levels; libheif takes the nearest
// chroma sample, so that colour edges differ there.
func TestReferenceDecoders(t *testing.T) {
	for _, tc := range []struct {
		file       string
		tol        int
		maxOutside float64 // share of pixels beyond tol
	}{
		{"testdata/ref.jpg", 4, 0},
		{"testdata/ref.webp", 4, 0},
		{"testdata/ref.heic", 6, 0.15},
	} {
		p, err := Load(tc.file, Options{})
		if err != nil {
			t.Error(err)
			continue
		}
		ref, err := png.Decode(bytes.NewReader(readFile(t, tc.file+".png")))
		if err != nil {
			t.Fatal(err)
		}
		want := image.NewNRGBA(ref.Bounds())
		draw.Draw(want, want.Rect, ref, image.Point{}, draw.Src)
		n := differ(p.Image, want, tc.tol)
		if share := float64(n) / float64(want.Rect.Dx()*want.Rect.Dy()); !(share <= tc.maxOutside) {
			t.Errorf("%s: %.1f%% of pixels differ by more than %d, want at most %.1f%%", tc.file, 100*share, tc.tol, 100*tc.maxOutside)
		}
	}
}

// TestBadFiles feeds damaged and hostile files; each gives one line and its kind.
func TestBadFiles(t *testing.T) {
	pngHuge := encodePNG(t, scene())
	binary.BigEndian.PutUint32(pngHuge[16:], 100_000)
	binary.BigEndian.PutUint32(pngHuge[20:], 100_000)
	binary.BigEndian.PutUint32(pngHuge[29:], crc32.ChecksumIEEE(pngHuge[12:29]))
	jpegHuge := encodeJPEG(t, scene())
	sof := bytes.Index(jpegHuge, []byte{0xff, 0xc0})
	copy(jpegHuge[sof+5:], []byte{0xff, 0xff, 0xff, 0xff})
	half := func(b []byte) []byte { return b[:len(b)/2] }
	for _, tc := range []struct {
		name string
		data []byte
		kind Kind
		text string
	}{
		{"png of 10 gigapixels", pngHuge, TooLarge, "100000 x 100000"},
		{"jpeg of 4 gigapixels", jpegHuge, TooLarge, "65535 x 65535"},
		{"half a jpeg", half(readFile(t, "testdata/ref.jpg")), Damaged, "cut short"},
		{"half a png", half(readFile(t, "testdata/ref.jpg.png")), Damaged, "cut short"},
		{"half a webp", half(readFile(t, "testdata/ref.webp")), Damaged, "cut short"},
		{"half a heic", half(readFile(t, "testdata/ref.heic")), Damaged, "cut short"},
		{"empty", nil, Damaged, "empty"},
		{"text", []byte("hello, board"), Unsupported, "not a JPEG"},
		{"video", []byte("\x00\x00\x00\x14ftypqt  \x00\x00\x00\x00qt  "), Unsupported, "video"},
		{"avif", []byte("\x00\x00\x00\x14ftypavif\x00\x00\x00\x00avif"), Unsupported, "AVIF"},
		{"gif", []byte("GIF89a\x01\x00\x01\x00"), Unsupported, "GIF"},
	} {
		_, err := Decode(tc.data, "x.jpg", Options{})
		var e *Error
		if !errors.As(err, &e) || e.Kind != tc.kind || !strings.Contains(err.Error(), tc.text) ||
			!strings.HasPrefix(err.Error(), "x.jpg: ") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: error %v, want one line, kind %v, with %q", tc.name, err, tc.kind, tc.text)
		}
	}
}

// FuzzLoad: any bytes give an upright opaque picture within the limits, or an *Error.
func FuzzLoad(f *testing.F) {
	for _, name := range []string{"ref.jpg", "ref.webp"} {
		f.Add(readFile(f, "testdata/"+name))
	}
	block := tiffBlock([]exifTag{orientationTag(6), {tagMake, typeASCII, "Example"}}, []exifTag{{tagFocal35, typeShort, 26}})
	f.Add(withJPEGEXIF(encodeJPEG(f, scene()), block))
	f.Add(withPNGEXIF(encodePNG(f, scene()), block))
	f.Add(encodeTIFF(f, scene()))
	const limit = 1 << 16
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Decode(data, "x", Options{MaxPixels: limit})
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Name != "x" || e.Kind == 0 {
				t.Fatalf("Decode error %v is no complete *Error", err)
			}
			return
		}
		size := p.Image.Bounds().Size()
		if p.Image.Bounds().Min != (image.Point{}) || size.X*size.Y > limit || !p.Image.Opaque() {
			t.Fatalf("bounds %v, opaque %v", p.Image.Bounds(), p.Image.Opaque())
		}
	})
}
