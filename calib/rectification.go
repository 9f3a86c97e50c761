package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/spatial/r3"
)

// numPlane is the number of plane parameters: seven of a homography's eight,
// the eighth being the board's rotation about its own centre.
const numPlane = 7

// NumFree counts every parameter that carries covariance: the plane, the lens
// terms K1 and K2 and its centre, then the bow.
const (
	iK1     = numPlane
	iCentre = iK1 + 2
	iBow    = iCentre + 2
	NumFree = iBow + numBow
)

// Rectification maps between the photo and the board, both ways, with its own
// uncertainty. It is immutable: methods that change it return a copy.
//
// With D the Lens and Y = (X turned by Turn) the board point X, in mm, is seen at
//
//	x = D( C + (P Y.x, Q Y.x + S Y.y) / (1 + L Y.x + M Y.y) ),  C = (CX, CY)
//
// where on a bowed board Y is first moved to where it appears on the plane. C is
// where the ring centre is seen. That Y.y has no part in the first
// coordinate fixes the gauge that rings leave free: without Turn, the board's y
// axis is vertical in the photo at the centre.
type Rectification struct {
	Plane [numPlane]float64 // P, Q, S, CX, CY, L, M of H above
	Turn  float64           // rotation of the board frame, radians, from an up mark
	Lens  Lens
	Bow   Bow // in the frame without Turn
	// Cov is the covariance of P, Q, S, CX, CY, L, M, K1, K2, CentrePx and Bow.LiftMM as
	// fitted to the edges; nil when unknown. What is not free has zero rows.
	Cov *mat.SymDense
	// ScaleSigma is the relative standard uncertainty of all lengths together,
	// from the tape measure and the reading of the printed edge.
	ScaleSigma float64

	h, inv   [9]float64 // Homography and its inverse
	sin, cos float64    // of Turn
}

// Indices into Rectification.Plane.
const (
	iP = iota
	iQ
	iS
	iCX
	iCY
	iL
	iM
)

// NewRectification builds a Rectification from plane parameters and a lens. It
// returns false when the plane is degenerate (seen edge-on or not finite).
func NewRectification(plane [numPlane]float64, lens Lens, turn float64) (*Rectification, bool) {
	r := &Rectification{Plane: plane, Lens: lens, Turn: turn}
	r.sin, r.cos = math.Sincos(turn)
	r.h = r.homography()
	var ok bool
	r.inv, ok = invert3(r.h)
	return r, ok
}

// FromHomography builds a Rectification from a full homography (board mm to
// ideal photo pixels, row-major) and a lens, keeping its rotation as Turn.
func FromHomography(h [9]float64, lens Lens) (*Rectification, bool) {
	if h[8] == 0 {
		return nil, false
	}
	for i := range h {
		h[i] /= h[8]
	}
	cx, cy := h[2], h[5]
	a, b := h[0]-cx*h[6], h[1]-cx*h[7]
	t := math.Atan2(-b, a)
	c, s := math.Cos(t), math.Sin(t)
	rot := func(a, b float64) (float64, float64) { return a*c - b*s, a*s + b*c }
	p, _ := rot(a, b)
	q, sv := rot(h[3]-cy*h[6], h[4]-cy*h[7])
	l, m := rot(h[6], h[7])
	if sv > 0 { // a mirror image: no camera in front of the board sees this
		return nil, false
	}
	return NewRectification([numPlane]float64{p, q, sv, cx, cy, l, m}, lens, t)
}

// WithTurn returns a copy whose board frame is rotated so that Turn is turn.
func (r *Rectification) WithTurn(turn float64) *Rectification {
	c, _ := NewRectification(r.Plane, r.Lens, turn)
	c.Bow, c.Cov, c.ScaleSigma = r.Bow, r.Cov, r.ScaleSigma
	return c
}

func (r *Rectification) homography() [9]float64 {
	p, c, s := r.Plane, r.cos, r.sin
	turn := func(a, b float64) (float64, float64) { return a*c + b*s, -a*s + b*c }
	a, b := turn(p[iP]+p[iCX]*p[iL], p[iCX]*p[iM])
	d, e := turn(p[iQ]+p[iCY]*p[iL], p[iS]+p[iCY]*p[iM])
	l, m := turn(p[iL], p[iM])
	return [9]float64{a, b, p[iCX], d, e, p[iCY], l, m, 1}
}

// gauge turns a board point into the frame without Turn, ungauge back.
func (r *Rectification) gauge(x r2.Vec) r2.Vec {
	return r2.Vec{X: r.cos*x.X - r.sin*x.Y, Y: r.sin*x.X + r.cos*x.Y}
}

func (r *Rectification) ungauge(y r2.Vec) r2.Vec {
	return r2.Vec{X: r.cos*y.X + r.sin*y.Y, Y: -r.sin*y.X + r.cos*y.Y}
}

// Homography returns the row-major matrix that maps board millimetres to ideal
// (undistorted) photo pixels. It leaves a bow out.
func (r *Rectification) Homography() [9]float64 { return r.h }

// Axes returns the board's x and y axes and its origin before a pinhole camera (x right,
// y down, z forward) of the given focal length and principal point, px, that sees the
// plane as r does, all in the same unknown unit: the columns of K^-1 H (Zhang, "A flexible
// new technique for camera calibration", 2000, section 3.1).
func (r *Rectification) Axes(focalPx float64, principal Px) (x, y, origin r3.Vec) {
	column := func(j int) r3.Vec {
		w := r.h[6+j]
		return r3.Vec{X: (r.h[j] - principal.X*w) / focalPx, Y: (r.h[3+j] - principal.Y*w) / focalPx, Z: w}
	}
	return column(0), column(1), column(2)
}

// ToPhoto maps a board point in mm to the photo.
func (r *Rectification) ToPhoto(x r2.Vec) Px {
	if !r.Bow.flat() {
		x = r.ungauge(r.Bow.appears(r.gauge(x)))
	}
	return r.Lens.Distort(apply(r.h, x))
}

// ToBoard maps a photo point to the board in mm.
func (r *Rectification) ToBoard(p Px) r2.Vec {
	u := r.Lens.Undistort(p)
	q := apply(r.inv, r2.Vec{X: u.X, Y: u.Y})
	x := r2.Vec{X: q.X, Y: q.Y}
	if !r.Bow.flat() {
		x = r.ungauge(r.Bow.under(r.gauge(x)))
	}
	return x
}

// InFront reports whether the board point x lies on the visible side of the
// plane's horizon; beyond it ToPhoto has no meaning.
func (r *Rectification) InFront(x r2.Vec) bool {
	return r.h[6]*x.X+r.h[7]*x.Y+1 > 0.05
}

// Jacobian returns d(photo px)/d(board mm) at x, rows u then v.
func (r *Rectification) Jacobian(x r2.Vec) [2][2]float64 {
	h := r.h
	w := h[6]*x.X + h[7]*x.Y + 1
	p := apply(h, x)
	a := [2][2]float64{
		{(h[0] - p.X*h[6]) / w, (h[1] - p.X*h[7]) / w},
		{(h[3] - p.Y*h[6]) / w, (h[4] - p.Y*h[7]) / w},
	}
	d, _, _ := r.Lens.jacobian(p)
	return mul2(d, a)
}

// PxPerMM returns the photo's sampling at x: the smallest and the largest
// pixels per millimetre over all directions.
func (r *Rectification) PxPerMM(x r2.Vec) (lo, hi float64) {
	j := r.Jacobian(x)
	// Singular values of a 2x2 matrix.
	e, f := (j[0][0]+j[1][1])/2, (j[0][0]-j[1][1])/2
	g, h := (j[1][0]+j[0][1])/2, (j[1][0]-j[0][1])/2
	a, b := math.Hypot(e, h), math.Hypot(f, g)
	return math.Abs(a - b), a + b
}

// PlaneCov returns the covariance (xx, xy, yy in mm²) of a board position found
// at a fixed photo point, from the uncertainty of plane, lens and scale alone.
func (r *Rectification) PlaneCov(x r2.Vec) (xx, xy, yy float64) {
	s2 := r.ScaleSigma * r.ScaleSigma
	xx, xy, yy = s2*x.X*x.X, s2*x.X*x.Y, s2*x.Y*x.Y
	for _, e := range r.PlaneErrors()(x) {
		xx += e.X * e.X
		xy += e.X * e.Y
		yy += e.Y * e.Y
	}
	return xx, xy, yy
}

// DistanceSigma returns the standard uncertainty in mm of the distance between
// two board points from plane, lens and scale alone. The plane is common to
// both, so this is far less than two independent points would give (Criminisi,
// Reid, Zisserman, "A plane measuring device", 1999).
func (r *Rectification) DistanceSigma(a, b r2.Vec) float64 {
	d := r2.Sub(a, b)
	n := r2.Norm(d)
	if n == 0 {
		return 0
	}
	v := r.ScaleSigma * r.ScaleSigma * n * n
	errors := r.PlaneErrors()
	ea, eb := errors(a), errors(b)
	for i := range ea {
		along := r2.Dot(d, r2.Sub(ea[i], eb[i])) / n
		v += along * along
	}
	return math.Sqrt(v)
}

// PlaneErrors splits what the uncertainty of plane and lens does to board positions
// into independent errors: the function it returns gives, in mm, the moves of a board
// position found at a fixed photo point when each of them is off by one standard
// deviation. The i-th moves all positions of the photo together. None when Cov is nil.
//
// They are the columns of a root of Cov, taken of its correlations, since the parameters
// differ in size by many powers of ten.
func (r *Rectification) PlaneErrors() func(x r2.Vec) []r2.Vec {
	if r.Cov == nil {
		return func(r2.Vec) []r2.Vec { return nil }
	}
	var sd [NumFree]float64
	for i := range sd {
		sd[i] = math.Sqrt(r.Cov.At(i, i))
	}
	correlation := mat.NewSymDense(NumFree, nil)
	for i := range sd {
		for j := i; j < NumFree; j++ {
			if sd[i] > 0 && sd[j] > 0 {
				correlation.SetSym(i, j, r.Cov.At(i, j)/(sd[i]*sd[j]))
			}
		}
	}
	var root mat.PivotedCholesky
	root.Factorize(correlation, -1) // what is not free leaves it without full rank, as it may
	var u mat.TriDense
	root.UTo(&u)
	pivots := root.ColumnPivots(nil)
	roots := make([][NumFree]float64, root.Rank())
	for k := range roots {
		for j := k; j < NumFree; j++ {
			i := pivots[j]
			roots[k][i] = sd[i] * u.At(k, j)
		}
	}
	return func(x r2.Vec) []r2.Vec {
		g := r.paramJacobian(x)
		moves := make([]r2.Vec, len(roots))
		for k, root := range roots {
			for i, v := range root {
				moves[k].X += g[0][i] * v
				moves[k].Y += g[1][i] * v
			}
		}
		return moves
	}
}

// paramJacobian returns d(board mm)/d(parameter) at a fixed photo point that
// maps to x: minus the inverse of Jacobian times d(photo)/d(parameter).
func (r *Rectification) paramJacobian(x r2.Vec) (g [2][NumFree]float64) {
	d := photoDerivatives(r.Plane, r.Lens, r.Bow, r.gauge(x))
	j := r.Jacobian(x)
	det := j[0][0]*j[1][1] - j[0][1]*j[1][0]
	for i := range NumFree {
		g[0][i] = -(j[1][1]*d[i].X - j[0][1]*d[i].Y) / det
		g[1][i] = -(-j[1][0]*d[i].X + j[0][0]*d[i].Y) / det
	}
	return g
}

// photoDerivatives returns d(photo px)/d(P,Q,S,CX,CY,L,M,K1,K2,CentrePx,LiftMM) for a
// board point y given in the gauge frame (Turn removed).
func photoDerivatives(p [numPlane]float64, lens Lens, bow Bow, y r2.Vec) (d [NumFree]Px) {
	w := p[iL]*y.X + p[iM]*y.Y + 1
	e := Px{p[iP] * y.X / w, (p[iQ]*y.X + p[iS]*y.Y) / w}
	u := e.Add(Px{p[iCX], p[iCY]})
	j, k1, k2 := lens.jacobian(u)
	push := func(a, b float64) Px { return Px{j[0][0]*a + j[0][1]*b, j[1][0]*a + j[1][1]*b} }
	d[iP] = push(y.X/w, 0)
	d[iQ] = push(0, y.X/w)
	d[iS] = push(0, y.Y/w)
	d[iCX] = push(1, 0)
	d[iCY] = push(0, 1)
	d[iL] = push(-e.X*y.X/w, -e.Y*y.X/w)
	d[iM] = push(-e.X*y.Y/w, -e.Y*y.Y/w)
	d[iK1], d[iK1+1] = k1, k2
	d[iCentre] = Px{1 - j[0][0], -j[1][0]}
	d[iCentre+1] = Px{-j[0][1], 1 - j[1][1]}
	if bow.Eye[2] > 0 {
		// A lift shifts y away from the point below the eye, by their distance times the
		// lift over the eye's height.
		sx, sy := (y.X-bow.Eye[0])/bow.Eye[2], (y.Y-bow.Eye[1])/bow.Eye[2]
		shift := push((p[iP]-e.X*p[iL])/w*sx-e.X*p[iM]/w*sy, (p[iQ]-e.Y*p[iL])/w*sx+(p[iS]-e.Y*p[iM])/w*sy)
		for i, t := range bow.terms(y) {
			d[iBow+i] = shift.Scale(t)
		}
	}
	return d
}

func apply(h [9]float64, x r2.Vec) Px {
	w := h[6]*x.X + h[7]*x.Y + h[8]
	return Px{(h[0]*x.X + h[1]*x.Y + h[2]) / w, (h[3]*x.X + h[4]*x.Y + h[5]) / w}
}

func mul2(a, b [2][2]float64) (c [2][2]float64) {
	for i := range 2 {
		for j := range 2 {
			c[i][j] = a[i][0]*b[0][j] + a[i][1]*b[1][j]
		}
	}
	return c
}

// invert3 inverts a row-major 3x3 matrix; false when it is singular.
func invert3(m [9]float64) (inv [9]float64, ok bool) {
	inv = [9]float64{
		m[4]*m[8] - m[5]*m[7], m[2]*m[7] - m[1]*m[8], m[1]*m[5] - m[2]*m[4],
		m[5]*m[6] - m[3]*m[8], m[0]*m[8] - m[2]*m[6], m[2]*m[3] - m[0]*m[5],
		m[3]*m[7] - m[4]*m[6], m[1]*m[6] - m[0]*m[7], m[0]*m[4] - m[1]*m[3],
	}
	det := m[0]*inv[0] + m[1]*inv[3] + m[2]*inv[6]
	if !(math.Abs(det) > 1e-300) {
		return inv, false
	}
	for i := range inv {
		inv[i] /= det
	}
	return inv, true
}
