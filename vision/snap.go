package vision

import (
	"image"
	"math"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// SquareUp flattens the board for a picture of at most longSidePx, as finely as the
// photo shows its centre, out to as far as marks are looked for.
func SquareUp(p *photo.Photo, rect *calib.Rectification, outerMM float64, longSidePx int) *Flat {
	e := viewOf(rect, p.Image.Rect.Max, reachShare*outerMM)
	lo, hi := rect.PxPerMM(r2.Vec{})
	return flatten(p, rect, e, min((lo+hi)/2, float64(longSidePx)/max(e.maxX-e.minX, e.maxY-e.minY)))
}

// Snapped is a disc found near a place that a person pointed at.
type Snapped struct {
	Pos        r2.Vec     // centre on the board, mm
	Photo      calib.Px   // centre in the photo
	CovMM2     [3]float64 // covariance xx, xy, yy of Pos from the disc's edge, mm²
	DiameterMM float64
}

// Snap finds the centre of the disc of about radiusMM that at lies on, by the rim
// that the detector measures too. The radius is held when hold is set, and fitted
// otherwise. The detector takes the shadows of all stickers into account besides, so its
// place differs by some tenths of a mm where they are marked. It returns false when there
// is no rim of that size around at: then the place that was pointed at is the best there is.
func Snap(img *image.NRGBA, rect *calib.Rectification, at calib.Px, radiusMM float64, hold bool) (Snapped, bool) {
	from := rect.ToBoard(at)
	if !rect.InFront(from) || !(radiusMM > 0) {
		return Snapped{}, false
	}
	inside, ok := medianColour(img, rect, from, 0.35*radiusMM)
	if !ok {
		return Snapped{}, false
	}
	lo, hi := rect.PxPerMM(from)
	tol := max(0.06*radiusMM, 1.2/math.Sqrt(lo*hi))
	var best Snapped
	bestShare := snapShare
	for _, start := range snapStarts {
		d := disc{pos: r2.Add(from, r2.Scale(radiusMM, start)), nominalMM: radiusMM, radius: radiusMM, inside: inside, tol: tol}
		if d.fitNear(img, rect, hold) && d.support() > bestShare && r2.Norm(r2.Sub(d.pos, from)) < 1.05*d.radius {
			best, bestShare = Snapped{Pos: d.pos, Photo: rect.ToPhoto(d.pos), CovMM2: covOf(rect, &d), DiameterMM: 2 * d.radius}, d.support()
		}
	}
	return best, bestShare > snapShare
}

// snapShare is the least share of the rim that must lie on the circle: the rest may
// be under another disc. Discs about a gap of paper lend it half a rim and more.
const snapShare = 0.6

// snapStarts are where the centre may lie from the place pointed at, in radii: the
// rays of one start see the rim when the centre is less than a quarter radius off.
var snapStarts = func() []r2.Vec {
	starts := []r2.Vec{{}}
	for _, ring := range []struct {
		n int
		r float64
	}{{6, 0.4}, {12, 0.8}} {
		for k := range ring.n {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(ring.n))
			starts = append(starts, r2.Vec{X: ring.r * cos, Y: ring.r * sin})
		}
	}
	return starts
}()

// fitNear repeats casting rays and fitting, since rays from off the centre see a part
// of the rim only.
func (d *disc) fitNear(img *image.NRGBA, rect *calib.Rectification, hold bool) bool {
	for range 3 {
		d.rays = castRays(img, rect, d.pos, d.radius, d.inside, raysPerDisc, usualBeside)
		m := rimOf(d, nil)
		fixed := d.nominalMM
		if !hold && 10*len(m.angle) > 7*raysPerDisc {
			fixed = 0
		}
		move, r, cov, _, ok := fitCircle(m, fixed, d.radius, d.tol)
		if !ok || r2.Norm(move) > 0.6*d.nominalMM || !(math.Abs(r-d.nominalMM) <= 0.3*d.nominalMM) {
			return false
		}
		d.radius, d.cov = r, cov
		d.shift(move)
	}
	d.tally(nil, nil)
	return true
}

// medianColour returns the median colour in linear light over a small disc about a
// board point.
func medianColour(img *image.NRGBA, rect *calib.Rectification, c r2.Vec, radiusMM float64) (colour rgb, ok bool) {
	var v [3][]float32
	for q := range 40 {
		rho := radiusMM * math.Sqrt((float64(q)+0.5)/40)
		sin, cos := math.Sincos(2.399963 * float64(q)) // a sunflower pattern
		if l, in := sampleRGB(img, rect.ToPhoto(r2.Add(c, r2.Vec{X: rho * cos, Y: rho * sin}))); in {
			for k := range v {
				v[k] = append(v[k], l[k])
			}
		}
	}
	if len(v[0]) < 3 {
		return colour, false
	}
	for k := range v {
		colour[k] = selectKth(v[k], len(v[k])/2)
	}
	return colour, true
}
