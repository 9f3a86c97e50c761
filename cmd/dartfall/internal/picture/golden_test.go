package picture

import (
	"flag"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the golden pictures")

// golden compares a picture with testdata/name.png. Rasterisers may differ in the
// last bits of an edge, so a few levels per channel are allowed everywhere, and
// more on one pixel in a thousand; a moved line or letter is far beyond that.
func golden(t *testing.T, name string, got image.Image) {
	t.Helper()
	path := filepath.Join("testdata", name+".png")
	if *update {
		save(t, path, got)
		return
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatalf("%v (go test -update writes it)", err)
	}
	defer f.Close()
	want, err := png.Decode(f)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	if got.Bounds() != want.Bounds() {
		t.Errorf("%s: size %v, golden has %v", name, got.Bounds(), want.Bounds())
		save(t, filepath.Join("testdata", name+".got.png"), got)
		return
	}
	bad, total := 0, got.Bounds().Dx()*got.Bounds().Dy()
	for y := range got.Bounds().Dy() {
		for x := range got.Bounds().Dx() {
			if levelsApart(got.At(x, y), want.At(x, y)) > 6 {
				bad++
			}
		}
	}
	if bad*1000 > total {
		t.Errorf("%s: %d of %d pixels differ by more than 6 levels from the golden picture", name, bad, total)
		save(t, filepath.Join("testdata", name+".got.png"), got)
	}
}

func levelsApart(a, b color.Color) int {
	ar, ag, ab, aa := a.RGBA()
	br, bg, bb, ba := b.RGBA()
	worst := 0
	for _, d := range []int{int(ar>>8) - int(br>>8), int(ag>>8) - int(bg>>8), int(ab>>8) - int(bb>>8), int(aa>>8) - int(ba>>8)} {
		worst = max(worst, d, -d)
	}
	return worst
}

func save(t *testing.T, path string, im image.Image) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	enc := png.Encoder{CompressionLevel: png.BestCompression}
	if err := enc.Encode(f, shrink(im)); err != nil {
		t.Fatal(err)
	}
}

// shrink turns a picture into one with a palette when it has few colours: the
// same pixels in a smaller file.
func shrink(im image.Image) image.Image {
	seen := map[color.Color]bool{}
	var pal color.Palette
	b := im.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			if c := im.At(x, y); !seen[c] {
				seen[c] = true
				if pal = append(pal, c); len(pal) > 256 {
					return im
				}
			}
		}
	}
	p := image.NewPaletted(b, pal)
	draw.Draw(p, b, im, b.Min, draw.Src)
	return p
}
