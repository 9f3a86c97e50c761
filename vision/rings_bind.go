package vision

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// scaled identifies the rings, sets the unit to millimetres and fits once more
// with what is known of the radii.
func (p planeFit) scaled(cam camera, spec RingSpec) (*boardFit, error) {
	r := ringList{fit: p, lines: p.lines(), pick: spec.Edge.of, given: slices.Clone(spec.ListMM)}
	if len(r.given) == 0 {
		r.given = []float64{spec.OuterMM}
	}
	slices.Sort(r.given)
	id, err := r.identify()
	if errors.Is(err, errRingRatio) {
		if q, ok := r.leaning(cam); ok {
			r.fit, r.lines = q, q.lines()
			id, err = r.identify()
		}
	}
	if err != nil {
		return nil, err
	}
	p, lines, given := r.fit, r.lines, r.given
	if len(given) == 1 {
		id.steps = evenSteps(lines)
	}
	sol, err := r.bind(cam, &id)
	if err != nil {
		return nil, err
	}
	if id.steps > 0 {
		id.warnings = append(id.warnings, "the rings look evenly spaced, which was used as evidence; give --rings to be surer")
	}
	scale := id.scale
	out := &boardFit{sol: sol, basis: ByRings, warnings: id.warnings}
	outer := given[len(given)-1] / 2
	out.sol.ScaleSigma = spec.TolMM / 2 / outer
	for i := len(lines) - 1; i >= 0; i-- {
		l := lines[i]
		radius := func(r float64) float64 {
			k := l.featureOf(r)
			return sol.RadiiMM[k] + (r-p.features[k].ref())*scale
		}
		out.circles = append(out.circles, Circle{RadiusMM: radius(l.outer), InnerMM: radius(l.inner), Seen: l.seen})
	}
	out.seen = out.circles[0].Seen
	switch {
	case p.rings() >= 2:
	case p.hasCentre():
		out.basis = ByCentre
	default:
		out.basis = ByFocal
	}
	return out, nil
}

// leaning returns another fit of plane and lens, one that leans on the list. On a
// board seen nearly square-on the lens and the radii trade against each other, and
// the fit of free radii may contradict a list that explains the photo as well. It
// must do so to what edges are misread by; whether the list then holds is for
// identify to say again.
func (r ringList) leaning(cam camera) (q planeFit, ok bool) {
	p, pick := r.fit, r.pick
	prob := calib.Problem{Points: p.points(), K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345, BiasPx: biasPx, DarkPx: darkPx}
	for _, f := range p.features {
		prob.Circles = append(prob.Circles, calib.CirclePrior{RadiusMM: f.ref(), SigmaMM: math.Inf(1)})
	}
	unit := pick(r.lines[len(r.lines)-1]) / r.given[len(r.given)-1] // of the fit, by mm of diameter
	matched := 0
	for _, g := range r.given {
		near := slices.MinFunc(r.lines, func(a, b line) int {
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
	worse := func(sol *calib.Solution) bool { return sol.ResidualPx > math.Hypot(p.sol.ResidualPx, biasPx) }
	sol, err := solveFromBothSides(p.sol.Rectification, prob, cam)
	if err == nil && worse(sol) {
		// A bow shows on all rings: the fit of free radii took some of it for lens and radii.
		prob.Bow = calib.Bow{Eye: calib.EyeOf(sol.Rectification, cam.focalPx, sol.Lens.CentrePx), ReachMM: slices.Max(sol.RadiiMM)}
		prob.BowSigmaMM = 2 * unit * bowSigmaMM
		sol, err = solveRings(sol.Rectification, prob, cam)
	}
	if err != nil || worse(sol) || leavesOut(prob, sol) {
		return p, false
	}
	q = planeFit{sol: sol, features: slices.Clone(p.features), useFocal: p.useFocal}
	for i := range q.features {
		q.features[i].moveTo(sol.RadiiMM[i])
	}
	return q, true
}

// leavesOut reports whether the fit sets most points of one of the circles aside, as it
// does where that one's radius is held at what the photo does not show.
func leavesOut(prob calib.Problem, sol *calib.Solution) bool {
	all, in := make([]int, len(prob.Circles)), make([]int, len(prob.Circles))
	for i, e := range prob.Points {
		all[e.Circle]++
		if sol.Inliers[i] {
			in[e.Circle]++
		}
	}
	for c, n := range all {
		if 2*in[c] < n {
			return true
		}
	}
	return false
}

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
func (r ringList) bind(cam camera, id *identity) (*calib.Solution, error) {
	start := rescale(r.fit.sol.Rectification, id.scale)
	lo, hi := start.PxPerMM(r2.Vec{})
	floor := math.Hypot(readingPx/math.Sqrt(lo*hi), r.fit.sol.WobbleMM*id.scale)
	prob := calib.Problem{K1Mean: cam.lens.K1, K1Sigma: cam.k1Sigma, Robust: 1.345, BiasPx: biasPx, DarkPx: darkPx}
	reading := sharedPx / math.Sqrt(lo*hi)
	prob.SharedSigmaMM = []float64{darkLine - 1: reading, lightLine - 1: reading}
	prob.Focal = cam.prior(r.fit.useFocal)
	prob.Points = r.fit.points()
	id.sigmaMM = floor
	prob.Circles = r.priors(*id)
	sol, err := solveRings(start, prob, cam)
	if err != nil {
		return nil, err
	}
	// Neighbours that err alike weigh less against the list than as many independent
	// points would.
	for i := range prob.Points {
		prob.Points[i].SigmaPx *= math.Max(1, sol.Alike)
	}
	if id.steps > 0 && math.Abs(sol.Lens.K1-cam.lens.K1) > 2*cam.k1Sigma {
		id.steps = 0 // rings that are even only through an unusual lens are even by luck
	}
	for range 2 {
		prob.Circles = r.priors(*id)
		if sol, err = solveFlat(sol.Rectification, prob, cam); err != nil {
			return nil, err
		}
		if len(r.given) == 1 {
			break // nothing to compare with
		}
		id.review(r, sol, floor)
	}
	if sol, err = r.withoutWrong(sol, prob, cam, id, floor); err != nil {
		return nil, err
	}
	id.warnings = append(id.warnings, shapeWarnings(sol, cam)...)
	return sol, nil
}

// solveFlat is solveRings with a bowed surface where three rings or more show beyond
// doubt that the board is not flat.
func solveFlat(start *calib.Rectification, prob calib.Problem, cam camera) (*calib.Solution, error) {
	sol, err := solveRings(start, prob, cam)
	if err != nil || countRings(sol.RadiiMM, slices.Max(sol.RadiiMM), maxRatio) < 3 {
		return sol, err
	}
	reach := slices.Max(sol.RadiiMM)
	prob.Bow, prob.BowSigmaMM = calib.Bow{Eye: calib.EyeOf(sol.Rectification, cam.focalPx, sol.Lens.CentrePx), ReachMM: reach}, bowSigmaMM
	// Few points rule out what is not nearly there.
	if bent, err := solveRings(sol.Rectification, thinned(prob), cam); err != nil || bent.BowSigmas() < surely/2 {
		return sol, nil
	}
	if bent, err := solveRings(sol.Rectification, prob, cam); err == nil && bent.BowSigmas() > surely {
		return bent, nil
	}
	return sol, nil
}

// shapeWarnings tells of a board that is not flat and of rings that are no circles.
func shapeWarnings(sol *calib.Solution, cam camera) (out []string) {
	if depth := sol.Bow.DepthMM(); depth > bowNoticedMM {
		out = append(out, fmt.Sprintf("the board is not flat: the rings show a bow of about %.0f mm, which was allowed for; fix it to something stiff", depth))
	}
	if stretch, sigmas := calib.Stretch(sol.Rectification, cam.prior(true)); sigmas > surely && stretch > stretchNoticed {
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

// priors returns what is known of each feature's radius, mm.
func (r ringList) priors(id identity) []calib.CirclePrior {
	p, lines, pick, given := r.fit, r.lines, r.pick, r.given
	out := make([]calib.CirclePrior, len(p.features))
	for i, f := range p.features {
		out[i] = calib.CirclePrior{RadiusMM: f.ref() * id.scale, SigmaMM: math.Inf(1)}
	}
	last := len(lines) - 1
	for i, l := range lines {
		// A feature is registered by its middle: shift by what its look says.
		k := l.featureOf(pick(l))
		shift := (p.features[k].ref() - pick(l)) * id.scale
		switch {
		case id.trusted[i]:
			out[k] = calib.CirclePrior{RadiusMM: given[id.match[i]]/2 + shift, SigmaMM: id.sigmaMM, Shared: p.shared(l)}
		case id.steps > 0 && l.whole() && l.outer > centreShare*lines[last].outer:
			// Alone, the outermost diameter leaves lens and inner radii to trade against
			// each other where the board is seen square-on in mid-frame. Even rings are
			// evidence, not knowledge: it binds loosely.
			outer := given[0]/2 + (lines[last].outer-pick(lines[last]))*id.scale
			even := math.Round(l.outer/lines[last].outer*id.steps) / id.steps * outer
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

// withoutWrong looks, where the radii do not keep to the list, for the one ring without
// which they do. Then its diameter is wrong, not the print uneven: on a board seen
// square-on, the lens can hide that from the fit of free radii. A border, which may hide a
// line of its own colour, is only left out.
func (r ringList) withoutWrong(sol *calib.Solution, prob calib.Problem, cam camera, id *identity, floor float64) (*calib.Solution, error) {
	if id.sigmaMM < max(3*floor, wrongShare/20*r.given[len(r.given)-1]) && !leavesOut(prob, sol) {
		return sol, nil
	}
	for i, l := range r.lines {
		if !id.trusted[i] || countTrue(id.trusted) < 4 {
			continue
		}
		rest := *id
		rest.trusted = slices.Clone(id.trusted)
		rest.trusted[i], rest.sigmaMM = false, floor
		held := prob
		held.Circles = r.priors(rest)
		without, err := solveRings(sol.Rectification, held, cam)
		if err != nil {
			continue
		}
		rest.review(r, without, floor)
		d, sigma := rest.off(i, r, without)
		g := r.given[id.match[i]]
		if rest.sigmaMM > max(id.sigmaMM/3, 1.5*floor) || leavesOut(held, without) || math.Abs(2*d) < max(wrongShare*g, 8*sigma) {
			continue
		}
		if l.whole() || math.Abs(2*d) > 3*id.lineMM {
			return nil, fmt.Errorf("%w: the ring given as %.4g mm measures %.4g mm against the others", errRingRatio, g, g+2*d)
		}
		rest.warnings = append(rest.warnings, leftOut(g, 2*d))
		*id = rest
		return solveFlat(without.Rectification, held, cam)
	}
	return sol, nil
}

// wrongShare is how far, relatively, a ring lies from its diameter when that is wrong.
const wrongShare = 0.01

func countTrue(v []bool) (n int) {
	for _, t := range v {
		if t {
			n++
		}
	}
	return n
}

// off returns how far the radius of a line, in a fit, lies from the list, mm, and the
// radius's standard uncertainty.
func (id *identity) off(i int, r ringList, sol *calib.Solution) (d, sigma float64) {
	radius := r.pick(r.lines[i])
	k := r.lines[i].featureOf(radius)
	shift := (r.fit.features[k].ref() - radius) * id.scale
	return sol.RadiiMM[k] - shift - r.given[id.match[i]]/2, sol.RadiusSigma[k]
}

// review compares the radii of a fit with the list: how well the trusted ones keep
// to it sets the tightness of the next fit.
func (id *identity) review(r ringList, sol *calib.Solution, floor float64) {
	sum, n := 0.0, 0
	for i, l := range r.lines {
		if id.trusted[i] {
			d, _ := id.off(i, r, sol)
			d -= sol.SharedMM[r.fit.shared(l)]
			sum += d * d
			n++
		}
	}
	id.sigmaMM = math.Hypot(floor, math.Sqrt(sum/float64(max(1, n-2))))
	for i, l := range r.lines {
		if id.match[i] < 0 || id.trusted[i] || l.whole() {
			continue
		}
		if d, sigma := id.off(i, r, sol); math.Abs(d)+2*sigma < id.lineMM/2 {
			id.trusted[i] = true
		}
	}
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
