package vision

import (
	"image"
	"math"

	"gocv.io/x/gocv"
)

// lightMap is the light L on the board, smooth over more than a mark, as a raster of
// cells. It is zero until fitted.
type lightMap struct {
	w, h   int // of the raster it lights
	cell   int // side of a cell, raster pixels
	gw, gh int
	ch     [3][]float32
	window int // of the running median, cells
	xs     []between
}

// between is a place between the centres of cell i and the next, a share f past the
// first.
type between struct {
	i int
	f float32
}

func newLightMap(w, h int, markPx float64) *lightMap {
	l := &lightMap{w: w, h: h, cell: max(1, int(markPx/3))}
	l.gw, l.gh = (w+l.cell-1)/l.cell, (h+l.cell-1)/l.cell
	l.window = min(2*int(1.6*markPx/float64(l.cell))+1, 101)
	for c := range l.ch {
		l.ch[c] = make([]float32, l.gw*l.gh)
	}
	for x := range w {
		l.xs = append(l.xs, l.between(x, l.gw))
	}
	return l
}

// between returns where pixel p lies between the centres of n cells.
func (l *lightMap) between(p, n int) between {
	t := (float32(p) - float32(l.cell-1)/2) / float32(l.cell)
	i := max(0, min(int(math.Floor(float64(t))), n-2))
	return between{i, max(0, min(1, t-float32(i)))}
}

// cellOf returns the index in ch of the cell of pixel (x, y).
func (l *lightMap) cellOf(x, y int) int { return y/l.cell*l.gw + x/l.cell }

// near returns L of channel c in the cell of pixel (x, y).
func (l *lightMap) near(c, x, y int) float32 { return l.ch[c][l.cellOf(x, y)] }

// fit sets L to the running median of y - F, but for pixels that are explained by
// neither F nor the present L when tidy.
func (l *lightMap) fit(y *planes, m *faceModel, tidy bool) {
	var sum [3][]float32
	for c := range sum {
		sum[c] = make([]float32, l.gw*l.gh)
	}
	num := make([]float32, l.gw*l.gh)
	step := 1 + l.cell/4 // a few pixels of every cell will do
	last := len(m.radial[0]) - 1
	for py := 0; py < l.h; py += step {
		dy := float64(py) - m.centre.Y
		for px := 0; px < l.w; px += step {
			i := py*l.w + px
			if !y.ok[i] {
				continue
			}
			dx := float64(px) - m.centre.X
			r := min(int(math.Sqrt(dx*dx+dy*dy)+0.5), last)
			k := l.cellOf(px, py)
			v := [3]float32{y.ch[0][i], y.ch[1][i], y.ch[2][i]}
			if tidy && m.stray([3]float32{v[0] - l.ch[0][k], v[1] - l.ch[1][k], v[2] - l.ch[2][k]}, r) {
				continue
			}
			for c := range sum {
				sum[c][k] += v[c] - m.radial[c][r]
			}
			num[k]++
		}
	}
	full := float32((l.cell + step - 1) / step)
	for c := range sum {
		l.ch[c] = l.median(sum[c], num, full*full/2)
	}
}

// lightStep is the resolution of the 8-bit raster the light is smoothed in, in
// log units.
const lightStep = 1.0 / 50

// median returns the running median of the means sum/num of cells. A cell of fewer
// than least pixels takes the mean of what is around it.
func (l *lightMap) median(sum, num []float32, least float32) []float32 {
	sums, nums := newMat32(sum, l.gw, l.gh), newMat32(num, l.gw, l.gh)
	defer sums.Close()
	defer nums.Close()
	wide := 2*l.window + 1
	gocv.BoxFilter(sums, &sums, -1, image.Pt(wide, wide))
	gocv.BoxFilter(nums, &nums, -1, image.Pt(wide, wide))
	ws, err1 := sums.DataPtrFloat32()
	wn, err2 := nums.DataPtrFloat32()
	q := make([]byte, l.gw*l.gh)
	for i := range q {
		v := float32(0)
		switch {
		case num[i] >= least:
			v = sum[i] / num[i]
		case err1 == nil && err2 == nil && wn[i] > 0.02*least:
			v = ws[i] / wn[i]
		}
		q[i] = byte(max(0, min(255, 128.5+v/lightStep)))
	}
	out := make([]float32, l.gw*l.gh)
	m, err := gocv.NewMatFromBytes(l.gh, l.gw, gocv.MatTypeCV8U, q)
	if err != nil {
		return out
	}
	defer m.Close()
	med := gocv.NewMat()
	defer med.Close()
	gocv.MedianBlur(m, &med, l.window)
	soft := gocv.NewMat()
	defer soft.Close()
	med.ConvertTo(&soft, gocv.MatTypeCV32F)
	gocv.BoxFilter(soft, &soft, -1, image.Pt(3, 3))
	if v, err := soft.DataPtrFloat32(); err == nil {
		for i := range out {
			out[i] = (v[i] - 128) * lightStep
		}
	}
	return out
}

// row sets out to L of channel c along raster row y, interpolated linearly between
// the centres of cells.
func (l *lightMap) row(c, y int, out []float32) {
	if l.gw < 2 || l.gh < 2 {
		for x := range out {
			out[x] = l.ch[c][0]
		}
		return
	}
	v := l.between(y, l.gh)
	mixed := make([]float32, l.gw)
	for i := range mixed {
		a, b := l.ch[c][v.i*l.gw+i], l.ch[c][(v.i+1)*l.gw+i]
		mixed[i] = a + v.f*(b-a)
	}
	for x, u := range l.xs {
		a := mixed[u.i]
		out[x] = a + u.f*(mixed[u.i+1]-a)
	}
}

// newMat32 returns an owned one-channel float Mat holding a copy of v.
func newMat32(v []float32, w, h int) gocv.Mat {
	m := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F)
	if d, err := m.DataPtrFloat32(); err == nil {
		copy(d, v)
	}
	return m
}
