package vision

import (
	"image"
	"math"
	"runtime"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
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
func flatten(img *image.NRGBA, rect *calib.Rectification, e extentMM, pxPerMM float64) *Flat {
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

	src, err := wrapNRGBA(img)
	if err != nil {
		return f
	}
	defer src.Close()
	small := src
	if shrink > 1 {
		small = reduced(src, image.Pt(img.Rect.Dx()/shrink, img.Rect.Dy()/shrink))
		defer small.Close()
	}
	// Photo pixel u is the centre of small pixel (u + 0.5)/k - 0.5.
	kx := float64(small.Cols()) / float64(img.Rect.Dx())
	ky := float64(small.Rows()) / float64(img.Rect.Dy())

	mx := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F)
	defer mx.Close()
	my := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F)
	defer my.Close()
	xs, errX := mx.DataPtrFloat32()
	ys, errY := my.DataPtrFloat32()
	if errX != nil || errY != nil {
		return f
	}
	fillMaps(f, rect, w, h, func(i int, p calib.Px) {
		xs[i] = float32((p.X+0.5)*kx - 0.5)
		ys[i] = float32((p.Y+0.5)*ky - 0.5)
	})
	warped := gocv.NewMat()
	defer warped.Close()
	gocv.Remap(small, &warped, &mx, &my, gocv.InterpolationLinear, gocv.BorderConstant, transparent)
	if b, err := warped.DataPtrUint8(); err == nil {
		copy(f.Image.Pix, b)
	}
	runtime.KeepAlive(img)
	return f
}

// fillMaps calls set with the photo point of every raster pixel. The mapping is
// exact on a grid of 8 pixels and linear in between, which is good to a few
// thousandths of a pixel at any tilt that can be measured.
func fillMaps(f *Flat, rect *calib.Rectification, w, h int, set func(i int, p calib.Px)) {
	const cell = 8
	nx := w/cell + 2
	at := func(i, j int) calib.Px {
		x := f.ToBoard(calib.Px{X: float64(i * cell), Y: float64(j * cell)})
		if !rect.InFront(x) {
			return calib.Px{X: -1e6, Y: -1e6}
		}
		return rect.ToPhoto(x)
	}
	row := make([]calib.Px, nx)
	next := make([]calib.Px, nx)
	for i := range next {
		next[i] = at(i, 0)
	}
	for j := 0; j*cell < h; j++ {
		row, next = next, row
		for i := range next {
			next[i] = at(i, j+1)
		}
		for y := j * cell; y < min(h, (j+1)*cell); y++ {
			t := float64(y-j*cell) / cell
			for i := 0; i*cell < w; i++ {
				a := row[i].Scale(1 - t).Add(next[i].Scale(t))
				b := row[i+1].Scale(1 - t).Add(next[i+1].Scale(t))
				d := b.Sub(a).Scale(1.0 / cell)
				for x := i * cell; x < min(w, (i+1)*cell); x++ {
					set(y*w+x, a)
					a = a.Add(d)
				}
			}
		}
	}
}
