package boardtest

import (
	"math"
	"math/rand/v2"

	"dartfall/calib"
)

// Difficulty chooses what Random draws from.
type Difficulty int

// The populations.
const (
	Clear    Difficulty = iota // up to 45°, sharp, whole board in the photo, 3 rings or more, even light
	Varied                     // whatever a fair photo may hold
	Bare                       // Varied, but holes, dents, smudges or chalk in place of stickers
	Hopeless                   // nothing should be measured in it
)

// draw is a source of random numbers with the shapes used here.
type draw struct{ *rand.Rand }

func (d draw) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }
func (d draw) chance(p float64) bool          { return d.Float64() < p }

func pick[T any](d draw, from ...T) T { return from[d.IntN(len(from))] }

// Random returns a scene of the given difficulty; the same seed gives the same
// scene. Ranges are those of phone photos: 24 to 35 mm equivalent, |K1| up to
// 0.1, 1.5 to 12 megapixels, JPEG quality 70 to 95.
func Random(seed uint64, of Difficulty) Scene {
	d := draw{rand.New(rand.NewPCG(seed, uint64(of)))}
	s := Scene{Seed: seed}
	s.randomFace(d, of)
	s.randomCamera(d, of)
	s.randomLight(d, of)
	s.randomImaging(d, of)
	s.randomSurroundings(d)
	s.randomStickers(d, of)
	if of == Hopeless {
		s.spoil(d)
	}
	return s
}

func jitter(d draw, c Colour, by float64) Colour {
	f := func(v uint8) uint8 { return uint8(math.Min(250, math.Max(8, float64(v)+by*d.NormFloat64()))) }
	return Colour{f(c.R), f(c.G), f(c.B)}
}

func (s *Scene) randomFace(d draw, of Difficulty) {
	n := 3 + d.IntN(4)
	outer := d.between(350, 900)
	ink := pick(d, Colour{20, 20, 20}, Colour{24, 30, 80}, Colour{150, 24, 30})
	line := d.between(2, 5)
	for i := range n {
		s.Face.Rings = append(s.Face.Rings, Ring{OuterDiameterMM: outer * float64(n-i) / float64(n), LineMM: line, Line: ink})
	}
	s.Face.Kind = "paper"
	s.Board = Board{
		WidthMM: outer * 1.3, HeightMM: outer * 1.3, ThicknessMM: 20, Colour: jitter(d, Colour{176, 138, 96}, 8),
		PaperWidthMM: outer * 1.1, PaperHeightMM: outer * 1.1, Paper: jitter(d, Colour{236, 235, 230}, 4), Texture: "card", Fixing: "tape",
	}
}

func (s *Scene) randomCamera(d draw, of Difficulty) {
	size := pick(d, [2]int{1600, 1200}, [2]int{2048, 1536}, [2]int{3264, 2448}, [2]int{4032, 3024}, [2]int{4032, 3024}, [2]int{3024, 4032}, [2]int{4000, 2250})
	c := Camera{Width: size[0], Height: size[1]}
	c.FocalPx = d.between(24, 35) / math.Hypot(36, 24) * math.Hypot(float64(size[0]), float64(size[1]))
	maxTilt := 45.0
	if of != Clear {
		maxTilt = 50
	}
	c.Tilt = d.between(0, maxTilt) * math.Pi / 180
	c.Azimuth = d.between(-math.Pi, math.Pi)
	c.Roll = 4 * d.NormFloat64() * math.Pi / 180
	fill := d.between(0.5, 0.85)
	c.DistanceMM = c.FillDistanceMM(s.Face.OuterMM(), fill)
	slack := (1 - fill) / 2 * float64(min(size[0], size[1])) * 0.6
	c.AimPx = calib.Px{X: d.between(-slack, slack), Y: d.between(-slack, slack)}
	c.K1 = d.between(-0.1, 0.06)
	s.Camera = c
}

func (s *Scene) randomLight(d draw, of Difficulty) {
	defer func() {
		if of == Clear || d.chance(0.5) {
			return
		}
		l := &s.Light
		l.Name, l.Sun = "sun", l.Ambient*0.5
		l.Ambient -= l.Sun
		l.Shadow = pick(d, "edge", "post", "leaves")
		l.ShadowAngle, l.ShadowAtMM = d.between(-math.Pi, math.Pi), d.between(-150, 150)
		l.ShadowWidthMM, l.PenumbraMM = d.between(30, 90), d.between(3, 20)
	}()
	s.Light = Light{Name: "even", Ambient: d.between(0.6, 0.95), GradientX: d.between(-0.2, 0.2), GradientY: d.between(-0.2, 0.2)}
}

func (s *Scene) randomImaging(d draw, of Difficulty) {
	s.Imaging = Imaging{
		Vignette: d.between(0, 0.35), BlurPx: d.between(0.5, 1.3), ShotSD: d.between(0.006, 0.025), ReadSD: d.between(0.001, 0.003),
		Sharpen: d.between(0.1, 0.7),
	}
	s.JPEG = JPEG{Quality: 70 + d.IntN(26), Taken: day}
	if d.chance(0.85) {
		s.JPEG.Focal35MM = s.Camera.Focal35MM()
		s.JPEG.Make, s.JPEG.Model = "Example", "Phone"
	}
}

func (s *Scene) randomStickers(d draw, of Difficulty) {
	names := d.Perm(len(ColourNames) - 1)[:1+d.IntN(3)]
	dia := pick(d, 8.0, 10, 12, 13, 15, 16, 19, 20, 24, 25)
	sd := s.Face.OuterMM() * d.between(0.06, 0.16)
	bare := pick(d, Hole, Dent, Smudge)
	for k, n := range names {
		name := ColourNames[n]
		colour := jitter(d, namedColours[name], 6)
		for range 5 + d.IntN(8) {
			if of == Bare {
				s.Marks = append(s.Marks, Mark{Kind: bare, X: sd * d.NormFloat64(), Y: sd * d.NormFloat64(), DiameterMM: d.between(6, 15), String: 1})
				continue
			}
			s.Marks = append(s.Marks, Mark{
				Kind: Sticker, X: sd * d.NormFloat64(), Y: sd * d.NormFloat64(), DiameterMM: dia, Name: name, Colour: colour, String: k + 1,
			})
		}
	}
}

func (s *Scene) randomSurroundings(d draw) {
	s.Surroundings = Surroundings{
		Wall: pick(d, "render", "bricks", "planks", "panel", "hedge"), WallMM: d.between(50, 1500),
		Floor: pick(d, "grass", "gravel", "planks", "concrete"), FloorMM: s.Board.HeightMM/2 + d.between(150, 700),
		Legs: d.chance(0.6),
	}
	for range d.IntN(4) {
		s.Surroundings.Things = append(s.Surroundings.Things, Thing{
			Shape: pick(d, "disc", "hoop", "ball", "bucket"),
			X:     d.between(-1.2, 1.2) * s.Board.WidthMM, Y: d.between(-0.9, 0.7) * s.Board.HeightMM, BehindMM: 40, RadiusMM: d.between(40, 170),
			Colour: namedColours[pick(d, ColourNames...)], Inner: namedColours[pick(d, ColourNames...)],
		})
	}
}

// spoil makes the scene one that nothing should be measured in.
func (s *Scene) spoil(d draw) {
	switch s.Hopeless = pick(d, "no_target", "blurred", "dark", "too_small", "too_steep"); s.Hopeless {
	case "no_target":
		s.Face, s.Board, s.Marks, s.Surroundings.Legs = Face{}, Board{}, nil, false
	case "blurred":
		s.Imaging.BlurPx = float64(s.Camera.Width) / 80
	case "dark":
		s.Imaging.ExposureEV = -9
	case "too_small":
		s.Camera.DistanceMM = s.Camera.FillDistanceMM(s.Face.OuterMM(), 0.03)
	case "too_steep":
		s.Camera.Tilt = d.between(84, 87) * math.Pi / 180
	}
}
