package boardtest

import (
	"bytes"
	"flag"
	"image"
	"image/color"
	"image/png"
	"os"
	"testing"

	"dartfall/calib/photo"
)

var update = flag.Bool("update", false, "rewrite the golden picture")

// golden is a small scene with a little of everything.
func golden() Scene {
	s := Plain(240, 180)
	dark := Colour{26, 34, 74}
	s.Seed = 9
	s.Face.Rings[2].Fill, s.Face.Rings[3].Line = &dark, whiteInk
	s.Face.Numerals = Numerals{SizeMM: 24, Zones: []Colour{blackInk, blackInk, whiteInk}}
	s.Face.UpMark = UpMark{TipMM: 222, SizeMM: 16, Colour: blackInk}
	s.Face.Centre = CentreMark{Shape: "cross", SizeMM: 40, LineMM: 5, Colour: whiteInk}
	s.Board.ThicknessMM, s.Board.Texture, s.Board.Fixing, s.Board.Creases = 30, "wood", "tape", 1
	s.Marks = append(Stickers("pink", 25, [2]float64{20, 60}, [2]float64{38, 66}), Stickers("blue", 25, [2]float64{-30, -10}, [2]float64{-250, 100})...)
	s.Marks = append(s.Marks, Mark{Kind: Hole, X: 90, Y: -80, DiameterMM: 20}, Mark{Kind: Smudge, X: -120, Y: -90, DiameterMM: 25})
	s.Camera.Tilt, s.Camera.Azimuth, s.Camera.Roll, s.Camera.K1 = 0.5, 2.5, 0.06, -0.05
	s.Light = Light{Ambient: 0.4, Sun: 0.5, GradientX: 0.2, Shadow: "leaves", ShadowAtMM: -20, ShadowWidthMM: 60, PenumbraMM: 8,
		Tint: [3]float64{1.08, 1, 0.92}, Glare: 0.05, GlareX: 100, GlareY: 100, GlareMM: 60}
	s.Surroundings = Surroundings{Wall: "bricks", WallMM: 300, Floor: "grass", FloorMM: 420, Legs: true,
		Things: []Thing{{Shape: "hoop", X: -420, Y: 60, BehindMM: 40, RadiusMM: 70, Colour: Colour{200, 32, 38}, Inner: whiteInk}}}
	s.Imaging.Vignette, s.Imaging.Sharpen = 0.2, 0.4
	return s
}

// The picture is compared with a tolerance: other processors fuse products
// differently, which moves a code by one and now and then the edge of a leaf.
func TestGolden(t *testing.T) {
	const file, got = "testdata/golden.png", "testdata/golden.got.png"
	img, _ := Render(golden())
	write := func(name string) {
		t.Helper()
		var b bytes.Buffer
		if err := png.Encode(&b, img); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if *update {
		write(file)
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	want, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	if want.Bounds() != img.Bounds() {
		t.Fatalf("picture of %v, want %v", img.Bounds(), want.Bounds())
	}
	off := 0
	for y := range img.Rect.Dy() {
		for x := range img.Rect.Dx() {
			g, w := img.NRGBAAt(x, y), color.NRGBAModel.Convert(want.At(x, y)).(color.NRGBA)
			if differ(g.R, w.R) > 2 || differ(g.G, w.G) > 2 || differ(g.B, w.B) > 2 {
				off++
			}
		}
	}
	if most := img.Rect.Dx() * img.Rect.Dy() / 1000; off > most {
		write(got)
		t.Errorf("%d pixels differ by more than 2 levels from %s, want at most %d; see %s", off, file, most, got)
	}
}

func differ(a, b uint8) int { return max(int(a)-int(b), int(b)-int(a)) }

// Whatever orientation a photo is stored in, the project's own reader must give
// back the upright picture and the camera's facts (EXIF 2.32, tags 0x0112,
// 0x010f, 0x0110, 0x9003, 0xa405).
func TestEncodeJPEG(t *testing.T) {
	// Four different quarters of a picture that is wider than tall.
	quarters := [4]color.NRGBA{{200, 30, 40, 255}, {30, 140, 60, 255}, {30, 80, 180, 255}, {240, 210, 40, 255}}
	img := image.NewNRGBA(image.Rect(0, 0, 96, 64))
	for y := range 64 {
		for x := range 96 {
			img.SetNRGBA(x, y, quarters[x/48+2*(y/32)])
		}
	}
	for orientation := range 9 {
		o := JPEG{Quality: 92, Orientation: orientation, Focal35MM: 26.4, Taken: day, Make: "Example", Model: "P1"}
		var b bytes.Buffer
		if err := EncodeJPEG(&b, img, o); err != nil {
			t.Fatal(err)
		}
		p, err := photo.Decode(b.Bytes(), "x.jpg", photo.Options{})
		if err != nil {
			t.Errorf("orientation %d: %v", orientation, err)
			continue
		}
		want := photo.Camera{Make: "Example", Model: "P1", Taken: day, Focal35MM: 26, Orientation: orientation}
		if p.Camera != want {
			t.Errorf("orientation %d: camera %+v, want %+v", orientation, p.Camera, want)
		}
		if p.Image.Rect != img.Rect {
			t.Errorf("orientation %d: picture of %v, want %v", orientation, p.Image.Rect, img.Rect)
			continue
		}
		for i, q := range quarters {
			x, y := 24+48*(i%2), 16+32*(i/2)
			if g := p.Image.NRGBAAt(x, y); differ(g.R, q.R) > 6 || differ(g.G, q.G) > 6 || differ(g.B, q.B) > 6 {
				t.Errorf("orientation %d: %v at (%d, %d), want %v", orientation, g, x, y, q)
			}
		}
	}
	var b bytes.Buffer
	if err := EncodeJPEG(&b, img, JPEG{}); err != nil {
		t.Fatal(err)
	}
	p, err := photo.Decode(b.Bytes(), "x.jpg", photo.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if p.Camera != (photo.Camera{}) {
		t.Errorf("no metadata was asked for, the photo has %+v", p.Camera)
	}
}
