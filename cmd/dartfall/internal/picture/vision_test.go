package picture

import (
	"fmt"
	"image/color"
	"math"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
)

// sights are the ways a picture is seen. The colour-vision deficiencies are those
// of Machado, Oliveira and Fernandes, "A Physiologically-based Model for
// Simulation of Color Vision Deficiency", IEEE TVCG 15(6), 2009, at severity 1.0,
// on linear RGB (matrices from memory; each row sums to 1, which is tested). Grey
// is the relative luminance.
var sights = []struct {
	name   string
	matrix [3][3]float64
}{
	{"full colour vision", [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}},
	{"protanopia", [3][3]float64{{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}}},
	{"deuteranopia", [3][3]float64{{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}}},
	{"tritanopia", [3][3]float64{{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}}},
	{"grey", [3][3]float64{{0.2126, 0.7152, 0.0722}, {0.2126, 0.7152, 0.0722}, {0.2126, 0.7152, 0.0722}}},
}

func seen(c color.NRGBA, m [3][3]float64) colorful.Color {
	in := [3]float64{linear(c.R), linear(c.G), linear(c.B)}
	var out [3]float64
	for i, row := range m {
		for j, f := range row {
			out[i] += f * in[j]
		}
	}
	return colorful.LinearRgb(out[0], out[1], out[2]).Clamped()
}

// apart is the CIEDE2000 distance on its usual scale, where about 1 is just
// noticeable; the library's is a hundredth of it.
func apart(a, b colorful.Color) float64 { return 100 * a.DistanceCIEDE2000(b) }

func TestSimulationRowsSumToOne(t *testing.T) {
	for _, s := range sights {
		for _, row := range s.matrix {
			if sum := row[0] + row[1] + row[2]; !(math.Abs(sum-1) < 2e-6) {
				t.Errorf("%s: row %v sums to %v: white would not stay white", s.name, row, sum)
			}
		}
	}
}

// Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula", Color Res. Appl.
// 30(1), 2005, table 1, pairs 1, 4, 7, 17, 19, 25 and 34.
func TestDistanceIsCIEDE2000(t *testing.T) {
	for _, c := range [][7]float64{
		{50, 2.6772, -79.7751, 50, 0, -82.7485, 2.0425},
		{50, -1.3802, -84.2814, 50, 0, -82.7485, 1.0000},
		{50, 0, 0, 50, -1, 2, 2.3669},
		{50, 2.5, 0, 73, 25, -18, 27.1492},
		{50, 2.5, 0, 56, -27, -3, 31.9030},
		{60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644},
		{2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082},
	} {
		a, b := colorful.Lab(c[0]/100, c[1]/100, c[2]/100), colorful.Lab(c[3]/100, c[4]/100, c[5]/100)
		if got := apart(a, b); !(math.Abs(got-c[6]) < 1e-3) {
			t.Errorf("distance of %v and %v = %.4f, want %.4f", c[:3], c[3:6], got, c[6])
		}
	}
}

// overlap is the share of two shapes, drawn as marks, that is common to both.
func overlap(a, b Shape) float64 {
	draw := func(s Shape) *canvas {
		c := newCanvas(blank(60, 60, white), &typesetter{})
		c.glyph(Identity{Shape: s, Tone: color.NRGBA{A: 255}}, look{}, 30, 30, 12)
		return c
	}
	ca, cb := draw(a), draw(b)
	both, either := 0, 0
	for i := 0; i < len(ca.im.Pix); i += 4 {
		da, db := ca.im.Pix[i] < 128, cb.im.Pix[i] < 128
		if da && db {
			both++
		}
		if da || db {
			either++
		}
	}
	return float64(both) / float64(either)
}

func TestShapesDiffer(t *testing.T) {
	for a := range numShapes {
		for b := range a {
			if got := overlap(a, b); !(got < 0.85) {
				t.Errorf("%s and %s share %.0f%% of their marks", a, b, 100*got)
			}
		}
	}
}

// Any two accessories must be told apart in every sight: by colour, CIEDE2000 at
// least wantApart, or else by shape, sharing at most wantShared of the mark. Up to
// five accessories colour alone must do.
func TestMarksToldApart(t *testing.T) {
	const wantApart, wantShared = 10, 0.80
	check := func(what string, ids []Identity, colourAlone bool) {
		least := map[string]float64{}
		for i, a := range ids {
			for _, b := range ids[:i] {
				for _, s := range sights {
					d := apart(seen(a.Tone, s.matrix), seen(b.Tone, s.matrix))
					if old, ok := least[s.name]; !ok || d < old {
						least[s.name] = d
					}
					if d >= wantApart {
						continue
					}
					if shared := overlap(a.Shape, b.Shape); colourAlone || !(shared <= wantShared) {
						t.Errorf("%s, %s: %s and %s are %.1f apart and share %.0f%% of their shape", what, s.name, a.Letter, b.Letter, d, 100*shared)
					}
				}
			}
		}
		for _, s := range sights {
			t.Logf("%s, %s: least distance %.1f", what, s.name, least[s.name])
		}
	}
	for n := 2; n <= 8; n++ {
		check(fmt.Sprintf("%d accessories", n), Identities(make([]string, n), make([]string, n)), n <= 5)
	}
	var stickers []string
	for _, s := range safeTones {
		stickers = append(stickers, s.name)
	}
	for n := 2; n <= 8; n++ {
		check(fmt.Sprintf("stickers %v", stickers[9-n:]), Identities(make([]string, n), stickers[9-n:]), false)
		check(fmt.Sprintf("stickers %v", stickers[:n]), Identities(make([]string, n), stickers[:n]), false)
	}
}

func TestIdentities(t *testing.T) {
	three := Identities([]string{"North", "Reed", "Slate"}, []string{"blue", "orange", "purple"})
	if three[0].Tone == three[2].Tone || three[2].Letter != "C" || three[2].Shape != Cross {
		t.Errorf("Identities of three stickers = %+v", three)
	}
	same := Identities(make([]string, 2), []string{"blue", "blue"})
	if same[0].Tone == same[1].Tone {
		t.Errorf("two accessories with blue stickers share the tone %v", same[0].Tone)
	}
	seen := map[Identity]bool{}
	for _, id := range Identities(make([]string, 26), make([]string, 26)) {
		if seen[id] {
			t.Errorf("two accessories are drawn alike: %+v", id)
		}
		seen[id] = true
	}
}
