package calib

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r2"
)

// EdgePoint is one observation: a point of the photo that lies on a circle of
// the face.
type EdgePoint struct {
	Circle int // index of the circle
	At     Px
	// SigmaPx is the standard uncertainty across the circle, in px.
	SigmaPx float64
	// Dark is 1 where the dark side of the edge lies inside the circle, -1 where outside,
	// 0 for what has two edges (Problem.DarkPx).
	Dark float64
}

// CirclePrior is what is known of a circle's radius beforehand. SigmaMM 0 holds
// the radius fixed; +Inf leaves it free, with RadiusMM as the start. Radii with the
// same Shared, 1 or more, have an error in common besides (Problem.SharedSigmaMM).
type CirclePrior struct {
	RadiusMM, SigmaMM float64
	Shared            int
}

// Tie is a photo point whose board position is known.
type Tie struct {
	At      Px
	Board   r2.Vec
	SigmaPx float64
}

// FocalPrior says what the camera reports of its focal length. SigmaRel is the
// relative standard uncertainty; zero FocalPx means that nothing is known. The
// principal point is the centre of the lens, too; PrincipalSigmaPx is its standard
// uncertainty in x and in y, 0 to hold it.
type FocalPrior struct {
	FocalPx, SigmaRel float64
	Principal         Px
	PrincipalSigmaPx  float64
}

// Problem is everything that bears on one plane.
type Problem struct {
	Points  []EdgePoint
	Circles []CirclePrior
	// SharedSigmaMM are the standard uncertainties of errors that radii have in common,
	// such as of half a printed line's width, for the CirclePriors with Shared 1, 2 …
	// Rings of several radii determine them.
	SharedSigmaMM []float64
	// BiasPx is the standard uncertainty of where the edge of a circle is seen that
	// all its points have in common, from a camera's sharpening for one. It enters
	// the covariance only.
	BiasPx float64
	// DarkPx is the standard uncertainty of how far all edges are seen towards their dark
	// side, alike in px: a camera sharpens what it has coded, which in linear light moves
	// an edge. On a tilted board that is more mm on the far side and looks like another
	// tilt. 0 holds the edges in place.
	DarkPx float64
	Ties   []Tie
	Focal  FocalPrior
	// Bow, when its Eye is set, frees the three lifts of a bowed board, each with the
	// prior standard deviation BowSigmaMM about zero.
	Bow        Bow
	BowSigmaMM float64
	// K1Sigma is the prior standard deviation of the lens term K1 about K1Mean; 0
	// holds it at the start's value.
	K1Mean, K1Sigma float64
	// Robust is the residual, in sigmas, beyond which a point loses weight
	// (Tukey's biweight reaches zero at 4.685/1.345 times that); 0 is least squares.
	Robust float64
}

// Solution is a fitted plane with what a reader needs to trust it.
type Solution struct {
	*Rectification
	RadiiMM     []float64 // of the circles, fitted
	RadiusSigma []float64 // their standard uncertainties, mm
	DarkPx      float64   // how far the edges are seen towards their dark side
	SharedMM    []float64 // the shared errors, by number; [0] is 0
	ResidualPx  float64   // robust standard deviation of the points about the fit
	// Alike is by how much points err together, with their neighbours or by BiasPx: the
	// ratio of their effect on the parameters to that of independent points of the
	// stated sigmas, as standard deviations.
	Alike float64
	// WobbleMM is the amplitude, at one lobe, of slow deviations of the circles from
	// round; 0 on a printed face.
	WobbleMM float64
	Inliers  []bool // by point
}

// ErrDiverged says that the fit ran off: no step makes it better, or it ends at no plane.
var ErrDiverged = errors.New("the fit of the plane did not settle")

// Solve fits plane, lens and radii together to the edge points: iterated
// reweighted least squares (Levenberg-Marquardt) on distances in px, with the
// priors as observations of their own. The board's rotation is no parameter, so
// the fit cannot drift along it. At least one radius must be fixed or have a
// prior, or ties must set the scale.
//
// The covariance is that of the residuals themselves: points are taken together
// in sectors of 15 degrees of each circle, so that wobble of a drawn line, which
// shifts neighbours alike, counts as what it is (a cluster-robust "sandwich",
// Liang and Zeger 1986).
func Solve(start *Rectification, p Problem) (*Solution, error) {
	s := newSystem(start, p)
	if err := s.check(); err != nil {
		return nil, err
	}
	lambda := 1e-3
	cost := s.evaluate(s.x)
	for range 60 {
		step, ok := s.step(lambda)
		if !ok {
			lambda *= 10
			if lambda > 1e12 {
				return nil, ErrDiverged
			}
			continue
		}
		trial := make([]float64, len(s.x))
		change := 0.0
		for i := range trial {
			trial[i] = s.x[i] + step[i]
			change = math.Max(change, math.Abs(step[i])/s.unit[i])
		}
		c := s.evaluate(trial)
		if !(c <= cost*(1+1e-12)) {
			s.evaluate(s.x)
			lambda *= 10
			if lambda > 1e12 {
				break
			}
			continue
		}
		s.x = trial
		lambda = math.Max(lambda/10, 1e-12)
		s.reweight()
		cost = s.cost()
		if change < 1e-6 { // a thousandth of a pixel
			break
		}
	}
	return s.solution()
}

// system holds the linearised problem. Parameters: plane (7), K1, centre (2), bow (3), then the radii
// that are not fixed and their shared errors, the shift towards the dark, then ln f when
// there is a focal prior.
type system struct {
	p           Problem
	lens        Lens
	x           []float64 // parameters
	x0          []float64 // start, about which the prior of ln f is
	unit        []float64 // typical size of each parameter, for conditioning
	free        []int     // index into Rectification.Cov of the first parameters: plane, K1, centre, bow
	radius      []int     // parameter of each circle's radius, -1 when fixed
	k1, bow, lf int       // parameter index (of the first), -1 when held or absent
	centre      int       // parameter of the lens's centre (x, then y), -1 when held
	dark        int       // parameter of the shift towards the dark, -1 when held
	shared      []int     // parameter of each shared error, by its number; [0] has none

	weight  []float64    // robust weight by point
	res     []float64    // residual by point, in sigmas
	gain    []float64    // by point: sigmas per mm of radius
	towards []complex128 // by point: the unit direction from the centre
	scale   float64      // robust sd of res
	rows    [][]entry    // of the Jacobian, by point, by parameter
	on      [][]int      // the points of each circle
	rest    []float64    // residuals of priors and ties
	extra   [][]entry
}

// entry is how the residual changes with parameter i, per unit of it.
type entry struct {
	i int
	v float64
}

func newSystem(start *Rectification, p Problem) *system {
	s := &system{p: p, lens: start.Lens, k1: -1, centre: -1, bow: -1, lf: -1, dark: -1, shared: []int{-1}, scale: 1}
	add := func(v, unit float64) int {
		s.x, s.unit = append(s.x, v), append(s.unit, unit)
		return len(s.x) - 1
	}
	r := 1.0
	for _, c := range p.Circles {
		r = math.Max(r, c.RadiusMM)
	}
	px := math.Hypot(start.Plane[iP], start.Plane[iS])
	for i, v := range start.Plane {
		unit := px
		switch i {
		case iCX, iCY:
			unit = px * r
		case iL, iM:
			unit = 1 / r
		}
		add(v, unit)
		s.free = append(s.free, i)
	}
	if p.K1Sigma > 0 && start.Lens.ScalePx > 0 {
		s.k1 = add(start.Lens.K1, 1)
		s.free = append(s.free, iK1)
	}
	if p.Focal.PrincipalSigmaPx > 0 && start.Lens.ScalePx > 0 {
		s.centre = add(start.Lens.CentrePx.X, start.Lens.ScalePx)
		add(start.Lens.CentrePx.Y, start.Lens.ScalePx)
		s.free = append(s.free, iCentre, iCentre+1)
	}
	if p.Bow.Eye[2] > 0 {
		s.bow = len(s.x)
		for i, v := range p.Bow.LiftMM {
			add(v, r)
			s.free = append(s.free, iBow+i)
		}
	}
	for _, c := range p.Circles {
		if c.SigmaMM == 0 {
			s.radius = append(s.radius, -1)
			continue
		}
		s.radius = append(s.radius, add(c.RadiusMM, r))
	}
	for range p.SharedSigmaMM {
		s.shared = append(s.shared, add(0, r))
	}
	if p.DarkPx > 0 {
		s.dark = add(0, 1)
	}
	if p.Focal.FocalPx > 0 {
		s.lf = add(math.Log(p.Focal.FocalPx), 1)
	}
	s.x0 = append([]float64(nil), s.x...)
	s.on = make([][]int, len(p.Circles))
	for i, e := range p.Points {
		if e.Circle >= 0 && e.Circle < len(s.on) { // check refuses the others
			s.on[e.Circle] = append(s.on[e.Circle], i)
		}
	}
	s.weight = make([]float64, len(p.Points))
	for i := range s.weight {
		s.weight[i] = 1
	}
	s.res = make([]float64, len(p.Points))
	s.gain, s.towards = make([]float64, len(p.Points)), make([]complex128, len(p.Points))
	s.rows = make([][]entry, len(p.Points))
	k := len(s.free) + 2
	entries := make([]entry, k*len(p.Points))
	for i := range s.rows {
		s.rows[i] = entries[k*i : k*i : k*(i+1)]
	}
	return s
}

func (s *system) check() error {
	for i, c := range s.p.Circles {
		if c.Shared < 0 || c.Shared > len(s.p.SharedSigmaMM) {
			return fmt.Errorf("circle %d shares error %d of %d", i, c.Shared, len(s.p.SharedSigmaMM))
		}
	}
	for i, e := range s.p.Points {
		if e.Circle < 0 || e.Circle >= len(s.p.Circles) || !(e.SigmaPx > 0) {
			return fmt.Errorf("edge point %d has circle %d and sigma %v", i, e.Circle, e.SigmaPx)
		}
	}
	if n := 2*len(s.p.Ties) + len(s.p.Points); n < len(s.x) {
		return fmt.Errorf("%w: %d observations for %d unknowns", ErrDegenerate, n, len(s.x))
	}
	return nil
}

func (s *system) rect(x []float64) *Rectification {
	var plane [numPlane]float64
	copy(plane[:], x)
	lens := s.lens
	if s.k1 >= 0 {
		lens.K1 = x[s.k1]
	}
	if s.centre >= 0 {
		lens.CentrePx = Px{x[s.centre], x[s.centre+1]}
	}
	r, _ := NewRectification(plane, lens, 0)
	if s.bow >= 0 {
		r.Bow = s.p.Bow
		copy(r.Bow.LiftMM[:], x[s.bow:])
	}
	return r
}

func (s *system) radiusMM(x []float64, circle int) float64 {
	if i := s.radius[circle]; i >= 0 {
		return x[i]
	}
	return s.p.Circles[circle].RadiusMM
}

// evaluate sets residuals and Jacobian at x and returns the weighted sum of
// squares.
func (s *system) evaluate(x []float64) float64 {
	r := s.rect(x)
	for i, e := range s.p.Points {
		b := r.ToBoard(e.At)
		d := math.Sqrt(b.X*b.X + b.Y*b.Y)
		n := r2.Vec{X: b.X / d, Y: b.Y / d}
		// (gx, gy) is d radius / d photo; its inverse length is px across the circle
		// per mm of radius.
		j := r.Jacobian(b)
		det := j[0][0]*j[1][1] - j[0][1]*j[1][0]
		gx := (n.X*j[1][1] - n.Y*j[1][0]) / det
		gy := (-n.X*j[0][1] + n.Y*j[0][0]) / det
		k := 1 / (math.Sqrt(gx*gx+gy*gy) * e.SigmaPx)
		s.res[i] = (d - s.radiusMM(x, e.Circle)) * k
		s.gain[i], s.towards[i] = k, complex(n.X, n.Y)
		// A parameter that moves the photo point of b by v moves the radius found at a
		// fixed photo point by -(gx, gy) v.
		moves := photoDerivatives(r.Plane, r.Lens, r.Bow, b)
		slope := func(q int) float64 { return -(gx*moves[q].X + gy*moves[q].Y) * k }
		row := s.rows[i][:0]
		for q, at := range s.free {
			row = append(row, entry{q, slope(at) * s.unit[q]})
		}
		if q := s.radius[e.Circle]; q >= 0 {
			row = append(row, entry{q, -k * s.unit[q]})
		}
		if s.dark >= 0 && e.Dark != 0 {
			s.res[i] += e.Dark * x[s.dark] / e.SigmaPx
			row = append(row, entry{s.dark, e.Dark / e.SigmaPx * s.unit[s.dark]})
		}
		s.rows[i] = row
	}
	s.rest, s.extra = s.rest[:0], s.extra[:0]
	prior := func(v float64, row ...entry) {
		for i := range row {
			row[i].v *= s.unit[row[i].i]
		}
		s.rest, s.extra = append(s.rest, v), append(s.extra, row)
	}
	for c, q := range s.radius {
		k := s.p.Circles[c]
		switch sd := k.SigmaMM; {
		case q < 0 || math.IsInf(sd, 1):
		case k.Shared > 0:
			e := s.shared[k.Shared]
			prior((x[q]-k.RadiusMM-x[e])/sd, entry{q, 1 / sd}, entry{e, -1 / sd})
		default:
			prior((x[q]-k.RadiusMM)/sd, entry{q, 1 / sd})
		}
	}
	if s.bow >= 0 {
		for q := s.bow; q < s.bow+numBow; q++ {
			prior(x[q]/s.p.BowSigmaMM, entry{q, 1 / s.p.BowSigmaMM})
		}
	}
	for i, sd := range s.p.SharedSigmaMM {
		e := s.shared[i+1]
		prior(x[e]/sd, entry{e, 1 / sd})
	}
	if s.dark >= 0 {
		prior(x[s.dark]/s.p.DarkPx, entry{s.dark, 1 / s.p.DarkPx})
	}
	if s.k1 >= 0 {
		prior((x[s.k1]-s.p.K1Mean)/s.p.K1Sigma, entry{s.k1, 1 / s.p.K1Sigma})
	}
	if s.centre >= 0 {
		sd := s.p.Focal.PrincipalSigmaPx
		prior((x[s.centre]-s.p.Focal.Principal.X)/sd, entry{s.centre, 1 / sd})
		prior((x[s.centre+1]-s.p.Focal.Principal.Y)/sd, entry{s.centre + 1, 1 / sd})
	}
	for _, t := range s.p.Ties {
		p := r.ToPhoto(t.Board)
		d := photoDerivatives(r.Plane, r.Lens, r.Bow, t.Board)
		var u, v []entry
		for q, at := range s.free {
			u, v = append(u, entry{q, d[at].X / t.SigmaPx}), append(v, entry{q, d[at].Y / t.SigmaPx})
		}
		prior((p.X-t.At.X)/t.SigmaPx, u...)
		prior((p.Y-t.At.Y)/t.SigmaPx, v...)
	}
	if s.lf >= 0 {
		prior((x[s.lf]-s.x0[s.lf])/s.p.Focal.SigmaRel, entry{s.lf, 1 / s.p.Focal.SigmaRel})
		f0 := s.focalMisfit(x)
		var rows [2][]entry
		for q := range s.x {
			if q >= numPlane && q != s.lf && (s.centre < 0 || q != s.centre && q != s.centre+1) {
				continue
			}
			h := 1e-6 * s.unit[q]
			y := append([]float64(nil), x...)
			y[q] += h
			f1 := s.focalMisfit(y)
			for i := range rows {
				rows[i] = append(rows[i], entry{q, (f1[i] - f0[i]) / h})
			}
		}
		prior(f0[0], rows[0]...)
		prior(f0[1], rows[1]...)
	}
	return s.cost()
}

// cost is the weighted sum of squares of the residuals last evaluated.
func (s *system) cost() float64 {
	sum := 0.0
	for i, r := range s.res {
		sum += s.weight[i] * r * r
	}
	for _, r := range s.rest {
		sum += r * r
	}
	return sum
}

// squarePixelSigma is how far, relatively, real phone cameras depart from the
// model of square pixels about a principal point in the middle of the frame: a
// principal point off by 10 px in 3000.
const squarePixelSigma = 3e-3

// focalMisfit returns axesMisfit in a camera of focal length exp(x[lf]), in sigmas.
func (s *system) focalMisfit(x []float64) [2]float64 {
	r, principal := s.rect(x), s.p.Focal.Principal
	if s.centre >= 0 {
		principal = r.Lens.CentrePx
	}
	m := axesMisfit(r, math.Exp(x[s.lf]), principal)
	return [2]float64{m[0] / squarePixelSigma, m[1] / squarePixelSigma}
}

// normal returns J'WJ and J'Wr in units of s.unit, with the points' weights times
// factor.
func (s *system) normal(factor float64) (*mat.SymDense, []float64) {
	n := len(s.x)
	a, g := make([]float64, n*n), make([]float64, n)
	for i, row := range s.rows {
		if s.weight[i] > 0 {
			addSquare(a, g, row, s.res[i], s.weight[i]*factor)
		}
	}
	for i, row := range s.extra {
		addSquare(a, g, row, s.rest[i], 1)
	}
	return mat.NewSymDense(n, a), g
}

// addSquare adds w row'row to the upper triangle of a, all that SymDense reads, and
// w row'r to g. Rows are ordered by parameter.
func addSquare(a, g []float64, row []entry, r, w float64) {
	n := len(g)
	for k, e := range row {
		v := w * e.v
		g[e.i] += v * r
		to := a[e.i*n : (e.i+1)*n]
		for _, f := range row[k:] {
			to[f.i] += v * f.v
		}
	}
}

// step solves the damped normal equations.
func (s *system) step(lambda float64) ([]float64, bool) {
	a, g := s.normal(1)
	n := len(g)
	for i := range n {
		a.SetSym(i, i, a.At(i, i)*(1+lambda)+1e-12)
	}
	var ch mat.Cholesky
	if !ch.Factorize(a) {
		return nil, false
	}
	var d mat.VecDense
	if err := ch.SolveVecTo(&d, mat.NewVecDense(n, g)); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) {
			return nil, false
		}
	}
	out := make([]float64, n)
	for i := range out {
		out[i] = -d.AtVec(i) * s.unit[i]
		if math.IsNaN(out[i]) {
			return nil, false
		}
	}
	return out, true
}

// reweight sets Tukey biweights about the residuals' own robust spread.
func (s *system) reweight() {
	s.scale = robustSD(s.res)
	if s.p.Robust == 0 {
		return
	}
	cut := s.p.Robust * 4.685 / 1.345 * math.Max(s.scale, 1e-9)
	for i, r := range s.res {
		u := r / cut
		s.weight[i] = 0
		if u*u < 1 {
			s.weight[i] = (1 - u*u) * (1 - u*u)
		}
	}
}

// softening is the mean slope of Tukey's psi over its mean weight. The fit moves
// with the slope, its equations hold the weights, and the covariance needs the
// former (Huber and Ronchetti, Robust Statistics, 2009, section 7.6).
func (s *system) softening() float64 {
	var slope, weight float64
	for _, w := range s.weight {
		if w > 0 {
			slope += math.Sqrt(w) * (5*math.Sqrt(w) - 4) // (1-u²)(1-5u²) with w = (1-u²)²
			weight += w
		}
	}
	if !(slope > 0.3*weight) {
		return 0.3
	}
	return slope / weight
}

// robustSD is the median absolute value scaled to the standard deviation of a
// normal sample about zero; it does not change v.
func robustSD(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	a := make([]float64, len(v))
	for i, x := range v {
		a[i] = math.Abs(x)
	}
	return 1.482602218505602 * medianInPlace(a)
}

func (s *system) solution() (*Solution, error) {
	a, _ := s.normal(s.softening())
	n := len(s.x)
	for i := range n {
		a.SetSym(i, i, a.At(i, i)+1e-12)
	}
	var ch mat.Cholesky
	if !ch.Factorize(a) {
		return nil, ErrDegenerate
	}
	var inv mat.SymDense
	if err := ch.InverseTo(&inv); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) {
			return nil, ErrDegenerate
		}
	}
	meat, alike, wobble := s.meat(&inv)
	var cov mat.Dense
	cov.Mul(&inv, meat)
	cov.Mul(&cov, &inv)
	at := func(i, j int) float64 {
		if i < 0 || j < 0 {
			return 0
		}
		return (cov.At(i, j) + cov.At(j, i)) / 2 * s.unit[i] * s.unit[j]
	}
	r := s.rect(s.x)
	r.Cov = mat.NewSymDense(NumFree, nil)
	for i, p := range s.free {
		for j, q := range s.free[:i+1] {
			r.Cov.SetSym(p, q, at(i, j))
		}
	}
	out := &Solution{Rectification: r, WobbleMM: wobble, Alike: alike, SharedMM: []float64{0}}
	for _, e := range s.shared[1:] {
		out.SharedMM = append(out.SharedMM, s.x[e])
	}
	if s.dark >= 0 {
		out.DarkPx = s.x[s.dark]
	}
	for c, q := range s.radius {
		out.RadiiMM = append(out.RadiiMM, s.radiusMM(s.x, c))
		out.RadiusSigma = append(out.RadiusSigma, math.Sqrt(math.Max(0, at(q, q))))
	}
	px := make([]float64, 0, len(s.res))
	out.Inliers = make([]bool, len(s.res))
	for i, v := range s.res {
		out.Inliers[i] = s.weight[i] > 0.05
		px = append(px, v*s.p.Points[i].SigmaPx)
	}
	out.ResidualPx = robustSD(px)
	for _, v := range s.x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, ErrDiverged
		}
	}
	return out, nil
}

// meat is the middle of the sandwich: the outer products of the score summed
// over clusters, plus the priors as they are. It returns Solution.Alike and the
// wobble that it found, mm. inv is the inverse of the bread.
func (s *system) meat(inv mat.Symmetric) (m *mat.SymDense, alike, wobbleMM float64) {
	const sectors = 24
	n := len(s.x)
	score := make([][]float64, sectors*len(s.p.Circles))
	for i, e := range s.p.Points {
		if s.weight[i] == 0 {
			continue
		}
		sec := int((cmplx.Phase(s.towards[i])+math.Pi)/(2*math.Pi)*sectors) % sectors
		k := e.Circle*sectors + sec
		if score[k] == nil {
			score[k] = make([]float64, n)
		}
		for _, q := range s.rows[i] {
			score[k][q.i] += s.weight[i] * s.res[i] * q.v
		}
	}
	m = mat.NewSymDense(n, nil)
	clusters := 0
	for _, v := range score {
		if v != nil {
			clusters++
			m.SymRankOne(m, 1, mat.NewVecDense(n, v))
		}
	}
	// Few clusters understate the spread; the usual correction.
	if clusters > n {
		m.ScaleSym(float64(clusters)/float64(clusters-n), m)
	}
	s.addBias(m)
	alike = s.alike(m, inv)
	wobbleMM = s.addWobble(m)
	for _, row := range s.extra {
		v := make([]float64, n)
		for _, e := range row {
			v[e.i] = e.v
		}
		m.SymRankOne(m, 1, mat.NewVecDense(n, v))
	}
	return m, alike, wobbleMM
}

// alike compares joint errors' scores with those of independent points; 1 without points.
func (s *system) alike(joint *mat.SymDense, inv mat.Symmetric) float64 {
	if len(s.rows) == 0 {
		return 1
	}
	n := len(s.x)
	square, none := make([]float64, n*n), make([]float64, n)
	for i, row := range s.rows {
		addSquare(square, none, row, 0, s.weight[i]*s.weight[i])
	}
	var a, b mat.Dense
	a.Mul(inv, joint)
	b.Mul(inv, mat.NewSymDense(n, square))
	return math.Sqrt(mat.Trace(&a) / mat.Trace(&b))
}

// addBias adds to m what an edge seen off by BiasPx all around a circle can do, and
// a third of that in one to four lobes around each line.
func (s *system) addBias(m *mat.SymDense) {
	if s.p.BiasPx == 0 {
		return
	}
	px := func(i int) float64 { return s.p.BiasPx / s.p.Points[i].SigmaPx }
	for c := range s.p.Circles {
		s.addLobes(m, []int{c}, 0, 1, px)
	}
	for _, line := range s.strokes() {
		for lobes := 1; lobes <= 4; lobes++ {
			s.addLobes(m, line, lobes, 1./9, px)
		}
	}
}

// addLobes adds to m the effect of an error that changes around the circles as the
// sine and the cosine of so many lobes, each with the given variance; unit is by
// how many sigmas an error of one moves point i.
func (s *system) addLobes(m *mat.SymDense, circles []int, lobes int, variance float64, unit func(i int) float64) {
	n := len(s.x)
	cosine, sine := make([]float64, n), make([]float64, n)
	for _, c := range circles {
		for _, i := range s.on[c] {
			at, w := power(s.towards[i], lobes), s.weight[i]*unit(i)
			for _, q := range s.rows[i] {
				cosine[q.i] += w * q.v * real(at)
				sine[q.i] += w * q.v * imag(at)
			}
		}
	}
	m.SymRankOne(m, variance, mat.NewVecDense(n, cosine))
	m.SymRankOne(m, variance, mat.NewVecDense(n, sine))
}

// power returns z to the k.
func power(z complex128, k int) complex128 {
	out := complex(1, 0)
	for range k {
		out *= z
	}
	return out
}

// addWobble adds to m what slow deviations from round can do. A drawn ring
// departs from its circle in a few lobes. Two lobes look like a tilt and the fit
// swallows them, so its residuals cannot show them; but three to five lobes stay,
// and amplitudes are taken to fall with the number of lobes (as those of smooth
// hand-drawn curves do). On a printed face they are nil. It returns the amplitude
// at one lobe, mm.
func (s *system) addWobble(m *mat.SymDense) float64 {
	var sum, count float64
	for c := range s.p.Circles {
		for lobes := 3; lobes <= 5; lobes++ {
			var a complex128
			var n, square float64
			for _, i := range s.on[c] {
				if s.weight[i] > 0 {
					mm := s.res[i] / s.gain[i]
					a += complex(mm, 0) * power(s.towards[i], lobes)
					n, square = n+1, square+mm*mm
				}
			}
			if n > 20 {
				// Less what unrelated noise of that size gives.
				sum += float64(lobes*lobes) * 2 * (real(a)*real(a) + imag(a)*imag(a) - square) / (n * n)
				count++
			}
		}
	}
	if count == 0 || sum <= 0 {
		return 0
	}
	unit := sum / count // variance of a coefficient at one lobe, mm²
	for _, ring := range s.strokes() {
		for lobes := 2; lobes <= 5; lobes++ {
			s.addLobes(m, ring, lobes, unit/float64(lobes*lobes), func(i int) float64 { return s.gain[i] })
		}
	}
	return math.Sqrt(unit)
}

// strokes groups circles so close that they are the two sides of one drawn line
// and wobble together: within 6% of radius.
func (s *system) strokes() [][]int {
	order := make([]int, len(s.p.Circles))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Compare(s.radiusMM(s.x, a), s.radiusMM(s.x, b))
	})
	var out [][]int
	last := 0.0
	for _, c := range order {
		r := s.radiusMM(s.x, c)
		if len(out) == 0 || r > 1.06*last {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], c)
		last = r
	}
	return out
}
