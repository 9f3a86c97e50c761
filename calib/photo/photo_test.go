package photo

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/image/tiff"
)

// scene is 48 x 32, of four grey-free quarters that tell all eight orientations
// apart: red top left, green top right, blue bottom left, white bottom right, and a
// black bar along the top.
func scene() *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, 48, 32))
	for y := range 32 {
		for x := range 48 {
			c := color.NRGBA{200, 30, 30, 255}
			switch {
			case y < 4:
				c = color.NRGBA{0, 0, 0, 255}
			case x >= 24 && y < 16:
				c = color.NRGBA{30, 160, 30, 255}
			case x < 24 && y >= 16:
				c = color.NRGBA{30, 30, 200, 255}
			case x >= 24:
				c = color.NRGBA{255, 255, 255, 255}
			}
			img.SetNRGBA(x, y, c)
		}
	}
	return img
}

// stored returns what a camera held so that its orientation tag is o would store of
// the upright scene: for each stored pixel it looks up where CIPA DC-008, 4.6.4.A,
// says the stored row 0 and column 0 belong.
func stored(up *image.NRGBA, o int) *image.NRGBA {
	w, h := up.Rect.Dx(), up.Rect.Dy()
	sw, sh := w, h
	if o >= 5 {
		sw, sh = h, w
	}
	img := image.NewNRGBA(image.Rect(0, 0, sw, sh))
	for y := range sh {
		for x := range sw {
			var ux, uy int
			switch o {
			case 1: // row 0 top, column 0 left
				ux, uy = x, y
			case 2: // top, right
				ux, uy = w-1-x, y
			case 3: // bottom, right
				ux, uy = w-1-x, h-1-y
			case 4: // bottom, left
				ux, uy = x, h-1-y
			case 5: // row 0 is the left side, column 0 the top
				ux, uy = y, x
			case 6: // right, top
				ux, uy = w-1-y, x
			case 7: // right, bottom
				ux, uy = w-1-y, h-1-x
			case 8: // left, bottom
				ux, uy = y, h-1-x
			}
			img.SetNRGBA(x, y, up.NRGBAAt(ux, uy))
		}
	}
	return img
}

func encodeJPEG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func encodePNG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func encodeTIFF(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := tiff.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// differ returns how many pixels of got lie more than tol from want in a channel;
// all of them when the sizes differ.
func differ(got, want *image.NRGBA, tol int) int {
	if got.Rect != want.Rect {
		return want.Rect.Dx() * want.Rect.Dy()
	}
	n := 0
	for y := range want.Rect.Dy() {
		for x := range want.Rect.Dx() {
			g, w := got.NRGBAAt(x, y), want.NRGBAAt(x, y)
			d := func(a, b uint8) int { return max(int(a)-int(b), int(b)-int(a)) }
			if max(d(g.R, w.R), d(g.G, w.G), d(g.B, w.B), d(g.A, w.A)) > tol {
				n++
			}
		}
	}
	return n
}

func TestOrientations(t *testing.T) {
	want := scene()
	formats := []struct {
		name string
		file func(stored *image.NRGBA, o int) []byte
		// JPEG blurs colour across the quarters' edges, within 2 px of them.
		tol, allowed int
	}{
		{"png", func(s *image.NRGBA, o int) []byte {
			return withPNGEXIF(encodePNG(t, s), tiffBlock([]exifTag{orientationTag(o)}, nil))
		}, 0, 0},
		{"jpeg", func(s *image.NRGBA, o int) []byte {
			return withJPEGEXIF(encodeJPEG(t, s), tiffBlock([]exifTag{orientationTag(o)}, nil))
		}, 12, 4 * (48 + 48 + 32)},
		{"tiff", func(s *image.NRGBA, o int) []byte {
			return withTIFFOrientation(encodeTIFF(t, s), o)
		}, 0, 0},
	}
	for _, f := range formats {
		for o := 1; o <= 8; o++ {
			t.Run(fmt.Sprintf("%s/%d", f.name, o), func(t *testing.T) {
				p, err := Decode(f.file(stored(want, o), o), "x", Options{})
				if err != nil {
					t.Fatal(err)
				}
				if p.Camera.Orientation != o {
					t.Errorf("Camera.Orientation = %d, want %d", p.Camera.Orientation, o)
				}
				if n := differ(p.Image, want, f.tol); n > f.allowed {
					t.Errorf("%d pixels differ from the upright scene by more than %d, want at most %d", n, f.tol, f.allowed)
				}
			})
		}
	}
}

func TestNoEXIF(t *testing.T) {
	data := encodePNG(t, scene())
	p, err := Decode(data, "board.png", Options{})
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(data)
	if want := hex.EncodeToString(sum[:]); p.SHA256 != want || p.Name != "board.png" {
		t.Errorf("Name, SHA256 = %q, %q, want board.png, %q", p.Name, p.SHA256, want)
	}
	if p.Camera != (Camera{}) {
		t.Errorf("Camera = %+v of a file without metadata, want zero", p.Camera)
	}
	if n := differ(p.Image, scene(), 0); n > 0 {
		t.Errorf("%d pixels differ", n)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, data []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for _, tc := range []struct {
		name string
		path string
		opts Options
		kind Kind
		is   error
		text string
	}{
		{"fine", write("a.png", encodePNG(t, scene())), Options{}, 0, nil, ""},
		{"extension lies", write("b.png", encodeJPEG(t, scene())), Options{}, 0, nil, ""},
		{"missing", filepath.Join(dir, "nowhere.jpg"), Options{}, Unreadable, fs.ErrNotExist, "nowhere.jpg: there is no such file: check the spelling and the folder"},
		{"folder", dir, Options{}, Unreadable, nil, "this is a folder"},
		{"too many bytes", write("c.png", encodePNG(t, scene())), Options{MaxBytes: 50}, TooLarge, nil, "c.png: the file is larger than"},
		{"too many pixels", write("d.png", encodePNG(t, scene())), Options{MaxPixels: 48*32 - 1}, TooLarge, nil, "48 x 32 pixels"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p, err := Load(tc.path, tc.opts)
			if data, readErr := os.ReadFile(tc.path); readErr == nil {
				if check := Check(data, filepath.Base(tc.path), tc.opts); fmt.Sprint(check) != fmt.Sprint(err) {
					t.Errorf("Check = %v, Load = %v", check, err)
				}
			}
			if tc.kind == 0 {
				if err != nil || p.Name != filepath.Base(tc.path) {
					t.Fatalf("Load = %v, %v", p, err)
				}
				return
			}
			var e *Error
			if !errors.As(err, &e) || e.Kind != tc.kind || !strings.Contains(e.Error(), tc.text) || strings.Contains(e.Error(), "\n") {
				t.Errorf("Load = %v, want one line, kind %v, with %q", err, tc.kind, tc.text)
			}
			if tc.is != nil && !errors.Is(err, tc.is) {
				t.Errorf("errors.Is(%v, %v) = false", err, tc.is)
			}
		})
	}
}

// WebP carries EXIF in a chunk of its own; the picture is the reference crop,
// stored as it is, so each tag must turn it as the same tag turns its pixels.
func TestWebPOrientation(t *testing.T) {
	data, err := os.ReadFile(filepath.Join("testdata", "ref.webp"))
	if err != nil {
		t.Fatal(err)
	}
	plain, err := Decode(data, "ref.webp", Options{})
	if err != nil {
		t.Fatal(err)
	}
	w, h := plain.Image.Rect.Dx(), plain.Image.Rect.Dy()
	for o := 1; o <= 8; o++ {
		p, err := Decode(withWebPEXIF(data, w, h, tiffBlock([]exifTag{orientationTag(o)}, nil)), "turned.webp", Options{})
		if err != nil {
			t.Fatalf("orientation %d: %v", o, err)
		}
		if p.Camera.Orientation != o {
			t.Errorf("Camera.Orientation = %d, want %d", p.Camera.Orientation, o)
		}
		if n := differ(stored(p.Image, o), plain.Image, 0); n > 0 {
			t.Errorf("orientation %d: %d pixels are not where the tag puts them", o, n)
		}
	}
}
