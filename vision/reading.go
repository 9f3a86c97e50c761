package vision

import (
	"image"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// Flag says what is unusual about a mark.
type Flag string

// The flags a mark can carry.
const (
	Touching   Flag = "touching"   // its outline meets another mark's
	Hidden     Flag = "hidden"     // partly under another mark
	OffFace    Flag = "off-face"   // centre outside the outer ring: extrapolated
	EdgeOfView Flag = "edge"       // cut by the border of the photo
	Doubtful   Flag = "doubtful"   // chance below 0.8, or the photo's marks cannot be told apart: look at it
	UnsureHue  Flag = "colour?"    // two colour names fit nearly as well
	AtLeast    Flag = "at-least"   // more marks may be hidden at this place
	ByCount    Flag = "by-count"   // too faint by its looks alone; taken because fewer were found than declared
	OverCount  Flag = "over-count" // among the least certain where more were found than declared
)

// Kind tells stickers from bare marks.
type Kind string

// The kinds of mark.
const (
	Sticker Kind = "sticker"
	Bare    Kind = "bare" // hole, dent, smudge or chalk mark
)

// Mark is one visible mark on the board.
type Mark struct {
	Kind   Kind
	Pos    r2.Vec     // centre on the board, mm
	Photo  calib.Px   // centre in the photo
	CovMM2 [3]float64 // covariance xx, xy, yy of Pos from the mark's own edge, mm²
	// DiameterMM is the fitted or known diameter; for a bare mark the diameter of
	// a disc of equal area.
	DiameterMM float64
	Colour     string  // name, "" for a bare mark
	Visible    float64 // share of the outline that was seen, 0 to 1
	Confidence float64 // chance that this is a mark and the only one here, 0 to 1
	Flags      []Flag
}

// Circle is one circular feature of the face: a printed line or the border of a
// zone, as measured.
type Circle struct {
	// RadiusMM is the outer edge, InnerMM the inner edge of a line; they are equal
	// for the border of a filled zone.
	RadiusMM, InnerMM float64
	Seen              float64 // share of the circumference that was measured, 0 to 1
}

// Flat is the board squared up: a regular raster in millimetres.
type Flat struct {
	Image   *image.NRGBA // alpha 0 where the photo does not reach
	PxPerMM float64
	// Centre is the pixel of the board's origin; +x right, +y up on the board.
	Centre calib.Px
}

// ToFlat maps a board point in mm to the raster.
func (f *Flat) ToFlat(x r2.Vec) calib.Px {
	return calib.Px{X: f.Centre.X + x.X*f.PxPerMM, Y: f.Centre.Y - x.Y*f.PxPerMM}
}

// ToBoard maps a raster pixel to the board in mm.
func (f *Flat) ToBoard(p calib.Px) r2.Vec {
	return r2.Vec{X: (p.X - f.Centre.X) / f.PxPerMM, Y: (f.Centre.Y - p.Y) / f.PxPerMM}
}
