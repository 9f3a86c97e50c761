package vision

import (
	"image"
	"math"
	"runtime"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// extentMM is a rectangle of the board plane, in mm.
type extentMM struct{ minX, maxX, minY, maxY float64 }

func (e extentMM) empty() bool { return !(e.maxX > e.minX && e.maxY > e.minY) }

// viewOf returns the part of the square ±reachMM about the origin that the photo
// shows, as the bounding rectangle of a grid of its points that fall into a photo
// of the given size. It is empty when nothing is seen.
func viewOf(rect *calib.Rectification, size image.Point, reachMM float64) extentMM {
	const n = 48
	e := extentMM{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}
	step := 2 * reachMM / n
	for i := range n + 1 {
		for j := range n + 1 {
			x := r2.Vec{X: -reachMM + float64(i)*step, Y: -reachMM + float64(j)*step}
			if !rect.InFront(x) {
				continue
			}
			p := rect.ToPhoto(x)
			if p.X < 0 || p.Y < 0 || p.X > float64(size.X-1) || p.Y > float64(size.Y-1) {
				continue
			}
			e.minX, e.maxX = min(e.minX, x.X-step), max(e.maxX, x.X+step)
			e.minY, e.maxY = min(e.minY, x.Y-step), max(e.maxY, x.Y+step)
		}
	}
	e.minX, e.maxX = max(e.minX, -reachMM), min(e.maxX, reachMM)
	e.minY, e.maxY = max(e.minY, -reachMM), min(e.maxY, reachMM)
	return e
}

// flatten squares up the part e of the board at pxPerMM. Where the photo is
// sampled more finely than the raster it is reduced first, so that nothing
// aliases. Pixels the photo does not reach have alpha 0.
func flatten(p *photo.Photo, rect *calib.Rectification, e extentMM, pxPerMM float64) *Flat {
	w := int(math.Ceil((e.maxX - e.minX) * pxPerMM))
	h := int(math.Ceil((e.maxY - e.minY) * pxPerMM))
	f := &Flat{PxPerMM: pxPerMM, Centre: calib.Px{X: -e.minX * pxPerMM, Y: e.maxY * pxPerMM}}
	if e.empty() || w < 1 || h < 1 {
		f.Image = image.NewNRGBA(image.Rect(0, 0, 1, 1))
		return f
	}
	f.Image = image.NewNRGBA(image.Rect(0, 0, w, h))

	centre := r2.Vec{X: (e.minX + e.maxX) / 2, Y: (e.minY + e.maxY) / 2}
	lo, hi := rect.PxPerMM(centre)
	shrink := int(math.Sqrt(lo*hi)/pxPerMM + 0.3)
	shrink = max(1, min(shrink, 8))
	img := p.Image
	small, err := reduced(p, image.Pt(img.Rect.Dx()/shrink, img.Rect.Dy()/shrink))
	if err != nil {
		return f
	}
	defer small.Close()
	// Photo pixel u is the centre of small pixel k (u + 0.5) - 0.5. Halving drops an
	// odd last row or column.
	whole := img.Rect.Size()
	if shrink > 1 {
		whole = halfOf(img).Mul(2)
	}
	kx, ky := float64(small.Cols())/float64(whole.X), float64(small.Rows())/float64(whole.Y)

	// Strip by strip, so that the maps stay in the processor's cache.
	mx := gocv.NewMatWithSize(flatRows, w, gocv.MatTypeCV32F)
	defer mx.Close()
	my := gocv.NewMatWithSize(flatRows, w, gocv.MatTypeCV32F)
	defer my.Close()
	xs, errX := mx.DataPtrFloat32()
	ys, errY := my.DataPtrFloat32()
	out, err := wrapNRGBA(f.Image)
	if err != nil || errX != nil || errY != nil {
		return f
	}
	defer out.Close()
	for top := 0; top < h; top += flatRows {
		rows := min(flatRows, h-top)
		fillMaps(xs, ys, f, rect, top, rows, kx, ky)
		remapRows(small, out, mx, my, top, rows)
	}
	runtime.KeepAlive(p)
	runtime.KeepAlive(f)
	return f
}

// The mapping is exact at the corners of cells of flatCell pixels a side; flatRows is
// a multiple of that.
const (
	flatCell = 8
	flatRows = 64
)

// remapRows fills rows rows of dst from row top on by the first rows of the maps.
func remapRows(src, dst, mx, my gocv.Mat, top, rows int) {
	w := dst.Cols()
	strip := dst.Region(image.Rect(0, top, w, top+rows))
	defer strip.Close()
	mx = mx.Region(image.Rect(0, 0, w, rows))
	defer mx.Close()
	my = my.Region(image.Rect(0, 0, w, rows))
	defer my.Close()
	gocv.Remap(src, &strip, &mx, &my, gocv.InterpolationLinear, gocv.BorderConstant, transparent)
}

// fillMaps sets xs and ys, for rows rows of the raster from row top on, to where they
// lie in a photo reduced by kx and ky. The mapping is exact on a grid of 8 pixels and
// linear in between, which is good to a few thousandths of a pixel at any tilt that
// can be measured.
func fillMaps(xs, ys []float32, f *Flat, rect *calib.Rectification, top, rows int, kx, ky float64) {
	const cell = flatCell
	w := f.Image.Rect.Dx()
	at := func(x, y int) [2]float32 {
		b := f.ToBoard(calib.Px{X: float64(x), Y: float64(y)})
		if !rect.InFront(b) {
			return [2]float32{-1e6, -1e6}
		}
		p := rect.ToPhoto(b)
		return [2]float32{float32((p.X+0.5)*kx - 0.5), float32((p.Y+0.5)*ky - 0.5)}
	}
	upper, lower := make([][2]float32, w/cell+2), make([][2]float32, w/cell+2)
	for i := range lower {
		lower[i] = at(i*cell, top)
	}
	for j := 0; j < rows; j += cell {
		upper, lower = lower, upper
		for i := range lower {
			lower[i] = at(i*cell, top+j+cell)
		}
		for y := j; y < min(rows, j+cell); y++ {
			t := float32(y-j) / cell
			xRow, yRow := xs[y*w:(y+1)*w], ys[y*w:(y+1)*w]
			for i := 0; i*cell < w; i++ {
				px, py := mix(upper[i][0], lower[i][0], t), mix(upper[i][1], lower[i][1], t)
				dx, dy := (mix(upper[i+1][0], lower[i+1][0], t)-px)/cell, (mix(upper[i+1][1], lower[i+1][1], t)-py)/cell
				for x := i * cell; x < min(w, (i+1)*cell); x++ {
					xRow[x], yRow[x] = px, py
					px, py = px+dx, py+dy
				}
			}
		}
	}
}

func mix(a, b, t float32) float32 { return a + t*(b-a) }
