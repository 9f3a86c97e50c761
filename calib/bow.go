package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/spatial/r3"
)

// numBow counts the terms of a bowed board's surface.
const numBow = 3

// Bow is the surface of a board that is not flat: a point (x, y) of the face lies
//
//	(LiftMM[0] x² + LiftMM[1] x y + LiftMM[2] y²) / ReachMM²
//
// in front of the plane that touches the face at its centre. Seen from Eye, it
// then appears where the line of sight meets that plane. The zero value is a flat
// board.
type Bow struct {
	Eye     [3]float64 // of the camera, mm: x and y on the board, then the height above it
	ReachMM float64
	LiftMM  [numBow]float64
}

// terms returns what each of LiftMM is multiplied by at x.
func (b Bow) terms(x r2.Vec) [numBow]float64 {
	k := 1 / (b.ReachMM * b.ReachMM)
	return [numBow]float64{k * x.X * x.X, k * x.X * x.Y, k * x.Y * x.Y}
}

func (b Bow) flat() bool { return b.LiftMM == [numBow]float64{} }

// height is how far the face lies in front of the plane at x, mm.
func (b Bow) height(x r2.Vec) float64 {
	t := b.terms(x)
	return b.LiftMM[0]*t[0] + b.LiftMM[1]*t[1] + b.LiftMM[2]*t[2]
}

// appears returns the point of the plane that is seen in the same place as the
// face's point x.
func (b Bow) appears(x r2.Vec) r2.Vec {
	if b.flat() {
		return x
	}
	k := b.Eye[2] / (b.Eye[2] - b.height(x))
	return r2.Vec{X: b.Eye[0] + k*(x.X-b.Eye[0]), Y: b.Eye[1] + k*(x.Y-b.Eye[1])}
}

// under inverts appears. Heights change little over the way that they shift a
// point, so a few rounds settle it.
func (b Bow) under(y r2.Vec) r2.Vec {
	if b.flat() {
		return y
	}
	x := y
	for range 4 {
		k := 1 - b.height(x)/b.Eye[2]
		x = r2.Vec{X: b.Eye[0] + k*(y.X-b.Eye[0]), Y: b.Eye[1] + k*(y.Y-b.Eye[1])}
	}
	return x
}

// DepthMM is how much more the face is bent in one direction than across it: the
// depth of a board bent as a cylinder. A bowl seen square-on cannot be told from
// the lens, so what is bent alike in all directions does not count.
func (b Bow) DepthMM() float64 {
	return math.Hypot(b.LiftMM[0]-b.LiftMM[2], b.LiftMM[1])
}

// BowSigmas returns how many standard uncertainties the fitted bow is from a flat
// board; 0 when none was fitted.
func (r *Rectification) BowSigmas() float64 {
	if r.Cov == nil || r.Bow.flat() {
		return 0
	}
	var c mat.Cholesky
	if !c.Factorize(r.Cov.SliceSym(iBow, NumFree).(*mat.SymDense)) {
		return 0
	}
	v, w := mat.NewVecDense(numBow, r.Bow.LiftMM[:]), mat.NewVecDense(numBow, nil)
	if c.SolveVecTo(w, v) != nil {
		return 0
	}
	return math.Sqrt(mat.Dot(v, w))
}

// EyeOf returns the place of a pinhole camera of the given focal length (px) and
// principal point that sees the board as r does: x and y on the board and the
// height above it, mm, in the board frame without Turn.
func EyeOf(r *Rectification, focalPx float64, principal Px) [3]float64 {
	x, y, o := r.WithTurn(0).Axes(focalPx, principal)
	unit := math.Sqrt((r3.Norm2(x) + r3.Norm2(y)) / 2)
	n := r3.Cross(x, y)
	return [3]float64{-r3.Dot(x, o) / (unit * unit), -r3.Dot(y, o) / (unit * unit), math.Abs(r3.Dot(n, o)) / (unit * unit * unit)}
}
