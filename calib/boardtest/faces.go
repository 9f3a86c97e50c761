package boardtest

import (
	"fmt"
	"math"

	"github.com/lucasb-eyer/go-colorful"
)

// apart returns the CIEDE2000 difference of two colours (CIE 142-2001): about 1
// for the least difference seen side by side, 100 from black to white.
func apart(a, b Colour) float64 {
	f := func(c Colour) colorful.Color {
		return colorful.Color{R: float64(c.R) / 255, G: float64(c.G) / 255, B: float64(c.B) / 255}
	}
	return 100 * f(a).DistanceCIEDE2000(f(b))
}

// light reports whether dark ink reads better on c than white.
func (c Colour) light() bool {
	l := c.linear()
	return 0.2126*l[0]+0.7152*l[1]+0.0722*l[2] > 0.18
}

func jitter(d draw, c Colour, by float64) Colour {
	f := func(v uint8) uint8 { return uint8(math.Min(250, math.Max(8, float64(v)+by*d.NormFloat64()))) }
	return Colour{f(c.R), f(c.G), f(c.B)}
}

// Colours of materials and inks.
var (
	darkInks   = []Colour{{20, 20, 20}, {24, 30, 80}, {150, 24, 30}, {16, 80, 50}}
	lightInks  = []Colour{{238, 238, 232}, {240, 214, 80}, {244, 180, 90}, {190, 220, 236}}
	papers     = []Colour{{238, 237, 233}, {238, 237, 233}, {232, 226, 208}, {214, 216, 216}, {222, 200, 160}}
	backers    = []Colour{{176, 138, 96}, {150, 108, 66}, {70, 74, 78}, {196, 196, 190}, {44, 88, 58}}
	paints     = []Colour{{32, 52, 98}, {42, 44, 48}, {104, 30, 36}, {24, 84, 90}, {64, 48, 36}, {70, 40, 90}}
	zoneInks   = []Colour{{232, 226, 206}, {52, 66, 82}, {30, 120, 124}, {206, 156, 52}, {158, 58, 44}, {82, 104, 52}, {150, 190, 214}, {110, 60, 96}, {40, 40, 42}, {236, 168, 150}}
	cardboard  = Colour{186, 148, 104}
	greenFelt  = Colour{44, 96, 62}
	whiteInk   = Colour{240, 240, 236}
	blackInk   = Colour{22, 22, 22}
	thickLines = 8.0 // mm; a line that wide is a surface to put a sticker on
)

// randomFace draws a face and the board that carries it.
func (s *Scene) randomFace(d draw, of Difficulty) {
	outer := d.between(320, 950)
	kinds := []string{"lines", "zones", "zones", "bull", "bull", "painted", "felt", "card"}
	if of != Clear {
		kinds = append(kinds, "single", "single", "drawn", "drawn")
	}
	s.Face.Kind = pick(d, kinds...)
	switch s.Face.Kind {
	case "lines":
		s.paper(d, outer)
		s.lines(d, outer, 3+d.IntN(5), pick(d, darkInks...))
		s.print(d)
	case "zones":
		s.paper(d, outer)
		s.zoneFace(d, outer)
		s.print(d)
	case "bull":
		s.paper(d, outer)
		s.bull(d, outer)
		s.print(d)
	case "painted":
		s.plank(d, outer, jitter(d, pick(d, paints...), 5), pick(d, "", "wood"))
		s.lines(d, outer, 3+d.IntN(4), pick(d, lightInks...))
	case "felt":
		s.plank(d, outer, jitter(d, greenFelt, 5), "felt")
		s.lines(d, outer, 3+d.IntN(3), pick(d, lightInks[:3]...))
	case "card":
		s.plank(d, outer, jitter(d, cardboard, 8), "card")
		s.lines(d, outer, 3+d.IntN(3), pick(d, darkInks...))
	case "single":
		s.anyGround(d, outer)
		s.single(d, outer)
	case "drawn":
		s.anyGround(d, outer)
		s.handDrawn(d, outer)
	}
	if of != Clear && d.chance(0.08) {
		s.Board.BowMM = d.between(0.5, 3)
	}
}

// paper puts a sheet that holds a face of the given diameter on a backer.
func (s *Scene) paper(d draw, outer float64) {
	sheet := outer * d.between(1.04, 1.2)
	tall := sheet * pick(d, 1, 1, d.between(1, 1.25))
	margin := d.between(1.08, 1.35)
	s.Board = Board{
		WidthMM: sheet * margin, HeightMM: max(tall+30, sheet*margin), ThicknessMM: d.between(4, 40),
		Colour: jitter(d, pick(d, backers...), 8), PaperWidthMM: sheet, PaperHeightMM: tall, Paper: jitter(d, pick(d, papers...), 3),
		Texture: pick(d, "card", "wood", "felt", ""), Fixing: pick(d, "tape", "tape", "screws", "clips"), Creases: pick(d, 0, 0, 1, 2),
	}
}

// plank makes the backer carry the face itself.
func (s *Scene) plank(d draw, outer float64, c Colour, texture string) {
	w := outer * d.between(1.08, 1.4)
	s.Board = Board{
		WidthMM: w, HeightMM: w * pick(d, 1, 1, d.between(1, 1.3)), ThicknessMM: d.between(4, 40),
		Colour: c, Texture: texture, Fixing: pick(d, "", "screws"),
	}
}

func (s *Scene) anyGround(d draw, outer float64) {
	switch d.IntN(4) {
	case 0:
		s.paper(d, outer)
	case 1:
		s.plank(d, outer, jitter(d, pick(d, paints...), 5), pick(d, "", "wood"))
	case 2:
		s.plank(d, outer, jitter(d, cardboard, 8), "card")
	default:
		s.plank(d, outer, jitter(d, Colour{128, 130, 132}, 10), "felt")
	}
}

// ground is the colour the rings are printed on.
func (s *Scene) ground() Colour {
	if s.Board.PaperWidthMM > 0 {
		return s.Board.Paper
	}
	return s.Board.Colour
}

// ink draws an ink that shows on the ground.
func (s *Scene) ink(d draw) Colour {
	if s.ground().light() {
		return pick(d, darkInks...)
	}
	return pick(d, lightInks...)
}

// diameters spaces n rings, evenly more often than not.
func diameters(d draw, n int, outer float64) []float64 {
	power := pick(d, 1, 1, 1, d.between(0.75, 1.25))
	out := make([]float64, n)
	for i := range out {
		out[i] = outer * math.Pow(float64(n-i)/float64(n), power)
	}
	return out
}

// lines are n thin lines of one ink.
func (s *Scene) lines(d draw, outer float64, n int, ink Colour) {
	line := max(1.5, outer*d.between(0.004, 0.013))
	for _, diameter := range diameters(d, n, outer) {
		s.Face.Rings = append(s.Face.Rings, Ring{OuterDiameterMM: diameter, LineMM: line, Line: ink})
	}
	switch d.IntN(4) {
	case 0:
		s.Face.Centre = CentreMark{Shape: "dot", SizeMM: d.between(6, 20), Colour: ink}
	case 1:
		s.Face.Centre = CentreMark{Shape: "cross", SizeMM: d.between(20, 50), LineMM: line, Colour: ink}
	}
}

// zoneFace fills three to six zones with colours, half of the time one that is
// close to a sticker's.
func (s *Scene) zoneFace(d draw, outer float64) {
	n := 3 + d.IntN(4)
	inks := append([]Colour(nil), zoneInks...)
	for range 3 {
		// Print is duller than a sticker.
		c := namedColours[pick(d, ColourNames...)]
		inks = append(inks, jitter(d, Colour{uint8(0.8*float64(c.R) + 24), uint8(0.8*float64(c.G) + 24), uint8(0.8*float64(c.B) + 24)}, 5))
	}
	line, last := pick(d, 0, 0, max(1.5, outer*d.between(0.002, 0.006))), s.ground()
	for _, diameter := range diameters(d, n, outer) {
		fill := pick(d, inks...)
		for apart(fill, last) < 20 {
			fill = pick(d, inks...)
		}
		ink := whiteInk
		if fill.light() {
			ink = blackInk
		}
		r := Ring{OuterDiameterMM: diameter, LineMM: line, Line: blackInk, Fill: &fill}
		if contrast(whiteInk, fill, last) > contrast(blackInk, fill, last) {
			r.Line = whiteInk
		}
		if contrast(r.Line, fill, last) < 20 {
			r.LineMM = 0 // its outer edge, which the truth is about, would not show
		}
		s.Face.Rings = append(s.Face.Rings, r)
		s.Face.Numerals.Zones = append(s.Face.Numerals.Zones, ink)
		last = fill
	}
	s.numerals(d, 0.5)
}

// contrast is how far c is from the nearer of two colours beside it.
func contrast(c, a, b Colour) float64 { return min(apart(c, a), apart(c, b)) }

// bull is a face of thin lines whose inner zones are dark with light lines.
func (s *Scene) bull(d draw, outer float64) {
	n := 5 + d.IntN(5)
	dark := n - 2 - d.IntN(n-3) // the outermost dark zone
	ink := pick(d, blackInk, blackInk, Colour{26, 34, 74}, Colour{120, 26, 30})
	line := max(1.2, outer*d.between(0.002, 0.006))
	for i, diameter := range diameters(d, n, outer) {
		r := Ring{OuterDiameterMM: diameter, LineMM: line, Line: ink}
		numeral := ink
		if i >= dark {
			numeral = whiteInk
		}
		if i == dark {
			r.Fill = &ink
		} else if i > dark {
			r.Line = whiteInk
		}
		s.Face.Rings = append(s.Face.Rings, r)
		s.Face.Numerals.Zones = append(s.Face.Numerals.Zones, numeral)
	}
	s.numerals(d, 0.8)
	if d.chance(0.4) {
		s.Face.Centre = CentreMark{Shape: "dot", SizeMM: d.between(6, 12), Colour: whiteInk}
	}
}

// numerals sizes the numerals to the zones and drops them by chance.
func (s *Scene) numerals(d draw, share float64) {
	narrow := math.Inf(1)
	for i, r := range s.Face.Rings {
		inner := 0.0
		if i+1 < len(s.Face.Rings) {
			inner = s.Face.Rings[i+1].OuterDiameterMM
		}
		narrow = min(narrow, (r.OuterDiameterMM-inner)/2-r.LineMM)
	}
	if d.chance(share) && narrow > 16 {
		s.Face.Numerals.SizeMM = min(30, d.between(0.35, 0.55)*narrow)
	}
	if i := len(s.Face.Rings) - 1; d.chance(0.7) {
		s.Face.Numerals.Zones = s.Face.Numerals.Zones[:i] // the middle stays free
	}
}

// print adds what printed faces carry beside their rings, and the printer's
// error of scale.
func (s *Scene) print(d draw) {
	f := &s.Face
	ink := f.Rings[0].Line
	if b := f.OuterMM() * 0.05; s.Board.PaperHeightMM/2-f.OuterMM()/2 > b && d.chance(0.5) {
		f.UpMark = UpMark{TipMM: f.OuterMM()/2 + 0.9*b, SizeMM: 0.7 * b, Colour: ink}
	}
	if d.chance(0.3) {
		f.Caption, f.CaptionMM = fmt.Sprintf("BOARD %d", 1+d.IntN(9)), d.between(8, 14)
	}
	if d.chance(0.1) {
		f.StretchX, f.StretchY = 0.001*d.NormFloat64(), 0.001*d.NormFloat64()
	}
}

// single is one ring with a thick line, with a dot, a cross or nothing in it.
func (s *Scene) single(d draw, outer float64) {
	ink := s.ink(d)
	s.Face.Rings = []Ring{{OuterDiameterMM: outer, LineMM: d.between(5, 35), Line: ink}}
	switch d.IntN(5) {
	case 0, 1:
		s.Face.Centre = CentreMark{Shape: "dot", SizeMM: d.between(12, 45), Colour: ink}
	case 2:
		s.Face.Centre = CentreMark{Shape: "cross", SizeMM: d.between(40, 90), LineMM: d.between(4, 10), Colour: ink}
	}
}

// handDrawn is two rings of a broad marker around a cross.
func (s *Scene) handDrawn(d draw, outer float64) {
	ink := s.ink(d)
	line := d.between(6, 14)
	s.Face.Rings = []Ring{
		{OuterDiameterMM: outer, LineMM: line, Line: ink},
		{OuterDiameterMM: outer * d.between(0.4, 0.62), LineMM: line, Line: ink},
	}
	s.Face.WobbleMM = d.between(0.4, 1.5)
	s.Face.Centre = CentreMark{Shape: "cross", SizeMM: d.between(30, 90), LineMM: d.between(5, 10), Colour: ink}
}

// surfaces lists the colours a mark may lie on.
func (s *Scene) surfaces() []Colour {
	out := []Colour{s.Board.Colour, s.ground()}
	for _, r := range s.Face.Rings {
		if r.Fill != nil {
			out = append(out, *r.Fill)
		}
		if r.LineMM >= thickLines {
			out = append(out, r.Line)
		}
	}
	return out
}
