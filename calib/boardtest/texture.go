package boardtest

import (
	"image"
	"math"
	"math/rand/v2"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// noiseTile is periodic noise of zero mean, some ±1, with detail from 2 to 64
// cells; its period is tileSize.
type noiseTile []float32

const tileSize = 256

var tile = func() noiseTile {
	rng := rand.New(rand.NewPCG(20, 26))
	t := make(noiseTile, tileSize*tileSize)
	for cell := 2; cell <= 64; cell *= 2 {
		n := tileSize / cell
		grid := make([]float64, n*n)
		for i := range grid {
			grid[i] = rng.NormFloat64()
		}
		amp := 0.25 * math.Pow(float64(cell)/2, 0.25)
		for y := range tileSize {
			fy := float64(y) / float64(cell)
			y0 := int(fy)
			v := smooth(fy - float64(y0))
			for x := range tileSize {
				fx := float64(x) / float64(cell)
				x0 := int(fx)
				u := smooth(fx - float64(x0))
				a, b := grid[y0*n+x0], grid[y0*n+(x0+1)%n]
				c, d := grid[(y0+1)%n*n+x0], grid[(y0+1)%n*n+(x0+1)%n]
				t[y*tileSize+x] += float32(amp * ((a*(1-u)+b*u)*(1-v) + (c*(1-u)+d*u)*v))
			}
		}
	}
	return t
}()

func smooth(t float64) float64 { return t * t * (3 - 2*t) }

// at samples the noise, linear between its cells.
func (t noiseTile) at(x, y float64) float32 {
	fx, fy := math.Floor(x), math.Floor(y)
	u, v := float32(x-fx), float32(y-fy)
	x0, y0 := int(fx)&(tileSize-1), int(fy)&(tileSize-1)
	x1, y1 := (x0+1)&(tileSize-1), (y0+1)&(tileSize-1)
	a, b := t[y0*tileSize+x0], t[y0*tileSize+x1]
	c, d := t[y1*tileSize+x0], t[y1*tileSize+x1]
	return (a*(1-u)+b*u)*(1-v) + (c*(1-u)+d*u)*v
}

// mask is a raster of 0 to 1 over the board.
type mask struct {
	x0, y0, inv float64
	w, h        int
	v           []float32
}

// at samples the mask, linear between cells, the border value beyond it.
func (m *mask) at(x, y float64) float32 {
	fx := math.Min(math.Max((x-m.x0)*m.inv, 0), float64(m.w)-1.001)
	fy := math.Min(math.Max((y-m.y0)*m.inv, 0), float64(m.h)-1.001)
	x0, y0 := int(fx), int(fy)
	u, v := float32(fx-float64(x0)), float32(fy-float64(y0))
	i := y0*m.w + x0
	return (m.v[i]*(1-u)+m.v[i+1]*u)*(1-v) + (m.v[i+m.w]*(1-u)+m.v[i+m.w+1]*u)*v
}

// newLeaves draws the shadow of foliage on the side that ShadowAngle and
// ShadowAtMM leave in the dark.
func newLeaves(s *Scene) *mask {
	const mm = 2.0 // per cell
	l := s.Light
	m := &mask{x0: -s.Board.WidthMM / 2, y0: -s.Board.HeightMM / 2, inv: 1 / mm}
	m.w, m.h = int(s.Board.WidthMM/mm)+2, int(s.Board.HeightMM/mm)+2
	m.v = make([]float32, m.w*m.h)
	rng := rand.New(rand.NewPCG(s.Seed, 3))
	cos, sin := math.Cos(l.ShadowAngle), math.Sin(l.ShadowAngle)
	size := math.Max(l.ShadowWidthMM, 20)
	n := int(2.2 * s.Board.WidthMM * s.Board.HeightMM / (size * size / 4))
	for range n {
		x, y := (rng.Float64()-0.5)*s.Board.WidthMM, (rng.Float64()-0.5)*s.Board.HeightMM
		if across := sin*x - cos*y - l.ShadowAtMM; across > -0.8*size*math.Abs(rng.NormFloat64()) {
			continue
		}
		a, long := 2*math.Pi*rng.Float64(), size*(0.35+0.3*rng.Float64())
		ca, sa, broad := math.Cos(a), math.Sin(a), long*0.42
		for cy := max(0, int((y-long-m.y0)/mm)); cy <= min(m.h-1, int((y+long-m.y0)/mm)); cy++ {
			for cx := max(0, int((x-long-m.x0)/mm)); cx <= min(m.w-1, int((x+long-m.x0)/mm)); cx++ {
				dx, dy := m.x0+float64(cx)*mm-x, m.y0+float64(cy)*mm-y
				u, v := (ca*dx+sa*dy)/long, (-sa*dx+ca*dy)/broad
				if u*u+math.Abs(v) < 1 {
					m.v[cy*m.w+cx] = 1
				}
			}
		}
	}
	blurPlane(m.v, m.w, m.h, 1, math.Max(1, l.PenumbraMM/4/mm))
	return m
}

// glyph is a numeral on the face: a raster whose 0.5 level is its outline.
type glyph struct {
	mask
	x1, y1 float64
	ink    rgb
}

func (g *glyph) paint(x, y, reach float64, c rgb) (rgb, bool) {
	if x < g.x0-reach || y < g.y0-reach || x > g.x1+reach || y > g.y1+reach {
		return c, false
	}
	a := g.at(x, y)
	return c.mix(g.ink, a), a > 0.01 && a < 0.99
}

// typeface is the sans that numerals and captions are set in. A face made from
// it is for one goroutine only.
var typeface = sync.OnceValue(func() *opentype.Font {
	f, err := opentype.Parse(gobold.TTF)
	if err != nil {
		panic("boardtest: " + err.Error())
	}
	return f
})

const (
	typeCells = 96          // raster cells per em
	capCells  = 0.72 * 96.0 // height of a digit
)

// newGlyph sets text sizeMM tall with its middle at (x, y).
func newGlyph(text string, sizeMM, x, y float64, ink rgb) glyph {
	mm := sizeMM / capCells
	face, err := opentype.NewFace(typeface(), &opentype.FaceOptions{Size: typeCells, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		panic("boardtest: " + err.Error())
	}
	d := font.Drawer{Face: face, Src: image.Opaque}
	bounds, _ := d.BoundString(text)
	w, h := (bounds.Max.X-bounds.Min.X).Ceil()+4, (bounds.Max.Y-bounds.Min.Y).Ceil()+4
	img := image.NewAlpha(image.Rect(0, 0, w, h))
	d.Dst = img
	d.Dot = fixed.Point26_6{X: fixed.I(2) - bounds.Min.X, Y: fixed.I(2) - bounds.Min.Y}
	d.DrawString(text)
	g := glyph{ink: ink}
	g.w, g.h, g.inv = w, h, 1/mm
	g.x0, g.y0 = x-float64(w-1)*mm/2, y-float64(h-1)*mm/2
	g.x1, g.y1 = g.x0+float64(w-1)*mm, g.y0+float64(h-1)*mm
	g.v = make([]float32, w*h)
	for row := range h { // the board's y is up
		for col := range w {
			g.v[(h-1-row)*w+col] = float32(img.AlphaAt(col, row).A) / 255
		}
	}
	return g
}

// newWriting places the numerals of a face in the middle of its zones, on the
// four half axes, and its caption.
func newWriting(f Face) (out []glyph) {
	n := f.Numerals
	for z := range min(len(n.Zones), len(f.Rings)) {
		if n.SizeMM == 0 {
			break
		}
		outer, inner := f.Rings[z].OuterDiameterMM/2-f.Rings[z].LineMM, 0.0
		if z+1 < len(f.Rings) {
			inner = f.Rings[z+1].OuterDiameterMM / 2
		}
		r := (outer + inner) / 2
		if inner == 0 {
			r = outer * 0.6
		}
		for _, at := range [][2]float64{{1, 0}, {0, 1}, {-1, 0}, {0, -1}} {
			out = append(out, newGlyph(string(rune('1'+z%9)), n.SizeMM, at[0]*r, at[1]*r, n.Zones[z].linear()))
		}
	}
	if f.Caption != "" && len(f.Rings) > 0 {
		r := f.OuterMM() / 2
		out = append(out, newGlyph(f.Caption, f.CaptionMM, -0.62*r, -0.97*r, f.Rings[0].Line.linear()))
	}
	return out
}
