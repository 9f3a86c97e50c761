package vision

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/spatial/r3"

	"dartfall/calib"
)

// candidate is a plane in which several ovals are concentric circles. Its unit
// is the radius of its largest circle.
type candidate struct {
	rect  *calib.Rectification
	ovals []oval    // most edge first
	radii []float64 // of the ovals in that plane
	score float64   // length of edge that speaks for it, px
}

var errNoRings = errors.New("no set of rings stands out")

// camera is what the search may assume of the camera.
type camera struct {
	lens     calib.Lens // its centre, the principal point too, and its unit set, no distortion
	focalPx  float64    // best guess
	sigmaRel float64    // its relative uncertainty
	// centreSigmaPx is the standard uncertainty of the lens's centre in x and in y; 0 but
	// where the photo was cropped.
	centreSigmaPx float64
	k1Sigma       float64 // prior of the lens term, about lens.K1
}

// newCamera takes the focal length from the photo's metadata when there is one;
// without, phones' main cameras lie between 23 and 32 mm in 35 mm terms. Of a
// cropped photo the focal length is more of what is left of the diagonal, and the lens's
// centre a tenth of it, as a standard deviation, from the middle.
func newCamera(widthPx, heightPx int, focalPx float64, cropped bool) camera {
	diag := math.Hypot(float64(widthPx), float64(heightPx))
	c := camera{
		lens:     calib.Lens{CentrePx: calib.Px{X: float64(widthPx-1) / 2, Y: float64(heightPx-1) / 2}, ScalePx: diag / 2},
		focalPx:  focalPx,
		sigmaRel: 0.03,
		k1Sigma:  lensSigma,
	}
	if focalPx == 0 {
		c.focalPx, c.sigmaRel = 27/43.266615*diag, 0.15
	}
	if cropped {
		c.centreSigmaPx = 0.1 * diag
		c.focalPx, c.sigmaRel = 1.25*c.focalPx, 0.3
	}
	return c
}

// prior is what the solver may assume of the camera; withFocal of its focal length, too.
func (c camera) prior(withFocal bool) calib.FocalPrior {
	p := calib.FocalPrior{Principal: c.lens.CentrePx, PrincipalSigmaPx: c.centreSigmaPx}
	if withFocal {
		p.FocalPx, p.SigmaRel = c.focalPx, c.sigmaRel
	}
	return p
}

const (
	maxTilt       = 62 * math.Pi / 180 // steeper views are not hypothesised
	minRatio      = 0.02               // of two rings that together fix a plane
	maxRatio      = 0.93
	concentricTol = 0.006 // relative spread of a circle's radius, before any fit
)

// findCandidates proposes planes from pairs of ovals and from single ovals with
// the focal length, and ranks them by the edges they explain.
func findCandidates(ovals []oval, cam camera) []candidate {
	top := ovals[:min(len(ovals), 16)]
	var out []candidate
	add := func(big oval, vanishing [3]float64) {
		r, err := calib.FromRingAndVanishingLine(big.conic, vanishing, 1)
		if err != nil || !plausible(r, cam) {
			return
		}
		out = append(out, gather(r, big, ovals))
	}
	for i, a := range top {
		for _, b := range top[i+1:] {
			big, small := a, b
			if big.ellipse.Major < small.ellipse.Major {
				big, small = small, big
			}
			ratio := small.ellipse.Major / big.ellipse.Major
			if ratio < minRatio || ratio > maxRatio {
				continue
			}
			pair, err := calib.ConcentricPair(big.conic, small.conic)
			if err != nil || pair.Misfit > 0.05 {
				continue
			}
			add(big, pair.Vanishing)
		}
	}
	for _, a := range top[:min(len(top), 4)] {
		if lines, err := calib.VanishingLinesFromFocal(a.conic, cam.focalPx, cam.lens.CentrePx); err == nil {
			add(a, lines[0])
			add(a, lines[1])
		}
	}
	return out
}

// gather finds all ovals that are circles about the origin of the plane r.
func gather(r *calib.Rectification, big oval, ovals []oval) candidate {
	c := candidate{rect: r}
	origin := r.ToPhoto(r2.Vec{})
	for _, o := range ovals {
		// What lies beside the board is all of it about as far from the origin.
		if o.ellipse.Major > 1.15*big.ellipse.Major || o.ellipse.Conic().At(origin) > 0 {
			continue
		}
		mean, spread, ok := radiusIn(r, o)
		px := 1.2 / math.Max(1, o.ellipse.Minor) * float64(len(o.support)) / float64(len(o.support)+1)
		if !ok || spread > concentricTol+px {
			continue
		}
		c.ovals = append(c.ovals, o)
		c.radii = append(c.radii, mean)
		c.score += o.weight()
	}
	return c
}

// radiusIn returns the mean distance of an oval's edge from the plane's origin
// and its relative standard deviation.
func radiusIn(r *calib.Rectification, o oval) (mean, spread float64, ok bool) {
	const n = 24
	var sum, sum2 float64
	for i := range n {
		b := r.ToBoard(o.ellipse.Point(2 * math.Pi * float64(i) / n))
		if !r.InFront(b) {
			return 0, 0, false
		}
		d := r2.Norm(b)
		sum += d
		sum2 += d * d
	}
	mean = sum / n
	return mean, math.Sqrt(math.Max(0, sum2/n-mean*mean)) / mean, true
}

// tilt returns the angle between the line of sight to the ring centre and the board's
// normal, radians, for a camera of the given focal length and principal point.
func tilt(r *calib.Rectification, focalPx float64, principal calib.Px) float64 {
	x, y, o := r.Axes(focalPx, principal)
	return math.Acos(math.Min(1, math.Abs(r3.Cos(r3.Cross(x, y), o))))
}

// plausible rejects planes that no phone before a board would show: the circle
// of radius 1 reaches the horizon, the view is too steep, or the two axes would
// need a camera with pixels far from square.
func plausible(r *calib.Rectification, cam camera) bool {
	for i := range 8 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 8)
		if b := (r2.Vec{X: 1.3 * c, Y: 1.3 * s}); !r.InFront(b) {
			return false
		}
	}
	if !(tilt(r, cam.focalPx, cam.lens.CentrePx) < maxTilt) {
		return false
	}
	x, y, _ := r.Axes(cam.focalPx, cam.lens.CentrePx)
	return math.Abs(r3.Cos(x, y)) < 0.35 && math.Abs(math.Log(r3.Norm(x)/r3.Norm(y))) < 0.35
}

// fit joins all ovals of the candidate in one plane, on the reduced photo's
// edges.
func (c candidate) fit(e *edgeMap, cam camera) (candidate, error) {
	big := 0
	for i, r := range c.radii {
		if r > c.radii[big] {
			big = i
		}
	}
	p := calib.Problem{K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345}
	p.Focal = cam.prior(true)
	p.Focal.SigmaRel = math.Max(p.Focal.SigmaRel, 0.05)
	for i, o := range c.ovals {
		prior := calib.CirclePrior{RadiusMM: c.radii[i], SigmaMM: math.Inf(1)}
		if i == big {
			prior = calib.CirclePrior{RadiusMM: 1}
		}
		p.Circles = append(p.Circles, prior)
		for _, k := range o.support {
			p.Points = append(p.Points, calib.EdgePoint{Circle: i, At: e.edgels[k].at, SigmaPx: 0.3 * e.scale})
		}
	}
	start, ok := calib.NewRectification(c.rect.Plane, cam.lens, 0)
	if !ok {
		return c, errNoRings
	}
	sol, err := calib.Solve(start, p)
	if err != nil {
		return c, err
	}
	c.rect = sol.Rectification
	c.radii = sol.RadiiMM
	return c, nil
}
