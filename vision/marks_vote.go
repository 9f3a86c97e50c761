package vision

import (
	"cmp"
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"dartfall/calib"
)

// A disc of known radius r is found by its outline alone, whatever its colour: every
// edge pixel of the squared-up board votes for the two points at distance r along
// its gradient, and a disc's centre gathers the votes of its whole rim (Kimme,
// Ballard, Sklansky, "Finding circles by an array of accumulators", 1975).

// edgePixel is a thinned edge pixel of the raster with its unit gradient.
type edgePixel struct {
	x, y   int32
	gx, gy float32
	weight float32 // by strength, up to 1
}

const (
	edgeNoise  = 3.0  // an edge is so many times as strong as the median gradient on the face
	edgeLeast  = 0.2  // and has at least this many standard deviations of the ground per pixel
	strongEdge = 3.0  // edges so many times as strong as needed have a full vote
	leastVotes = 0.06 // of a whole strong rim: below it a peak is not looked at
)

// edges returns the thinned edges of what the face model leaves over, each in the
// channel that shows it best. They are sought strip by strip, which keeps the
// gradients in the processor's cache.
func (s *search) edges() []edgePixel {
	if s.edgePixels != nil {
		return s.edgePixels
	}
	w, h := s.y.w, s.y.h
	mag := make([]float32, (stripRows+2)*w)
	dir := make([][2]float32, (stripRows+2)*w)
	least, ok := s.edgeLimit(mag, dir)
	if !ok {
		return nil
	}
	out := make([]edgePixel, 0, w*h/8) // a tenth is usual
	for top := 2; top < h-2; top += stripRows {
		rows := min(stripRows, h-2-top)
		s.gradients(top-1, rows+2, mag, dir)
		for y := range rows {
			out = s.thinned(out, top+y, mag[y*w:(y+3)*w], dir[(y+1)*w:(y+2)*w], least)
		}
	}
	s.edgePixels = out
	return out
}

// edgeLimit returns the least squared gradient of an edge, by the median one on the
// face; false where there is no face. A few rows of every strip tell.
func (s *search) edgeLimit(mag []float32, dir [][2]float32) (least float32, ok bool) {
	const rows = 6
	w, h := s.y.w, s.y.h
	last := uint16(len(s.m.radial[0]) - 1)
	var face []float32
	for top := 2; top+rows < h; top += stripRows {
		s.gradients(top, rows, mag, dir)
		for i := 0; i < rows*w; i += 3 {
			if j := top*w + i; s.index[j] < last && s.y.ok[j] {
				face = append(face, mag[i])
			}
		}
	}
	if len(face) == 0 {
		return 0, false
	}
	return max(edgeNoise*edgeNoise*selectKth(face, len(face)/2), edgeLeast*edgeLeast), true
}

// thinned appends to out the pixels of raster row y at which the squared gradient is
// least or more and largest across the edge. mag holds it for the rows above, at and
// below y.
func (s *search) thinned(out []edgePixel, y int, mag []float32, dir [][2]float32, least float32) []edgePixel {
	w, ok := s.y.w, s.y.ok
	for x := 2; x < w-2; x++ {
		i, k := y*w+x, w+x
		if mag[k] < least || !ok[i-2] || !ok[i+2] || !ok[i-2*w] || !ok[i+2*w] {
			continue
		}
		u, v := dir[x][0], dir[x][1]
		l := float32(math.Sqrt(float64(u*u + v*v)))
		u, v = u/l, v/l
		d := int(math.Round(float64(u))) + w*int(math.Round(float64(v)))
		if mag[k] >= mag[k+d] && mag[k] > mag[k-d] {
			strength := float32(math.Sqrt(float64(mag[k] / least)))
			out = append(out, edgePixel{int32(x), int32(y), u, v, min(strongEdge, strength) / strongEdge})
		}
	}
	return out
}

// gradients sets mag (squared, in standard deviations of the ground) and dir to the
// strongest channel's gradient in rows rows from row top on.
func (s *search) gradients(top, rows int, mag []float32, dir [][2]float32) {
	clear(mag[:rows*s.y.w])
	for c := range 3 {
		s.addGradient(c, top, rows, mag, dir)
	}
}

// addGradient replaces mag (squared, in standard deviations of the ground) and dir of
// rows rows from row top on where the gradient of channel c is stronger.
func (s *search) addGradient(c, top, rows int, mag []float32, dir [][2]float32) {
	w := s.y.w
	from, to := max(0, top-2), min(s.y.h, top+rows+2) // what the filter sees
	m := newMat32(s.m.residual.ch[c][from*w:to*w], w, to-from)
	defer m.Close()
	dx, dy := gocv.NewMat(), gocv.NewMat()
	defer dx.Close()
	defer dy.Close()
	gocv.Sobel(m, &dx, gocv.MatTypeCV32F, 1, 0, 5, 1.0/128, 0, gocv.BorderReplicate)
	gocv.Sobel(m, &dy, gocv.MatTypeCV32F, 0, 1, 5, 1.0/128, 0, gocv.BorderReplicate)
	gx, errX := dx.DataPtrFloat32()
	gy, errY := dy.DataPtrFloat32()
	if errX != nil || errY != nil {
		return
	}
	gx, gy = gx[(top-from)*w:], gy[(top-from)*w:]
	inv := make([]float32, len(s.m.spread[c]))
	for r, v := range s.m.spread[c] {
		inv[r] = 1 / max(v, leastSpread[c]) / max(v, leastSpread[c])
	}
	for i, r := range s.index[top*w : (top+rows)*w] {
		if g := (gx[i]*gx[i] + gy[i]*gy[i]) * inv[r]; g > mag[i] {
			mag[i], dir[i] = g, [2]float32{gx[i], gy[i]}
		}
	}
}

// leastSpread is the least standard deviation the ground is believed to have.
var leastSpread = [3]float32{0.02, 0.01, 0.01}

// peak is a place on the raster that edges all around vote for as the centre of a
// disc of r pixels.
type peak struct {
	x, y, r float64
	votes   float64 // 1 for a whole strong rim
	rank    float64
}

// peaks returns the places with at least the given votes for radius r, best first,
// no two nearer than 0.3 r.
func (s *search) peaks(edges []edgePixel, r float64, least float32) []peak {
	by := 1 // raster pixels to the side of a cell that gathers votes
	if r >= coarseVotesPx {
		by = 2
	}
	w, h := s.y.w/by+1, s.y.h/by+1
	m := gocv.NewMatWithSizeFromScalar(gocv.Scalar{}, h, w, gocv.MatTypeCV32F)
	defer m.Close()
	acc, err := m.DataPtrFloat32()
	if err != nil {
		return nil
	}
	scale := vote(m, acc, edges, r, by)
	least /= scale
	var all []peak
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			i := y*w + x
			if v := acc[i]; v >= least && v >= acc[i-1] && v >= acc[i-w] && v > acc[i+1] && v > acc[i+w] {
				p := peak{float64(min(by*x, s.y.w-1)), float64(min(by*y, s.y.h-1)), r, float64(v * scale), 0}
				p.rank = p.votes * (0.3 + min(1, s.standsOut(p)/4))
				all = append(all, p)
			}
		}
	}
	return thin(all, 0.3*r, 2)
}

// coarseVotesPx is the radius from which votes are gathered in cells of two pixels: the
// centre is sought to a share of the radius.
const coarseVotesPx = 12

// standsOut returns how far the mean of a disc's inner part is from the ground, in
// standard deviations of the ground.
func (s *search) standsOut(p peak) float64 {
	w := s.y.w
	px, py, half := int(p.x), int(p.y), max(1, int(0.55*p.r))
	n := float64((2*half + 1) * (2*half + 1))
	z := 0.0
	for c, residual := range s.m.residual.ch {
		sum := float32(0)
		for y := max(0, py-half); y < min(s.y.h, py+half+1); y++ {
			for _, v := range residual[y*w+max(0, px-half) : y*w+min(w, px+half+1)] {
				sum += v
			}
		}
		v := float64(sum) / n / float64(max(s.m.spread[c][s.index[py*w+px]], leastSpread[c]))
		z += v * v
	}
	return math.Sqrt(z)
}

// vote adds to every cell of m, which acc holds, of by pixels a side, the votes for it
// as the centre of a disc of r pixels, spread over the cells around it to allow for a rim
// that is not quite round. Times scale they are a share of a whole strong rim.
func vote(m gocv.Mat, acc []float32, edges []edgePixel, r float64, by int) (scale float32) {
	w, h, cells := m.Cols(), m.Rows(), 1/float32(by)
	for _, e := range edges {
		for _, q := range [2]float32{float32(r), -float32(r)} {
			x, y := int((float32(e.x)+q*e.gx)*cells+0.5), int((float32(e.y)+q*e.gy)*cells+0.5)
			if x >= 0 && y >= 0 && x < w && y < h {
				acc[y*w+x] += e.weight
			}
		}
	}
	// A tent: what averaging twice over a square of that side comes to.
	side := tentSide(r / float64(by))
	tent := make([]float32, 2*side-1)
	for i := range tent {
		tent[i] = float32(min(i+1, 2*side-1-i)) / float32(side*side)
	}
	kernel := newMat32(tent, len(tent), 1)
	defer kernel.Close()
	gocv.SepFilter2D(m, &m, -1, kernel, kernel, image.Pt(-1, -1), 0, gocv.BorderReflect101)
	return float32(float64(side*side) / (2 * math.Pi * r * 0.9))
}

// tentSide is over how many pixels votes are spread.
func tentSide(r float64) int { return 2*int(math.Round(0.06*r+0.5)) + 1 }

// votesAt returns the votes that the edges, which come row by row, give to one place, as
// peaks counts them.
func votesAt(edges []edgePixel, at calib.Px, r float64) float64 {
	side := float64(tentSide(r))
	sum := 0.0
	reach := r + side
	first, _ := slices.BinarySearchFunc(edges, at.Y-reach, func(e edgePixel, y float64) int { return cmp.Compare(float64(e.y), y) })
	for _, e := range edges[first:] {
		if float64(e.y) > at.Y+reach {
			break
		}
		for _, q := range [2]float64{r, -r} {
			dx := math.Abs(float64(e.x) + q*float64(e.gx) - at.X)
			dy := math.Abs(float64(e.y) + q*float64(e.gy) - at.Y)
			if dx < side && dy < side {
				sum += float64(e.weight) * (1 - dx/side) * (1 - dy/side)
			}
		}
	}
	return sum / (2 * math.Pi * r * 0.9)
}

// thin sorts peaks by rank and keeps those that have no better one within apart
// pixels and of a radius within the ratio.
func thin(ps []peak, apart, ratio float64) []peak {
	slices.SortFunc(ps, func(a, b peak) int {
		return cmp.Or(cmp.Compare(b.rank, a.rank), cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x))
	})
	taken := map[[2]int][]peak{} // by cells of that size
	keep := ps[:0]
	for _, p := range ps {
		cell := [2]int{int(p.x / apart), int(p.y / apart)}
		free := true
		for dy := -1; dy <= 1 && free; dy++ {
			for dx := -1; dx <= 1 && free; dx++ {
				free = !slices.ContainsFunc(taken[[2]int{cell[0] + dx, cell[1] + dy}], func(o peak) bool {
					return math.Hypot(o.x-p.x, o.y-p.y) < apart && max(o.r/p.r, p.r/o.r) < ratio
				})
			}
		}
		if free {
			taken[cell] = append(taken[cell], p)
			keep = append(keep, p)
		}
	}
	return keep
}

// discsAt turns peaks into discs to be measured.
func (s *search) discsAt(ps []peak) []*disc {
	out := make([]*disc, len(ps))
	for i, p := range ps {
		r := p.r / s.flat.PxPerMM
		at := s.flat.ToBoard(calib.Px{X: p.x, Y: p.y})
		out[i] = &disc{pos: at, peak: at, nominalMM: r, radius: r, votes: p.votes, group: -1}
	}
	return out
}
