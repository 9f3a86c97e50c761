package vision

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// RingEdge says which edge of a printed line a diameter is that of.
type RingEdge int

// The edges of a line; RingOuter is the default.
const (
	RingOuter RingEdge = iota
	RingMiddle
	RingInner
)

// RingSpec is what the user knows of the face.
type RingSpec struct {
	OuterMM float64   // diameter of the outermost ring
	TolMM   float64   // its standard uncertainty from the tape measure, 0 if not stated
	ListMM  []float64 // diameters of the rings, in any order; may be empty
	Edge    RingEdge
}

// Basis says what fixed the plane.
type Basis string

// What a plane can rest on, from strong to weak.
const (
	ByRings  Basis = "two or more rings"
	ByCentre Basis = "one ring and its centre mark"
	ByFocal  Basis = "one ring and the camera's focal length"
	ByPoints Basis = "points given by hand"
)

// boardFit is the located board.
type boardFit struct {
	sol      *calib.Solution
	circles  []Circle // largest first
	basis    Basis
	seen     float64 // share of the outermost ring that was measured
	blurPx   float64 // standard deviation of the blur at the rings
	warnings []string
	others   []calib.Ellipse // outlines of other boards in the photo
}

// Errors of the ring search; each is what a reviewer is told.
var (
	errRingRatio = errors.New("the rings in the photo do not have the diameters given")
	errSoft      = errors.New("the photo is out of focus or was shaken")
	errTwoPoses  = errors.New("one ring can be seen like this from two sides, and nothing on the board tells which")
)

// locate finds the board in the photo and solves its plane.
func locate(p *photo.Photo, cam camera, spec RingSpec, side Side) (*boardFit, error) {
	img := p.Image
	e, err := findEdges(p)
	if err != nil {
		return nil, err
	}
	ovals := findOvals(e)
	found, perhaps := boards(ovals, cam, spec)
	top, others, note, err := choose(found, perhaps, side)
	if err != nil {
		return nil, err
	}
	if top, err = top.fit(e, cam); err != nil {
		return nil, err
	}
	fits := poses(img, top, cam)
	if len(fits) == 0 {
		return nil, errNoRings
	}
	fit, sure := choosePose(fits)
	if len(fit.features) < 2 && fit.features[0].inner == fit.features[0].outer {
		return nil, errNoRings // a lone disc is no ringed board
	}
	blurPx := fit.blurPx()
	if blurPx > windowPx/3 {
		blurPx = math.Max(blurPx, fit.softPx(img))
	}
	out, err := fit.scaled(cam, spec)
	// Radii read off soft edges may contradict a list that is right.
	if blurPx > mostBlurPx || blurPx > roughBlurPx && errors.Is(err, errRingRatio) {
		return nil, fmt.Errorf("%w: the edges of its rings are soft over %.0f px", errSoft, blurPx)
	}
	if err == nil && !sure {
		if other, err2 := fits[1].scaled(cam, spec); err2 != nil || !out.agrees(other) {
			err = errTwoPoses
		}
	}
	if err != nil && note != "" {
		err = fmt.Errorf("%w; %s", err, note)
	}
	if err != nil {
		return nil, err
	}
	out.others, out.blurPx = others, blurPx
	if note != "" {
		out.warnings = append(out.warnings, note)
	}
	if side != AnySide && len(others) == 0 {
		out.warnings = append(out.warnings, fmt.Sprintf("only one board is seen, so there was nothing to choose with --board %s", side))
	}
	return out, nil
}

// poses refines what the candidate may be: one plane where two rings or a ring and
// its centre mark fix it, else both that the focal length allows.
func poses(img *image.NRGBA, top candidate, cam camera) (fits []planeFit) {
	f, err := refine(img, top.rect, cam, false, 1)
	fixed := err == nil && (f.rings() >= 2 || f.hasCentre())
	if fixed && f.sol.ResidualPx <= drawnPx {
		return []planeFit{f}
	}
	// Rings drawn by hand wobble out of reach of the fine search, and may hide which way
	// the board leans.
	starts := []*calib.Rectification{top.rect}
	outer := top.outline().conic
	if lines, err := calib.VanishingLinesFromFocal(outer, cam.focalPx, cam.lens.CentrePx); err == nil {
		for _, l := range lines {
			if r, err := calib.FromRingAndVanishingLine(outer, l, 1); err == nil && plausible(r, cam) {
				r, _ = calib.NewRectification(r.Plane, cam.lens, 0)
				starts = append(starts, r)
			}
		}
	}
	for _, r := range starts {
		g, err := refine(img, r, cam, false, drawnStepPx(r))
		if err != nil || g.rings() < 2 {
			continue
		}
		if !fixed || g.ringsSeen() > f.ringsSeen() {
			f, fixed = g, true
		}
	}
	if fixed {
		return []planeFit{f}
	}
	for _, r := range starts[1:] {
		if f, err := refine(img, r, cam, true, 1); err == nil {
			fits = append(fits, f)
		}
	}
	return fits
}

// misfit is the mean logarithm of what the edge points are uncertain by, px: of how badly
// the look of each feature in one direction fits its look in all.
func (p planeFit) misfit() float64 {
	sum, n := 0.0, 0
	for _, f := range p.features {
		for _, e := range f.points {
			sum += math.Log(e.SigmaPx)
		}
		n += len(f.points)
	}
	return sum / float64(n)
}

// choosePose picks between the two poses of a single ring: by a centre mark that
// is concentric in one only, else by how well both sides of the line agree. When that
// does not tell, it returns the first, and that it is not sure.
func choosePose(fits []planeFit) (fit planeFit, sure bool) {
	if len(fits) == 1 {
		return fits[0], true
	}
	a, b := fits[0], fits[1]
	switch ca, cb := a.hasCentre(), b.hasCentre(); {
	case ca && !cb:
		return a, true
	case cb && !ca:
		return b, true
	}
	// In the wrong pose a circle of the face is no circle and is not measured.
	switch na, nb := len(a.sol.Inliers), len(b.sol.Inliers); {
	case 4*na > 5*nb:
		return a, true
	case 4*nb > 5*na:
		return b, true
	}
	// The same view seen nearly square-on: the two coincide.
	apart := 0.0
	for i := range 12 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 12)
		x := r2.Vec{X: 0.7 * c, Y: 0.7 * s}
		apart = math.Max(apart, r2.Norm(r2.Sub(b.sol.ToBoard(a.sol.ToPhoto(x)), x)))
	}
	if apart < 0.004 {
		return a, true
	}
	// Both sides of the line: the wrong pose bends one against the other. For n
	// independent residuals the log likelihood differs by n ln(ra/rb); neighbours
	// are alike, so a fifth of them count, and 5 (one in 150) is asked for.
	// It shows in the look of the line, too, which is wider here than there.
	n := float64(len(a.sol.Inliers)) / 5
	switch d := n * (math.Log(b.sol.ResidualPx/a.sol.ResidualPx) + b.misfit() - a.misfit()); {
	case d > 5:
		return a, true
	case d < -5:
		return b, true
	}
	return a, false
}

// agrees reports whether o, another pose that explains the photo as well, measures
// distances on the face alike: to half of what b says it is uncertain by.
func (b *boardFit) agrees(o *boardFit) bool {
	r := 0.7 * slices.Max(b.sol.RadiiMM)
	for i := range 6 {
		s, c := math.Sincos(math.Pi * float64(i) / 6)
		x := r2.Vec{X: r * c, Y: r * s}
		y := r2.Scale(-1, x)
		d := r2.Norm(r2.Sub(o.sol.ToBoard(b.sol.ToPhoto(x)), o.sol.ToBoard(b.sol.ToPhoto(y)))) - 2*r
		if !(math.Abs(d) < 0.5*b.sol.DistanceSigma(x, y)) {
			return false
		}
	}
	return true
}
