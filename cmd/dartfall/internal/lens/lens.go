// Package lens keeps lens profiles: what is known of one camera at one size and
// focal length, in a small TOML file that a person can read. It refuses to lend a
// profile to photos of another camera, size or zoom.
package lens

import (
	"bytes"
	"errors"
	"fmt"
	"math"

	"github.com/pelletier/go-toml/v2"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// Format names the version of the file.
const Format = "dartfall-lens-1"

// Profile is a lens profile, in pixels of the photo as the camera stores it, before
// any turn that its orientation tag asks for.
type Profile struct {
	Format    string  `toml:"format"`
	Make      string  `toml:"make" comment:"as the photos' own data name the camera; empty when they do not"`
	Model     string  `toml:"model"`
	Focal35MM float64 `toml:"focal_35mm" comment:"in 35 mm terms, as the photos say: tells the lenses of one phone apart"`
	WidthPx   int     `toml:"width_px"`
	HeightPx  int     `toml:"height_px"`
	// FocalPx is 0 when unknown.
	FocalPx      float64 `toml:"focal_px" comment:"0 when unknown"`
	FocalSigmaPx float64 `toml:"focal_sigma_px"`
	// CentrePx is the centre of distortion from the middle of the photo, y down.
	CentrePx [2]float64 `toml:"centre_px" comment:"centre of distortion from the middle of the photo, right and down"`
	K1       float64    `toml:"k1" comment:"radial distortion (Brown) at half the photo's diagonal"`
	K2       float64    `toml:"k2"`
	K1Sigma  float64    `toml:"k1_sigma" comment:"standard uncertainty of the two together, as one of k1"`
	RMSPx    float64    `toml:"rms_px" comment:"what the fit leaves unexplained"`
	Photos   int        `toml:"photos"`
	From     string     `toml:"from" comment:"what was photographed"`
}

// Text returns the profile as its file.
func (p Profile) Text() ([]byte, error) {
	p.Format = Format
	body, err := toml.Marshal(p)
	return append([]byte("# A lens profile, made by dartfall lens. Use it with dartfall measure --lens.\n"), body...), err
}

// Parse reads what Text wrote. Every error says in plain words what is wrong.
func Parse(b []byte) (Profile, error) {
	var p Profile
	d := toml.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&p); err != nil {
		return Profile{}, fmt.Errorf("it is not a lens profile: %v", err)
	}
	if p.Format != Format {
		return Profile{}, fmt.Errorf("it is not a lens profile of this program: its format is %q, not %q", p.Format, Format)
	}
	return p, p.check()
}

func (p Profile) check() error {
	finite := true
	for _, v := range []float64{p.Focal35MM, p.FocalPx, p.FocalSigmaPx, p.CentrePx[0], p.CentrePx[1], p.K1, p.K2, p.K1Sigma, p.RMSPx} {
		finite = finite && !math.IsNaN(v) && !math.IsInf(v, 0)
	}
	switch {
	case !finite:
		return errors.New("a number in it is not finite")
	case p.WidthPx < 1 || p.HeightPx < 1:
		return errors.New("it has no photo size")
	case !(math.Abs(p.K1) < 1 && math.Abs(p.K2) < 1):
		return fmt.Errorf("k1 = %g, k2 = %g is no camera's distortion", p.K1, p.K2)
	case !(p.K1Sigma > 0):
		return errors.New("k1_sigma must be above zero")
	case p.FocalPx < 0 || p.FocalPx > 0 && !(p.FocalSigmaPx > 0):
		return errors.New("focal_px and focal_sigma_px must be above zero, or focal_px 0")
	case !(math.Hypot(p.CentrePx[0], p.CentrePx[1]) < 0.2*p.diagonalPx()):
		return errors.New("centre_px lies far from the middle of the photo")
	}
	return nil
}

func (p Profile) diagonalPx() float64 { return math.Hypot(float64(p.WidthPx), float64(p.HeightPx)) }

// Of starts the profile of the camera that took a photo of that upright size.
func Of(c photo.Camera, widthPx, heightPx int) Profile {
	if c.Orientation >= 5 {
		widthPx, heightPx = heightPx, widthPx
	}
	return Profile{Make: c.Make, Model: c.Model, Focal35MM: c.Focal35MM, WidthPx: widthPx, HeightPx: heightPx}
}

// Mismatch says why the profile does not go with a photo of that upright size; ""
// when it does.
func (p Profile) Mismatch(c photo.Camera, widthPx, heightPx int) string {
	o := Of(c, widthPx, heightPx)
	name := func(q Profile) string {
		if q.Make+q.Model == "" {
			return "an unnamed camera"
		}
		return q.Make + " " + q.Model
	}
	switch {
	case o.Make != p.Make || o.Model != p.Model:
		return fmt.Sprintf("it is of %s, the photo of %s", name(p), name(o))
	case o.WidthPx != p.WidthPx || o.HeightPx != p.HeightPx:
		return fmt.Sprintf("it is for photos of %d × %d pixels, this one has %d × %d", p.WidthPx, p.HeightPx, o.WidthPx, o.HeightPx)
	case math.Abs(o.Focal35MM-p.Focal35MM) > 0.5:
		return fmt.Sprintf("it is for a focal length of %g mm (35 mm terms), the photo has %g", p.Focal35MM, o.Focal35MM)
	}
	return ""
}

// SetLens takes the distortion as found in upright photos of orientation o. Its
// ScalePx is half the diagonal.
func (p *Profile) SetLens(l calib.Lens, o int) {
	w, h := p.upright(o)
	back := o
	switch o { // the quarter turns undo each other, all others themselves
	case 6:
		back = 8
	case 8:
		back = 6
	}
	p.CentrePx = turned(l.CentrePx.X-float64(w-1)/2, l.CentrePx.Y-float64(h-1)/2, back)
	p.K1, p.K2 = l.K1, l.K2
}

// Lens returns the distortion in upright photos of orientation o.
func (p Profile) Lens(o int) calib.Lens {
	w, h := p.upright(o)
	c := turned(p.CentrePx[0], p.CentrePx[1], o)
	return calib.Lens{
		CentrePx: calib.Px{X: float64(w-1)/2 + c[0], Y: float64(h-1)/2 + c[1]},
		ScalePx:  p.diagonalPx() / 2, K1: p.K1, K2: p.K2,
	}
}

func (p Profile) upright(o int) (widthPx, heightPx int) {
	if o >= 5 {
		return p.HeightPx, p.WidthPx
	}
	return p.WidthPx, p.HeightPx
}

// turned takes an offset in the picture as stored to the upright one, as the EXIF
// orientation tag says (CIPA DC-008, Orientation).
func turned(x, y float64, orientation int) [2]float64 {
	switch orientation {
	case 2:
		return [2]float64{-x, y}
	case 3:
		return [2]float64{-x, -y}
	case 4:
		return [2]float64{x, -y}
	case 5:
		return [2]float64{y, x}
	case 6:
		return [2]float64{-y, x}
	case 7:
		return [2]float64{-y, -x}
	case 8:
		return [2]float64{y, -x}
	}
	return [2]float64{x, y}
}
