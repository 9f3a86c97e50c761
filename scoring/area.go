package scoring

import (
	"fmt"
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/spatial/r2"
)

// Area is the part of the board plane on which a shot leaves a mark: a Disc or a
// Rect.
type Area interface {
	// Contains tells whether a mark can lie at p, mm.
	Contains(p r2.Vec) bool
	// Share is the share of a circular normal with this centre and sigma > 0, mm, that
	// lands inside.
	Share(centre r2.Vec, sigmaMM float64) float64
	check() error
}

// Disc is a round board.
type Disc struct {
	Centre   r2.Vec
	RadiusMM float64
}

// Rect is a rectangular board with its sides along x and y.
type Rect struct{ Min, Max r2.Vec }

// Contains implements Area.
func (d Disc) Contains(p r2.Vec) bool {
	return math.Hypot(p.X-d.Centre.X, p.Y-d.Centre.Y) <= d.RadiusMM
}

// Contains implements Area.
func (r Rect) Contains(p r2.Vec) bool {
	return p.X >= r.Min.X && p.X <= r.Max.X && p.Y >= r.Min.Y && p.Y <= r.Max.Y
}

func (d Disc) check() error {
	if !(d.RadiusMM > 0) || math.IsInf(d.RadiusMM, 0) || !finite(d.Centre) {
		return fmt.Errorf("the board's radius must be more than zero")
	}
	return nil
}

func (r Rect) check() error {
	if !finite(r.Min) || !finite(r.Max) || !(r.Max.X > r.Min.X && r.Max.Y > r.Min.Y) {
		return fmt.Errorf("the board's sides must be more than zero")
	}
	return nil
}

// Share implements Area: the noncentral chi-square distribution with 2 degrees of
// freedom, as an integral over chords. With the group's centre at distance d from
// the disc's, Share = ∫ φ(v) [Φ(h(v)) − Φ(−h(v))] over the chords of half-length h
// across the line of centres.
func (d Disc) Share(centre r2.Vec, sigmaMM float64) float64 {
	radius := d.RadiusMM / sigmaMM
	offset := math.Hypot(centre.X-d.Centre.X, centre.Y-d.Centre.Y) / sigmaMM
	// Substituting v = offset - radius cos t takes the square root out of the ends.
	// Only chords within 6.5 sigma of the group's centre count.
	from, to := max(-6.5, offset-radius), min(6.5, offset+radius)
	if !(from < to) {
		return 0
	}
	t0 := math.Acos(max(-1, min(1, (offset-from)/radius)))
	t1 := math.Acos(max(-1, min(1, (offset-to)/radius)))
	mid, half := (t0+t1)/2, (t1-t0)/2
	sum := 0.0
	xs, weights := legendre()
	for i, x := range xs {
		sin, cos := math.Sincos(mid + half*x)
		v := offset - radius*cos
		sum += weights[i] * math.Exp(-v*v/2) * math.Erf(radius*sin/math.Sqrt2) * radius * sin
	}
	return max(0, min(1, sum*half/math.Sqrt(2*math.Pi)))
}

// legendre returns nodes and weights of the Gauss-Legendre rule on (-1, 1).
var legendre = sync.OnceValues(func() (x, w []float64) {
	x, w = make([]float64, 32), make([]float64, 32)
	quad.Legendre{}.FixedLocations(x, w, -1, 1)
	return x, w
})

// Share implements Area.
func (r Rect) Share(centre r2.Vec, sigmaMM float64) float64 {
	s := sigmaMM * math.Sqrt2
	x := (math.Erf((r.Max.X-centre.X)/s) - math.Erf((r.Min.X-centre.X)/s)) / 2
	y := (math.Erf((r.Max.Y-centre.Y)/s) - math.Erf((r.Min.Y-centre.Y)/s)) / 2
	return x * y
}
