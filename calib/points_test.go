package calib

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

func TestSolvePoints(t *testing.T) {
	truth := tilted(t, 3000, 1900, 30, 50, 0).WithTurn(0.4)
	var ties []Tie
	for _, b := range []r2.Vec{{X: -300, Y: 300}, {X: 300, Y: 300}, {X: 300, Y: -300}, {X: -300, Y: -300}, {X: 40, Y: 10}} {
		ties = append(ties, Tie{At: truth.ToPhoto(b), Board: b, SigmaPx: 1})
	}
	for _, n := range []int{4, 5} {
		sol, err := SolvePoints(ties[:n], truth.Lens)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range []r2.Vec{{}, {X: 200, Y: -150}} {
			if d := r2.Norm(r2.Sub(sol.ToBoard(truth.ToPhoto(x)), x)); !(d < 1e-4) {
				t.Errorf("%d points: %v is %.5f mm off", n, x, d)
			}
		}
		xx, _, yy := sol.PlaneCov(r2.Vec{X: 100})
		if sd := math.Sqrt(xx + yy); !(sd > 0.2 && sd < 3) {
			t.Errorf("%d points of 1 px: stated sd %.3f mm", n, sd)
		}
	}
}

func TestFromPointsRefuses(t *testing.T) {
	tie := func(u, v, x, y float64) Tie { return Tie{Px{u, v}, r2.Vec{X: x, Y: y}, 1} }
	for name, ties := range map[string][]Tie{
		"three":                                {tie(0, 0, 0, 0), tie(1, 0, 1, 0), tie(0, 1, 0, -1)},
		"a line":                               {tie(0, 0, 0, 0), tie(1, 1, 1, -1), tie(2, 2, 2, -2), tie(3, 3, 3, -3)},
		"mirrored":                             {tie(0, 0, 0, 0), tie(100, 0, 100, 0), tie(100, 100, 100, 100), tie(0, 100, 0, 100)},
		"three of four on a line of the photo": {tie(0, 0, 0, 0), tie(100, 0, 100, 0), tie(200, 0, 100, -100), tie(90, 80, 0, -100)},
		"three of four on a line of the board": {tie(0, 0, 0, 0), tie(100, 0, 100, 0), tie(100, 100, 200, 0), tie(0, 100, 0, -100)},
		"same":                                 {tie(5, 5, 1, 1), tie(5, 5, 1, 1), tie(5, 5, 1, 1), tie(5, 5, 1, 1)},
	} {
		if r, err := FromPoints(ties, Lens{}); !errors.Is(err, ErrDegenerate) {
			t.Errorf("%s: got %v, %v", name, r, err)
		}
	}
}
