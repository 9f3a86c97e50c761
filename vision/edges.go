package vision

import (
	"image"
	"math"

	"gocv.io/x/gocv"

	"dartfall/calib"
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
}

// Settings of the search, in pixels of the reduced photo. Chosen so that a
// 1 mm line on a 400 mm face that fills half the frame still shows both sides.
const (
	reducedLongSide = 1400
	edgeMinGradient = 6.0 // grey levels per px; noise is below 2 after reduction
	chainMinPoints  = 14
)

// findEdges reduces the photo and extracts its edges.
func findEdges(img *image.NRGBA) (*edgeMap, error) {
	src, err := wrapNRGBA(img)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	scale := math.Max(1, float64(max(src.Cols(), src.Rows()))/reducedLongSide)
	w, h := int(math.Round(float64(src.Cols())/scale)), int(math.Round(float64(src.Rows())/scale))
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(src, &small, image.Pt(w, h), 0, 0, gocv.InterpolationArea)
	gocv.GaussianBlur(small, &small, image.Pt(5, 5), 0.9, 0.9, gocv.BorderReplicate)
	dx, dy := gocv.NewMat(), gocv.NewMat()
	defer dx.Close()
	defer dy.Close()
	// Scharr's weights sum to 16 per side: 32 levels per grey level per px.
	gocv.Scharr(small, &dx, gocv.MatTypeCV16S, 1, 0, 1, 0, gocv.BorderReplicate)
	gocv.Scharr(small, &dy, gocv.MatTypeCV16S, 0, 1, 1, 0, gocv.BorderReplicate)
	px, err := dx.DataPtrInt16()
	if err != nil {
		return nil, err
	}
	py, err := dy.DataPtrInt16()
	if err != nil {
		return nil, err
	}
	e := &edgeMap{scale: scale, w: w, h: h}
	gx, gy, mag := strongestChannel(px, py, w*h)
	index := e.suppress(gx, gy, mag)
	e.link(index)
	return e, nil
}

// strongestChannel picks for every pixel the channel with the largest gradient.
func strongestChannel(px, py []int16, n int) (gx, gy, mag []float32) {
	gx, gy, mag = make([]float32, n), make([]float32, n), make([]float32, n)
	for i := range n {
		var bx, by, best int32
		for c := range 3 {
			x, y := int32(px[4*i+c]), int32(py[4*i+c])
			if m := x*x + y*y; m > best {
				bx, by, best = x, y, m
			}
		}
		gx[i], gy[i] = float32(bx)/32, float32(by)/32
		mag[i] = float32(math.Sqrt(float64(best))) / 32
	}
	return gx, gy, mag
}

// suppress keeps local maxima across the edge and returns the edgel index of
// each pixel, -1 for none.
func (e *edgeMap) suppress(gx, gy, mag []float32) []int32 {
	w, h := e.w, e.h
	index := make([]int32, w*h)
	for i := range index {
		index[i] = -1
	}
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			i := y*w + x
			m := mag[i]
			if m < edgeMinGradient {
				continue
			}
			nx, ny := gx[i]/m, gy[i]/m
			// Magnitude one step of the larger axis along the gradient, both ways.
			var a, b, step float32
			if ax, ay := abs32(nx), abs32(ny); ax > ay {
				t := ny / nx
				s := int(sign32(t)) * w
				t = abs32(t)
				a = mag[i+1]*(1-t) + mag[i+1+s]*t
				b = mag[i-1]*(1-t) + mag[i-1-s]*t
				step = 1 / ax
				if nx < 0 {
					a, b = b, a
				}
			} else {
				t := nx / ny
				s := int(sign32(t))
				t = abs32(t)
				a = mag[i+w]*(1-t) + mag[i+w+s]*t
				b = mag[i-w]*(1-t) + mag[i-w-s]*t
				step = 1 / ay
				if ny < 0 {
					a, b = b, a
				}
			}
			if m < a || m <= b {
				continue
			}
			off := float32(0)
			if d := a - 2*m + b; d < 0 {
				off = 0.5 * (b - a) / d * step
			}
			index[i] = int32(len(e.edgels))
			fx, fy := float64(x)+float64(off*nx), float64(y)+float64(off*ny)
			e.edgels = append(e.edgels, edgel{
				at: calib.Px{X: (fx+0.5)*e.scale - 0.5, Y: (fy+0.5)*e.scale - 0.5},
				nx: nx, ny: ny,
			})
		}
	}
	return index
}

// link walks along edges into chains; a chain ends where the direction of its
// gradient jumps.
func (e *edgeMap) link(index []int32) {
	w := e.w
	used := make([]bool, len(e.edgels))
	// The pixel that each edgel came from.
	home := make([]int32, len(e.edgels))
	for i, k := range index {
		if k >= 0 {
			home[k] = int32(i)
		}
	}
	walk := func(k int32, forward bool) []int32 {
		var out []int32
		for {
			c := e.edgels[k]
			tx, ty := -c.ny, c.nx
			if !forward {
				tx, ty = -tx, -ty
			}
			best, bestScore := int32(-1), float32(0.6)
			for dy := -1; dy <= 1; dy++ {
				for dx := -1; dx <= 1; dx++ {
					if dx == 0 && dy == 0 {
						continue
					}
					i := int(home[k]) + dy*w + dx
					if i < 0 || i >= len(index) {
						continue
					}
					j := index[i]
					if j < 0 || used[j] {
						continue
					}
					n := e.edgels[j]
					dot := n.nx*c.nx + n.ny*c.ny
					if dot < 0.85 {
						continue
					}
					along := (float32(dx)*tx + float32(dy)*ty) / float32(math.Hypot(float64(dx), float64(dy)))
					if s := along * dot; s > bestScore {
						best, bestScore = j, s
					}
				}
			}
			if best < 0 {
				return out
			}
			used[best] = true
			out = append(out, best)
			k = best
		}
	}
	for k := range e.edgels {
		if used[k] {
			continue
		}
		used[k] = true
		back := walk(int32(k), false)
		chain := make([]int32, 0, len(back)+1)
		for i := len(back) - 1; i >= 0; i-- {
			chain = append(chain, back[i])
		}
		chain = append(chain, int32(k))
		chain = append(chain, walk(int32(k), true)...)
		if len(chain) >= chainMinPoints {
			e.chains = append(e.chains, chain)
		}
	}
}

func abs32(x float32) float32 {
	if x < 0 {
		return -x
	}
	return x
}

func sign32(x float32) float32 {
	if x < 0 {
		return -1
	}
	return 1
}
