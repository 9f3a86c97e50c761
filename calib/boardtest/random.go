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
	Clear    Difficulty = iota // 12 megapixels, up to 45°, sharp, whole board in the photo, 3 rings or more, even light
	Varied                     // whatever a fair photo may hold
	Bare                       // Varied, but holes, dents, smudges or chalk in place of stickers
	Hopeless                   // nothing should be measured in it
	Crowded                    // Varied, with more stickers, most of them in heaps
)

// draw is a source of random numbers with the shapes used here.
type draw struct{ *rand.Rand }

func (d draw) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }
func (d draw) chance(p float64) bool          { return d.Float64() < p }

func pick[T any](d draw, from ...T) T { return from[d.IntN(len(from))] }

// Random returns a scene of the given difficulty; the same seed gives the same
// scene. Ranges are those of phone photos: 24 to 35 mm equivalent, |K1| up to
// 0.1, 2 to 12 megapixels, JPEG quality 70 to 95.
//
// Every mark of a fair photo can be told from what lies under it, is wide enough
// to be measured (minMarkPx) and lies on the board; a board whose plane needs the
// focal length is stored with it.
func Random(seed uint64, of Difficulty) Scene {
	d := draw{rand.New(rand.NewPCG(seed, uint64(of)))}
	s := Scene{Seed: seed}
	s.randomFace(d, of)
	s.randomCamera(d, of)
	s.randomLight(d, of)
	s.randomImaging(d, of)
	s.randomSurroundings(d)
	if of == Bare {
		s.randomBareMarks(d)
	} else {
		s.randomStickers(d, of)
	}
	if of == Hopeless {
		s.spoil(d)
	}
	return s
}

func (s *Scene) randomCamera(d draw, of Difficulty) {
	size := [2]int{4032, 3024}
	if of != Clear {
		size = pick(d, [2]int{1632, 1224}, [2]int{2048, 1536}, [2]int{2592, 1944}, [2]int{2592, 1944}, [2]int{2560, 1440},
			[2]int{3264, 2448}, [2]int{3264, 2448}, [2]int{3840, 2160}, [2]int{4032, 3024}, [2]int{4032, 3024})
	}
	if d.chance(0.3) {
		size[0], size[1] = size[1], size[0]
	}
	c := Camera{Width: size[0], Height: size[1]}
	short := float64(min(size[0], size[1]))
	c.FocalPx = d.between(24, 35) / math.Hypot(36, 24) * math.Hypot(float64(size[0]), float64(size[1]))
	maxTilt := 45.0
	if of != Clear {
		maxTilt = 50
	}
	c.Tilt = d.between(0, maxTilt) * math.Pi / 180
	c.Azimuth = d.between(-math.Pi, math.Pi)
	c.Roll = 4 * d.NormFloat64() * math.Pi / 180
	c.K1 = d.between(-0.1, 0.06)
	fill := d.between(0.5, 0.85)
	slack := (1 - fill) / 2 * short * 0.6
	c.AimPx = calib.Px{X: d.between(-slack, slack), Y: d.between(-slack, slack)}
	share := 1.0
	if of != Clear && len(s.Face.Rings) > 1 && d.chance(0.15) {
		// The outer ring runs out of the photo on one side: a cap of up to a fifth
		// of its diameter is cut off.
		fill, share = d.between(0.75, 0.95), 0.65
		shift := ((1-fill)/2 + d.between(0.05, 0.2)*fill) * pick(d, -1.0, 1)
		if size[0] > size[1] {
			c.AimPx.Y = shift * short
		} else {
			c.AimPx.X = shift * short
		}
	}
	c.DistanceMM = c.FillDistanceMM(s.Face.OuterMM(), fill)
	s.Camera = c
	for s.outerRingInFrame() < share { // the near side of a tilted board looks larger
		s.Camera.DistanceMM *= 1.03
	}
}

// randomLight leaves a white surface in the brightest place at 0.95 of the range.
func (s *Scene) randomLight(d draw, of Difficulty) {
	l := Light{Name: "even", Ambient: 1, GradientX: d.between(-0.2, 0.2), GradientY: d.between(-0.2, 0.2)}
	// White balance is seldom quite right: lamps leave it warm, shade cool.
	warm := 0.06 * d.NormFloat64()
	if of != Clear {
		warm = pick(d, 0.05*d.NormFloat64(), 0.05*d.NormFloat64(), d.between(0.08, 0.18), d.between(-0.15, -0.06))
	}
	l.Tint = [3]float64{1 + warm, 1, 1 - warm}
	if of != Clear {
		switch pick(d, "overcast", "overcast", "lamp", "sun", "sun", "sun") {
		case "lamp":
			l.Name = "lamp"
			l.GradientX, l.GradientY = d.between(-0.6, 0.6), d.between(-0.6, 0.6)
		case "sun":
			l.Name = "sun"
			l.Sun = d.between(0.35, 0.72)
			l.Ambient = 1 - l.Sun
			l.ShadeTint = [3]float64{0.94, 1, 1.1}
			if d.chance(0.65) {
				s.randomShadow(d, &l)
			}
		default:
			l.Name = "overcast"
		}
		if d.chance(0.2) {
			reach := 0.4 * s.Face.OuterMM()
			l.Glare, l.GlareMM = d.between(0.02, 0.12), d.between(0.1, 0.35)*s.Face.OuterMM()
			l.GlareX, l.GlareY = d.between(-reach, reach), d.between(-reach, reach)
		}
	}
	half := s.Face.OuterMM() / 2000
	brightest := max(l.Tint[0], l.Tint[2]) * (1 + half*(math.Abs(l.GradientX)+math.Abs(l.GradientY))) * (1 + l.Glare)
	l.Ambient *= 0.95 / brightest
	l.Sun *= 0.95 / brightest
	s.Light = l
}

func (s *Scene) randomShadow(d draw, l *Light) {
	outer := s.Face.OuterMM()
	l.Shadow = pick(d, "edge", "post", "leaves", "leaves")
	l.ShadowAngle, l.ShadowAtMM = d.between(-math.Pi, math.Pi), d.between(-0.35, 0.35)*outer
	l.ShadowWidthMM, l.PenumbraMM = d.between(0.06, 0.22)*outer, d.between(3, 25)
}

func (s *Scene) randomImaging(d draw, of Difficulty) {
	s.Imaging = Imaging{
		ExposureEV: d.between(-0.5, 0.1), Vignette: d.between(0, 0.35), BlurPx: d.between(0.5, 1.1),
		ShotSD: d.between(0.006, 0.02), ReadSD: d.between(0.001, 0.003), Sharpen: d.between(0.1, 0.7),
	}
	s.JPEG = JPEG{Quality: 70 + d.IntN(26), Taken: day}
	if of != Clear {
		s.Imaging.BlurPx = d.between(0.5, 1.6)
		s.Imaging.ExposureEV = d.between(-0.5, 0.15)
		if !s.ground().light() {
			s.Imaging.ExposureEV += d.between(0, 0.6) // a dark board makes the camera expose longer
		}
		s.Imaging.ShotSD = d.between(0.006, 0.035)
		if d.chance(0.15) {
			s.Imaging.MotionPx, s.Imaging.MotionAngle = d.between(1, 3), d.between(0, math.Pi)
		}
	}
	if s.planeNeedsFocal() || d.chance(0.85) {
		s.JPEG.Focal35MM = s.Camera.Focal35MM()
		s.JPEG.Make, s.JPEG.Model = "Example", "Phone"
		s.JPEG.Orientation = 1
		if s.Camera.Height > s.Camera.Width {
			s.JPEG.Orientation = pick(d, 6, 6, 8) // the sensor is wider than tall
		} else if d.chance(0.15) {
			s.JPEG.Orientation = 3
		}
	}
}

// planeNeedsFocal reports whether the face is one ring without a centre, which
// fixes the plane only together with the focal length. The two edges of a thick
// line are two rings, but too close together to rely on.
func (s *Scene) planeNeedsFocal() bool {
	return len(s.Face.Rings) < 2 && s.Face.Centre.Shape == ""
}

func (s *Scene) randomSurroundings(d draw) {
	s.Surroundings = Surroundings{
		Wall: pick(d, "render", "bricks", "planks", "panel", "hedge", "sky"), WallMM: d.between(50, 1500),
		Floor: pick(d, "grass", "gravel", "planks", "concrete"), FloorMM: s.Board.HeightMM/2 + d.between(150, 700),
		Legs: d.chance(0.6),
	}
	switch s.Surroundings.Wall {
	case "render":
		s.Surroundings.Colour = pick(d, Colour{}, Colour{206, 200, 186}, Colour{150, 160, 168}, Colour{196, 170, 130}, Colour{120, 128, 112})
	case "sky", "hedge":
		s.Surroundings.Legs = true
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
	switch s.Hopeless = pick(d, "no_target", "blurred", "dark", "overexposed", "too_small", "too_steep"); s.Hopeless {
	case "no_target":
		s.Face, s.Board, s.Marks, s.Surroundings.Legs = Face{}, Board{}, nil, false
	case "blurred":
		s.Imaging.BlurPx = float64(max(s.Camera.Width, s.Camera.Height)) / 80
		for _, m := range s.Marks { // no mark keeps its outline
			s.Imaging.BlurPx = max(s.Imaging.BlurPx, m.DiameterMM*s.Camera.FocalPx/s.Camera.DistanceMM)
		}
	case "dark":
		s.Imaging.ExposureEV = -9
	case "overexposed":
		s.Imaging.ExposureEV = 7
	case "too_small":
		s.Camera.DistanceMM = s.Camera.FillDistanceMM(s.Face.OuterMM(), 0.03)
	case "too_steep":
		// In the middle of the photo, where the tilt is the angle of view, and flat.
		s.Camera.Tilt, s.Camera.AimPx = d.between(84, 87)*math.Pi/180, calib.Px{}
		s.Board.BowMM = 0
	}
}
