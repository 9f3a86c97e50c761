package calib

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// FromPoints returns the plane that best maps four or more tied points, by the
// normalised direct linear transform (Hartley and Zisserman, algorithm 4.2), with
// the rotation that the points themselves fix as Turn. Three points on one line,
// or a mirrored order, give ErrDegenerate.
func FromPoints(ties []Tie, lens Lens) (*Rectification, error) {
	if len(ties) < 4 {
		return nil, ErrDegenerate
	}
	// Similarities that bring both point sets to the origin and unit spread.
	var po, bo Px
	for _, t := range ties {
		po, bo = po.Add(lens.Undistort(t.At)), bo.Add(Px{t.Board.X, t.Board.Y})
	}
	n := float64(len(ties))
	po, bo = po.Scale(1/n), bo.Scale(1/n)
	var ps, bs float64
	for _, t := range ties {
		ps += lens.Undistort(t.At).Sub(po).Norm() / n
		bs += (Px{t.Board.X, t.Board.Y}).Sub(bo).Norm() / n
	}
	if !(ps > 0 && bs > 0) {
		return nil, ErrDegenerate
	}
	rows := make([]float64, 0, 18*len(ties))
	for _, t := range ties {
		p := lens.Undistort(t.At).Sub(po).Scale(1 / ps)
		b := Px{t.Board.X, t.Board.Y}.Sub(bo).Scale(1 / bs)
		rows = append(rows,
			b.X, b.Y, 1, 0, 0, 0, -p.X*b.X, -p.X*b.Y, -p.X,
			0, 0, 0, b.X, b.Y, 1, -p.Y*b.X, -p.Y*b.Y, -p.Y)
	}
	var svd mat.SVD
	if !svd.Factorize(mat.NewDense(2*len(ties), 9, rows), mat.SVDFullV) {
		return nil, ErrDegenerate
	}
	values := svd.Values(nil)
	if !(values[7] > 1e-9*values[0]) { // more than one solution
		return nil, ErrDegenerate
	}
	var v mat.Dense
	svd.VTo(&v)
	var h [9]float64
	for i := range h {
		h[i] = v.At(i, 8)
	}
	toPhoto := [9]float64{ps, 0, po.X, 0, ps, po.Y, 0, 0, 1}
	fromBoard := [9]float64{1 / bs, 0, -bo.X / bs, 0, 1 / bs, -bo.Y / bs, 0, 0, 1}
	// Three points on one line leave a map that squeezes the board to a line or a point.
	var shape mat.SVD
	if !shape.Factorize(mat.NewDense(3, 3, slices.Clone(h[:])), mat.SVDNone) {
		return nil, ErrDegenerate
	}
	if s := shape.Values(nil); !(s[2] > leastShape*s[0]) {
		return nil, ErrDegenerate
	}
	h = mul3(toPhoto, mul3(h, fromBoard))
	if h[8] == 0 || math.IsNaN(h[0]) {
		return nil, ErrDegenerate
	}
	r, ok := FromHomography(h, lens)
	if !ok || slices.ContainsFunc(ties, func(t Tie) bool { return !r.InFront(t.Board) }) {
		return nil, ErrDegenerate
	}
	return r, nil
}

// leastShape is the ratio of the least and the largest singular value of a map between
// points of unit spread below which it is none of a board: one seen at 80 degrees has 0.1.
const leastShape = 1e-3

// SolvePoints refines FromPoints by least squares in the photo and gives it a
// covariance. The rotation is the points' own; it is held, since the plane of
// Solve has none.
func SolvePoints(ties []Tie, lens Lens) (*Solution, error) {
	start, err := FromPoints(ties, lens)
	if err != nil {
		return nil, err
	}
	turned := make([]Tie, len(ties))
	s, c := math.Sincos(start.Turn)
	for i, t := range ties {
		x := t.Board
		t.Board.X, t.Board.Y = c*x.X-s*x.Y, s*x.X+c*x.Y
		turned[i] = t
	}
	sol, err := Solve(start.WithTurn(0), Problem{Ties: turned})
	if err != nil {
		return nil, err
	}
	var sum float64
	for _, t := range turned {
		d := sol.ToPhoto(t.Board).Sub(t.At)
		sum += d.X*d.X + d.Y*d.Y
	}
	sol.ResidualPx = math.Sqrt(sum / float64(2*len(ties)))
	sol.Rectification = sol.WithTurn(start.Turn)
	return sol, nil
}
