package vision

import (
	"cmp"
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
	fits := poses(img, top, cam)
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

// poses refines what the candidate may be: one plane where two rings or a ring and
// its centre mark fix it, else both that the focal length allows.
func poses(img *image.NRGBA, top candidate, cam camera) (fits []planeFit) {
	if f, err := refine(img, top.rect, cam, false, 1); err == nil && (f.rings() >= 2 || f.hasCentre()) {
		if f.sol.ResidualPx > drawnPx {
			if g, err := refine(img, top.rect, cam, false, drawnStepPx(top.rect)); err == nil && g.rings() >= f.rings() {
				f = g
			}
		}
		return []planeFit{f}
	}
	lines, err := calib.VanishingLinesFromFocal(top.ovals[0].conic, cam.focalPx, cam.principal)
	if err != nil {
		return nil
	}
	for _, l := range lines {
		r, err := calib.FromRingAndVanishingLine(top.ovals[0].conic, l, 1)
		if err != nil || !plausible(r, cam) {
			continue
		}
		r, _ = calib.NewRectification(r.Plane, cam.lens, 0)
		// A second ring drawn by hand wobbles out of reach of the fine search.
		if f, err := refine(img, r, cam, false, drawnStepPx(r)); err == nil && f.rings() >= 2 {
			return []planeFit{f}
		}
		if f, err := refine(img, r, cam, true, 1); err == nil {
			fits = append(fits, f)
		}
	}
	return fits
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
	var radii []float64
	for _, f := range p.features {
		if f.seen > 0.3 {
			radii = append(radii, f.ref())
		}
	}
	return countRings(radii, p.features[len(p.features)-1].ref())
}

// countRings counts radii, in any order, that lie far enough apart for each to add
// to the plane, and outside a centre mark; outer is the outermost ring's.
func countRings(radii []float64, outer float64) int {
	radii = slices.Sorted(slices.Values(radii))
	n, last := 0, math.Inf(1)
	for _, r := range slices.Backward(radii) {
		if r < maxRatio*last && r > centreShare*outer {
			n, last = n+1, r
		}
	}
	return n
}

// drawnPx is the residual of rings that are drawn by hand: the fine search loses
// what wobbles far.
const drawnPx = 0.6

// drawnStepPx is the step at which drawn rings are searched, by the unit of r: they
// wobble by half a percent of the outermost radius.
func drawnStepPx(r *calib.Rectification) float64 {
	lo, _ := r.PxPerMM(r2.Vec{})
	return math.Max(1, lo/120)
}

// hasCentre tells that a round centre mark was measured.
func (p planeFit) hasCentre() bool {
	return p.features[0].seen > 0.3 && p.features[0].ref() <= centreShare*p.features[len(p.features)-1].ref()
}

// refine measures every circular feature at full resolution and fits the plane
// to them all, three times over, since a better plane shows sharper features. They
// are searched at steps of stepPx.
func refine(img *image.NRGBA, r *calib.Rectification, cam camera, useFocal bool, stepPx float64) (planeFit, error) {
	p := planeFit{useFocal: useFocal}
	reach := 1.15 // the largest oval may be the inner side of the outermost line
	const rounds = 3
	for round := range rounds {
		rays := 360
		if round < rounds-1 {
			rays = 120 // a plane to look along, which the last round replaces
			lo, _ := r.PxPerMM(r2.Vec{})
			pol := readPolar(img, r, reach, 180, stepPx/lo)
			p.features = features(pol.borders(), lo/stepPx)
		}
		prob := calib.Problem{K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345, BiasPx: biasPx}
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
		solve := solveRings
		if round == rounds-1 {
			solve = solveFromBothSides
		}
		sol, err := solve(r, prob, cam)
		if err != nil {
			return p, err
		}
		for i := range p.features {
			p.features[i].moveTo(sol.RadiiMM[i])
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

// fewPoints are enough to tell one valley of a fit from another.
const fewPoints = 700

// solveFromBothSides is solveRings from a barrel or a pincushion lens, whichever few of
// the points fit better: on a board seen nearly square-on, the lens trades against the
// tilt, and there may be a valley for either. The plane is brought to each lens first.
func solveFromBothSides(start *calib.Rectification, prob calib.Problem, cam camera) (*calib.Solution, error) {
	few := prob
	few.Points = nil
	for i := 0; i < len(prob.Points); i += max(1, len(prob.Points)/fewPoints) {
		few.Points = append(few.Points, prob.Points[i])
	}
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
	if errors.Is(err, errRingRatio) {
		if q, ok := p.seenByList(cam, lines, given, pick); ok {
			p, lines = q, q.lines()
			id, err = identify(lines, pick, given, lo)
		}
	}
	if err != nil {
		return nil, err
	}
	if len(given) == 1 && evenSteps(lines) > 0 {
		id.warnings = append(id.warnings, "the rings look evenly spaced, which was used as evidence; give --rings to be surer")
	}
	sol, err := p.bind(cam, lines, given, &id, pick)
	if err != nil {
		return nil, err
	}
	scale := id.scale
	out := &boardFit{sol: sol, basis: ByRings, warnings: id.warnings}
	outer := given[len(given)-1] / 2
	out.sol.ScaleSigma = spec.TolMM / 2 / outer
	var blur []float64
	for i := len(lines) - 1; i >= 0; i-- {
		l := lines[i]
		radius := func(r float64) float64 {
			k := l.featureOf(r)
			return sol.RadiiMM[k] + (r-p.features[k].ref())*scale
		}
		out.circles = append(out.circles, Circle{RadiusMM: radius(l.outer), InnerMM: radius(l.inner), Seen: l.seen})
		if !math.IsNaN(l.blur) {
			blur = append(blur, l.blur)
		}
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

// seenByList returns another fit of plane and lens, one that leans on the list. On a
// board seen nearly square-on the lens and the radii trade against each other, and
// the fit of free radii may contradict a list that explains the photo as well. It
// must do so to what edges are misread by; whether the list then holds is for
// identify to say again.
func (p planeFit) seenByList(cam camera, lines []line, given []float64, pick func(line) float64) (q planeFit, ok bool) {
	prob := calib.Problem{Points: p.points(), K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345, BiasPx: biasPx}
	for _, f := range p.features {
		prob.Circles = append(prob.Circles, calib.CirclePrior{RadiusMM: f.ref(), SigmaMM: math.Inf(1)})
	}
	unit := pick(lines[len(lines)-1]) / given[len(given)-1] // of the fit, by mm of diameter
	matched := 0
	for _, g := range given {
		near := slices.MinFunc(lines, func(a, b line) int {
			return cmp.Compare(math.Abs(pick(a)-g*unit), math.Abs(pick(b)-g*unit))
		})
		if !(math.Abs(pick(near)-g*unit) < lensMakes*g*unit) {
			continue
		}
		k := near.featureOf(pick(near))
		shift := p.features[k].ref() - pick(near)
		prob.Circles[k] = calib.CirclePrior{RadiusMM: g*unit + shift, SigmaMM: leanShare * g * unit}
		matched++
	}
	if matched < 3 {
		return p, false
	}
	sol, err := solveFromBothSides(p.sol.Rectification, prob, cam)
	if err != nil || sol.ResidualPx > math.Hypot(p.sol.ResidualPx, biasPx) {
		return p, false
	}
	q = planeFit{sol: sol, features: slices.Clone(p.features), useFocal: p.useFocal}
	for i := range q.features {
		q.features[i].moveTo(sol.RadiiMM[i])
	}
	return q, true
}

// unseenLine is the width of a printed line by the outermost diameter (common practice,
// no source: 2 mm at 1 m).
const unseenLine = 0.002

// What the lens can make of the ratio of two rings, and how closely a fit leans on the
// list, relative to a ring's radius.
const (
	lensMakes = 0.05
	leanShare = 0.0003
)

// bind fits plane and lens to the features once more, with the given radii of the
// lines that id trusts, as tightly as the print turns out to keep to them: a first
// fit takes them as exact to a reading's floor, and what its radii then depart
// from the list widens the next. Borders that turn out to lie where the list says
// have lost no line and join in.
func (p planeFit) bind(cam camera, lines []line, given []float64, id *identity, pick func(line) float64) (*calib.Solution, error) {
	start := rescale(p.sol.Rectification, id.scale)
	lo, hi := start.PxPerMM(r2.Vec{})
	floor := math.Hypot(readingPx/math.Sqrt(lo*hi), p.sol.WobbleMM*id.scale)
	prob := calib.Problem{K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345, BiasPx: biasPx}
	reading := sharedPx / math.Sqrt(lo*hi)
	prob.SharedSigmaMM = []float64{darkLine - 1: reading, lightLine - 1: reading}
	if p.useFocal {
		prob.Focal = calib.FocalPrior{FocalPx: cam.focalPx, SigmaRel: cam.sigmaRel, Principal: cam.principal}
	}
	prob.Points = p.points()
	id.sigmaMM = floor
	prob.Circles = p.priors(lines, given, *id, pick)
	sol, err := solveRings(start, prob, cam)
	if err != nil {
		return nil, err
	}
	// Neighbours that err alike weigh less against the list than as many independent
	// points would.
	for i := range prob.Points {
		prob.Points[i].SigmaPx *= math.Max(1, sol.Alike)
	}
	for range 2 {
		prob.Circles = p.priors(lines, given, *id, pick)
		if sol, err = solveFlat(start, prob, cam); err != nil {
			return nil, err
		}
		if len(given) > 1 {
			id.review(p, lines, given, sol, pick, floor)
		}
	}
	id.warnings = append(id.warnings, shapeWarnings(sol, cam)...)
	return sol, nil
}

// solveFlat is solveRings with a bowed surface where three rings or more show beyond
// doubt that the board is not flat.
func solveFlat(start *calib.Rectification, prob calib.Problem, cam camera) (*calib.Solution, error) {
	sol, err := solveRings(start, prob, cam)
	if err != nil || countRings(sol.RadiiMM, slices.Max(sol.RadiiMM)) < 3 {
		return sol, err
	}
	reach := slices.Max(sol.RadiiMM)
	prob.Bow, prob.BowSigmaMM = calib.Bow{Eye: calib.EyeOf(sol.Rectification, cam.focalPx, cam.principal), ReachMM: reach}, bowSigmaMM
	if bent, err := solveRings(start, prob, cam); err == nil && bent.BowSigmas() > surely {
		return bent, nil
	}
	return sol, nil
}

// shapeWarnings tells of a board that is not flat and of rings that are no circles.
func shapeWarnings(sol *calib.Solution, cam camera) (out []string) {
	if depth := sol.Bow.DepthMM(); depth > bowNoticedMM {
		out = append(out, fmt.Sprintf("the board is not flat: the rings show a bow of about %.0f mm, which was allowed for; fix it to something stiff", depth))
	}
	focal := calib.FocalPrior{FocalPx: cam.focalPx, SigmaRel: cam.sigmaRel, Principal: cam.principal}
	if stretch, sigmas := calib.Stretch(sol.Rectification, focal); sigmas > surely && stretch > stretchNoticed {
		out = append(out, fmt.Sprintf("the rings seem to be no circles: one diameter is about %.1f%% longer than the one across it, as on a stretched print (or the photo was cropped or edited): measure the outer ring in two directions; sizes may be off by as much", 100*stretch))
	}
	return out
}

// What is noticed about the board's shape.
const (
	bowSigmaMM     = 2     // prior of a board's bow
	bowNoticedMM   = 1.5   // a bow worth a word
	stretchNoticed = 0.008 // of the print, relative
	surely         = 4.5   // standard uncertainties, for what would else be said of flat boards
)

// What reading a printed edge is good to, in px, on boards rendered with known
// truth: for each ring by itself, in common to all rings of one face, and in common
// to all directions of one ring.
const (
	readingPx = 0.05
	sharedPx  = 0.08
	biasPx    = 0.03
)

// priors returns what is known of each feature's radius, mm.
func (p planeFit) priors(lines []line, given []float64, id identity, pick func(line) float64) []calib.CirclePrior {
	out := make([]calib.CirclePrior, len(p.features))
	for i, f := range p.features {
		out[i] = calib.CirclePrior{RadiusMM: f.ref() * id.scale, SigmaMM: math.Inf(1)}
	}
	last := len(lines) - 1
	step := 0.0
	if len(given) == 1 {
		step = evenSteps(lines)
	}
	for i, l := range lines {
		// A feature is registered by its middle: shift by what its look says.
		k := l.featureOf(pick(l))
		shift := (p.features[k].ref() - pick(l)) * id.scale
		switch {
		case id.trusted[i]:
			out[k] = calib.CirclePrior{RadiusMM: given[id.match[i]]/2 + shift, SigmaMM: id.sigmaMM, Shared: p.shared(l)}
		case step > 0 && l.outer > centreShare*lines[last].outer:
			// Alone, the outermost diameter leaves lens and inner radii to trade against
			// each other where the board is seen square-on in mid-frame. Even rings are
			// evidence, not knowledge: it binds loosely.
			outer := given[0]/2 + (lines[last].outer-pick(lines[last]))*id.scale
			even := math.Round(l.outer/lines[last].outer*step) / step * outer
			out[l.outerFeat] = calib.CirclePrior{
				RadiusMM: even + (p.features[l.outerFeat].ref()-l.outer)*id.scale, SigmaMM: evenSigma * outer, Shared: p.shared(l),
			}
		}
	}
	return out
}

// Numbers of the errors that lines share.
const (
	darkLine  = iota + 1 // of the edges of lines darker than what lies inside them
	lightLine            // of the edges of lighter ones
)

// shared tells which error the edges of a line share; 0 for the border of a zone.
func (p planeFit) shared(l line) int {
	switch {
	case !l.whole():
		return 0
	case p.features[l.innerFeat].sign < 0:
		return darkLine
	}
	return lightLine
}

// usualWidth is the median width of the lines of which both sides were seen; 0
// without any.
func usualWidth(lines []line) float64 {
	var widths []float64
	for _, l := range lines {
		if l.whole() {
			widths = append(widths, l.outer-l.inner)
		}
	}
	if len(widths) == 0 {
		return 0
	}
	return medianOf(widths)
}

// review compares the radii of a fit with the list: how well the trusted ones keep
// to it sets the tightness of the next fit.
func (id *identity) review(p planeFit, lines []line, given []float64, sol *calib.Solution, pick func(line) float64, floor float64) {
	off := func(i int) (d, sigma float64) { // from the list, mm
		k := lines[i].featureOf(pick(lines[i]))
		shift := (p.features[k].ref() - pick(lines[i])) * id.scale
		return sol.RadiiMM[k] - shift - given[id.match[i]]/2, sol.RadiusSigma[k]
	}
	sum, n := 0.0, 0
	for i, l := range lines {
		if id.trusted[i] {
			d, _ := off(i)
			d -= sol.SharedMM[p.shared(l)]
			sum += d * d
			n++
		}
	}
	id.sigmaMM = math.Hypot(floor, math.Sqrt(sum/float64(max(1, n-2))))
	for i, l := range lines {
		if id.match[i] < 0 || id.trusted[i] || l.whole() {
			continue
		}
		if d, sigma := off(i); math.Abs(d)+2*sigma < id.lineMM/2 {
			id.trusted[i] = true
		}
	}
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
// ring's outer radius is a whole number; 0 when there is none, or too few rings to
// say. The centre mark does not count.
func evenSteps(lines []line) float64 {
	top := lines[len(lines)-1].outer
	rings := 0
	for _, l := range lines {
		if l.outer < centreShare*top {
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
			if l.outer < centreShare*top {
				continue
			}
			q := l.outer / top * n
			even = even && math.Abs(q-math.Round(q))/n < evenTol
		}
		// A fine grid fits anything: rings fit one by luck this often.
		if even && math.Pow(2*evenTol*n, float64(rings-1)) < 0.01 {
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
	sigma                float64 // of the radius, from the fit with free radii and from wobble
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
	held := p.blurPx()
	var out []line
	limit := thickLineShare * p.features[len(p.features)-1].ref()
	for i := 0; i < len(p.features); i++ {
		f := &p.features[i]
		a, b, blur := f.edges(held)
		l := line{inner: a, outer: b, blur: blur, seen: f.seen, sigma: math.Hypot(p.sol.RadiusSigma[i], p.sol.WobbleMM), innerFeat: i, outerFeat: i}
		if f.inner == f.outer && i+1 < len(p.features) {
			g := &p.features[i+1]
			if g.inner == g.outer && g.sign != f.sign && g.ref()-f.ref() < limit && f.ref() > 2*limit {
				_, o, _ := g.edges(held)
				l.outer, l.outerFeat = o, i+1
				l.seen = math.Max(f.seen, g.seen)
				i++
			}
		}
		out = append(out, l)
	}
	return out
}

// blurPx is the usual blur of the features, standard deviation in px; 0 when none
// could be read.
func (p planeFit) blurPx() float64 {
	var px []float64
	for i := range p.features {
		if _, _, b := p.features[i].edges(0); !math.IsNaN(b) {
			px = append(px, b)
		}
	}
	if len(px) == 0 {
		return 0
	}
	return medianOf(px)
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
	sigmaMM  float64 // with which the given radii bind the fit
	lineMM   float64 // usual width of the printed lines; what a border may have lost
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
	id.lineMM = usualWidth(lines) * id.scale
	if id.lineMM == 0 {
		id.lineMM = unseenLine * given[len(given)-1] // where all are borders none shows how wide it is
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
			if !l.whole() && math.Abs(d) < 3*id.lineMM+math.Max(6*unsure, 0.012*g) {
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

// settle fixes the scale by the lines that can be trusted. Whole lines come before borders; among them,
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
