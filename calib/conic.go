package calib

import (
	"errors"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// ErrDegenerate says that points or conics do not determine what was asked.
var ErrDegenerate = errors.New("the points do not determine an ellipse or plane")

// Conic is the symmetric matrix of x'Cx = 0, x = (u, v, 1), as
// A u² + 2B uv + C v² + 2D u + 2E v + F.
type Conic struct{ A, B, C, D, E, F float64 }

// Ellipse is a conic in its geometric form, in pixels and radians. Angle is
// that of the major axis from +u towards +v, in [0, π).
type Ellipse struct {
	Centre       Px
	Major, Minor float64 // semi-axes
	Angle        float64
}

// At evaluates x'Cx.
func (c Conic) At(p Px) float64 {
	return c.A*p.X*p.X + 2*c.B*p.X*p.Y + c.C*p.Y*p.Y + 2*(c.D*p.X+c.E*p.Y) + c.F
}

// Gradient returns half the gradient of At: the outward normal of an ellipse
// whose At is negative inside.
func (c Conic) Gradient(p Px) Px {
	return Px{c.A*p.X + c.B*p.Y + c.D, c.B*p.X + c.C*p.Y + c.E}
}

// Distance is the signed Sampson distance in px, negative inside an ellipse
// that came from FitEllipse (Sampson 1982).
func (c Conic) Distance(p Px) float64 { return c.At(p) / (2 * c.Gradient(p).Norm()) }

// Ellipse returns the geometric form; false when c is not a real ellipse.
func (c Conic) Ellipse() (Ellipse, bool) {
	det := c.A*c.C - c.B*c.B
	if !(det > 0) {
		return Ellipse{}, false
	}
	o := Px{(c.B*c.E - c.C*c.D) / det, (c.B*c.D - c.A*c.E) / det}
	k := -(c.D*o.X + c.E*o.Y + c.F)
	mean, half := (c.A+c.C)/2, math.Hypot((c.A-c.C)/2, c.B)
	lo, hi := mean-half, mean+half
	if mean < 0 {
		lo, hi = mean+half, mean-half
	}
	if !(k/lo > 0 && k/hi > 0) {
		return Ellipse{}, false
	}
	// The major axis is the eigenvector of the smaller eigenvalue.
	a := 0.5 * math.Atan2(2*c.B, c.A-c.C)
	if mean > 0 {
		a += math.Pi / 2
	}
	a = math.Mod(a+2*math.Pi, math.Pi)
	return Ellipse{o, math.Sqrt(k / lo), math.Sqrt(k / hi), a}, true
}

// Conic returns the implicit form, negative inside.
func (e Ellipse) Conic() Conic {
	c, s := math.Cos(e.Angle), math.Sin(e.Angle)
	p, q := 1/(e.Major*e.Major), 1/(e.Minor*e.Minor)
	a, b, d := p*c*c+q*s*s, (p-q)*c*s, p*s*s+q*c*c
	u, v := -(a*e.Centre.X + b*e.Centre.Y), -(b*e.Centre.X + d*e.Centre.Y)
	return Conic{a, b, d, u, v, -(u*e.Centre.X + v*e.Centre.Y) - 1}
}

// Perimeter is Ramanujan's second approximation, better than 1e-4 down to an
// axis ratio of 1:10.
func (e Ellipse) Perimeter() float64 {
	h := (e.Major - e.Minor) / (e.Major + e.Minor)
	h *= h
	return math.Pi * (e.Major + e.Minor) * (1 + 3*h/(10+math.Sqrt(4-3*h)))
}

// Point returns the point of the ellipse at eccentric angle t.
func (e Ellipse) Point(t float64) Px {
	c, s := math.Cos(e.Angle), math.Sin(e.Angle)
	x, y := e.Major*math.Cos(t), e.Minor*math.Sin(t)
	return Px{e.Centre.X + c*x - s*y, e.Centre.Y + s*x + c*y}
}

// FitEllipse fits an ellipse to five points or more by minimising the algebraic
// distance under 4ac-b²=1 (Fitzgibbon, Pilu, Fisher, PAMI 1999) in the stable
// form of Halíř and Flusser (1998), on centred and scaled points. It leans to
// small round ellipses on short arcs. The conic is negative inside.
func FitEllipse(points []Px) (Conic, error) {
	n := float64(len(points))
	if len(points) < 5 {
		return Conic{}, ErrDegenerate
	}
	var o Px
	for _, p := range points {
		o = o.Add(p)
	}
	o = o.Scale(1 / n)
	var spread float64
	for _, p := range points {
		d := p.Sub(o)
		spread += d.X*d.X + d.Y*d.Y
	}
	k := math.Sqrt(spread / (2 * n))
	if !(k > 0) {
		return Conic{}, ErrDegenerate
	}
	var s [6][6]float64 // scatter of (x², xy, y², x, y, 1)
	for _, p := range points {
		x, y := (p.X-o.X)/k, (p.Y-o.Y)/k
		d := [6]float64{x * x, x * y, y * y, x, y, 1}
		for i := range d {
			for j := i; j < 6; j++ {
				s[i][j] += d[i] * d[j]
			}
		}
	}
	block := func(r, c int) [9]float64 {
		var b [9]float64
		for i := range 3 {
			for j := range 3 {
				b[3*i+j] = s[min(r+i, c+j)][max(r+i, c+j)]
			}
		}
		return b
	}
	s1, s2, s3 := block(0, 0), block(0, 3), block(3, 3)
	inv, ok := invert3(s3)
	if !ok {
		return Conic{}, ErrDegenerate
	}
	t := mul3(inv, transpose3(s2)) // minus the linear part per quadratic part
	m := mul3(s2, t)
	for i := range m {
		m[i] = s1[i] - m[i]
	}
	// Premultiply with the inverse of the constraint matrix.
	m = [9]float64{m[6] / 2, m[7] / 2, m[8] / 2, -m[3], -m[4], -m[5], m[0] / 2, m[1] / 2, m[2] / 2}
	var eig mat.Eigen
	if !eig.Factorize(mat.NewDense(3, 3, m[:]), mat.EigenRight) {
		return Conic{}, ErrDegenerate
	}
	var vec mat.CDense
	eig.VectorsTo(&vec)
	for j := range 3 {
		a, b, c := real(vec.At(0, j)), real(vec.At(1, j)), real(vec.At(2, j))
		if !(4*a*c-b*b > 0) {
			continue
		}
		d := -(t[0]*a + t[1]*b + t[2]*c)
		e := -(t[3]*a + t[4]*b + t[5]*c)
		f := -(t[6]*a + t[7]*b + t[8]*c)
		q := Conic{a, b / 2, c, d / 2, e / 2, f}.moved(o, k)
		if _, ok := q.Ellipse(); !ok {
			return Conic{}, ErrDegenerate
		}
		return q, nil
	}
	return Conic{}, ErrDegenerate
}

// moved returns the conic of points o + k p for c's points p, scaled so that it
// is negative inside and its quadratic part has unit norm.
func (c Conic) moved(o Px, k float64) Conic {
	a, b, d := c.A/(k*k), c.B/(k*k), c.C/(k*k)
	u, v := c.D/k-a*o.X-b*o.Y, c.E/k-b*o.X-d*o.Y
	f := c.F + a*o.X*o.X + 2*b*o.X*o.Y + d*o.Y*o.Y - 2*(c.D*o.X+c.E*o.Y)/k
	n := math.Copysign(math.Sqrt(a*a+2*b*b+d*d), a+d)
	return Conic{a / n, b / n, d / n, u / n, v / n, f / n}
}

func (c Conic) matrix() [9]float64 {
	return [9]float64{c.A, c.B, c.D, c.B, c.C, c.E, c.D, c.E, c.F}
}

// Concentric describes two conics as images of two concentric circles.
type Concentric struct {
	Centre    Px         // image of the common centre
	Vanishing [3]float64 // image of the board's line at infinity, third entry 1
	Ratio     float64    // radius of the second circle over that of the first
	// Misfit is how far the pair is from being concentric circles, as the
	// relative split of the eigenvalues that should be equal.
	Misfit float64
}

// ConcentricPair finds the common centre, the vanishing line and the radius
// ratio of two imaged concentric circles from the eigenvectors of inverse(C2) C1
// (Kim, Gurdjos, Kweon, PAMI 2005). No camera data is needed.
func ConcentricPair(c1, c2 Conic) (Concentric, error) {
	// Work near unit size for the sake of the eigenvalues.
	e1, ok1 := c1.Ellipse()
	e2, ok2 := c2.Ellipse()
	if !ok1 || !ok2 {
		return Concentric{}, ErrDegenerate
	}
	o, k := e1.Centre, e1.Major
	unit := func(e Ellipse) Conic {
		e.Centre = e.Centre.Sub(o).Scale(1 / k)
		e.Major, e.Minor = e.Major/k, e.Minor/k
		return e.Conic()
	}
	m1, m2 := unit(e1).matrix(), unit(e2).matrix()
	inv, ok := invert3(m2)
	if !ok {
		return Concentric{}, ErrDegenerate
	}
	m := mul3(inv, m1)
	var eig mat.Eigen
	if !eig.Factorize(mat.NewDense(3, 3, m[:]), mat.EigenRight) {
		return Concentric{}, ErrDegenerate
	}
	val := eig.Values(nil)
	var vec mat.CDense
	eig.VectorsTo(&vec)
	single, best := -1, math.Inf(1)
	for i := range 3 {
		a, b := val[(i+1)%3], val[(i+2)%3]
		if split := cmplx.Abs(a-b) / cmplx.Abs(a+b); split < best && math.Abs(imag(val[i])) < 1e-9 {
			single, best = i, split
		}
	}
	if single < 0 {
		return Concentric{}, ErrDegenerate
	}
	double := real(val[(single+1)%3]+val[(single+2)%3]) / 2
	ratio2 := double / real(val[single]) // (r2/r1)²: see the check in the tests
	w := real(vec.At(2, single))
	if !(ratio2 > 0) || w == 0 {
		return Concentric{}, ErrDegenerate
	}
	// C1 - double C2 has rank one: k l l'.
	rest := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			rest.SetSym(i, j, m1[3*i+j]-double*m2[3*i+j])
		}
	}
	var es mat.EigenSym
	if !es.Factorize(rest, true) {
		return Concentric{}, ErrDegenerate
	}
	var q mat.Dense
	es.VectorsTo(&q)
	big := 0
	if v := es.Values(nil); math.Abs(v[2]) > math.Abs(v[0]) {
		big = 2
	}
	l := [3]float64{q.At(0, big), q.At(1, big), q.At(2, big)}
	if l[2] == 0 {
		return Concentric{}, ErrDegenerate
	}
	// Back to pixels: u' = (u-o)/k.
	lv := [3]float64{l[0] / k, l[1] / k, l[2] - (l[0]*o.X+l[1]*o.Y)/k}
	return Concentric{
		Centre:    Px{real(vec.At(0, single))/w*k + o.X, real(vec.At(1, single))/w*k + o.Y},
		Vanishing: [3]float64{lv[0] / lv[2], lv[1] / lv[2], 1},
		Ratio:     math.Sqrt(ratio2),
		Misfit:    best,
	}, nil
}

// FromRingAndVanishingLine returns the plane in which the imaged ring c has the
// given radius (mm) and l is the image of the line at infinity: the line is sent
// to infinity, where the ring becomes an ellipse whose Cholesky factor makes it
// a circle.
func FromRingAndVanishingLine(c Conic, l [3]float64, radiusMM float64) (*Rectification, error) {
	// Centre: the pole of l.
	inv, ok := invert3(c.matrix())
	if !ok || l[2] == 0 {
		return nil, ErrDegenerate
	}
	o := mulVec3(inv, l)
	// Affine step T = [1 0 0; 0 1 0; l], its inverse has last row (-l0, -l1, 1)/l2.
	tinv := [9]float64{1, 0, 0, 0, 1, 0, -l[0] / l[2], -l[1] / l[2], 1 / l[2]}
	ca := mul3(transpose3(tinv), mul3(c.matrix(), tinv))
	w := l[0]*o[0] + l[1]*o[1] + l[2]*o[2]
	if w == 0 {
		return nil, ErrDegenerate
	}
	a := Px{o[0] / w, o[1] / w}
	k := -Conic{ca[0], ca[1], ca[4], ca[2], ca[5], ca[8]}.At(a)
	s00, s01, s11 := ca[0]/k, ca[1]/k, ca[4]/k
	if !(s00 > 0 && s00*s11-s01*s01 > 0) {
		return nil, ErrDegenerate
	}
	u00 := math.Sqrt(s00)
	u01 := s01 / u00
	u11 := math.Sqrt(s11 - u01*u01)
	// Board (y up) from the affine frame, then the whole chain inverted.
	board := [9]float64{
		radiusMM * u00, radiusMM * u01, -radiusMM * (u00*a.X + u01*a.Y),
		0, -radiusMM * u11, radiusMM * u11 * a.Y,
		0, 0, 1,
	}
	t := [9]float64{1, 0, 0, 0, 1, 0, l[0], l[1], l[2]}
	h, ok := invert3(mul3(board, t))
	if !ok {
		return nil, ErrDegenerate
	}
	r, ok := FromHomography(h, Lens{})
	if !ok {
		return nil, ErrDegenerate
	}
	return r.WithTurn(0), nil
}

// VanishingLinesFromFocal returns the two vanishing lines that a ring seen as c
// can have for a camera of the given focal length and principal point, in px:
// one of the two is the board's, the other an impostor (Kanatani and Liu 1993;
// Chen, Wu, Wada, ECCV 2004). They coincide for a ring seen square-on.
func VanishingLinesFromFocal(c Conic, focalPx float64, principal Px) ([2][3]float64, error) {
	var out [2][3]float64
	k := [9]float64{focalPx, 0, principal.X, 0, focalPx, principal.Y, 0, 0, 1}
	q := mul3(transpose3(k), mul3(c.matrix(), k))
	det := det3(q)
	if det == 0 || !(focalPx > 0) {
		return out, ErrDegenerate
	}
	scale := -1 / math.Cbrt(det) // so that det Q = -1
	sym := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			sym.SetSym(i, j, scale*q[3*i+j])
		}
	}
	var es mat.EigenSym
	if !es.Factorize(sym, true) {
		return out, ErrDegenerate
	}
	v := es.Values(nil) // ascending: l3 < 0 < l1 <= l2
	l3, l1, l2 := v[0], v[1], v[2]
	if !(l3 < 0 && l1 > 0) {
		return out, ErrDegenerate
	}
	var u mat.Dense
	es.VectorsTo(&u)
	a, b := math.Sqrt((l2-l1)/(l2-l3)), math.Sqrt((l1-l3)/(l2-l3))
	kinv, _ := invert3(k)
	for s, sign := range []float64{1, -1} {
		n := [3]float64{}
		for i := range 3 {
			n[i] = a*u.At(i, 2) + sign*b*u.At(i, 0)
		}
		l := mulVec3(transpose3(kinv), n) // the vanishing line of a plane with normal n
		if l[2] == 0 {
			return out, ErrDegenerate
		}
		out[s] = [3]float64{l[0] / l[2], l[1] / l[2], 1}
	}
	return out, nil
}

func mul3(a, b [9]float64) (c [9]float64) {
	for i := range 3 {
		for j := range 3 {
			c[3*i+j] = a[3*i]*b[j] + a[3*i+1]*b[3+j] + a[3*i+2]*b[6+j]
		}
	}
	return c
}

func mulVec3(a [9]float64, v [3]float64) (w [3]float64) {
	for i := range 3 {
		w[i] = a[3*i]*v[0] + a[3*i+1]*v[1] + a[3*i+2]*v[2]
	}
	return w
}

func transpose3(a [9]float64) [9]float64 {
	return [9]float64{a[0], a[3], a[6], a[1], a[4], a[7], a[2], a[5], a[8]}
}

func det3(m [9]float64) float64 {
	return m[0]*(m[4]*m[8]-m[5]*m[7]) - m[1]*(m[3]*m[8]-m[5]*m[6]) + m[2]*(m[3]*m[7]-m[4]*m[6])
}
