package vision

import (
	"cmp"
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"dartfall/calib"
)

// spot is a disc that stands for one bare mark, in raster pixels.
type spot struct {
	x, y, r float64
	mean    float64 // evidence per pixel that it alone explains
	open    float64 // share of the ring just outside it that shows evidence too
	fill    float64 // roundness of the patch: 1 for an ellipse, 0.83 for a triangle
	light   float64 // share of it that a change of light would explain
	step    float64 // by how much light changes over it, log units
	// contrast is the RMS departure from the ground inside over that just outside.
	contrast float64
	ground   float64    // scatter of the ground around it, log units
	tone     float64    // brightness against the ground, log units: median
	core     float64    // and its darkest tenth
	surface  float64    // brightness freed of light, log units: median
	darkest  float64    // and its darkest tenth
	hue      float64    // chroma that a change of light does not explain, log units
	steep    float64    // of its edges, log units per mm
	print    float64    // share of it that is print
	line     float64    // share of it that is a line
	dim      float64    // how much darker it is at a mark's width, in the scatter about it
	kin      float64    // distance from the sure marks of the photo, in their spreads
	alone    float64    // chance that it is a mark, judged by itself
	chance   float64    // and in the light of the sure ones
	flat     bool       // no flanks show where other marks of the photo have them
	cov      [3]float64 // of the centre, mm²: what the scatter about its fit tells
}

// at returns the centre.
func (d *spot) at() calib.Px { return calib.Px{X: d.x, Y: d.y} }

// A set of discs earns the evidence of every pixel its union covers, and each disc
// costs a price and a rent for its area: the rent makes overlap dear, since two
// impacts on nearly one place make one mark.
const (
	spotPriceMM2 = 22.0 // evidence units times mm²
	spotRent     = 0.7  // evidence units
)

// overlapFree is how deep two discs may overlap, as a share of the sum of their
// radii, before it costs overlapMM2 for every tenth more.
const (
	overlapFree = 0.12
	overlapMM2  = 40.0
	wholeShare  = 0.9 // of the most a disc can earn: then it is not tried to split it
	// The marks of one photo are of one kind: what is much smaller than most and beside one
	// of them is part of it, what is much larger is several.
	crowdShare   = 0.45 // price of a disc that meets another, of the usual disc's area, in evidence units
	largestShare = 1.7  // of the usual radius: larger discs cost oversize
	oversize     = 3.0  // evidence units of largest's area, for as much again in radius
)

// spotFinder places discs of free radius.
type spotFinder struct {
	e     *evidence
	cover []float32 // how much of each pixel the discs laid cover, as a sum
	k     float64   // pixels per mm
	by    int       // pixels of the raster that a pixel of e stands for
	spots []spot    // the discs laid
	// crowd is the price of a disc that meets another, largest the radius beyond which a
	// disc costs more, once the usual size is known; 0 before.
	crowd, largest float64
}

// cost returns the price and rent of a disc of r pixels.
func (f *spotFinder) cost(r float64) float64 { return spotPriceMM2*f.k*f.k + spotRent*math.Pi*r*r }

// earns returns what a disc would add to those laid.
func (f *spotFinder) earns(s spot) float64 {
	sum := f.gainOf(s.x, s.y, s.r) - f.cost(s.r)
	if f.largest > 0 && s.r > f.largest {
		sum -= oversize * math.Pi * f.largest * f.largest * (s.r/f.largest - 1)
	}
	alone := true
	for _, o := range f.spots {
		both := s.r + o.r
		dx, dy := s.x-o.x, s.y-o.y
		if dx*dx+dy*dy >= 1.2*1.2*both*both {
			continue
		}
		if alone {
			alone = false
			sum -= f.crowd
		}
		if depth := 1 - math.Sqrt(dx*dx+dy*dy)/both; depth > overlapFree {
			sum -= overlapMM2 * f.k * f.k * (depth - overlapFree) / 0.1
		}
	}
	return sum
}

// gainOf returns the evidence a disc would add to the present cover: visit, spelled out
// because most of the time of a search goes here.
func (f *spotFinder) gainOf(cx, cy, r float64) float64 {
	sum := float32(0)
	y0, y1 := max(0, int(math.Floor(cy-r-0.5))), min(f.e.h-1, int(math.Ceil(cy+r+0.5)))
	for y := y0; y <= y1; y++ {
		dy2 := (float64(y) - cy) * (float64(y) - cy)
		half := math.Sqrt(max(0, (r+0.5)*(r+0.5)-dy2))
		whole := math.Sqrt(max(0, (r-0.5)*(r-0.5)-dy2)) // covered pixels lie this far out
		x0, x1 := max(0, int(math.Ceil(cx-half))), min(f.e.w-1, int(math.Floor(cx+half)))
		for x := x0; x <= x1; x++ {
			i := y*f.e.w + x
			free := 1 - f.cover[i]
			if free <= 0 {
				continue
			}
			if dx := math.Abs(float64(x) - cx); dx > whole {
				free = min(free, float32(max(0, min(1, r+0.5-math.Sqrt(dx*dx+dy2)))))
			}
			sum += f.e.v[i] * free
		}
	}
	return float64(sum)
}

// put changes the cover by sign times a disc.
func (f *spotFinder) put(s spot, sign float32) {
	f.e.visit(s.x, s.y, s.r, func(i int, c float32) { f.cover[i] += sign * c })
}

// lay puts discs down as the i-th and after.
func (f *spotFinder) lay(i int, discs ...spot) {
	for _, s := range discs {
		f.put(s, 1)
	}
	f.spots = slices.Insert(f.spots, i, discs...)
}

// lift takes disc i up.
func (f *spotFinder) lift(i int) spot {
	s := f.spots[i]
	f.put(s, -1)
	f.spots = slices.Delete(f.spots, i, i+1)
	return s
}

// coarse returns steps to climb by from a rough place to a good one, fine those to the
// best.
func coarse(r float64) []float64 { return []float64{max(1, r/3), max(0.5, r/8)} }
func fine(r float64) []float64   { return append(coarse(r), 0.4) }

// climb moves and sizes a disc that is not laid to where it earns most, by the given
// steps.
func (f *spotFinder) climb(s spot, steps []float64) (spot, float64) {
	best := f.earns(s)
	least, most := bareLeastMM/2*f.k, bareLargestMM/2*f.k
	for _, step := range steps {
		for improved := true; improved; {
			improved = false
			from := s
			for _, o := range [10][3]float64{{1, 0, 0}, {-1, 0, 0}, {0, 1, 0}, {0, -1, 0}, {0.7, 0.7, 0}, {0.7, -0.7, 0}, {-0.7, 0.7, 0}, {-0.7, -0.7, 0}, {0, 0, 0.7}, {0, 0, -0.7}} {
				t := spot{x: from.x + o[0]*step, y: from.y + o[1]*step, r: max(least, min(most, from.r+o[2]*step))}
				if g := f.earns(t); g > best+1e-3 {
					best, s, improved = g, t, true
				}
			}
		}
	}
	return s, best
}

// placePxMM is the resolution at which discs are placed, pixels per mm: the least mark
// is then five or six pixels wide.
const placePxMM = 1.0

// sow covers the evidence with discs, whatever it stands for, and judges them.
func (b *bareSearch) sow() *spotFinder {
	by := max(1, int(b.k/placePxMM))
	e := b.w.reduced(by)
	b.weighDim(e, by)
	f := &spotFinder{e: e, cover: make([]float32, len(e.v)), k: b.k / float64(by), by: by}
	f.sow()
	f.polishAll()
	b.take(f)
	return f
}

// settle drops the discs of f that are no marks, divides crowds and judges what is
// left.
func (b *bareSearch) settle(f *spotFinder) {
	for i := len(f.spots) - 1; i >= 0; i-- {
		if d := b.discs[i]; max(d.alone, d.chance) < bareLeastChance { // what is sure may yet change
			f.lift(i)
		}
	}
	usual := b.usualArea() / float64(f.by*f.by)
	f.crowd, f.largest = crowdShare*usual, largestShare*math.Sqrt(usual/math.Pi)
	for range 3 {
		f.polishAll()
		if split, merged := f.splitAll(), f.mergeAll(); !split && !merged {
			break
		}
	}
	b.take(f)
}

// take sets the discs to those of f and judges them.
func (b *bareSearch) take(f *spotFinder) {
	b.discs = b.discs[:0]
	by := float64(f.by)
	for _, s := range f.spots {
		b.discs = append(b.discs, spot{x: by*s.x + (by-1)/2, y: by*s.y + (by-1)/2, r: by * s.r})
	}
	b.judge()
}

// reduced returns the means of blocks of by pixels a side.
func (e *evidence) reduced(by int) *evidence {
	if by == 1 {
		return &evidence{e.w, e.h, slices.Clone(e.v)}
	}
	out := &evidence{e.w / by, e.h / by, make([]float32, e.w/by*(e.h/by))}
	m := newMat32(e.v, e.w, e.h)
	defer m.Close()
	whole := m.Region(image.Rect(0, 0, out.w*by, out.h*by))
	defer whole.Close()
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(whole, &small, image.Pt(out.w, out.h), 0, 0, gocv.InterpolationArea)
	if v, err := small.DataPtrFloat32(); err == nil {
		copy(out.v, v)
	}
	return out
}

// usualArea returns the area of the photo's marks, raster pixels; 0 for none. It is taken
// from the smaller third, since crowds start out as large discs.
func (b *bareSearch) usualArea() float64 {
	var areas []float64
	for _, d := range b.discs {
		if d.chance >= 0.5 {
			areas = append(areas, math.Pi*d.r*d.r)
		}
	}
	if len(areas) == 0 {
		return 0
	}
	return selectKth(areas, len(areas)/3)
}

// sow lays discs greedily, the best first.
func (f *spotFinder) sow() {
	type seed struct {
		x, y  int
		r     float64
		tried []bool // places near which a disc of this size was tried
		gain  float64
	}
	all := f.e.integral()
	var seeds []seed
	stride := max(1, int(2*f.k))
	for _, mm := range [...]float64{3, 4, 5.5, 7.5, 10} {
		r := mm * f.k
		half := int(math.Round(0.886*r - 0.5)) // a square of equal area
		area := float64((2*half + 1) * (2*half + 1))
		tried := make([]bool, len(f.e.v))
		for y := stride; y < f.e.h; y += stride {
			for x := stride; x < f.e.w; x += stride {
				if !(f.e.v[y*f.e.w+x] > 0) {
					continue
				}
				if g := f.e.squareSum(all, x, y, half) - spotRent*area; g > 0.6*spotPriceMM2*f.k*f.k {
					seeds = append(seeds, seed{x, y, r, tried, g})
				}
			}
		}
	}
	slices.SortStableFunc(seeds, func(a, b seed) int { return cmp.Compare(b.gain, a.gain) })
	for _, s := range seeds {
		at := spot{x: float64(s.x), y: float64(s.y), r: s.r}
		if s.tried[s.y*f.e.w+s.x] || f.covered(at) {
			continue
		}
		f.e.visit(at.x, at.y, 0.4*at.r, func(i int, _ float32) { s.tried[i] = true })
		if !(f.gainOf(at.x, at.y, at.r) > 0) {
			continue
		}
		if t, g := f.climb(at, coarse(at.r)); g > 0 {
			f.lay(len(f.spots), t)
		}
	}
}

// covered reports whether a disc's centre already lies well inside another.
func (f *spotFinder) covered(s spot) bool {
	for _, o := range f.spots {
		if math.Hypot(s.x-o.x, s.y-o.y) < 0.7*o.r {
			return true
		}
	}
	return false
}

// polishAll moves every disc to its best place given the others, until nothing
// moves, and drops those that earn nothing.
func (f *spotFinder) polishAll() {
	for range 4 {
		moved := false
		for range len(f.spots) {
			old := f.lift(0)
			t, g := f.climb(old, fine(old.r))
			if g > 0 {
				f.lay(len(f.spots), t)
			}
			moved = moved || g <= 0 || math.Abs(t.x-old.x)+math.Abs(t.y-old.y)+math.Abs(t.r-old.r) > 0.5
		}
		if !moved {
			return
		}
	}
}

// splitAll replaces discs by two or three smaller ones where those earn more.
func (f *spotFinder) splitAll() (changed bool) {
	for range len(f.spots) {
		old := f.lift(0)
		whole := f.gainOf(old.x, old.y, old.r) > wholeShare*bareFor*math.Pi*old.r*old.r && !(f.largest > 0 && old.r > f.largest)
		best, earned := []spot{old}, f.earns(old)
		for _, n := range [...]int{2, 3} {
			for q := range 6 {
				if whole || old.r < 0.9*bareLeastMM*f.k {
					break
				}
				if parts, g := f.parts(old, n, math.Pi*float64(q)/(3*float64(n-1))); g > earned+1e-3 {
					best, earned = parts, g
				}
			}
		}
		f.lay(len(f.spots), best...)
		changed = changed || len(best) > 1
	}
	return changed
}

// parts places n discs within s, the first in direction a, and returns what they
// earn together. It leaves none laid.
func (f *spotFinder) parts(s spot, n int, a float64) (out []spot, earned float64) {
	first := len(f.spots)
	for q := range n {
		sn, cs := math.Sincos(a + 2*math.Pi*float64(q)/float64(n))
		f.lay(len(f.spots), spot{x: s.x + 0.55*s.r*cs, y: s.y + 0.55*s.r*sn, r: 0.5 * s.r})
	}
	for _, steps := range [2][]float64{coarse(0.5 * s.r), fine(0.5 * s.r)} {
		for range n {
			p, _ := f.climb(f.lift(first), steps)
			f.lay(len(f.spots), p)
		}
	}
	for range n {
		out = append(out, f.lift(first))
	}
	for _, p := range out {
		earned += f.earns(p)
		f.lay(len(f.spots), p)
	}
	for range n {
		f.lift(first)
	}
	return out, earned
}

// mergeAll replaces two discs that meet by one where that earns more.
func (f *spotFinder) mergeAll() (changed bool) {
	for i := 0; i < len(f.spots); i++ {
		for j := i + 1; j < len(f.spots); j++ {
			a, c := f.spots[i], f.spots[j]
			d := math.Hypot(a.x-c.x, a.y-c.y)
			if d > a.r+c.r || (d+a.r+c.r)/2 > 1.1*bareLargestMM/2*f.k {
				continue
			}
			f.lift(j)
			f.lift(i)
			apart := f.earns(a)
			f.lay(i, a)
			apart += f.earns(c)
			f.lift(i)
			both := spot{x: (a.x + c.x) / 2, y: (a.y + c.y) / 2, r: (d + a.r + c.r) / 2}
			one, g := f.climb(both, fine(both.r))
			if g <= apart {
				f.lay(i, a)
				f.lay(j, c)
				continue
			}
			f.lay(i, one)
			j--
			changed = true
		}
	}
	return changed
}
