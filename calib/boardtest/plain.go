package boardtest

import "math"

// Plain returns an easy scene to start a test from: a white board with four
// black rings (400, 300, 200 and 100 mm, 3 mm lines), no marks, seen square-on
// so that the outermost ring fills 80% of the shorter side, no distortion, even
// light, 0.7 px of blur and a little noise.
func Plain(width, height int) Scene {
	s := Scene{Seed: 1}
	s.Face.Kind = "plain"
	for _, d := range []float64{400, 300, 200, 100} {
		s.Face.Rings = append(s.Face.Rings, Ring{OuterDiameterMM: d, LineMM: 3, Line: Colour{20, 20, 20}})
	}
	s.Board = Board{
		WidthMM: 560, HeightMM: 560, Colour: Colour{170, 140, 100},
		PaperWidthMM: 460, PaperHeightMM: 460, Paper: Colour{235, 235, 232},
	}
	s.Camera = Camera{Width: width, Height: height}
	s.Camera.FocalPx = 28 / math.Hypot(36, 24) * math.Hypot(float64(width), float64(height))
	s.Camera.DistanceMM = s.Camera.FillDistanceMM(400, 0.8)
	s.Light = Light{Ambient: 0.85}
	s.Surroundings = Surroundings{Wall: "render", WallMM: 300}
	s.Imaging = Imaging{BlurPx: 0.7, ShotSD: 0.01, ReadSD: 0.002}
	return s
}

// Stickers returns one sticker of the given colour name and diameter at each of
// the board points, for Scene.Marks. The name must be one of ColourNames.
func Stickers(name string, diameterMM float64, at ...[2]float64) []Mark {
	c, ok := namedColours[name]
	if !ok {
		panic("boardtest: no sticker colour is called " + name)
	}
	var out []Mark
	for _, p := range at {
		out = append(out, Mark{Kind: Sticker, X: p[0], Y: p[1], DiameterMM: diameterMM, Name: name, Colour: c, String: 1})
	}
	return out
}

// ColourNames lists the sticker colours that have a name here.
var ColourNames = []string{"red", "blue", "purple", "green", "orange", "yellow", "pink", "black", "white"}

var namedColours = map[string]Colour{
	"red": {200, 32, 38}, "blue": {28, 84, 178}, "purple": {112, 52, 148}, "green": {30, 138, 62},
	"orange": {236, 112, 30}, "yellow": {244, 210, 44}, "pink": {238, 110, 168}, "black": {30, 30, 32},
	"white": {240, 240, 238},
}
