package boardtest

import (
	"math"
	"math/rand/v2"
	"sync"

	"gonum.org/v1/gonum/spatial/r3"
)

// surroundings paints what is not the board's front. It is there to look like
// something and to hold round things; nothing about it is measured.
type surroundings struct {
	s        *Scene
	light    rgb
	side     rgb
	wall     rgb
	things   []paintedThing
	focal    float64
	ox, oy   float64 // where the textures start
	shadowX  float64 // of the board on the wall, mm
	shadowY  float64
	shadowed float32
}

type paintedThing struct {
	Thing
	colour, inner rgb
}

func newSurroundings(s *Scene) surroundings {
	l, w := s.Light, s.Surroundings
	rng := rand.New(rand.NewPCG(s.Seed, 21))
	r := surroundings{s: s, focal: s.Camera.FocalPx, side: s.Board.Colour.linear().scale(0.45)}
	r.light = tint(l.ShadeTint).scale(float32(l.Ambient)).add(rgb{1, 1, 1}.scale(float32(l.Sun * 0.85)))
	r.wall = w.Colour.linear()
	if w.Colour == (Colour{}) {
		r.wall = wallTone(w.Wall).linear()
	}
	for _, t := range w.Things {
		r.things = append(r.things, paintedThing{t, t.Colour.linear(), t.Inner.linear()})
	}
	r.ox, r.oy = 4000*rng.Float64(), 4000*rng.Float64()
	r.shadowX, r.shadowY = w.WallMM*(rng.Float64()-0.5)*1.2, -w.WallMM*(0.2+0.6*rng.Float64())
	if w.WallMM < 500 && w.Wall != "hedge" && w.Wall != "sky" {
		r.shadowed = float32(0.15 + 0.45*l.Sun)
	}
	return r
}

func wallTone(wall string) Colour {
	switch wall {
	case "bricks":
		return Colour{150, 78, 58}
	case "planks":
		return Colour{122, 92, 62}
	case "panel":
		return Colour{168, 120, 70}
	case "hedge":
		return Colour{70, 104, 42}
	case "sky":
		return Colour{132, 178, 226}
	}
	return Colour{176, 172, 162}
}

// at returns the light along the ray from eye in direction d that misses the
// board's front, and what it came from.
func (r *surroundings) at(eye, d r3.Vec) (rgb, uint8) {
	w := &r.s.Surroundings
	if r.hitsSide(eye, d) {
		return r.side.mul(r.light), idSide
	}
	if w.Legs && d.Z < -1e-9 {
		k := (-r.s.Board.ThicknessMM - eye.Z) / d.Z
		if c, ok := r.leg(eye.X+k*d.X, eye.Y+k*d.Y); ok {
			return c, idLeg
		}
	}
	for i := range r.things {
		t := &r.things[i]
		if d.Z >= -1e-9 {
			break
		}
		k := (-t.BehindMM - eye.Z) / d.Z
		if c, ok := t.at(eye.X+k*d.X-t.X, eye.Y+k*d.Y-t.Y); ok {
			return c.mul(r.light), uint8(min(idThing+i, near-1))
		}
	}
	if w.FloorMM > 0 && w.Floor != "" && d.Y < -1e-9 {
		k := (-w.FloorMM - eye.Y) / d.Y
		x, z := eye.X+k*d.X, eye.Z+k*d.Z
		if z > -w.WallMM || w.Wall == "sky" {
			return r.floor(x, z, k/r.focal).mul(r.light), idFloor
		}
	}
	if d.Z < -1e-9 && w.Wall != "sky" {
		k := (-w.WallMM - eye.Z) / d.Z
		y := eye.Y + k*d.Y
		if w.Wall != "hedge" || y < 1100+250*float64(tile.at((eye.X+k*d.X)*0.004, 3)) {
			return r.paintWall(eye.X+k*d.X, y, k/r.focal), idWall
		}
	}
	return r.sky(d), idSky
}

// hitsSide reports whether the ray meets one of the board's four sides.
func (r *surroundings) hitsSide(e, d r3.Vec) bool {
	b := &r.s.Board
	t := b.ThicknessMM
	if t == 0 {
		return false
	}
	for _, sgn := range [2]float64{-1, 1} {
		if d.X*sgn < -1e-9 {
			k := (sgn*b.WidthMM/2 - e.X) / d.X
			z := e.Z + k*d.Z - r.s.bow(b.WidthMM/2)
			if y := e.Y + k*d.Y; k > 0 && math.Abs(y) <= b.HeightMM/2 && z <= 0 && z >= -t {
				return true
			}
		}
		if d.Y*sgn < -1e-9 {
			k := (sgn*b.HeightMM/2 - e.Y) / d.Y
			x := e.X + k*d.X
			if z := e.Z + k*d.Z - r.s.bow(x); k > 0 && math.Abs(x) <= b.WidthMM/2 && z <= 0 && z >= -t {
				return true
			}
		}
	}
	return false
}

// leg paints the two legs and the ledge of a stand, in the plane behind the board.
func (r *surroundings) leg(x, y float64) (rgb, bool) {
	b := &r.s.Board
	wood := rgb{0.20, 0.125, 0.07}
	if below := -b.HeightMM/2 - y; below >= 0 && below < 48 && math.Abs(x) < 0.53*b.WidthMM {
		return wood.scale(1 + 0.2*tile.at(x*0.03, y*0.8)).mul(r.light), true
	}
	half := 0.33 * b.WidthMM
	if y < -b.HeightMM/2 && y > -r.s.Surroundings.FloorMM && math.Abs(math.Abs(x)-half) < 26 {
		u := (math.Abs(x) - half) / 26
		return wood.scale(float32(0.85-0.2*u) + 0.2*tile.at(x*0.8, y*0.03)).mul(r.light), true
	}
	return rgb{}, false
}

// at paints a thing at (x, y) from its middle.
func (t *paintedThing) at(x, y float64) (rgb, bool) {
	q := math.Hypot(x, y) / t.RadiusMM
	switch t.Shape {
	case "bucket":
		// Seen from a little above: the opening, then the body narrowing down.
		u, v := x/t.RadiusMM, y/t.RadiusMM
		if o := u*u + (v-0.6)*(v-0.6)/(0.3*0.3); o < 1 {
			if o > 0.86 {
				return t.colour.scale(1.15), true
			}
			return t.inner.scale(float32(0.3 + 0.25*(v-0.3))), true
		}
		taper := 1 - 0.28*(0.6-v)/1.5
		bottom := -0.9 - 0.18*math.Sqrt(max(0, 1-u*u/0.52))
		if v < 0.6 && v > bottom && math.Abs(u) < taper {
			return t.colour.scale(float32(0.95 - 0.45*u/taper)), true
		}
		return rgb{}, false
	case "ball":
		if q >= 1 {
			return rgb{}, false
		}
		z := math.Sqrt(1 - q*q)
		lit := max(0, (-0.35*x+0.6*y)/t.RadiusMM+0.72*z)
		return t.colour.scale(float32(0.25 + 0.75*lit)), true
	case "hoop":
		if q >= 1 {
			return rgb{}, false
		}
		if q > 0.86 || (q > 0.45 && q < 0.6) {
			return t.colour, true
		}
		return t.inner, true
	}
	if q >= 1 {
		return rgb{}, false
	}
	return t.colour.scale(float32(0.9-0.12*x/t.RadiusMM) + 0.04*tile.at(x*0.5, y*0.5)), true
}

// paintWall paints the wall at (x, y), where a pixel is foot mm wide.
func (r *surroundings) paintWall(x, y, foot float64) rgb {
	c := r.wall
	w := &r.s.Surroundings
	switch w.Wall {
	case "bricks":
		c = r.bricks(x+r.ox, y+r.oy, foot)
	case "planks":
		c = r.planks(x+r.ox, y+r.oy, 132, foot)
	case "panel":
		c = r.planks(y+r.oy, x+r.ox, 186, foot)
	case "hedge":
		c = c.scale(0.15 + 1.7*textures().leaves.at((x+r.ox)*0.8, (y+r.oy)*0.8))
	default:
		c = c.scale(1 + 0.05*tile.at(x*0.4, y*0.4) + 0.05*tile.at(x*0.01, y*0.01))
	}
	if r.shadowed > 0 {
		b := &r.s.Board
		d := max(math.Abs(x-r.shadowX)-b.WidthMM/2, math.Abs(y-r.shadowY)-b.HeightMM/2)
		soft := 8 + 0.1*w.WallMM
		c = c.scale(1 - r.shadowed*float32(smooth(clamp01(0.5-d/(2*soft)))))
	}
	return c.mul(r.light)
}

// stripe is 1 inside a gap of the given half width around zero, soft over foot.
func stripe(d, half, foot float64) float64 { return clamp01((half-math.Abs(d))/max(foot, 0.5) + 0.5) }

// hash01 maps a cell to a number from 0 to 1.
func hash01(i, j int) float64 {
	h := uint32(i)*0x9e3779b1 ^ uint32(j)*0x85ebca77
	h = (h ^ h>>15) * 0x2c1b3c6d
	h = (h ^ h>>12) * 0x297a2d39
	return float64(h^h>>15) / math.MaxUint32
}

func (r *surroundings) bricks(x, y, foot float64) rgb {
	const length, height, joint = 225, 75, 10
	x += 1.5 * float64(tile.at(x*0.05, y*0.05))
	row := math.Floor(y / height)
	x += math.Mod(row, 2) * length / 2
	col := math.Floor(x / length)
	dx, dy := x-(col+0.5)*length, y-(row+0.5)*height
	grain := tile.at(x*0.15, y*0.15)
	tone := float32(0.75 + 0.5*hash01(int(col), int(row)))
	brick := r.wall.scale(tone * (1 + 0.1*grain))
	mortar := rgb{0.42, 0.39, 0.34}.scale(1 + 0.06*grain)
	m := max(stripe(math.Abs(dx)-length/2, joint/2, foot), stripe(math.Abs(dy)-height/2, joint/2, foot))
	return brick.mix(mortar, float32(m))
}

// planks run along x, each pitch mm tall.
func (r *surroundings) planks(x, y, pitch, foot float64) rgb {
	row := math.Floor(y / pitch)
	dy := y - (row+0.5)*pitch
	id := hash01(int(row), 7)
	grain := tile.at(x*0.015+id*200, y*0.35+4*float64(tile.at(x*0.003, y*0.01+id*99)))
	c := r.wall.scale(float32(0.75+0.5*id) * (1 + 0.13*grain))
	// A bevel lit from above, then the gap.
	c = c.scale(float32(1 - 0.25*smooth(clamp01((math.Abs(dy)-pitch/2+14)/14))))
	return c.mix(rgb{0.01, 0.01, 0.01}, float32(stripe(math.Abs(dy)-pitch/2, 2.5, foot)))
}

// floor paints the ground at (x, z), where a pixel is foot mm wide. Far detail
// fades, as a camera would average it.
func (r *surroundings) floor(x, z, foot float64) rgb {
	w := &r.s.Surroundings
	fade := float32(1 / (1 + foot*foot/9))
	dark := float32(1 - 0.35*math.Exp(-((x/900)*(x/900)+(z/500)*(z/500))))
	x, z = x+r.ox, z+r.oy
	wide := 0.12 * tile.at(x*0.008, z*0.008)
	switch w.Floor {
	case "grass":
		v := textures().blades.at(x*0.7, z*0.7)
		return rgb{0.075, 0.13, 0.032}.scale((0.9 + wide + 1.1*(v-0.5)*fade) * dark)
	case "gravel":
		v := textures().stones.at(x*0.6, z*0.6)
		return rgb{0.21, 0.195, 0.175}.scale((0.9 + wide + 1.2*(v-0.5)*fade) * dark)
	case "planks":
		save := r.wall
		r.wall = rgb{0.24, 0.16, 0.09}
		c := r.planks(x, z, 145, foot)
		r.wall = save
		return c.scale(dark)
	}
	return rgb{0.30, 0.29, 0.27}.scale((1 + wide + 0.08*tile.at(x*0.2, z*0.2)*fade) * dark)
}

// sky is blue above and pale below, with clouds.
func (r *surroundings) sky(d r3.Vec) rgb {
	up := d.Y / math.Sqrt(d.X*d.X+d.Y*d.Y+d.Z*d.Z)
	c := rgb{0.62, 0.72, 0.85}.mix(rgb{0.22, 0.42, 0.78}, float32(clamp01(up*1.8+0.1)))
	cloud := 0.5 + 0.9*float64(tile.at(d.X*25+r.ox, d.Y*60+r.oy))
	return c.mix(rgb{0.9, 0.9, 0.9}, float32(0.8*smooth(clamp01(cloud))))
}

// drawnTextures are periodic pictures of overlapping things, values 0 to 1.
type drawnTextures struct{ leaves, stones, blades picture }

// textures draws them once, when a scene first needs them.
var textures = sync.OnceValue(func() drawnTextures {
	return drawnTextures{
		leaves: drawTile(1, 9000, func(d draw) (long, broad float64) { l := d.between(9, 20); return l, 0.45 * l }),
		stones: drawTile(2, 9000, func(d draw) (long, broad float64) { l := d.between(2.5, 9); return l, l * d.between(0.6, 0.95) }),
		blades: drawTile(3, 16000, func(d draw) (long, broad float64) { return d.between(8, 26), d.between(0.9, 1.8) }),
	}
})

const pictureSize = 512

// picture is a periodic raster.
type picture []float32

// at samples the picture, linear between its cells.
func (p picture) at(x, y float64) float32 {
	fx, fy := math.Floor(x), math.Floor(y)
	u, v := float32(x-fx), float32(y-fy)
	const m = pictureSize - 1
	x0, y0 := int(fx)&m, int(fy)&m
	x1, y1 := (x0+1)&m, (y0+1)&m
	a, b := p[y0*pictureSize+x0], p[y0*pictureSize+x1]
	c, d := p[y1*pictureSize+x0], p[y1*pictureSize+x1]
	return (a*(1-u)+b*u)*(1-v) + (c*(1-u)+d*u)*v
}

// drawTile lays n lens-shaped things over each other, each with its own shade,
// darker towards one side and below later ones.
func drawTile(seed uint64, n int, size func(draw) (long, broad float64)) picture {
	d := draw{rand.New(rand.NewPCG(33, seed))}
	p := make(picture, pictureSize*pictureSize)
	for i := range n {
		long, broad := size(d)
		cx, cy, a := d.between(0, pictureSize), d.between(0, pictureSize), d.between(0, 2*math.Pi)
		shade := (0.25 + 0.5*float64(i)/float64(n)) * d.between(0.6, 1.4)
		sin, cos := math.Sincos(a)
		reach := int(long) + 1
		for dy := -reach; dy <= reach; dy++ {
			for dx := -reach; dx <= reach; dx++ {
				u := (cos*float64(dx) + sin*float64(dy)) / long
				v := (-sin*float64(dx) + cos*float64(dy)) / broad
				if u*u+v*v < 1 {
					x, y := (int(cx)+dx)&(pictureSize-1), (int(cy)+dy)&(pictureSize-1)
					p[y*pictureSize+x] = float32(clamp01(shade * (0.9 + 0.25*v - 0.3*u*u)))
				}
			}
		}
	}
	return p
}
