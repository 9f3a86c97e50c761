package vision

import (
	"image"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// Print that is not radial repeats itself: the arms of a cross after a quarter
// turn, numerals shifted from one half axis to the next. Marks hardly ever do.

// explainPrint finds the pixels of such print and makes them neutral, with what a photo
// of the clean board shows; known is its residual on the same raster, nil for none.
func (b *bareSearch) explainPrint(known *planes) {
	if known != nil {
		b.explainKnown(known)
	}
	b.explainDot()
	b.explainNumerals()
	turned := b.turned()
	if !b.fillArms(turned) { // no cross; marks repeat by chance where they are dense, print elsewhere
		turned = slices.DeleteFunc(turned, func(i int) bool { return float64(b.index[i]) < crowdMM/2*b.k })
	}
	b.explainCross(turned)
	b.printEdges()
	for i, p := range b.printed {
		if p {
			b.w.v[i] = barePrinted
		}
	}
}

// alike reports whether pixels i and j depart from the ground in the same way.
func (b *bareSearch) alike(i, j int) bool {
	for c := range 3 {
		u, v := b.e[c][i], b.e[c][j]
		if abs32(u-v) > 0.12+0.3*max(abs32(u), abs32(v)) {
			return false
		}
	}
	return true
}

// near returns a pixel within reach of (x, y) that is alike i and shows evidence of
// its own, or -1.
func (b *bareSearch) near(i, x, y, reach int) int {
	for d := range reach + 1 {
		for yy := max(0, y-d); yy <= min(b.w.h-1, y+d); yy++ {
			for xx := max(0, x-d); xx <= min(b.w.w-1, x+d); xx++ {
				if j := yy*b.w.w + xx; b.w.v[j] > 0 && b.alike(i, j) {
					return j
				}
			}
		}
	}
	return -1
}

// explainDot takes a round dot on the ring centre for print: evidence in all
// directions up to one radius and hardly any beyond it.
func (b *bareSearch) explainDot() {
	cx, cy := b.m.centre.X, b.m.centre.Y
	circle := func(r int, f func(i int)) (n int) {
		n = max(8, 6*r)
		for q := range n {
			sn, cs := math.Sincos(2 * math.Pi * float64(q) / float64(n))
			x, y := int(math.Round(cx+float64(r)*cs)), int(math.Round(cy+float64(r)*sn))
			if x >= 0 && y >= 0 && x < b.w.w && y < b.w.h {
				f(y*b.w.w + x)
			}
		}
		return n
	}
	share := func(r int) float64 {
		like := 0
		n := circle(r, func(i int) {
			if b.w.v[i] > 0 {
				like++
			}
		})
		return float64(like) / float64(n)
	}
	last := 0
	for r := 1; r <= int(1.5*bareUsualMM*b.k); r++ {
		if share(r) > 0.5 {
			last = r
		}
	}
	blur := max(1, int(b.k))
	if last <= blur || share(last-blur) < 0.9 || share(last+blur+1) > 0.3 {
		return
	}
	mid := int(math.Round(cy))*b.w.w + int(math.Round(cx))
	b.w.visit(cx, cy, float64(last+2*blur), func(i int, _ float32) {
		if int(b.ring[i]) <= last || b.fainter(i, mid) {
			b.printed[i] = true
		}
	})
}

// fainter reports whether pixel i may be the blurred edge of what j shows: the same
// departure from the ground, only less.
func (b *bareSearch) fainter(i, j int) bool {
	var ij, jj float32
	for c := range 3 {
		ij += b.e[c][i] * b.e[c][j]
		jj += b.e[c][j] * b.e[c][j]
	}
	t := ij / jj
	if !(t > -0.1) || t > 0.9 {
		return false
	}
	for c := range 3 {
		if abs32(b.e[c][i]-t*b.e[c][j]) > 0.15+0.2*abs32(b.e[c][j]) {
			return false
		}
	}
	return true
}

// explainCross takes the pixels of a cross for print, and what is beside such and looks
// alike after one quarter turn: marks may have torn two arms at one place.
func (b *bareSearch) explainCross(found []int) {
	for _, i := range found {
		b.printed[i] = true
	}
	half := b.halfArm(found)
	across := b.acrossArms(found)
	for len(found) > 0 {
		i := found[len(found)-1]
		found = found[:len(found)-1]
		for _, j := range b.neighbours(i) {
			if j >= 0 && b.w.v[j] > 0 && !b.printed[j] && across(j) <= half && b.alike(i, j) && b.turns(j, 1) {
				b.printed[j] = true
				found = append(found, j)
			}
		}
	}
}

// turned returns the pixels that look alike after at least two of the three quarter turns.
// Near the centre a mark turns into itself: there the turns count only when arms reach
// beyond it.
func (b *bareSearch) turned() []int {
	inner := 0.7 * bareUsualMM * b.k
	var near, found []int
	arms := 0
	for i, v := range b.w.v {
		if !(v > 0) || int(b.index[i]) >= len(b.m.radial[0])-1 || !b.turns(i, 2) {
			continue
		}
		if float64(b.index[i]) < inner {
			near = append(near, i)
			continue
		}
		found = append(found, i)
		if float64(b.index[i]) < inner+3*b.k {
			arms++
		}
	}
	if float64(arms) >= 4*2*3*b.k*b.k { // four arms of 2 mm
		found = append(found, near...)
	}
	return found
}

// acrossArms returns how far a pixel lies beside the arms that the pixels of a cross make,
// raster pixels.
func (b *bareSearch) acrossArms(cross []int) func(i int) float64 {
	var sum complex128
	for _, i := range cross {
		z := b.fromCentre(i)
		if r := cmplx.Abs(z); r > 0 {
			sum += cmplx.Pow(z/complex(r, 0), 4) * complex(r, 0)
		}
	}
	along := cmplx.Rect(1, cmplx.Phase(sum)/4)
	return func(i int) float64 {
		z := b.fromCentre(i) / along
		return min(math.Abs(real(z)), math.Abs(imag(z)))
	}
}

// halfArm is half the width of the arms that most of the pixels of a cross make, raster
// pixels.
func (b *bareSearch) halfArm(cross []int) float64 {
	if len(cross) == 0 {
		return 0
	}
	across := b.acrossArms(cross)
	var widths []float64
	for _, i := range cross {
		widths = append(widths, across(i))
	}
	return selectKth(widths, len(widths)*9/10) + 1
}

// fillArms reports whether the pixels of a cross fill the arms that they make: those of a
// cross fill 0.87 and more, also with holes in it, those of heaps of marks and leftovers of
// rings, which turn into themselves here and there, 0.31 and less (24 random boards).
func (b *bareSearch) fillArms(cross []int) bool {
	if len(cross) == 0 {
		return false
	}
	var from []float64
	for _, i := range cross {
		from = append(from, cmplx.Abs(b.fromCentre(i)))
	}
	long, half := selectKth(from, len(from)*9/10), b.halfArm(cross)
	return float64(len(cross)) > 0.6*(8*long*half-4*half*half)
}

// fromCentre returns where pixel i lies from the ring centre.
func (b *bareSearch) fromCentre(i int) complex128 {
	return complex(float64(i%b.w.w)-b.m.centre.X, float64(i/b.w.w)-b.m.centre.Y)
}

// neighbours returns the pixels that share a side with pixel i; -1 for none.
func (b *bareSearch) neighbours(i int) [4]int {
	n := [4]int{i - 1, i + 1, i - b.w.w, i + b.w.w}
	switch i % b.w.w {
	case 0:
		n[0] = -1
	case b.w.w - 1:
		n[1] = -1
	}
	if n[2] < 0 {
		n[2] = -1
	}
	if n[3] >= len(b.w.v) {
		n[3] = -1
	}
	return n
}

// turns reports whether pixel i has its like at least times of the three quarter turns.
func (b *bareSearch) turns(i, least int) bool {
	dx, dy := float64(i%b.w.w)-b.m.centre.X, float64(i/b.w.w)-b.m.centre.Y
	found := 0
	for turn := range 3 {
		dx, dy = -dy, dx
		x, y := int(math.Round(b.m.centre.X+dx)), int(math.Round(b.m.centre.Y+dy))
		if b.near(i, x, y, 1) >= 0 {
			found++
		}
		if found >= least || found+2-turn < least {
			break
		}
	}
	return found >= least
}

// explainNumerals finds patches that look alike at the other half axes, upright in
// each: where two of the three show the patch, or one shows it exactly, it is
// printed in all.
func (b *bareSearch) explainNumerals() {
	last := len(b.m.radial[0]) - 1
	largest := int(math.Pow(45*b.k, 2))
	for _, pix := range patches(b.w.w, b.w.h, largest, func(i int) bool {
		return b.w.v[i] > 0 && !b.printed[i] && int(b.index[i]) < last
	}) {
		p := bounds(pix, b.w.w)
		if side := float64(max(p.Dx(), p.Dy())) / b.k; side >= 2 && side <= 45 {
			b.explainCopies(p, pix)
		}
	}
}

// numeralSlackMM is how far a numeral may lie from its place.
const numeralSlackMM = 2.0

// explainCopies marks the patch p with its pixels pix as print, and its copies, if
// it repeats.
func (b *bareSearch) explainCopies(p image.Rectangle, pix []int) {
	// A numeral's box, unlike its mass, lies evenly about its half axis.
	c := r2.Vec{X: float64(p.Min.X+p.Max.X-1)/2 - b.m.centre.X, Y: float64(p.Min.Y+p.Max.Y-1)/2 - b.m.centre.Y}
	if r2.Norm(c) < 4*b.k {
		return
	}
	slack := int(math.Ceil(numeralSlackMM * b.k))
	copies, exact := 0, false
	var at [3][2]int
	var hit [3]float64
	t := c
	for turn := range 3 {
		t = r2.Vec{X: -t.Y, Y: t.X}
		dx, dy := int(math.Round(t.X-c.X)), int(math.Round(t.Y-c.Y))
		dice := 0.0
		for oy := -slack; oy <= slack; oy++ {
			for ox := -slack; ox <= slack; ox++ {
				d, h := b.overlap(p, pix, dx+ox, dy+oy)
				if h > hit[turn] {
					hit[turn], at[turn] = h, [2]int{dx + ox, dy + oy}
				}
				dice = max(dice, d)
			}
		}
		if dice > 0.72 {
			copies++
		}
		exact = exact || dice > 0.88
	}
	if copies < 2 && !exact {
		return
	}
	for turn := range 3 {
		if hit[turn] < 0.4 {
			continue
		}
		for _, i := range pix {
			if j := b.near(i, i%b.w.w+at[turn][0], i/b.w.w+at[turn][1], 1); j >= 0 {
				b.printed[i], b.printed[j] = true, true
			}
		}
	}
}

// overlap compares the patch with what lies (dx, dy) pixels from it: the Dice
// coefficient of the two sets of unexplained pixels, and the share of the patch that
// finds its like.
func (b *bareSearch) overlap(p image.Rectangle, pix []int, dx, dy int) (dice, hit float64) {
	q := p.Add(image.Pt(dx, dy))
	if !q.In(image.Rect(0, 0, b.w.w, b.w.h)) {
		return 0, 0
	}
	same := 0
	for _, i := range pix {
		if j := i + dy*b.w.w + dx; b.w.v[j] > 0 && b.alike(i, j) {
			same++
		}
	}
	hit = float64(same) / float64(len(pix))
	if hit < 0.4 {
		return 0, hit
	}
	other := 0
	for y := q.Min.Y; y < q.Max.Y; y++ {
		for _, v := range b.w.v[y*b.w.w+q.Min.X : y*b.w.w+q.Max.X] {
			if v > 0 {
				other++
			}
		}
	}
	return 2 * float64(same) / float64(len(pix)+other), hit
}

// printEdges adds the blurred edges of print to it.
func (b *bareSearch) printEdges() {
	for range 2 {
		var edge []int
		for i, v := range b.w.v {
			if !(v > 0) || b.printed[i] {
				continue
			}
			for _, j := range b.neighbours(i) {
				if j >= 0 && b.printed[j] && b.fainter(i, j) {
					edge = append(edge, i)
					break
				}
			}
		}
		for _, i := range edge {
			b.printed[i] = true
		}
	}
}

// explainKnown takes pixels for print that a photo of the clean board, of which known is
// the residual on the same raster, shows alike and more than half as strongly, allowing
// for a pixel's misregistration.
func (b *bareSearch) explainKnown(known *planes) {
	var before [3][]float32
	for c := range before {
		before[c] = boxMean(known.ch[c], known.w, known.h, b.smoothSide())
	}
	shows := func(i, j int) bool {
		var both, own float32
		for c := range 3 {
			u, v := b.e[c][i], before[c][j]
			if abs32(u-v) > 0.12+0.3*max(abs32(u), abs32(v)) {
				return false
			}
			both, own = both+u*v, own+u*u
		}
		return known.ok[j] && both > knownLeast*own
	}
	for y := 1; y < b.w.h-1; y++ {
		for x := 1; x < b.w.w-1; x++ {
			i := y*b.w.w + x
			if !(b.w.v[i] > 0) {
				continue
			}
			for _, o := range [3]int{-b.w.w, 0, b.w.w} {
				for j := i + o - 1; j <= i+o+1 && !b.printed[i]; j++ {
					b.printed[i] = shows(i, j)
				}
			}
		}
	}
}

// knownLeast is how much of what a pixel shows the clean board must show: the light on
// the two photos differs, and new marks lie on old dirt.
const knownLeast = 0.5
