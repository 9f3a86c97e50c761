package boardtest

import (
	"image"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/spatial/r3"
)

// rgb is a linear colour.
type rgb [3]float32

func (c rgb) scale(f float32) rgb { return rgb{c[0] * f, c[1] * f, c[2] * f} }
func (c rgb) add(d rgb) rgb       { return rgb{c[0] + d[0], c[1] + d[1], c[2] + d[2]} }
func (c rgb) mul(d rgb) rgb       { return rgb{c[0] * d[0], c[1] * d[1], c[2] * d[2]} }
func (c rgb) mix(d rgb, f float32) rgb {
	return rgb{c[0] + (d[0]-c[0])*f, c[1] + (d[1]-c[1])*f, c[2] + (d[2]-c[2])*f}
}

// linear decodes an sRGB colour (IEC 61966-2-1).
func (c Colour) linear() rgb {
	return rgb{float32(decode(float64(c.R) / 255)), float32(decode(float64(c.G) / 255)), float32(decode(float64(c.B) / 255))}
}

func decode(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

func encode(v float64) float64 {
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

// Render draws the scene. It panics on a scene that cannot exist (no pixels, a
// ring outside the one before it): only a test's author can write one.
func Render(s Scene) (*image.NRGBA, Truth) {
	if err := s.check(); err != nil {
		panic("boardtest: " + err.Error())
	}
	t := TruthOf(s)
	light := expose(&s)
	return develop(&s, light), t
}

// What a ray hit. The values from idThing on are the things.
const (
	idSky = iota
	idWall
	idFloor
	idBoard
	idSide
	idLeg
	idThing
)

// near is set in a pixel's id when an edge may pass through it.
const near = 1 << 7

// numRays is the number of rays through an edge pixel.
const numRays = perSide * perSide

const perSide = 8

// rays are the offsets of the rays in a pixel, correlated multi-jittered
// (Kensler, "Correlated multi-jittered sampling", Pixar technical memo 13-01,
// 2013): one in each of 8 x 8 cells, of 64 rows and of 64 columns. A straight
// border is placed to 0.013 px in one pixel (RMS over all slopes; 0.05 px at
// worst), without bias, so that its mean over a few pixels is far better.
var rays = func() (o [numRays][2]float64) {
	rng := rand.New(rand.NewPCG(3, 64))
	columns, rows := rng.Perm(perSide), rng.Perm(perSide)
	at := func(cell, within int) float64 {
		return (float64(cell)+(float64(within)+0.5)/perSide)/perSide - 0.5
	}
	for i := range o {
		x, y := i%perSide, i/perSide
		o[i] = [2]float64{at(x, columns[y]), at(y, rows[x])}
	}
	return o
}()

// expose returns the light on the sensor, three values a pixel, before blur.
func expose(s *Scene) []float32 {
	w, h := s.Camera.Width, s.Camera.Height
	sm := newSampler(s)
	out := make([]float32, 3*w*h)
	ids := make([]uint8, w*h)
	for y := range h {
		for x := range w {
			if x%32 == 0 {
				sm.footprint(float64(x), float64(y))
			}
			c, id := sm.at(float64(x), float64(y), true)
			i := y*w + x
			ids[i] = id
			out[3*i], out[3*i+1], out[3*i+2] = c[0], c[1], c[2]
		}
	}
	differs := func(i, j int) bool { return ids[i]&^near != ids[j]&^near }
	for y := range h {
		for x := range w {
			i := y*w + x
			if ids[i]&near == 0 &&
				!(x > 0 && differs(i, i-1)) && !(x+1 < w && differs(i, i+1)) &&
				!(y > 0 && differs(i, i-w)) && !(y+1 < h && differs(i, i+w)) {
				continue
			}
			sm.settle(float64(x), float64(y))
			var sum rgb
			for _, o := range rays {
				c, _ := sm.at(float64(x)+o[0], float64(y)+o[1], false)
				sum = sum.add(c)
			}
			out[3*i], out[3*i+1], out[3*i+2] = sum[0]/numRays, sum[1]/numRays, sum[2]/numRays
		}
	}
	return out
}

// sampler follows rays into the scene.
type sampler struct {
	s     *Scene
	p     pose
	undo  undistorter
	dir   [9]float64 // ideal pixel -> direction in board coordinates
	foot  float64    // half the diagonal of a pixel on the board, mm
	board *boardPainter
	rest  surroundings
}

func newSampler(s *Scene) *sampler {
	sm := &sampler{s: s, p: s.Camera.pose(), foot: 1}
	sm.undo = newUndistorter(sm.p.lens)
	for i := range 3 { // dir = rotᵀ K⁻¹
		r := [3]float64{sm.p.rot[0][i], sm.p.rot[1][i], sm.p.rot[2][i]}
		sm.dir[3*i] = r[0] / sm.p.focal
		sm.dir[3*i+1] = r[1] / sm.p.focal
		sm.dir[3*i+2] = r[2] - (r[0]*sm.p.c.X+r[1]*sm.p.c.Y)/sm.p.focal
	}
	sm.board = newBoardPainter(s)
	sm.rest = newSurroundings(s)
	return sm
}

func (sm *sampler) ray(px, py float64) r3.Vec {
	x, y := sm.undo.undo(px, py)
	d := &sm.dir
	return r3.Vec{X: d[0]*x + d[1]*y + d[2], Y: d[3]*x + d[4]*y + d[5], Z: d[6]*x + d[7]*y + d[8]}
}

// hit returns where the ray meets the board's surface, extended without end, and
// whether it does.
func (sm *sampler) hit(d r3.Vec) (x, y float64, ok bool) {
	if !(d.Z < -1e-9) {
		return 0, 0, false
	}
	e := sm.p.eye
	k := -e.Z / d.Z
	x = e.X + k*d.X
	if sm.s.Board.BowMM != 0 {
		for range 4 {
			k = (sm.s.bow(x) - e.Z) / d.Z
			x = e.X + k*d.X
		}
	}
	return x, e.Y + k*d.Y, true
}

// footprint measures half the diagonal of a pixel on the board at (px, py).
func (sm *sampler) footprint(px, py float64) {
	x0, y0, ok0 := sm.hit(sm.ray(px, py))
	x1, y1, ok1 := sm.hit(sm.ray(px+1, py))
	x2, y2, ok2 := sm.hit(sm.ray(px, py+1))
	sm.foot = 1e3
	if ok0 && ok1 && ok2 {
		ax, ay, bx, by := x1-x0, y1-y0, x2-x0, y2-y0
		sm.foot = max(math.Hypot(ax+bx, ay+by), math.Hypot(ax-bx, ay-by)) / 2
	}
}

// settle fixes for the rays of one pixel what hardly changes across it.
func (sm *sampler) settle(px, py float64) {
	if x, y, ok := sm.hit(sm.ray(px, py)); ok {
		sm.board.settle(x, y)
	}
}

// at returns the light that reaches the photo point and what it came from.
// With alone set the point is a pixel's only one, else settle has gone before.
func (sm *sampler) at(px, py float64, alone bool) (rgb, uint8) {
	d := sm.ray(px, py)
	b := &sm.s.Board
	if x, y, ok := sm.hit(d); ok && math.Abs(x) <= b.WidthMM/2 && math.Abs(y) <= b.HeightMM/2 {
		if alone {
			sm.board.settle(x, y)
		}
		c, edge := sm.board.at(x, y, 1.1*sm.foot)
		if edge {
			return c, idBoard | near
		}
		return c, idBoard
	}
	return sm.rest.at(sm.p.eye, d)
}
