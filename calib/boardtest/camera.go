package boardtest

import (
	"math"

	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/spatial/r3"

	"dartfall/calib"
)

// Lens returns the camera's lens in the upright photo.
func (c Camera) Lens() calib.Lens {
	return calib.Lens{CentrePx: c.principal(), ScalePx: c.halfDiagonal(), K1: c.K1, K2: c.K2}
}

func (c Camera) middle() calib.Px {
	return calib.Px{X: float64(c.Width-1) / 2, Y: float64(c.Height-1) / 2}
}

func (c Camera) principal() calib.Px   { return c.middle().Add(c.PrincipalPx) }
func (c Camera) halfDiagonal() float64 { return math.Hypot(float64(c.Width), float64(c.Height)) / 2 }

// Focal35MM returns the focal length in 35 mm terms (frame diagonal 43.27 mm).
func (c Camera) Focal35MM() float64 { return c.FocalPx / (2 * c.halfDiagonal()) * math.Hypot(36, 24) }

// FillDistanceMM returns the distance at which a circle of the given diameter,
// seen square-on, is the share fill of the photo's shorter side.
func (c Camera) FillDistanceMM(diameterMM, fill float64) float64 {
	return c.FocalPx * diameterMM / (fill * float64(min(c.Width, c.Height)))
}

// pose holds the exterior orientation: camera = rot * board + shift, with the
// camera's x right, y down, z forward.
type pose struct {
	rot   [3][3]float64
	shift r3.Vec
	eye   r3.Vec // the camera in board coordinates
	focal float64
	c     calib.Px // principal point
	lens  calib.Lens
}

func (c Camera) pose() pose {
	// The board faces the camera: its z axis, towards the shooter, is the
	// camera's -z, and its y axis points up where the camera's points down.
	face := [3][3]float64{{1, 0, 0}, {0, -1, 0}, {0, 0, -1}}
	// Lean the normal (0, 0, -1) by Tilt towards Azimuth: a turn about the axis
	// perpendicular to that direction.
	ca, sa := math.Cos(c.Azimuth), math.Sin(c.Azimuth)
	lean := about(r3.Vec{X: sa, Y: -ca}, c.Tilt)
	m := mul3(about(r3.Vec{Z: 1}, c.Roll), mul3(lean, face))
	p := pose{rot: m, focal: c.FocalPx, c: c.principal(), lens: c.Lens()}
	aim := c.middle().Add(c.AimPx).Sub(p.c).Scale(c.DistanceMM / c.FocalPx)
	p.shift = r3.Vec{X: aim.X, Y: aim.Y, Z: c.DistanceMM}
	p.eye = r3.Scale(-1, p.turnBack(p.shift))
	return p
}

// about returns the rotation by angle about the unit axis (Rodrigues).
func about(axis r3.Vec, angle float64) (m [3][3]float64) {
	r := r3.NewRotation(angle, axis)
	for j, e := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		v := r.Rotate(e)
		m[0][j], m[1][j], m[2][j] = v.X, v.Y, v.Z
	}
	return m
}

func mul3(a, b [3][3]float64) (c [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				c[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return c
}

// turnBack rotates a camera direction into the board's frame.
func (p pose) turnBack(v r3.Vec) r3.Vec {
	m := p.rot
	return r3.Vec{
		X: m[0][0]*v.X + m[1][0]*v.Y + m[2][0]*v.Z,
		Y: m[0][1]*v.X + m[1][1]*v.Y + m[2][1]*v.Z,
		Z: m[0][2]*v.X + m[1][2]*v.Y + m[2][2]*v.Z,
	}
}

// project returns where the board point is seen, lens included.
func (p pose) project(v r3.Vec) calib.Px {
	m := p.rot
	z := m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z + p.shift.Z
	x := m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z + p.shift.X
	y := m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z + p.shift.Y
	return p.lens.Distort(p.c.Add(calib.Px{X: p.focal * x / z, Y: p.focal * y / z}))
}

// homography maps the flat board to ideal photo pixels, row-major.
func (p pose) homography() (h [9]float64) {
	k := [3][3]float64{{p.focal, 0, p.c.X}, {0, p.focal, p.c.Y}, {0, 0, 1}}
	m := mul3(k, [3][3]float64{
		{p.rot[0][0], p.rot[0][1], p.shift.X},
		{p.rot[1][0], p.rot[1][1], p.shift.Y},
		{p.rot[2][0], p.rot[2][1], p.shift.Z},
	})
	for i := range 9 {
		h[i] = m[i/3][i%3]
	}
	return h
}

// undistorter inverts a lens by a table over the squared distorted radius, which
// is exact to far below a thousandth of a pixel.
type undistorter struct {
	lens  calib.Lens
	step  float64
	table []float64 // ideal radius / seen radius
}

func newUndistorter(l calib.Lens) undistorter {
	u := undistorter{lens: l}
	if l.K1 == 0 && l.K2 == 0 {
		return u
	}
	const n, reach = 4096, 2.0 // squared radius, in half diagonals
	u.step = reach / n
	u.table = make([]float64, n+2)
	for i := range u.table {
		r := math.Sqrt(float64(i)*u.step) * l.ScalePx
		u.table[i] = 1
		if r > 0 {
			u.table[i] = (l.Undistort(l.CentrePx.Add(calib.Px{X: r})).X - l.CentrePx.X) / r
		}
	}
	return u
}

func (u *undistorter) undo(x, y float64) (float64, float64) {
	if u.table == nil {
		return x, y
	}
	dx, dy := x-u.lens.CentrePx.X, y-u.lens.CentrePx.Y
	q := (dx*dx + dy*dy) / (u.lens.ScalePx * u.lens.ScalePx) / u.step
	i := min(int(q), len(u.table)-2)
	f := q - float64(i)
	g := u.table[i]*(1-f) + u.table[i+1]*f
	return u.lens.CentrePx.X + dx*g, u.lens.CentrePx.Y + dy*g
}

// Truth is what a perfect reading of the photo would find.
type Truth struct {
	// Rectification is the exact map of the flat board; a bowed board departs from
	// it. Nil when the scene has no face.
	Rectification *calib.Rectification
	Rings         []Ring // outermost first
	Marks         []MarkTruth
	// Rotation and ShiftMM take the board to the camera frame (x right, y down, z
	// forward).
	Rotation [3][3]float64
	ShiftMM  [3]float64
	// OuterRingInFrame is the share of the outermost ring inside the photo.
	OuterRingInFrame float64
}

// MarkTruth is a mark with what the photo shows of it.
type MarkTruth struct {
	Mark
	Px calib.Px // its centre in the photo
	// VisibleFraction is the share of its disc that no later sticker or hole
	// covers and that lies inside the photo and on the board.
	VisibleFraction float64
	OnFace          bool // centre within the outermost ring
}

// TruthOf works out what a photo of the scene shows, without drawing it.
func TruthOf(s Scene) Truth {
	p := s.Camera.pose()
	t := Truth{Rotation: p.rot, ShiftMM: [3]float64{p.shift.X, p.shift.Y, p.shift.Z}}
	if s.Face.OuterMM() > 0 {
		t.Rings = append(t.Rings, s.Face.Rings...)
		t.Rectification, _ = calib.FromHomography(p.homography(), s.Camera.Lens())
		t.OuterRingInFrame = s.outerRingInFrame()
	}
	for i, m := range s.Marks {
		mt := MarkTruth{Mark: m, OnFace: math.Hypot(m.X, m.Y) <= s.Face.OuterMM()/2}
		mt.Px = p.project(s.surface(r2.Vec{X: m.X, Y: m.Y}))
		mt.VisibleFraction = s.visible(p, i)
		t.Marks = append(t.Marks, mt)
	}
	return t
}

// outerRingInFrame returns the share of the outermost ring inside the photo.
func (s *Scene) outerRingInFrame() float64 {
	const n = 720
	p, r, in := s.Camera.pose(), s.Face.OuterMM()/2, 0
	for i := range n {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / n)
		if s.sees(p, r2.Vec{X: r * cos, Y: r * sin}) {
			in++
		}
	}
	return float64(in) / n
}

// surface lifts a board point onto the bowed board.
func (s *Scene) surface(x r2.Vec) r3.Vec {
	return r3.Vec{X: x.X, Y: x.Y, Z: s.bow(x.X)}
}

func (s *Scene) bow(x float64) float64 {
	if s.Board.BowMM == 0 || s.Board.WidthMM == 0 {
		return 0
	}
	u := 2 * x / s.Board.WidthMM
	return -s.Board.BowMM * u * u
}

// sees reports whether the board point x lies on the board and inside the photo.
func (s *Scene) sees(p pose, x r2.Vec) bool {
	if math.Abs(x.X) > s.Board.WidthMM/2 || math.Abs(x.Y) > s.Board.HeightMM/2 {
		return false
	}
	px := p.project(s.surface(x))
	return px.X > -0.5 && px.Y > -0.5 && px.X < float64(s.Camera.Width)-0.5 && px.Y < float64(s.Camera.Height)-0.5
}

// visible returns the share of mark i's disc that is seen, on a grid of some
// 5000 points.
func (s *Scene) visible(p pose, i int) float64 {
	m := s.Marks[i]
	var over []Mark
	for _, o := range s.Marks[i+1:] {
		if (o.Kind == Sticker || o.Kind == Hole) && math.Hypot(o.X-m.X, o.Y-m.Y) < (o.DiameterMM+m.DiameterMM)/2 {
			over = append(over, o)
		}
	}
	const n = 80
	all, seen := 0, 0
	for iy := range n {
		for ix := range n {
			u, v := (2*float64(ix)+1)/n-1, (2*float64(iy)+1)/n-1
			if u*u+v*v > 1 {
				continue
			}
			all++
			x := r2.Vec{X: m.X + u*m.DiameterMM/2, Y: m.Y + v*m.DiameterMM/2}
			hidden := false
			for _, o := range over {
				hidden = hidden || math.Hypot(x.X-o.X, x.Y-o.Y) < o.DiameterMM/2
			}
			if !hidden && s.sees(p, x) {
				seen++
			}
		}
	}
	return float64(seen) / float64(all)
}
