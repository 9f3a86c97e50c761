package vision

import (
	"image"
	"math"
	"path/filepath"
	"slices"
	"testing"

	"github.com/disintegration/imaging"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// counted is a picture of round things of one size, counted by eye.
type counted struct {
	name     string
	file     string          // pattern of its name
	crop     image.Rectangle // the part with the discs; empty for all of it
	radiusPx float64
	discs    []countedDisc
	exactPx  float64 // how well the places are known
	least    int     // how many of them must be found
}

type countedDisc struct {
	colour string
	x, y   float64
}

func of(colour string, at ...[2]float64) (ds []countedDisc) {
	for _, p := range at {
		ds = append(ds, countedDisc{colour, p[0], p[1]})
	}
	return ds
}

// Three pictures of Debian's package opencv-doc (folder examples/data), made by others
// for other ends: a photograph of sweets, a drawing with one clump of overlapping discs,
// and a drawing of white dots. What they hold was counted and placed for this project,
// the clump by a fit of the union of discs to its outline. Sweets that the picture's edge
// cuts are left out; the sweets are domed, with gloss and soft shadows, so that one may
// be missed, and one disc of the clump shows hardly a third of its rim.
var countedPictures = []counted{
	{name: "sweets", file: "sm*.png", radiusPx: 27, exactPx: 3, least: 11, discs: slices.Concat(
		of("red", [2]float64{33, 229}, [2]float64{99, 259}, [2]float64{288, 214}, [2]float64{220, 306}),
		of("blue", [2]float64{377, 81}, [2]float64{347, 238}, [2]float64{294, 320}),
		of("green", [2]float64{269, 118}, [2]float64{387, 171}),
		of("orange", [2]float64{205, 211}, [2]float64{135, 327}),
		of("black", [2]float64{153, 272}))}, // dark brown
	{name: "clump", file: "detect_blob.png", crop: image.Rect(340, 455, 510, 645), radiusPx: 15.1, exactPx: 1, least: 19, discs: of("green",
		[2]float64{404.1, 476.1}, [2]float64{445.7, 479.9}, [2]float64{460.8, 479.9}, [2]float64{483.4, 487.5},
		[2]float64{389.0, 510.1}, [2]float64{362.7, 517.8}, [2]float64{362.7, 540.3}, [2]float64{445.7, 514.0},
		[2]float64{472.1, 521.4}, [2]float64{404.1, 551.7}, [2]float64{423.0, 547.9}, [2]float64{445.6, 563.0},
		[2]float64{464.6, 566.9}, [2]float64{374.0, 578.1}, [2]float64{396.6, 574.3}, [2]float64{366.3, 600.9},
		[2]float64{411.7, 585.8}, [2]float64{374.0, 623.5}, [2]float64{411.8, 604.7}, [2]float64{438.1, 615.9})},
	{name: "dots", file: "pic1.png", crop: image.Rect(70, 32, 200, 116), radiusPx: math.Sqrt(127 / math.Pi), exactPx: 0.3, least: 7, discs: of("white",
		[2]float64{107.8, 43.8}, [2]float64{154.8, 53.8}, [2]float64{82.8, 60.8}, [2]float64{183.8, 75.8},
		[2]float64{125.8, 78.8}, [2]float64{150.8, 88.8}, [2]float64{95.8, 103.8})},
}

// marks looks for discs in the picture as if it lay on a board, face on, where
// they have a sticker's size. Places are in pixels of the picture.
func (c counted) marks(t *testing.T) []Mark {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(opencvData, c.file))
	if err != nil || len(files) != 1 {
		t.Fatalf("%d pictures match %s (%v), want one", len(files), c.file, err)
	}
	p, err := photo.Load(files[0], photo.Options{DecodeJPEG: DecodeJPEG})
	if err != nil {
		t.Fatal(err)
	}
	crop := c.crop
	if crop.Empty() {
		crop = p.Image.Rect
	}
	const margin, sizeMM = 40, 19.0
	ground := p.Image.NRGBAAt(crop.Min.X, crop.Min.Y)
	img := imaging.Paste(imaging.New(crop.Dx()+2*margin, crop.Dy()+2*margin, ground), imaging.Crop(p.Image, crop), image.Pt(margin, margin))
	pxPerMM := 2 * c.radiusPx / sizeMM
	w, h := float64(img.Rect.Dx()), float64(img.Rect.Dy())
	rect, ok := calib.FromHomography([9]float64{pxPerMM, 0, w / 2, 0, -pxPerMM, h / 2, 0, 0, 1}, calib.Lens{})
	if !ok {
		t.Fatal("no plane")
	}
	reachMM := math.Hypot(w, h) / 2 / pxPerMM
	marks, _, said := findMarks(&photo.Photo{Image: img}, rect, []Circle{{RadiusMM: reachMM, InnerMM: reachMM}}, MarkOptions{SizeMM: sizeMM})
	if len(said.warnings) > 0 {
		t.Log(said.warnings)
	}
	for i := range marks {
		marks[i].Photo = marks[i].Photo.Add(calib.Px{X: float64(crop.Min.X - margin), Y: float64(crop.Min.Y - margin)})
	}
	return marks
}

func TestCountedDiscs(t *testing.T) {
	skipWithoutOpenCVDoc(t)
	for _, c := range countedPictures {
		t.Run(c.name, func(t *testing.T) {
			found := make(map[countedDisc]bool)
			for _, m := range c.marks(t) {
				i := slices.IndexFunc(c.discs, func(d countedDisc) bool {
					return math.Hypot(d.x-m.Photo.X, d.y-m.Photo.Y) <= c.exactPx && !found[d]
				})
				if i < 0 {
					t.Errorf("a %s disc at (%.1f, %.1f), where there is none", m.Colour, m.Photo.X, m.Photo.Y)
					continue
				}
				found[c.discs[i]] = true
				if m.Colour != c.discs[i].colour && !slices.Contains(m.Flags, UnsureHue) {
					t.Errorf("the %s disc at (%.1f, %.1f) is called %s", c.discs[i].colour, m.Photo.X, m.Photo.Y, m.Colour)
				}
			}
			t.Logf("%d of %d found", len(found), len(c.discs))
			if len(found) < c.least {
				t.Errorf("%d of %d discs found, want at least %d", len(found), len(c.discs), c.least)
			}
		})
	}
}
