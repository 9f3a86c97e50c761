package picture

import (
	"image/color"
	"math"
)

// Shape is the outline that identifies an accessory.
type Shape uint8

// The eight shapes, in the order in which accessories take them: the square, the
// one most like a circle when small, comes last. None is another one's outline, since a hollow mark already
// means "set aside", and none is another one turned by a few degrees except the
// two triangles, which point opposite ways.
const (
	Circle Shape = iota
	Triangle
	Cross
	Diamond
	Hourglass
	Wedge // triangle pointing down
	Star
	Square
	numShapes
)

// String returns the shape's name as used in alt texts.
func (s Shape) String() string {
	names := [numShapes]string{"circle", "triangle", "cross", "diamond", "hourglass", "wedge", "star", "square"}
	if s < numShapes {
		return names[s]
	}
	return "circle"
}

// Outline returns the shape as a closed polygon about the origin, y down. The
// areas are near that of a disc of radius 1, so that no accessory looks heavier.
func (s Shape) Outline() [][2]float64 {
	switch s {
	case Triangle:
		return regular(3, 1.5, -math.Pi/2)
	case Wedge:
		return regular(3, 1.5, math.Pi/2)
	case Square:
		return regular(4, 1.25, math.Pi/4)
	case Diamond:
		return [][2]float64{{0, -1.45}, {1.1, 0}, {0, 1.45}, {-1.1, 0}}
	case Cross:
		const a, b = 0.5, 1.25 // half width of an arm and its reach, turned by 45° below
		p := [][2]float64{{-a, -b}, {a, -b}, {a, -a}, {b, -a}, {b, a}, {a, a}, {a, b}, {-a, b}, {-a, a}, {-b, a}, {-b, -a}, {-a, -a}}
		for i, q := range p {
			p[i] = [2]float64{(q[0] - q[1]) * math.Sqrt2 / 2, (q[0] + q[1]) * math.Sqrt2 / 2}
		}
		return p
	case Star:
		p := make([][2]float64, 10)
		for i := range p {
			r := 1.6
			if i%2 == 1 {
				r = 0.72
			}
			sin, cos := math.Sincos(float64(i)*math.Pi/5 - math.Pi/2)
			p[i] = [2]float64{r * cos, r * sin}
		}
		return p
	case Hourglass:
		const a, w = 1.2, 0.3
		return [][2]float64{{-a, -a}, {a, -a}, {w, 0}, {a, a}, {-a, a}, {-w, 0}}
	default:
		return regular(36, 1.02, 0)
	}
}

func regular(n int, r, turn float64) [][2]float64 {
	p := make([][2]float64, n)
	for i := range p {
		sin, cos := math.Sincos(turn + 2*math.Pi*float64(i)/float64(n))
		p[i] = [2]float64{r * cos, r * sin}
	}
	return p
}

// Identity is how an accessory (or, before there is a session, a sticker colour)
// is told from the others.
type Identity struct {
	Letter string // "A" to "H"
	Name   string // as the user wrote it; "" for none
	Shape  Shape
	Tone   color.NRGBA
}

// Okabe and Ito, "Color Universal Design", 2002 (revised 2008): the eight colours,
// from memory, in the order in which accessories take them. Each prefix keeps the
// lightnesses of its members as far apart as the set allows, which is what is left
// of a colour in grey: L* 46, 71, 0, 89, 58, then two that need their shape.
var okabeIto = [8]color.NRGBA{
	{0x00, 0x72, 0xB2, 255}, // blue
	{0xE6, 0x9F, 0x00, 255}, // orange
	{0x00, 0x00, 0x00, 255}, // black
	{0xF0, 0xE4, 0x42, 255}, // yellow
	{0x00, 0x9E, 0x73, 255}, // bluish green
	{0xD5, 0x5E, 0x00, 255}, // vermillion
	{0xCC, 0x79, 0xA7, 255}, // reddish purple
	{0x56, 0xB4, 0xE9, 255}, // sky blue
}

// safeTones are the tones in which a sticker's own colour is echoed: of the
// Okabe-Ito set where it has the hue, else of the same hue at a lightness that
// keeps it apart from its neighbours.
var safeTones = []struct {
	name string
	tone color.NRGBA
}{
	{"red", color.NRGBA{0xD5, 0x5E, 0x00, 255}},
	{"blue", color.NRGBA{0x00, 0x72, 0xB2, 255}},
	{"green", color.NRGBA{0x00, 0x9E, 0x73, 255}},
	{"orange", color.NRGBA{0xE6, 0x9F, 0x00, 255}},
	{"yellow", color.NRGBA{0xF0, 0xE4, 0x42, 255}},
	{"purple", color.NRGBA{0xCC, 0x79, 0xA7, 255}},
	{"pink", color.NRGBA{0xF7, 0xC1, 0xD9, 255}},
	{"black", color.NRGBA{0x00, 0x00, 0x00, 255}},
	{"white", color.NRGBA{0xFF, 0xFF, 0xFF, 255}},
}

// Identities gives each accessory its letter, shape and tone, in order. names and
// stickers are of equal length; stickers holds the colour names of the stickers. A
// known sticker colour is echoed by its safe tone as long as every accessory has a
// colour of its own; otherwise all take the Okabe-Ito colours in order. From the
// ninth on, letters go on and shapes and tones repeat in other pairs.
func Identities(names, stickers []string) []Identity {
	ids := make([]Identity, len(names))
	echo := echoes(stickers)
	for i := range ids {
		ids[i] = Identity{
			Letter: string(rune('A' + i%26)),
			Name:   names[i],
			Shape:  Shape((i + i/8) % int(numShapes)),
			Tone:   okabeIto[i%8],
		}
		if echo != nil {
			ids[i].Tone = echo[i]
		}
	}
	return ids
}

// echoes returns the safe tones of the named colours, or nil when one is unknown
// or two are equal.
func echoes(stickers []string) []color.NRGBA {
	tones := make([]color.NRGBA, len(stickers))
	for i, name := range stickers {
		known := false
		for _, s := range safeTones {
			if s.name == name {
				tones[i], known = s.tone, true
			}
		}
		for _, t := range tones[:i] {
			known = known && t != tones[i]
		}
		if !known {
			return nil
		}
	}
	return tones
}

// Paper and ink of every picture. Contrast of ink on ground is checked by a test
// (WCAG 2.1, success criterion 1.4.3).
var (
	ground  = color.NRGBA{0xFA, 0xF8, 0xF3, 255}
	paper   = color.NRGBA{0xFF, 0xFE, 0xFB, 255} // the board's own face
	ringInk = color.NRGBA{0x9A, 0x9E, 0xA2, 255}
	backing = color.NRGBA{0xF0, 0xEC, 0xE2, 255} // what surrounds the face
	ink     = color.NRGBA{0x22, 0x2B, 0x36, 255}
	softInk = color.NRGBA{0x52, 0x5C, 0x69, 255}
	hair    = color.NRGBA{0xA9, 0xAD, 0xAF, 255}
	fitLine = color.NRGBA{0x9B, 0x1B, 0x6E, 255} // the fitted rings on a photo
	white   = color.NRGBA{255, 255, 255, 255}
)

// unassigned is how a mark that belongs to no accessory is drawn.
var unassigned = Identity{Letter: "?", Shape: Circle, Tone: color.NRGBA{0x8A, 0x8F, 0x96, 255}}

func identity(ids []Identity, who int) Identity {
	if who < 0 || who >= len(ids) {
		return unassigned
	}
	return ids[who]
}

func withAlpha(c color.NRGBA, a float64) color.NRGBA {
	c.A = uint8(math.Round(255 * a))
	return c
}

// luminance returns the relative luminance of a colour, 0 to 1 (WCAG 2.1, with
// the sRGB transfer curve of IEC 61966-2-1).
func luminance(c color.NRGBA) float64 {
	return 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
}

// linear undoes the sRGB transfer curve (IEC 61966-2-1).
func linear(v uint8) float64 {
	c := float64(v) / 255
	if c <= 0.04045 {
		return c / 12.92
	}
	return math.Pow((c+0.055)/1.055, 2.4)
}
