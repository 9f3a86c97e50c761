package vision

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
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
	errTwoPoses  = errors.New("one ring can be seen like this from two sides, and nothing on the board tells which")
)

// printTolerance is how far, relatively, a printed ring may be from its nominal
// diameter before it is called a contradiction (common practice, no source:
// desktop printers hold 0.2 to 0.5 percent).
const printTolerance = 0.008

// lensSigma is the prior standard deviation of the radial distortion at half the
// photo's diagonal: phones stay within 0.1.
const lensSigma = 0.05

// locate finds the board in the photo and solves its plane.
func locate(img *image.NRGBA, cam camera, spec RingSpec, side Side) (*boardFit, error) {
	e, err := findEdges(img)
	if err != nil {
		return nil, err
	}
	ovals := findOvals(e)
	top, others, err := choose(boards(findCandidates(ovals, cam), spec), side)
	if err != nil {
		return nil, err
	}
	if top, err = top.fit(e, cam); err != nil {
		return nil, err
	}
	fits := []planeFit{}
	first, err := refine(img, top.rect, cam, false)
	if err == nil && (first.rings() >= 2 || first.hasCentre()) {
		fits = append(fits, first)
	} else {
		// One ring: both poses that the focal length allows.
		lines, lerr := calib.VanishingLinesFromFocal(top.ovals[0].conic, cam.focalPx, cam.principal)
		if lerr != nil {
			return nil, errNoRings
		}
		for _, l := range lines {
			r, rerr := calib.FromRingAndVanishingLine(top.ovals[0].conic, l, 1)
			if rerr != nil || !plausible(r, cam) {
				continue
			}
			r, _ = calib.NewRectification(r.Plane, cam.lens, 0)
			if f, ferr := refine(img, r, cam, true); ferr == nil {
				fits = append(fits, f)
			}
		}
	}
	if len(fits) == 0 {
		return nil, errNoRings
	}
	fit, err := choosePose(fits)
	if err != nil {
		return nil, err
	}
	if len(fit.features) < 2 && fit.features[0].inner == fit.features[0].outer {
		return nil, errNoRings // a lone disc is no ringed board
	}
	out, err := fit.scaled(cam, spec)
	if err != nil {
		return nil, err
	}
	out.others = others
	if side != AnySide && len(others) == 0 {
		out.warnings = append(out.warnings, fmt.Sprintf("only one board is seen, so there was nothing to choose with --board %s", side))
	}
	return out, nil
}

// planeFit is a plane refined on the full photo, its unit still arbitrary.
type planeFit struct {
	sol      *calib.Solution
	features []feature
	useFocal bool
}

// centreShare is the largest radius of a centre mark, relative to the outermost
// ring.
const centreShare = 0.12

// rings counts circles far enough apart that each adds to the plane, without the
// centre mark.
func (p planeFit) rings() int {
	n, last := 0, math.Inf(1)
	for i := len(p.features) - 1; i >= 0; i-- {
		f := p.features[i]
		if f.seen > 0.3 && f.ref() < 0.93*last && f.ref() > centreShare*p.features[len(p.features)-1].ref() {
			n, last = n+1, f.ref()
		}
	}
	return n
}

// hasCentre tells that a round centre mark was measured.
func (p planeFit) hasCentre() bool {
	return p.features[0].seen > 0.3 && p.features[0].ref() <= centreShare*p.features[len(p.features)-1].ref()
}

// refine measures every circular feature at full resolution and fits the plane
// to them all, three times over, since a better plane shows sharper features.
func refine(img *image.NRGBA, r *calib.Rectification, cam camera, useFocal bool) (planeFit, error) {
	p := planeFit{useFocal: useFocal}
	reach := 1.15 // the largest oval may be the inner side of the outermost line
	const rounds = 3
	for round := range rounds {
		rays := 360
		if round < rounds-1 {
			rays = 120 // a plane to look along, which the last round replaces
			lo, _ := r.PxPerMM(r2.Vec{})
			pol := readPolar(img, r, reach, 180)
			p.features = features(pol.borders(), lo)
		}
		prob := calib.Problem{K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345}
		if useFocal {
			prob.Focal = calib.FocalPrior{FocalPx: cam.focalPx, SigmaRel: cam.sigmaRel, Principal: cam.principal}
		}
		kept := p.features[:0]
		for i := range p.features {
			f := p.features[i]
			f.register(img, r, len(kept), rays)
			if f.seen < 0.25 || len(f.points) < 20 {
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
		sol, err := solveRings(r, prob, cam)
		if err != nil {
			return p, err
		}
		for i := range p.features {
			d := sol.RadiiMM[i] - p.features[i].ref()
			p.features[i].inner += d
			p.features[i].outer += d
		}
		p.sol, r = sol, sol.Rectification
		reach = 1.05 * p.features[len(p.features)-1].outer
	}
	return p, nil
}

// lensLimit is the largest radial distortion, at half the diagonal, that a phone
// shows; a fit beyond it has mistaken something else for the lens.
const lensLimit = 0.25

// solveRings fits the plane and, where the rings turn out to wobble as drawn ones
// do, fits again: a thousand points then share a handful of lobes, count as few,
// and what is known beforehand keeps its say.
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
		prob.Focal = calib.FocalPrior{FocalPx: cam.focalPx, SigmaRel: cam.sigmaRel, Principal: cam.principal}
		if sol, err = calib.Solve(start, prob); err != nil {
			return nil, err
		}
	}
	if !(math.Abs(sol.Lens.K1) < lensLimit) {
		return nil, calib.ErrDiverged
	}
	return sol, nil
}

// choosePose picks between the two poses of a single ring: by a centre mark that
// is concentric in one only, else by how well both sides of the line agree.
func choosePose(fits []planeFit) (planeFit, error) {
	if len(fits) == 1 {
		return fits[0], nil
	}
	a, b := fits[0], fits[1]
	switch ca, cb := a.hasCentre(), b.hasCentre(); {
	case ca && !cb:
		return a, nil
	case cb && !ca:
		return b, nil
	}
	// In the wrong pose a circle of the face is no circle and is not measured.
	switch na, nb := len(a.sol.Inliers), len(b.sol.Inliers); {
	case 4*na > 5*nb:
		return a, nil
	case 4*nb > 5*na:
		return b, nil
	}
	// The same view seen nearly square-on: the two coincide.
	apart := 0.0
	for i := range 12 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 12)
		x := r2.Vec{X: 0.7 * c, Y: 0.7 * s}
		apart = math.Max(apart, r2.Norm(r2.Sub(b.sol.ToBoard(a.sol.ToPhoto(x)), x)))
	}
	if apart < 0.004 {
		return a, nil
	}
	// Both sides of the line: the wrong pose bends one against the other. For n
	// independent residuals the log likelihood differs by n ln(ra/rb); neighbours
	// are alike, so a fifth of them count, and 5 (one in 150) is asked for.
	n := float64(len(a.sol.Inliers)) / 5
	switch d := n * math.Log(b.sol.ResidualPx/a.sol.ResidualPx); {
	case d > 5:
		return a, nil
	case d < -5:
		return b, nil
	}
	return planeFit{}, errTwoPoses
}

// scaled identifies the rings, sets the unit to millimetres and fits once more
// with what is known of the radii.
func (p planeFit) scaled(cam camera, spec RingSpec) (*boardFit, error) {
	lines := p.lines()
	pick := spec.Edge.of
	given := slices.Clone(spec.ListMM)
	if len(given) == 0 {
		given = []float64{spec.OuterMM}
	}
	slices.Sort(given)
	lo, _ := p.sol.PxPerMM(r2.Vec{})
	id, err := identify(lines, pick, given, lo)
	if err != nil {
		return nil, err
	}
	scale := id.scale
	start := rescale(p.sol.Rectification, scale)
	priors := make([]calib.CirclePrior, len(p.features))
	for i, f := range p.features {
		priors[i] = calib.CirclePrior{RadiusMM: f.ref() * scale, SigmaMM: math.Inf(1)}
	}
	for i, j := range id.match {
		if j < 0 || !id.trusted[i] {
			continue
		}
		// The feature is registered by its middle: shift by what its look says.
		k := lines[i].featureOf(pick(lines[i]))
		shift := p.features[k].ref() - pick(lines[i])
		priors[k] = calib.CirclePrior{RadiusMM: given[j]/2 + shift*scale, SigmaMM: id.sigmaMM}
	}
	if len(given) == 1 && evenSteps(lines, pick) > 0 {
		// Alone, the outermost diameter leaves lens and inner radii to trade against
		// each other where the board is seen square-on in mid-frame. Even rings are
		// evidence, not knowledge: it binds loosely.
		step := evenSteps(lines, pick)
		for _, l := range lines[:len(lines)-1] {
			if pick(l) < centreShare*pick(lines[len(lines)-1]) {
				continue
			}
			k := l.featureOf(pick(l))
			even := math.Round(pick(l)/pick(lines[len(lines)-1])*step) / step * given[0] / 2
			priors[k] = calib.CirclePrior{RadiusMM: even + (p.features[k].ref()-pick(l))*scale, SigmaMM: evenSigma * given[0] / 2}
		}
		id.warnings = append(id.warnings, "the rings look evenly spaced, which was used as evidence; give --rings to be surer")
	}
	prob := calib.Problem{K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345, Circles: priors}
	if p.useFocal {
		prob.Focal = calib.FocalPrior{FocalPx: cam.focalPx, SigmaRel: cam.sigmaRel, Principal: cam.principal}
	}
	for i, f := range p.features {
		for _, e := range f.points {
			e.Circle = i
			prob.Points = append(prob.Points, e)
		}
	}
	sol, err := solveRings(start, prob, cam)
	if err != nil {
		return nil, err
	}
	out := &boardFit{sol: sol, basis: ByRings, warnings: id.warnings}
	outer := given[len(given)-1] / 2
	lo, hi := sol.PxPerMM(r2.Vec{})
	// Reading the printed edge is good to a twentieth of a pixel on boards
	// rendered with known truth; the tape adds its own.
	out.sol.ScaleSigma = math.Hypot(0.05/lo/outer, spec.TolMM/2/outer)
	var blur []float64
	for i := len(lines) - 1; i >= 0; i-- {
		l := lines[i]
		out.circles = append(out.circles, Circle{RadiusMM: l.outer * scale, InnerMM: l.inner * scale, Seen: l.seen})
		blur = append(blur, l.blur*scale*math.Sqrt(lo*hi))
	}
	out.seen, out.blurPx = out.circles[0].Seen, medianOf(blur)
	switch {
	case p.rings() >= 2:
	case p.hasCentre():
		out.basis = ByCentre
	default:
		out.basis = ByFocal
	}
	return out, nil
}

// wobbleLobes is how many independent values the slow wobble of one ring has: the
// sines and cosines of two to five lobes.
const wobbleLobes = 8

// evenSigma is how tightly rings that look evenly spaced are taken to be so, and
// evenTol how close to even they must look; relative to the outermost radius.
const (
	evenSigma = 0.0015
	evenTol   = 0.012
)

// evenSteps returns the least number of equal steps, 2 to 12, of which every
// ring's radius is a whole number; 0 when there is none, or too few rings to
// say. The centre mark does not count.
func evenSteps(lines []line, pick func(line) float64) float64 {
	top := pick(lines[len(lines)-1])
	rings := 0
	for _, l := range lines {
		if pick(l) < centreShare*top {
			continue
		}
		if !l.whole() {
			return 0 // the border of a zone may have lost its line
		}
		rings++
	}
	if rings < 2 {
		return 0
	}
	for n := 2.0; n <= 12; n++ {
		even := true
		for _, l := range lines {
			if pick(l) < centreShare*top {
				continue
			}
			q := pick(l) / top * n
			even = even && math.Abs(q-math.Round(q))/n < evenTol
		}
		// A fine grid fits anything: the tolerance must stay a small part of a step.
		if even && evenTol*n < 0.15 {
			return n
		}
	}
	return 0
}

// of returns the radius of the edge of l that e names.
func (e RingEdge) of(l line) float64 {
	switch e {
	case RingMiddle:
		return (l.inner + l.outer) / 2
	case RingInner:
		return l.inner
	}
	return l.outer
}

// rescale returns r with board lengths multiplied by s.
func rescale(r *calib.Rectification, s float64) *calib.Rectification {
	p := r.Plane
	for _, i := range []int{0, 1, 2, 5, 6} { // P, Q, S, L, M are per unit of length
		p[i] /= s
	}
	q, _ := calib.NewRectification(p, r.Lens, 0)
	return q
}

// line is a printed ring as the user knows it: one thin feature, two borders of
// a thick line, or the border of a zone.
type line struct {
	inner, outer         float64
	seen, blur           float64
	sigma                float64 // of the radius, from the fit with free radii
	innerFeat, outerFeat int
}

// whole tells that both sides of a printed line were seen, so that its outer
// edge is what the user measured; the border of a zone may have lost a line of
// the neighbour's colour.
func (l line) whole() bool { return l.outer > l.inner }

// thickLineShare is the widest a line may be, relative to the largest radius;
// beyond it, it is a zone with two borders.
const thickLineShare = 0.05

// lines reads the printed edges off the features and pairs the two sides of
// thick lines; ascending.
func (p planeFit) lines() []line {
	var out []line
	limit := thickLineShare * p.features[len(p.features)-1].ref()
	for i := 0; i < len(p.features); i++ {
		f := &p.features[i]
		a, b, blur := f.edges()
		l := line{inner: a, outer: b, blur: blur, seen: f.seen, sigma: p.sol.RadiusSigma[i], innerFeat: i, outerFeat: i}
		if f.inner == f.outer && i+1 < len(p.features) {
			g := &p.features[i+1]
			if g.inner == g.outer && g.sign != f.sign && g.ref()-f.ref() < limit && f.ref() > 2*limit {
				_, o, _ := g.edges()
				l.outer, l.outerFeat = o, i+1
				l.seen = math.Max(f.seen, g.seen)
				i++
			}
		}
		out = append(out, l)
	}
	return out
}

// featureOf returns the feature that carries the edge at radius r.
func (l line) featureOf(r float64) int {
	if r == l.inner {
		return l.innerFeat
	}
	return l.outerFeat
}

// identity says which line of the photo is which given ring.
type identity struct {
	scale    float64 // mm per unit
	match    []int   // by line: index of the given diameter, -1 for none
	trusted  []bool  // by line: its radius may bind the fit
	sigmaMM  float64 // with which the given radii bind it
	warnings []string
}

// identify finds the scale at which most of the given diameters (ascending, mm)
// have a line. A given ring that has a line close by but not at its place is a
// contradiction. pxPerUnit is the sampling.
func identify(lines []line, pick func(line) float64, given []float64, pxPerUnit float64) (identity, error) {
	last := len(lines) - 1
	id := identity{trusted: make([]bool, len(lines))}
	if len(given) == 1 {
		id.match = slices.Repeat([]int{-1}, len(lines))
		id.match[last], id.trusted[last] = 0, true
		id.scale = given[0] / 2 / pick(lines[last])
		return id, nil
	}
	bestScore := 0.0
	for _, l := range lines {
		for _, g := range given {
			s := g / 2 / pick(l)
			m, score := assign(lines, pick, given, s, pxPerUnit)
			// Prefer the reading in which the largest line seen is the largest given.
			if m[last] == len(given)-1 {
				score += 0.5
			}
			if score > bestScore {
				bestScore, id.scale, id.match = score, s, m
			}
		}
	}
	n := 0
	for _, j := range id.match {
		if j >= 0 {
			n++
		}
	}
	if n < 2 {
		return id, fmt.Errorf("%w: %s", errRingRatio, ratios(lines, pick, given))
	}
	id.settle(lines, pick, given, pxPerUnit)
	unsure := 0.0 // of a radius, before the list binds it, mm
	for _, l := range lines {
		unsure = math.Max(unsure, l.sigma*id.scale)
	}
	// Width of a printed line on this face, mm: what a border may have lost.
	var widths []float64
	for i, l := range lines {
		if id.match[i] >= 0 && l.whole() {
			widths = append(widths, (l.outer-l.inner)*id.scale)
		}
	}
	width := 0.0
	if len(widths) > 0 {
		width = medianOf(widths)
	}
	for j, g := range given {
		if slices.Contains(id.match, j) {
			continue
		}
		near := false
		for i, l := range lines {
			d := pick(l)*id.scale*2 - g
			if id.match[i] >= 0 || l.seen < 0.5 || !(math.Abs(d) < 0.08*g) {
				continue
			}
			near = true
			if !l.whole() && math.Abs(d) < 3*width+math.Max(6*unsure, 0.012*g) {
				continue // a line of the neighbouring zone's own colour
			}
			return id, fmt.Errorf("%w: the ring given as %.4g mm measures %.4g mm against the others", errRingRatio, g, g+d)
		}
		if !near {
			for i, l := range lines {
				if id.match[i] < 0 && l.whole() && l.seen > 0.5 && pick(l) > centreShare*pick(lines[last]) {
					return id, fmt.Errorf("%w: there is no ring of %.4g mm, but one of %.4g mm that the list lacks", errRingRatio, g, 2*pick(l)*id.scale)
				}
			}
			id.warnings = append(id.warnings, fmt.Sprintf("the %.4g mm ring was not found in the photo", g))
		}
	}
	return id, nil
}

// settle fixes the scale by the lines that can be trusted and says how well the
// print keeps to its diameters. Whole lines come before borders; among them,
// what departs far from the rest is set aside.
func (id *identity) settle(lines []line, pick func(line) float64, given []float64, pxPerUnit float64) {
	use := func(i int) bool { return id.match[i] >= 0 && lines[i].whole() }
	n := 0
	for i := range lines {
		if use(i) {
			n++
		}
	}
	if n < 2 {
		use = func(i int) bool { return id.match[i] >= 0 }
	}
	var logs []float64
	for i, l := range lines {
		if use(i) {
			logs = append(logs, math.Log(given[id.match[i]]/2/pick(l)))
		}
	}
	mid := medianOf(slices.Clone(logs))
	dev := make([]float64, len(logs))
	for i, v := range logs {
		dev[i] = math.Abs(v - mid)
	}
	cut := math.Max(4*1.4826*medianOf(dev), 1e-4)
	var num, den float64
	m := 0
	for i, l := range lines {
		px := 0.3 / (pick(l) * pxPerUnit) // what a misread edge of 0.3 px is worth
		if use(i) && math.Abs(math.Log(given[id.match[i]]/2/pick(l))-mid) < cut+px+3*l.sigma/pick(l) {
			id.trusted[i] = true
			num += pick(l) * given[id.match[i]] / 2
			den += pick(l) * pick(l)
			m++
		}
	}
	id.scale = num / den
	var sum, unsure float64
	for i, l := range lines {
		if id.trusted[i] {
			unsure = math.Max(unsure, l.sigma*id.scale)
		}
	}
	for i, l := range lines {
		if id.trusted[i] {
			d := pick(l)*id.scale - given[id.match[i]]/2
			sum += math.Max(0, d*d-unsure*unsure)
		}
	}
	// The scatter about one scale, beyond what the fit's own uncertainty explains,
	// is print and reading together. Few rings show little of it: the floor is a
	// twentieth of a pixel.
	floor := 0.05 / pxPerUnit * id.scale
	id.sigmaMM = math.Hypot(floor, math.Sqrt(sum/math.Max(1, float64(m-1))))
}

// assign matches lines to given diameters at scale s, each once, and scores the
// matching: a point per match, less for larger misfits.
func assign(lines []line, pick func(line) float64, given []float64, s, pxPerUnit float64) ([]int, float64) {
	match := slices.Repeat([]int{-1}, len(lines))
	score := 0.0
	for j, g := range given {
		bestI, bestD := -1, 1.0
		for i, l := range lines {
			tol := math.Max(math.Max(printTolerance*g, 2*s/pxPerUnit), 6*l.sigma*s)
			if d := math.Abs(2*pick(l)*s-g) / tol; d < bestD && match[i] < 0 {
				bestI, bestD = i, d
			}
		}
		if bestI >= 0 {
			match[bestI] = j
			score += 1 - 0.2*bestD
		}
	}
	return match, score
}

func ratios(lines []line, pick func(line) float64, given []float64) string {
	var seen, want []string
	top := pick(lines[len(lines)-1])
	for _, l := range lines {
		seen = append(seen, fmt.Sprintf("%.3f", pick(l)/top))
	}
	for _, g := range given {
		want = append(want, fmt.Sprintf("%.3f", g/given[len(given)-1]))
	}
	return fmt.Sprintf("relative to the largest, the photo shows %s and the list says %s", strings.Join(seen, ", "), strings.Join(want, ", "))
}
