package boardtest

import (
	"errors"
	"fmt"
	"math"

	"dartfall/calib"
)

// Colour is the colour of a surface in neutral light, sRGB.
type Colour struct{ R, G, B uint8 }

// Scene is everything one photograph depends on.
type Scene struct {
	// Seed drives textures, ragged outlines and noise.
	Seed         uint64
	Face         Face
	Board        Board
	Marks        []Mark // in the order they were put on: later ones lie on top
	Camera       Camera
	Light        Light
	Surroundings Surroundings
	Imaging      Imaging
	// JPEG is how WriteCase stores the photo.
	JPEG JPEG
	// Hopeless says why nothing should be measured in the photo ("no_target",
	// "blurred" …); empty for a fair photo.
	Hopeless string
}

// Face is what is printed or painted on the board.
type Face struct {
	Kind  string // a name for the kind of face, only for grouping results
	Rings []Ring
	// Centre marks the ring centre.
	Centre CentreMark
	// UpMark is a triangle that points to +y; its tip lies at TipMM from the centre.
	UpMark UpMark
	// Numerals count the zones from 1 at the outside, along the four half axes.
	Numerals Numerals
	// Caption is written below the rings on the left, CaptionMM tall, in the colour
	// of the outermost line.
	Caption   string
	CaptionMM float64
	// WobbleMM is the standard deviation of the radius of hand-drawn rings.
	WobbleMM float64
	// StretchX and StretchY are the printer's errors of scale, 0.01 for 1% too
	// large. Marks stay where they are, in true millimetres.
	StretchX, StretchY float64
}

// Ring is one printed line, or the border of a zone when LineMM is 0.
type Ring struct {
	OuterDiameterMM float64 // outer edge of the line
	LineMM          float64 // width of the line, inside that diameter
	Line            Colour
	// Fill is the colour inside the line up to the next ring; nil leaves the
	// colour outside the ring as it is.
	Fill *Colour
}

// CentreMark marks the ring centre: "" for none, "dot" or "cross".
type CentreMark struct {
	Shape  string
	SizeMM float64 // diameter of the dot, length of the cross's arms together
	LineMM float64 // width of the cross's strokes
	Colour Colour
}

// UpMark is a filled isosceles triangle; none when SizeMM is 0.
type UpMark struct {
	TipMM, SizeMM float64
	Colour        Colour
}

// Numerals are printed in the zones; none when SizeMM is 0.
type Numerals struct {
	SizeMM float64  // height of a digit
	Zones  []Colour // colour of the numeral of each zone, from the outside in
}

// Board is the material that carries the face.
type Board struct {
	WidthMM, HeightMM float64 // of the backer, centred on the rings
	ThicknessMM       float64
	Colour            Colour // of the backer
	// PaperWidthMM and PaperHeightMM are the sheet that carries the face; 0 when it
	// is painted on the backer itself.
	PaperWidthMM, PaperHeightMM float64
	Paper                       Colour
	Texture                     string // of the backer: "", "card", "wood" or "felt"
	Fixing                      string // of the sheet: "", "tape", "screws" or "clips"
	Creases                     int    // fold lines across the sheet
	// BowMM is how far the left and right edges lie behind the middle: a cylinder
	// about the vertical axis. Board coordinates of a bowed board are those of its
	// projection on the plane through the centre.
	BowMM float64
}

// Kind says what a mark is.
type Kind string

// The kinds of mark.
const (
	Sticker Kind = "sticker"
	Hole    Kind = "hole"
	Dent    Kind = "dent"
	Smudge  Kind = "smudge"
	Chalk   Kind = "chalk"
)

// Mark is one mark on the board; X and Y are its centre, board mm.
type Mark struct {
	Kind       Kind
	X, Y       float64
	DiameterMM float64
	Name       string // of the colour; "" for what is not a sticker
	Colour     Colour // of a sticker
	String     int    // which string it belongs to, from 1; 0 counts as 1
	Rim        Rim    // of a hole
}

// Rim is the torn paper around a hole, inside its outline.
type Rim struct {
	Width  float64 // share of the hole's radius; 0 counts as 0.22
	Bright float64 // from 0, dim and shaded from one side, to 1, the white core of paper
}

// Camera is a pinhole camera with radial distortion.
//
// With all angles zero it looks straight at the board. Tilt turns the board
// about an axis in the image plane, so that the face's normal leans from the
// camera's axis by Tilt in the direction Azimuth of the photo (0: to the right,
// a quarter turn: downwards); Roll turns the camera about its axis.
type Camera struct {
	Width, Height       int
	FocalPx             float64
	Tilt, Azimuth, Roll float64 // radians
	// DistanceMM is the depth of the ring centre along the camera's axis.
	DistanceMM float64
	// AimPx is where an undistorted lens would show the ring centre, from the
	// middle of the photo.
	AimPx calib.Px
	// PrincipalPx is the offset of the principal point, and of the centre of
	// distortion, from the middle of the photo.
	PrincipalPx calib.Px
	// K1 and K2 are those of calib.Lens with the half diagonal as its scale.
	K1, K2 float64
}

// Light falls on the board; the amounts are linear, and a white surface under a
// total of 1 just fills the range of the photo at exposure 0.
type Light struct {
	Name    string // for grouping results
	Ambient float64
	Sun     float64 // what shadows take away
	// GradientX and GradientY change the light over 1 m of board, relative.
	GradientX, GradientY float64
	// Shadow: "" for none, "edge" (a half plane), "post" (a band) or "leaves".
	Shadow string
	// ShadowAngle is the direction of the shadow's edge, radians from +x;
	// ShadowAtMM its distance from the ring centre, ShadowWidthMM the width of the
	// post, PenumbraMM the width of its soft border.
	ShadowAngle, ShadowAtMM, ShadowWidthMM, PenumbraMM float64
	// Glare adds white light in a soft spot at GlareX, GlareY (mm) of GlareMM
	// standard deviation.
	Glare, GlareX, GlareY, GlareMM float64
	// Tint multiplies red, green and blue after the camera's white balance; the
	// zero value leaves them alone. ShadeTint does so with the ambient light.
	Tint, ShadeTint [3]float64
}

// Surroundings are what is seen beside the board.
type Surroundings struct {
	// Wall is "", "bricks", "planks", "panel", "hedge", "render" or "sky".
	Wall   string
	Floor  string // "", "grass", "gravel", "planks" or "concrete"
	Colour Colour // tone of the wall; the zero value takes the usual one
	WallMM float64
	// FloorMM is how far the floor lies below the ring centre.
	FloorMM float64
	Legs    bool // the board stands on two legs, else it hangs
	Things  []Thing
}

// Thing is a round object that is no board: a "disc", a "hoop" (a disc with two
// rings), a "ball" or a "bucket".
type Thing struct {
	Shape         string
	X, Y          float64 // board mm, on a plane parallel to the board
	BehindMM      float64 // of that plane
	RadiusMM      float64
	Colour, Inner Colour
}

// Imaging is what the camera does to the light that reaches it.
type Imaging struct {
	ExposureEV float64
	Vignette   float64 // light lost in the corners, 0 to 1
	BlurPx     float64 // standard deviation of a Gaussian
	MotionPx   float64 // length of a straight smear
	// MotionAngle is its direction, radians.
	MotionAngle float64
	// ShotSD is the noise of a white pixel and grows with the root of the light;
	// ReadSD is the noise of a black one. Linear, 1 is white.
	ShotSD, ReadSD float64
	// Sharpen is the amount of an unsharp mask of 1 px on the luma.
	Sharpen float64
}

// zones returns the face as a step function of the radius: colour c[i] reaches
// out to border b[i], the last colour to infinity. rings are sorted inwards.
func (f Face) zones(paper Colour) (b []float64, c []Colour) {
	fill := paper
	for i, r := range f.Rings {
		outer, inner := r.OuterDiameterMM/2, r.OuterDiameterMM/2-r.LineMM
		b, c = append(b, outer), append(c, fill)
		if r.Fill != nil {
			fill = *r.Fill
		}
		if r.LineMM > 0 {
			b, c = append(b, inner), append(c, r.Line)
		}
		if i == len(f.Rings)-1 {
			c = append(c, fill)
		}
	}
	if len(f.Rings) == 0 {
		c = append(c, paper)
	}
	for i, j := 0, len(b)-1; i < j; i, j = i+1, j-1 {
		b[i], b[j] = b[j], b[i]
	}
	for i, j := 0, len(c)-1; i < j; i, j = i+1, j-1 {
		c[i], c[j] = c[j], c[i]
	}
	return b, c
}

// OuterMM returns the outer diameter of the outermost ring, 0 without rings.
func (f Face) OuterMM() float64 {
	if len(f.Rings) == 0 {
		return 0
	}
	return f.Rings[0].OuterDiameterMM
}

// check reports what cannot be rendered.
func (s *Scene) check() error {
	c := s.Camera
	switch {
	case c.Width < 1 || c.Height < 1 || c.Width*c.Height > 1<<28:
		return fmt.Errorf("cannot render a photo of %d x %d pixels", c.Width, c.Height)
	case !(c.FocalPx > 0) || !(c.DistanceMM > 0):
		return errors.New("focal length and distance must be positive")
	case !(math.Abs(c.Tilt) < math.Pi/2):
		return errors.New("a board tilted by a right angle or more is not seen")
	}
	for i, r := range s.Face.Rings {
		switch {
		case !(r.LineMM >= 0 && r.LineMM < r.OuterDiameterMM/2):
			return fmt.Errorf("ring %d: a line of %g mm does not fit a ring of %g mm", i, r.LineMM, r.OuterDiameterMM)
		case i > 0 && !(r.OuterDiameterMM/2 <= s.Face.Rings[i-1].OuterDiameterMM/2-s.Face.Rings[i-1].LineMM):
			return fmt.Errorf("ring %d must lie inside ring %d", i, i-1)
		}
	}
	for i, m := range s.Marks {
		if !(m.DiameterMM > 0) {
			return fmt.Errorf("mark %d has no size", i)
		}
	}
	return nil
}
