package vision

import (
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// edgel is an edge point of the reduced photo: where the strongest colour
// channel changes fastest, to a fraction of a pixel.
type edgel struct {
	at     calib.Px // full photo, px
	nx, ny float32  // unit gradient, from dark to light
}

// edgeMap holds the edgels of a reduced photo, linked into chains.
type edgeMap struct {
	scale  float64 // full px per reduced px
	w, h   int     // of the reduced photo
	edgels []edgel
	chains [][]int32 // indices of edgels, in order along the edge
	index  []int32   // the chained edgel at each reduced pixel, -1 for none
}

// Settings of the search, in pixels of the reduced photo. Chosen so that a
// 1 mm line on a 400 mm face that fills half the frame still shows both sides.
const (
	reducedLongSide = 1400
	edgeMinGradient = 6.0 // grey levels per px; noise is below 2 after reduction
	chainMinPoints  = 14
)

// findEdges reduces the photo and extracts its edges.
func findEdges(p *photo.Photo) (*edgeMap, error) {
	full := p.Image.Rect.Size()
	scale := math.Max(1, float64(max(full.X, full.Y))/reducedLongSide)
	w, h := int(math.Round(float64(full.X)/scale)), int(math.Round(float64(full.Y)/scale))
	small, err := reduced(p, image.Pt(w, h))
	if err != nil {
		return nil, err
	}
	defer small.Close()
	e := &edgeMap{scale: scale, w: w, h: h, edgels: make([]edgel, 0, w*h/12), index: make([]int32, w*h)}
	e.clearIndex()
	var g gradients
	defer g.close()
	for y := 1; y < h-1; y += stripRows {
		rows := min(stripRows, h-1-y)
		if err := g.read(small, y-1, rows+2); err != nil {
			return nil, err
		}
		for k := range rows {
			e.suppress(&g, k+1, y+k, e.index[(y+k)*w:][:w])
		}
	}
	e.link()
	e.clearIndex()
	for _, c := range e.chains {
		for _, k := range c {
			if x, y := e.reduced(e.edgels[k].at); x >= 0 && x < w && y >= 0 && y < h {
				e.index[y*w+x] = k
			}
		}
	}
	return e, nil
}

func (e *edgeMap) clearIndex() {
	for i := range e.index {
		e.index[i] = -1
	}
}

// reduced returns the reduced pixel at a place of the photo, which may be outside.
func (e *edgeMap) reduced(p calib.Px) (x, y int) {
	return int(math.Round((p.X+0.5)/e.scale - 0.5)), int(math.Round((p.Y+0.5)/e.scale - 0.5))
}

// stripRows is how many rows are filtered at once: all that is between the
// reduced photo and its edgels then stays in the processor's cache.
const stripRows = 48

// gradient is that of one pixel's strongest channel, in grey levels per px.
type gradient struct{ x, y, norm float32 }

// gradients holds those of a strip of the photo.
type gradients struct {
	rgb, soft, dx, dy gocv.Mat
	w                 int
	at                []gradient
}

func (g *gradients) close() {
	if g.at != nil {
		g.rgb.Close()
		g.soft.Close()
		g.dx.Close()
		g.dy.Close()
	}
}

// read fills g from rows rows of the RGBA photo m, from row top on.
func (g *gradients) read(m gocv.Mat, top, rows int) error {
	if g.at == nil {
		g.rgb, g.soft, g.dx, g.dy = gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
		g.w = m.Cols()
		g.at = make([]gradient, (stripRows+2)*g.w)
	}
	// One row more on either side, so that the filters see past the strip's ends.
	from, to := max(0, top-1), min(m.Rows(), top+rows+1)
	strip := m.Region(image.Rect(0, from, g.w, to))
	defer strip.Close()
	gocv.CvtColor(strip, &g.rgb, gocv.ColorRGBAToBGR)
	gocv.GaussianBlur(g.rgb, &g.soft, image.Pt(5, 5), 0.9, 0.9, gocv.BorderReplicate)
	// Scharr's weights sum to 16 per side: 32 levels per grey level per px.
	gocv.Scharr(g.soft, &g.dx, gocv.MatTypeCV16S, 1, 0, 1, 0, gocv.BorderReplicate)
	gocv.Scharr(g.soft, &g.dy, gocv.MatTypeCV16S, 0, 1, 1, 0, gocv.BorderReplicate)
	dx, err := g.dx.DataPtrInt16()
	if err != nil {
		return err
	}
	dy, err := g.dy.DataPtrInt16()
	if err != nil {
		return err
	}
	skip := 3 * g.w * (top - from)
	dx, dy = dx[skip:], dy[skip:]
	out := g.at[:rows*g.w]
	for i := range out {
		a, b := dx[3*i:3*i+3:3*i+3], dy[3*i:3*i+3:3*i+3]
		x, y := int32(a[0]), int32(b[0])
		most := x*x + y*y
		for c := 1; c < 3; c++ {
			u, v := int32(a[c]), int32(b[c])
			if n := u*u + v*v; n > most {
				x, y, most = u, v, n
			}
		}
		out[i] = gradient{float32(x) / 32, float32(y) / 32, float32(math.Sqrt(float64(most))) / 32}
	}
	return nil
}

// suppress keeps the local maxima across the edge of row y of the reduced photo,
// which is row k of the strip, and notes each pixel's edgel in index.
func (e *edgeMap) suppress(strip *gradients, k, y int, index []int32) {
	w, g := e.w, strip.at
	for x := 1; x < w-1; x++ {
		i := k*w + x
		m := g[i].norm
		if m < edgeMinGradient {
			continue
		}
		nx, ny := g[i].x/m, g[i].y/m
		// The magnitude one step along the larger axis of the gradient, ahead and
		// behind, between that neighbour and the next diagonal one.
		near, across, slope := 1, w, ny/nx
		if abs32(nx) <= abs32(ny) {
			near, across, slope = w, 1, nx/ny
		}
		if slope < 0 {
			across, slope = -across, -slope
		}
		ahead := g[i+near].norm*(1-slope) + g[i+near+across].norm*slope
		behind := g[i-near].norm*(1-slope) + g[i-near-across].norm*slope
		if near == 1 && nx < 0 || near == w && ny < 0 {
			ahead, behind = behind, ahead
		}
		if m < ahead || m <= behind {
			continue
		}
		off := float32(0)
		if d := ahead - 2*m + behind; d < 0 {
			off = 0.5 * (behind - ahead) / (d * max(abs32(nx), abs32(ny)))
		}
		index[x] = int32(len(e.edgels))
		fx, fy := float64(x)+float64(off*nx), float64(y)+float64(off*ny)
		e.edgels = append(e.edgels, edgel{
			at: calib.Px{X: (fx+0.5)*e.scale - 0.5, Y: (fy+0.5)*e.scale - 0.5},
			nx: nx, ny: ny,
		})
	}
}

// link walks along edges into chains; a chain ends where the direction of its
// gradient jumps.
func (e *edgeMap) link() {
	used := make([]bool, len(e.edgels))
	// The pixel that each edgel came from.
	home := make([]int32, len(e.edgels))
	for i, k := range e.index {
		if k >= 0 {
			home[k] = int32(i)
		}
	}
	var chain []int32
	for k := range e.edgels {
		if used[k] {
			continue
		}
		used[k] = true
		chain = e.walk(chain[:0], int32(k), -1, home, used)
		slices.Reverse(chain)
		chain = append(chain, int32(k))
		chain = e.walk(chain, int32(k), 1, home, used)
		if len(chain) >= chainMinPoints {
			e.chains = append(e.chains, slices.Clone(chain))
		}
	}
}

// walk appends the edgels that follow k along the edge, with the dark side to the
// right for sense 1 and to the left for -1, and marks them used.
func (e *edgeMap) walk(chain []int32, k int32, sense float32, home []int32, used []bool) []int32 {
	const diagonal = math.Sqrt2 / 2
	steps := [8]struct {
		to     int
		ux, uy float32 // unit direction
	}{
		{-e.w - 1, -diagonal, -diagonal}, {-e.w, 0, -1}, {-e.w + 1, diagonal, -diagonal}, {-1, -1, 0},
		{1, 1, 0}, {e.w - 1, -diagonal, diagonal}, {e.w, 0, 1}, {e.w + 1, diagonal, diagonal},
	}
	for {
		c := &e.edgels[k]
		tx, ty := -c.ny*sense, c.nx*sense
		next, most := int32(-1), float32(0.6)
		for _, s := range steps {
			along := s.ux*tx + s.uy*ty
			if along <= most {
				continue
			}
			j := e.index[int(home[k])+s.to] // edgels keep off the border
			if j < 0 || used[j] {
				continue
			}
			n := &e.edgels[j]
			dot := n.nx*c.nx + n.ny*c.ny
			if dot < 0.85 {
				continue
			}
			if score := along * dot; score > most {
				next, most = j, score
			}
		}
		if next < 0 {
			return chain
		}
		used[next] = true
		chain = append(chain, next)
		k = next
	}
}

func abs32(x float32) float32 {
	if x < 0 {
		return -x
	}
	return x
}
