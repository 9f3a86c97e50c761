package boardtest

import (
	"math"
	"math/rand/v2"
)

// boardPainter gives the light that leaves each point of the board's front.
//
// Light and grain change little across a pixel: settle fixes them for a pixel,
// and albedo then gives the colours of the points in it.
type boardPainter struct {
	s       *Scene
	face    rings
	paper   rgb
	backer  rgb
	fixings []fixing
	creases []crease
	marks   markGrid
	light   lighting
	upMark  triangle
	upInk   rgb
	writing []glyph
	cells   featureGrid

	backerGrain, paperGrain float32 // of the settled pixel
	lit, glare              rgb
}

func newBoardPainter(s *Scene) *boardPainter {
	b := &boardPainter{s: s, backer: s.Board.Colour.linear(), paper: s.Board.Paper.linear()}
	ground := s.Board.Paper
	if s.Board.PaperWidthMM == 0 {
		ground, b.paper = s.Board.Colour, b.backer
	}
	b.face = newRings(s, ground)
	b.marks = newMarkGrid(s)
	b.light = newLighting(s)
	b.upMark, b.upInk = newTriangle(s.Face.UpMark), s.Face.UpMark.Colour.linear()
	b.writing = newWriting(s.Face)
	b.fixings = newFixings(s)
	b.creases = newCreases(s)
	b.cells = newFeatureGrid(b)
	return b
}

// settle fixes light and grain for a pixel around board point (x, y).
func (b *boardPainter) settle(x, y float64) {
	b.lit, b.glare = b.light.on(x, y)
	if b.s.Board.PaperWidthMM == 0 {
		b.backerGrain = b.texture(x, y)
		b.paperGrain = b.backerGrain
		return
	}
	d := b.offPaper(x, y)
	b.paperGrain = 1 + 0.035*tile.at(x*0.6, y*0.6) + 0.03*tile.at(x*0.02+7, y*0.02)
	for i := range b.creases {
		b.paperGrain *= b.creases[i].at(x, y)
	}
	b.backerGrain = 1
	if d > -8 {
		// The sheet lifts a little: a soft shadow along its border.
		b.backerGrain = b.texture(x, y) * float32(1-0.18*math.Exp(-d*d/8))
	}
}

// offPaper is the distance from the sheet, negative on it.
func (b *boardPainter) offPaper(x, y float64) float64 {
	return max(math.Abs(x)-b.s.Board.PaperWidthMM/2, math.Abs(y)-b.s.Board.PaperHeightMM/2)
}

// at returns the light from board point (x, y) of the settled pixel and whether
// an edge lies within reach mm of it.
func (b *boardPainter) at(x, y, reach float64) (rgb, bool) {
	s := b.s
	var edge, e bool
	features := b.cells.at(x, y)
	onPaper := true
	if features&onBacker != 0 {
		d := b.offPaper(x, y)
		edge = math.Abs(d) < reach
		onPaper = d <= 0
	}
	c := b.backer
	grain := b.backerGrain
	if onPaper {
		c, e = b.face.at(x, y, reach)
		grain = b.paperGrain
		edge = edge || e
		if features&onUpMark != 0 && s.Face.UpMark.SizeMM > 0 {
			d := b.upMark.distance(x, y)
			edge = edge || math.Abs(d) < reach
			if d <= 0 {
				c = b.upInk
			}
		}
		if features&onWriting != 0 {
			for i := range b.writing {
				c, e = b.writing[i].paint(x, y, reach, c)
				edge = edge || e
			}
		}
	}
	c = c.scale(grain)
	if features&onFixing != 0 {
		for i := range b.fixings {
			f := &b.fixings[i]
			d := f.distance(x, y)
			edge = edge || math.Abs(d) < reach
			if d <= 0 {
				c = c.mix(f.colour, f.cover)
			}
		}
	}
	c, e = b.marks.paint(x, y, reach, c)
	return c.mul(b.lit).add(b.glare), edge || e
}

// texture gives the grain of the backer's material, a factor around 1.
func (b *boardPainter) texture(x, y float64) float32 {
	switch b.s.Board.Texture {
	case "card":
		return 1 + 0.05*tile.at(x*0.02, y*1.2) + 0.06*tile.at(x*0.15, y*0.15) + 0.05*tile.at(x*0.01, y*0.01)
	case "wood":
		return 1 + 0.16*tile.at(x*0.03, y*0.9+6*float64(tile.at(x*0.004, y*0.01))) + 0.06*tile.at(x*0.3, y*3)
	case "felt":
		return 1 + 0.13*tile.at(x*1.5, y*1.5) + 0.10*tile.at(x*0.05, y*0.05)
	}
	return 1 + 0.02*tile.at(x*0.4, y*0.4)
}

// Features of a cell of the board.
const (
	onBacker = 1 << iota // not wholly on the sheet
	onUpMark
	onWriting
	onFixing
)

// featureGrid tells which features can be met in each cell of the board, so that
// most points need not ask for any.
type featureGrid struct {
	x0, y0, inv float64
	nx, ny      int
	cells       []uint8
}

func newFeatureGrid(b *boardPainter) featureGrid {
	const cell = 10.0
	const margin = 0.71*cell + 6 // to a corner, and the widest pixel beside it
	w, h := b.s.Board.WidthMM, b.s.Board.HeightMM
	g := featureGrid{x0: -w / 2, y0: -h / 2, inv: 1 / cell, nx: int(w/cell) + 1, ny: int(h/cell) + 1}
	g.cells = make([]uint8, g.nx*g.ny)
	for i := range g.cells {
		x, y := g.x0+(float64(i%g.nx)+0.5)*cell, g.y0+(float64(i/g.nx)+0.5)*cell
		f := uint8(0)
		if b.s.Board.PaperWidthMM > 0 && b.offPaper(x, y) > -margin {
			f |= onBacker
		}
		if b.s.Face.UpMark.SizeMM > 0 && b.upMark.distance(x, y) < margin {
			f |= onUpMark
		}
		for k := range b.writing {
			d := &b.writing[k]
			if x > d.x0-margin && y > d.y0-margin && x < d.x1+margin && y < d.y1+margin {
				f |= onWriting
			}
		}
		for k := range b.fixings {
			if b.fixings[k].distance(x, y) < margin {
				f |= onFixing
			}
		}
		g.cells[i] = f
	}
	return g
}

// at returns the features near (x, y), all of them off the grid.
func (g *featureGrid) at(x, y float64) uint8 {
	cx, cy := int((x-g.x0)*g.inv), int((y-g.y0)*g.inv)
	if cx < 0 || cy < 0 || cx >= g.nx || cy >= g.ny {
		return 0xff
	}
	return g.cells[cy*g.nx+cx]
}

// rings paints the face: a step function of the radius, a centre mark on top.
type rings struct {
	borders []float64
	colours []rgb
	first   []int    // by radius: the first border that may lie beyond
	inv     float64  // cells of first per mm
	wobble  []wobble // by border; empty for printed rings
	slack   float64  // the largest wobble, mm
	sx, sy  float64
	centre  CentreMark
	ink     rgb
}

// wobble is a closed hand-drawn deviation: a few harmonics of the angle.
type wobble struct{ c, s [4]float64 } // harmonics 2 to 5, mm

func (w *wobble) at(cos, sin float64) float64 {
	c, s := cos*cos-sin*sin, 2*sin*cos
	sum := 0.0
	for k := range w.c {
		sum += w.c[k]*c + w.s[k]*s
		c, s = c*cos-s*sin, s*cos+c*sin
	}
	return sum
}

func newRings(s *Scene, ground Colour) rings {
	r := rings{sx: 1 / (1 + s.Face.StretchX), sy: 1 / (1 + s.Face.StretchY), centre: s.Face.Centre}
	r.ink = s.Face.Centre.Colour.linear()
	borders, colours := s.Face.zones(ground)
	r.borders = borders
	for _, c := range colours {
		r.colours = append(r.colours, c.linear())
	}
	if len(borders) == 0 {
		return r
	}
	if s.Face.WobbleMM > 0 {
		rng := rand.New(rand.NewPCG(s.Seed, 5))
		r.wobble = make([]wobble, len(borders))
		for i := range r.wobble {
			w := &r.wobble[i]
			for k := range w.c {
				sd := s.Face.WobbleMM / 2 / math.Sqrt(2) * 2 / (1 + 0.5*float64(k))
				w.c[k], w.s[k] = sd*rng.NormFloat64(), sd*rng.NormFloat64()
			}
			// The two edges of one stroke go together, but for a tenth.
			if i%2 == 1 {
				for k := range w.c {
					w.c[k] = 0.1*w.c[k] + r.wobble[i-1].c[k]
					w.s[k] = 0.1*w.s[k] + r.wobble[i-1].s[k]
				}
			}
			sum := 0.0
			for k := range w.c {
				sum += math.Hypot(w.c[k], w.s[k])
			}
			r.slack = max(r.slack, sum)
		}
	}
	const n = 2048
	step := (borders[len(borders)-1] + r.slack + 1) / n
	r.inv = 1 / step
	r.first = make([]int, n+1)
	for i, j := 0, 0; i <= n; i++ {
		for j < len(borders) && borders[j]+r.slack < float64(i)*step {
			j++
		}
		r.first[i] = j
	}
	return r
}

// at returns the colour at (x, y) and whether an edge lies within reach mm.
func (r *rings) at(x, y, reach float64) (rgb, bool) {
	x, y = x*r.sx, y*r.sy
	q := math.Sqrt(x*x + y*y)
	i, edge := len(r.borders), false
	if k := int(q * r.inv); k < len(r.first) {
		// Pick the innermost border that lies beyond q, and look at the next border
		// on either side for nearness.
		i = r.first[k]
		for i < len(r.borders) && r.border(i, x, y, q) <= q {
			i++
		}
	}
	if i > 0 {
		edge = q-r.border(i-1, x, y, q) < reach
	}
	if i < len(r.borders) {
		edge = edge || r.border(i, x, y, q)-q < reach
	}
	c := r.colours[i]
	switch r.centre.Shape {
	case "dot":
		d := q - r.centre.SizeMM/2
		edge = edge || math.Abs(d) < reach
		if d <= 0 {
			c = r.ink
		}
	case "cross":
		l, w := r.centre.SizeMM/2, r.centre.LineMM/2
		ax, ay := math.Abs(x), math.Abs(y)
		d := min(max(ax-l, ay-w), max(ax-w, ay-l))
		edge = edge || math.Abs(d) < reach
		if d <= 0 {
			c = r.ink
		}
	}
	return c, edge
}

// border returns the radius of border i in the direction of (x, y).
func (r *rings) border(i int, x, y, q float64) float64 {
	if r.wobble == nil || q == 0 {
		return r.borders[i]
	}
	return r.borders[i] + r.wobble[i].at(x/q, y/q)
}

// box is a turned rectangle.
type box struct{ x, y, halfX, halfY, cos, sin float64 }

// distance is positive outside, in mm (exact beside the sides).
func (b *box) distance(x, y float64) float64 {
	x, y = x-b.x, y-b.y
	u, v := b.cos*x+b.sin*y, -b.sin*x+b.cos*y
	return max(math.Abs(u)-b.halfX, math.Abs(v)-b.halfY)
}

// fixing is one strip of tape, screw head or clip.
type fixing struct {
	box
	round  bool
	colour rgb
	cover  float32
}

func (f *fixing) distance(x, y float64) float64 {
	if f.round {
		return math.Hypot(x-f.x, y-f.y) - f.halfX
	}
	return f.box.distance(x, y)
}

// newFixings holds the sheet at its corners.
func newFixings(s *Scene) (out []fixing) {
	w, h := s.Board.PaperWidthMM/2, s.Board.PaperHeightMM/2
	if w == 0 {
		w, h = s.Board.WidthMM/2-12, s.Board.HeightMM/2-12
	}
	rng := rand.New(rand.NewPCG(s.Seed, 11))
	for _, sx := range []float64{-1, 1} {
		for _, sy := range []float64{-1, 1} {
			f := fixing{box: box{x: sx * w, y: sy * h, cos: 1}, cover: 1}
			switch s.Board.Fixing {
			case "tape":
				f.sin, f.cos = math.Sincos(-sx * sy * (0.7 + 0.2*rng.Float64()))
				f.halfX, f.halfY, f.colour, f.cover = 0.12*w, 12, rgb{0.62, 0.55, 0.36}, 0.55
			case "screws":
				f.x, f.y, f.halfX, f.round = sx*(w-8), sy*(h-8), 4, true
				f.colour = rgb{0.22, 0.22, 0.23}
			case "clips":
				if sy < 0 {
					continue
				}
				f.x, f.y, f.halfX, f.halfY = sx*w*0.6, h-8, 17, 15
				f.colour = rgb{0.012, 0.012, 0.012}
			default:
				continue
			}
			out = append(out, f)
		}
	}
	return out
}

// crease is a fold: one side of it lighter, the other darker.
type crease struct{ nx, ny, off, depth, widthMM float64 }

func newCreases(s *Scene) (out []crease) {
	rng := rand.New(rand.NewPCG(s.Seed, 13))
	for i := range s.Board.Creases {
		// Most folds are near the sheet's axes.
		a := math.Pi/2*float64(i%2) + 0.12*rng.NormFloat64()
		sin, cos := math.Sincos(a)
		off := 0.2 * s.Board.PaperWidthMM * rng.NormFloat64()
		out = append(out, crease{cos, sin, off, 0.05 + 0.1*rng.Float64(), 1.5 + 3*rng.Float64()})
	}
	return out
}

func (c *crease) at(x, y float64) float32 {
	d := (c.nx*x + c.ny*y - c.off) / c.widthMM
	if d > 4 || d < -4 {
		return 1
	}
	return float32(1 + c.depth*d*math.Exp(-d*d/2)*1.6)
}

// triangle points up, its tip at (0, tip).
type triangle struct{ tip, size, nx, ny float64 }

func newTriangle(u UpMark) triangle {
	// Base 0.9 of the height: the flanks' outward normal is (1, 0.45) normalised.
	n := math.Hypot(1, 0.45)
	return triangle{tip: u.TipMM, size: u.SizeMM, nx: 1 / n, ny: 0.45 / n}
}

func (t triangle) distance(x, y float64) float64 {
	return max(t.tip-t.size-y, math.Abs(x)*t.nx+(y-t.tip)*t.ny)
}

// markGrid finds the marks near a board point and paints them in order.
type markGrid struct {
	x0, y0, inv float64
	nx, ny      int
	cells       [][]int32
	marks       []paintedMark
}

// paintedMark is a Mark with what its look depends on.
type paintedMark struct {
	Mark
	radius, reach float64
	colour        rgb
	ragged        wobble
	phase         float64
}

func newMarkGrid(s *Scene) markGrid {
	const cell = 8.0
	g := markGrid{x0: -s.Board.WidthMM / 2, y0: -s.Board.HeightMM / 2, inv: 1 / cell}
	if len(s.Marks) == 0 {
		return g
	}
	g.nx, g.ny = int(s.Board.WidthMM/cell)+1, int(s.Board.HeightMM/cell)+1
	g.cells = make([][]int32, g.nx*g.ny)
	for i, m := range s.Marks {
		rng := rand.New(rand.NewPCG(s.Seed, 1000+uint64(i)))
		p := paintedMark{Mark: m, radius: m.DiameterMM / 2, colour: m.Colour.linear(), phase: 2 * math.Pi * rng.Float64()}
		p.reach = p.radius
		if p.Rim.Width == 0 {
			p.Rim.Width = 0.22
		}
		if m.Kind != Sticker {
			p.reach *= 1.8
			for k := range p.ragged.c {
				sd := 0.08 * p.radius / (1 + 0.4*float64(k))
				p.ragged.c[k], p.ragged.s[k] = sd*rng.NormFloat64(), sd*rng.NormFloat64()
			}
		}
		g.marks = append(g.marks, p)
		r := p.reach + 4 // margin for the widest pixel on the board
		for cy := max(0, int((m.Y-r-g.y0)*g.inv)); cy <= min(g.ny-1, int((m.Y+r-g.y0)*g.inv)); cy++ {
			for cx := max(0, int((m.X-r-g.x0)*g.inv)); cx <= min(g.nx-1, int((m.X+r-g.x0)*g.inv)); cx++ {
				g.cells[cy*g.nx+cx] = append(g.cells[cy*g.nx+cx], int32(i))
			}
		}
	}
	return g
}

func (g *markGrid) paint(x, y, reach float64, c rgb) (rgb, bool) {
	cx, cy := int((x-g.x0)*g.inv), int((y-g.y0)*g.inv)
	if g.cells == nil || cx < 0 || cy < 0 || cx >= g.nx || cy >= g.ny {
		return c, false
	}
	edge := false
	for _, i := range g.cells[cy*g.nx+cx] {
		m := &g.marks[i]
		dx, dy := x-m.X, y-m.Y
		q := math.Sqrt(dx*dx + dy*dy)
		if q > m.reach+reach {
			continue
		}
		if m.Kind == Sticker {
			d := q - m.radius
			edge = edge || math.Abs(d) < reach
			if d <= 0 {
				c = m.colour.scale(1 + 0.02*tile.at(x*0.9+m.phase*30, y*0.9))
			}
			continue
		}
		edge = true
		c = m.bare(dx, dy, q, c)
	}
	return c, edge
}

// bare paints a mark without a sticker over the colour c.
func (m *paintedMark) bare(dx, dy, q float64, c rgb) rgb {
	r := m.radius
	if q > 0 {
		r += m.ragged.at(dx/q, dy/q)
	}
	d := (q - r) / m.radius // relative: -1 in the middle, 0 on the outline
	switch m.Kind {
	case Hole:
		switch {
		case d <= -m.Rim.Width:
			return rgb{0.006, 0.006, 0.006}
		case d <= 0: // torn rim: the core of the paper shows
			side, bright := (dx*math.Cos(m.phase)+dy*math.Sin(m.phase))/m.radius, m.Rim.Bright
			core := rgb{0.42, 0.38, 0.31}.mix(rgb{0.86, 0.84, 0.79}, float32(bright))
			return c.mix(core, float32(0.75+0.2*bright)).scale(float32(0.75 + 0.25*bright - (0.4-0.25*bright)*side))
		default:
			return c.scale(float32(1 - 0.25*math.Exp(-d*d/0.04)))
		}
	case Dent:
		// A dimple lit from one side: one flank darker, the other lighter.
		side := (dx*math.Cos(m.phase) + dy*math.Sin(m.phase)) / m.radius
		u := q / r
		return c.scale(float32(1 - (0.75*side+0.30)*math.Exp(-u*u*1.6)))
	case Smudge:
		u := q / r
		a := 0.62 * math.Exp(-u*u*u*u*0.7) * (0.85 + 0.25*float64(tile.at(dx*1.1+m.phase*40, dy*1.1)))
		return c.mix(rgb{0.03, 0.03, 0.032}, float32(clamp01(a)))
	case Chalk:
		u := q / r
		a := 0.8 * math.Exp(-u*u*u*u*0.7) * (0.8 + 0.5*float64(tile.at(dx*1.3+m.phase*40, dy*1.3)))
		return c.mix(rgb{0.86, 0.87, 0.9}, float32(clamp01(a)))
	}
	return c
}

func clamp01(v float64) float64 { return min(1, max(0, v)) }

// lighting is the light on the board.
type lighting struct {
	l              Light
	ambient, total rgb
	cos, sin       float64
	leaves         *mask
}

func newLighting(s *Scene) lighting {
	l := lighting{l: s.Light, cos: math.Cos(s.Light.ShadowAngle), sin: math.Sin(s.Light.ShadowAngle)}
	l.ambient = tint(s.Light.ShadeTint).scale(float32(s.Light.Ambient))
	sun := rgb{1, 1, 1}.scale(float32(s.Light.Sun))
	l.total = sun
	if s.Light.Shadow == "leaves" {
		l.leaves = newLeaves(s)
	}
	return l
}

// tint turns a multiplier into a colour; all zero means none.
func tint(t [3]float64) rgb {
	if t == ([3]float64{}) {
		return rgb{1, 1, 1}
	}
	return rgb{float32(t[0]), float32(t[1]), float32(t[2])}
}

// on returns the light that falls on (x, y), and the glare that leaves it.
func (l *lighting) on(x, y float64) (light, glare rgb) {
	sun := float32(1)
	if l.l.Shadow != "" {
		sun = l.sun(x, y)
	}
	light = l.ambient.add(l.total.scale(sun))
	light = light.scale(float32(max(0.05, 1+(l.l.GradientX*x+l.l.GradientY*y)/1000)))
	if l.l.Glare > 0 {
		dx, dy := (x-l.l.GlareX)/l.l.GlareMM, (y-l.l.GlareY)/l.l.GlareMM
		g := float32(l.l.Glare * math.Exp(-(dx*dx+dy*dy)/2))
		glare = rgb{g, g, g}
	}
	return light, glare
}

// sun returns the share of the sun that reaches (x, y).
func (l *lighting) sun(x, y float64) float32 {
	half := max(l.l.PenumbraMM, 0.01) / 2
	across := l.sin*x - l.cos*y - l.l.ShadowAtMM
	ramp := func(d float64) float64 { // 1 in the sun (d > 0)
		t := clamp01(0.5 + d/(2*half))
		return t * t * (3 - 2*t)
	}
	switch l.l.Shadow {
	case "edge":
		return float32(ramp(across))
	case "post":
		return float32(ramp(math.Abs(across) - l.l.ShadowWidthMM/2))
	case "leaves":
		return 1 - l.leaves.at(x, y)
	}
	return 1
}
