package boardtest

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// surroundings paints what is not the board's front.
type surroundings struct {
	s     *Scene
	light rgb
	side  rgb
	wall  rgb
}

func newSurroundings(s *Scene) surroundings {
	l := s.Light
	r := surroundings{s: s, side: s.Board.Colour.linear().scale(0.45)}
	r.light = tint(l.ShadeTint).scale(float32(l.Ambient)).add(rgb{1, 1, 1}.scale(float32(l.Sun * 0.8)))
	r.wall = s.Surroundings.Colour.linear()
	if s.Surroundings.Colour == (Colour{}) {
		r.wall = wallTone(s.Surroundings.Wall).linear()
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
		return Colour{62, 92, 38}
	case "sky":
		return Colour{150, 190, 230}
	}
	return Colour{176, 172, 162}
}

// at returns the light along the ray from eye in direction d that misses the
// board's front.
func (r *surroundings) at(eye, d r3.Vec) (rgb, uint8) {
	w := &r.s.Surroundings
	if r.hitsSide(eye, d) {
		return r.side.mul(r.light), idSide
	}
	if w.FloorMM > 0 && d.Y < -1e-9 {
		k := (-w.FloorMM - eye.Y) / d.Y
		x, z := eye.X+k*d.X, eye.Z+k*d.Z
		if z > -w.WallMM || w.Wall == "sky" || w.WallMM == 0 {
			return r.floor(x, z, k), idFloor
		}
	}
	if d.Z < -1e-9 {
		k := (-w.WallMM - eye.Z) / d.Z
		return r.paintWall(eye.X+k*d.X, eye.Y+k*d.Y), idWall
	}
	return wallTone("sky").linear(), idSky
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
			if y, z := e.Y+k*d.Y, e.Z+k*d.Z; k > 0 && math.Abs(y) <= b.HeightMM/2 && z <= 0 && z >= -t {
				return true
			}
		}
		if d.Y*sgn < -1e-9 {
			k := (sgn*b.HeightMM/2 - e.Y) / d.Y
			if x, z := e.X+k*d.X, e.Z+k*d.Z; k > 0 && math.Abs(x) <= b.WidthMM/2 && z <= 0 && z >= -t {
				return true
			}
		}
	}
	return false
}

func (r *surroundings) paintWall(x, y float64) rgb {
	c := r.wall.scale(1 + 0.08*tile.at(x*0.3, y*0.3) + 0.08*tile.at(x*0.01, y*0.01))
	return c.mul(r.light)
}

func (r *surroundings) floor(x, z, k float64) rgb {
	return rgb{0.2, 0.19, 0.18}.scale(1 + 0.2*tile.at(x*0.1, z*0.1)).mul(r.light)
}
