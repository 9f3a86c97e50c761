package vision

import (
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// planeFit is a plane refined on the full photo, its unit still arbitrary.
type planeFit struct {
	sol      *calib.Solution
	features []feature
	useFocal bool
}

// centreShare is the largest radius of a centre mark, relative to the outermost
// ring.
const centreShare = 0.12

// points returns the edge points of all features, each with the number of its own.
func (p planeFit) points() (out []calib.EdgePoint) {
	for i, f := range p.features {
		for _, e := range f.points {
			e.Circle = i
			out = append(out, e)
		}
	}
	return out
}

// rings counts circles far enough apart that each adds to the plane, without the
// centre mark.
func (p planeFit) rings() int {
	apart := maxRatio
	if p.sol.ResidualPx > drawnPx {
		apart = maxDrawnRatio
	}
	var radii []float64
	outward := math.Inf(1) // the next larger
	for _, f := range slices.Backward(p.features) {
		// Near another ring, what is hardly seen may be the other side of its line in a plane
		// that is not the board's.
		if f.seen > 0.5 || f.seen > 0.3 && f.ref() < maxDrawnRatio*outward {
			radii = append(radii, f.ref())
		}
		outward = f.ref()
	}
	return countRings(radii, p.features[len(p.features)-1].ref(), apart)
}

// ringsSeen is how much was measured of the rings together, 1 for each that was seen whole.
func (p planeFit) ringsSeen() (sum float64) {
	ring, best := math.Inf(1), 0.0
	for _, f := range slices.Backward(p.features) {
		if f.ref() <= centreShare*p.features[len(p.features)-1].ref() {
			break
		}
		if f.ref() < maxDrawnRatio*ring { // not the other side of the same line
			sum += best
			ring, best = f.ref(), 0
		}
		best = math.Max(best, f.seen)
	}
	return sum + best
}

// countRings counts radii, in any order, of which each is at most apart times the next
// larger, so that it adds to the plane, and that lie outside a centre mark; outer is the
// outermost ring's.
func countRings(radii []float64, outer, apart float64) int {
	radii = slices.Sorted(slices.Values(radii))
	n, last := 0, math.Inf(1)
	for _, r := range slices.Backward(radii) {
		if r < apart*last && r > centreShare*outer {
			n, last = n+1, r
		}
	}
	return n
}

// hasCentre tells that a round centre mark was measured.
func (p planeFit) hasCentre() bool {
	return p.features[0].seen > 0.3 && p.features[0].ref() <= centreShare*p.features[len(p.features)-1].ref()
}

// drawnPx is the residual of rings that are drawn by hand: the fine search loses
// what wobbles far.
const drawnPx = 0.6

// maxDrawnRatio is how near each other drawn rings may lie: the two sides of one line
// that wobbles are no two rings.
const maxDrawnRatio = 0.85

// drawnStepPx is the step at which drawn rings are searched, by the unit of r: they
// wobble by half a percent of the outermost radius.
func drawnStepPx(r *calib.Rectification) float64 {
	lo, _ := r.PxPerMM(r2.Vec{})
	return math.Max(1, lo/120)
}

// refine measures every circular feature at full resolution and fits the plane
// to them all, three times over, since a better plane shows sharper features. They
// are searched at steps of stepPx.
func refine(img *image.NRGBA, r *calib.Rectification, cam camera, useFocal bool, stepPx float64) (planeFit, error) {
	p := planeFit{useFocal: useFocal}
	reach := 1.15 // the largest oval may be the inner side of the outermost line
	const rounds = 3
	for round := range rounds {
		rays := 120
		if round < rounds-1 { // a plane to look along, which the last round replaces
			lo, _ := r.PxPerMM(r2.Vec{})
			pol := readPolar(img, r, reach, 180, stepPx/lo)
			p.features = features(pol.borders(), lo/stepPx)
		} else {
			rays = max(rays, min(mostRays, manyPoints/len(p.features)))
			for i := range p.features {
				p.features[i].centre()
			}
		}
		prob := calib.Problem{K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345, BiasPx: biasPx}
		prob.Focal = cam.prior(useFocal)
		kept := p.features[:0]
		for i := range p.features {
			f := p.features[i]
			f.register(img, r, len(kept), rays)
			if f.seen < 0.25 || len(f.points) < 20 || round == rounds-1 && f.uneven > unevenShare {
				continue
			}
			kept = append(kept, f)
			prob.Points = append(prob.Points, f.points...)
			prob.Circles = append(prob.Circles, calib.CirclePrior{RadiusMM: f.ref(), SigmaMM: math.Inf(1)})
		}
		p.features = kept
		if len(kept) == 0 {
			return p, errNoRings
		}
		prob.Circles[len(kept)-1] = calib.CirclePrior{RadiusMM: kept[len(kept)-1].ref()}
		var sol *calib.Solution
		var err error
		if round < rounds-1 {
			sol, err = solveRings(r, thinned(prob), cam)
		} else {
			sol, err = solveFromBothSides(r, prob, cam)
		}
		if err != nil {
			return p, err
		}
		for i := range p.features {
			p.features[i].moveTo(sol.RadiiMM[i])
		}
		p.sol, r = sol, sol.Rectification
		reach = 1.15 * p.features[len(p.features)-1].outer // where one side of the outermost line was missed
	}
	return p, nil
}

// lensSigma is the prior standard deviation of the radial distortion at half the
// photo's diagonal: phones stay within 0.1.
const lensSigma = 0.05

// lensLimit is the largest radial distortion, at half the diagonal, that a phone
// shows; a fit beyond it has mistaken something else for the lens.
const lensLimit = 0.25

// wobbleLobes is how many independent values the slow wobble of one ring has: the
// sines and cosines of two to five lobes.
const wobbleLobes = 8

// What reading a printed edge is good to, in px, on boards rendered with known
// truth: for each ring by itself, in common to all rings of one face, in common to all
// directions of one ring, and in common to all edges towards their dark side.
const (
	readingPx = 0.05
	sharedPx  = 0.08
	biasPx    = 0.03
	darkPx    = 0.1
)

// solveRings fits the plane and, where the rings turn out to wobble as drawn ones
// do, fits again: a thousand points then share a handful of lobes, count as few,
// and what is known beforehand keeps its say. So it does where points that err alike, as
// those of one ring on a bowed board, would together make a lens that no phone has.
func solveRings(start *calib.Rectification, prob calib.Problem, cam camera) (*calib.Solution, error) {
	sol, err := calib.Solve(start, prob)
	if err != nil {
		return nil, err
	}
	lo, _ := start.PxPerMM(r2.Vec{})
	if px := sol.WobbleMM * lo; px > 0.05 {
		count := make([]float64, len(prob.Circles))
		for _, e := range prob.Points {
			count[e.Circle]++
		}
		prob.Points = slices.Clone(prob.Points)
		for i, e := range prob.Points {
			prob.Points[i].SigmaPx = math.Hypot(e.SigmaPx, px*math.Sqrt(count[e.Circle]/wobbleLobes))
		}
		prob.Focal = cam.prior(true)
		if sol, err = calib.Solve(start, prob); err != nil {
			return nil, err
		}
	}
	if math.Abs(sol.Lens.K1-prob.K1Mean) > 3*prob.K1Sigma && sol.Alike > 1 {
		prob.Points = slices.Clone(prob.Points)
		for i := range prob.Points {
			prob.Points[i].SigmaPx *= sol.Alike
		}
		if sol, err = calib.Solve(start, prob); err != nil {
			return nil, err
		}
	}
	if !(math.Abs(sol.Lens.K1) < lensLimit) {
		return nil, calib.ErrDiverged
	}
	return sol, nil
}

// fewPoints are enough for a plane that is fitted again, to tell one valley of a fit from
// another, and a flat board from a bowed one. manyPoints fix the last plane to less than
// edges are misread by; mostRays are as many as differ, a degree apart.
const (
	fewPoints  = 700
	manyPoints = 1800
	mostRays   = 360
)

// thinned returns the problem with about fewPoints of its points.
func thinned(prob calib.Problem) calib.Problem {
	all := prob.Points
	prob.Points = nil
	for i := 0; i < len(all); i += max(1, (len(all)+fewPoints-1)/fewPoints) {
		prob.Points = append(prob.Points, all[i])
	}
	return prob
}

// solveFromBothSides is solveRings from a barrel or a pincushion lens, whichever few of
// the points fit better: on a board seen nearly square-on, the lens trades against the
// tilt, and there may be a valley for either. The plane is brought to each lens first.
func solveFromBothSides(start *calib.Rectification, prob calib.Problem, cam camera) (*calib.Solution, error) {
	few := thinned(prob)
	var best *calib.Solution
	for _, sigmas := range []float64{-2, 2} {
		held, from := few, *start
		held.K1Mean, held.K1Sigma = prob.K1Mean+sigmas*prob.K1Sigma, 0
		from.Lens.K1 = held.K1Mean
		side, err := calib.Solve(&from, held)
		if err != nil {
			continue
		}
		side, err = solveRings(side.Rectification, few, cam)
		if err == nil && (best == nil || side.ResidualPx < best.ResidualPx) {
			best = side
		}
	}
	if best != nil {
		start = best.Rectification
	}
	return solveRings(start, prob, cam)
}
