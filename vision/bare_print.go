package vision

import (
	"image"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// Print that is not radial repeats itself: the arms of a cross after a quarter
// turn, numerals shifted from one half axis to the next. Marks hardly ever do.

// explainPrint finds the pixels of such print and makes them neutral, with what a photo
// of the clean board shows; known is its residual on the same raster, nil for none.
func (b *bareSearch) explainPrint(known *planes) {
	b.inkLines()
	b.explainDot()
	b.onCross(func(i int, k printInk, whole bool) {
		b.onInk(i, k, uint16(crossInnerMM*b.k), whole)
	})
	b.explainNumerals()
	b.explainTurned()
	if known != nil { // after those that need all of a patch
		b.explainKnown(known)
	}
	b.printEdges()
	for i, p := range b.printed {
		if p {
			b.w.v[i] = barePrinted
		}
	}
}

// inkLines notes which circles are lines, lighter or darker than what is around them.
func (b *bareSearch) inkLines() {
	f := b.m.radial[0]
	reach := int(1.2 * widestLineMM * b.k)
	line := make([]int8, len(f))
	for r := range f {
		around := slices.Clone(f[max(0, r-reach):min(len(f), r+reach+1)])
		switch d := f[r] - selectKth(around, len(around)/2); {
		case d > leastInk:
			line[r] = 1
		case d < -leastInk:
			line[r] = -1
		}
	}
	line[len(f)-1] = 0 // what is off the face
	b.ink = make([]int8, len(b.index))
	for i, r := range b.index {
		b.ink[i] = line[r]
	}
}

// What is drawn as a line is no wider than widestLineMM and departs from the ground by
// leastInk log units.
const (
	widestLineMM = 12.0
	leastInk     = 0.3
)

// alike reports whether pixels i and j depart from the ground in the same way.
func (b *bareSearch) alike(i, j int) bool {
	return b.shows(i, b.at(j))
}

// sameInk reports whether pixels i and j depart from the ground in the same direction,
// the one by up to inkRatio times as much: blur and light weaken print.
func (b *bareSearch) sameInk(i, j int) bool {
	var ij, ii, jj float32
	for _, e := range b.e {
		ij, ii, jj = ij+e[i]*e[j], ii+e[i]*e[i], jj+e[j]*e[j]
	}
	return ij > 0 && ij*ij > inkCos*inkCos*ii*jj && max(ii, jj) < inkRatio*inkRatio*min(ii, jj)
}

// How alike print of one ink departs from the ground where it is blurred and lit
// differently: the cosine between, and times as much.
const (
	inkCos   = 0.9
	inkRatio = 2.5
)

// near returns a pixel within reach of (x, y) that is like i and shows evidence of its
// own, or -1.
func (b *bareSearch) near(i, x, y, reach int, like func(i, j int) bool) int {
	for d := range reach + 1 {
		for yy := max(0, y-d); yy <= min(b.w.h-1, y+d); yy++ {
			for xx := max(0, x-d); xx <= min(b.w.w-1, x+d); xx++ {
				if j := yy*b.w.w + xx; b.w.v[j] > 0 && like(i, j) {
					return j
				}
			}
		}
	}
	return -1
}

// explainDot takes a round dot on the ring centre for ground of its own: evidence in all
// directions up to one radius and hardly any beyond it.
func (b *bareSearch) explainDot() {
	reach := int(dotOffMM * b.k)
	for d := range reach + 1 {
		for oy := -d; oy <= d; oy++ {
			for ox := -d; ox <= d; ox++ {
				at := calib.Px{X: b.m.centre.X + float64(ox), Y: b.m.centre.Y + float64(oy)}
				if max(ox, -ox, oy, -oy) == d {
					if r := b.dotAt(at); r > 0 {
						b.inkDot(at, r)
						return
					}
				}
			}
		}
	}
}

// dotOffMM is how far the middle of a dot may lie from the ring centre.
const dotOffMM = 1.5

// dotAt returns the radius of a dot about a point, raster pixels; 0 for none.
func (b *bareSearch) dotAt(at calib.Px) int {
	share := func(r int) float64 {
		like, n := 0, max(8, 6*r)
		for q := range n {
			sn, cs := math.Sincos(2 * math.Pi * float64(q) / float64(n))
			x, y := int(math.Round(at.X+float64(r)*cs)), int(math.Round(at.Y+float64(r)*sn))
			if x >= 0 && y >= 0 && x < b.w.w && y < b.w.h && b.w.v[y*b.w.w+x] > 0 {
				like++
			}
		}
		return float64(like) / float64(n)
	}
	last := 0 // F may have hidden the middle
	for r := 1; r <= int(1.5*bareUsualMM*b.k) && (last == 0 || last == r-1); r++ {
		if share(r) > 0.5 {
			last = r
		}
	}
	blur := max(1, int(b.k))
	if last <= blur {
		return 0
	}
	in := share(last - blur)
	for r := last - blur + 1; r <= last && float64(r) < bareUsualMM/2*b.k; r++ { // its rim alone
		in = max(in, share(r))
	}
	if in < 0.9 || in-share(last+blur+1) < 0.6 {
		return 0
	}
	return last
}

// inkDot makes a disc of r raster pixels ground of its own.
func (b *bareSearch) inkDot(at calib.Px, r int) {
	blur := max(1, int(b.k))
	var in []int
	b.w.visit(at.X, at.Y, float64(r-blur), func(i int, _ float32) { in = append(in, i) })
	dot := b.inkOf(in)
	b.w.visit(at.X, at.Y, float64(r+3*blur), func(i int, _ float32) {
		b.onInk(i, dot, uint16(r+3*blur), math.Hypot(float64(i%b.w.w)-at.X, float64(i/b.w.w)-at.Y) <= float64(r-blur))
	})
}

// printInk is the colour of print, freed of light, and its scatter.
type printInk struct{ colour, sd [3]float32 }

// inkOf returns the ink of pixels of print, most of which no mark covers.
func (b *bareSearch) inkOf(set []int) (k printInk) {
	v := make([]float32, len(set))
	for c := range k.colour {
		for n, i := range set {
			v[n] = b.e[c][i] + b.m.radial[c][b.index[i]]
		}
		k.colour[c], k.sd[c] = medianMAD(v)
	}
	return k
}

// departs returns by how much ink departs from the face at index r of F.
func (b *bareSearch) departs(r uint16, k printInk) (d [3]float32) {
	for c := range d {
		d[c] = k.colour[c] - b.m.radial[c][r]
	}
	return d
}

// onInk weighs pixel i anew on print of ink k. Towards the edge of the print,
// where it is not whole, what may be its blur is print; within inner of the centre F may
// hold the print.
func (b *bareSearch) onInk(i int, k printInk, inner uint16, whole bool) {
	r := b.index[i]
	if whole {
		from := b.departs(r, k)
		var z, sd [3]float32
		for c := range z {
			b.e[c][i] -= from[c]
			sd[c] = max(inkSD, k.sd[c], b.sdAt(c, i))
			z[c] = b.e[c][i] / sd[c]
		}
		b.w.v[i] = evidenceOf(z, priorOf(sd[0]))
		b.onPrint[i], b.own[i] = true, b.own[i]+from[0]
		return
	}
	ground := min(max(r, inner), uint16(len(b.m.radial[0])-1))
	var e [3]float32
	for c := range e {
		e[c] = b.e[c][i] + b.m.radial[c][r] - b.m.radial[c][ground]
	}
	if b.w.v[i] > 0 && fainter(e, b.departs(ground, k), inkMost) {
		b.printed[i] = true
	}
}

// Print scatters by inkSD at least, log units; where it is thin its middle departs from the
// ground by up to inkMost times as much as it does on the average.
const (
	inkSD   = 0.06
	inkMost = 1.6
)

// fainter reports whether e may be the blurred edge of ink, log units: the same departure
// from the ground, only less; at most times as much.
func fainter(e, ink [3]float32, most float32) bool {
	var ij, jj float32
	for c, u := range ink {
		ij += e[c] * u
		jj += u * u
	}
	t := ij / jj
	if !(t > -0.1) || t > most {
		return false
	}
	for c, u := range ink {
		if abs32(e[c]-t*u) > 0.15+0.2*abs32(u) {
			return false
		}
	}
	return true
}

// at returns what pixel i departs from the ground by.
func (b *bareSearch) at(i int) [3]float32 { return [3]float32{b.e[0][i], b.e[1][i], b.e[2][i]} }

// cross is a cross about the ring centre: the direction of an arm, as a unit vector of the
// raster, its length from the centre and half its width, raster pixels, and its ink.
type cross struct {
	along      complex128
	long, half int
	ink        printInk
}

// onCross calls f with the pixels of a cross on the ring centre, its ink, and whether
// its edge is not near.
func (b *bareSearch) onCross(f func(i int, k printInk, whole bool)) {
	x, ok := b.findCross()
	if !ok {
		return
	}
	blur := max(1, int(b.k))
	b.w.visit(b.m.centre.X, b.m.centre.Y, float64(x.long+3*blur)*math.Sqrt2, func(i int, _ float32) {
		z := b.fromCentre(i) / x.along
		s, t := math.Abs(real(z)), math.Abs(imag(z))
		if s < t {
			s, t = t, s
		}
		if s <= float64(x.long+3*blur) && t <= float64(x.half+3*blur) {
			f(i, x.ink, s <= float64(x.long-blur) && t <= float64(x.half-blur))
		}
	})
}

// Sizes of crosses, mm.
const (
	crossLeastMM   = 8.0  // from the centre to the end of an arm
	crossLongestMM = 60.0 // and at most
	crossReachMM   = 6.0  // beyond the width of the others
	crossInnerMM   = 7.0  // within which F may be the cross
)

// findCross finds the direction in which three of four arms that leave the ring centre
// look alike, by how far out they do, and by what about it turns into itself, whichever
// makes the larger cross. The edge of a shadow through the centre may look alike farther.
func (b *bareSearch) findCross() (x cross, ok bool) {
	var along complex128
	longest := 0
	for q := range 90 {
		u := cmplx.Rect(1, float64(q)*math.Pi/180)
		on := b.arms(u)
		if len(on) == 0 || on[len(on)-1] < int(crossLeastMM*b.k) {
			continue
		}
		if long := on[len(on)-1]; long > longest {
			along, longest = u, long
		}
		if y, found := b.crossAlong(u); found && y.long*y.half > x.long*x.half {
			x, ok = y, true
		}
	}
	if longest == 0 {
		return x, false
	}
	if ok {
		along, longest = x.along, x.long
	}
	// What turns into itself lies about the arms evenly; marks beside them may do, too.
	var all, near complex128
	b.w.visit(b.m.centre.X, b.m.centre.Y, float64(longest), func(i int, _ float32) {
		z := b.fromCentre(i)
		if r := cmplx.Abs(z); r >= crossInnerMM*b.k && len(b.common(b.turnsOf(z))) > 0 {
			off := cmplx.Pow(z/along, 4) / complex(r*r*r, 0)
			all += off
			if 2*real(off) > cmplx.Abs(off) {
				near += off
			}
		}
	})
	for _, sum := range [2]complex128{all, near} {
		if y, found := b.crossAlong(along * cmplx.Rect(1, cmplx.Phase(sum)/4)); found && y.long*y.half > x.long*x.half {
			x, ok = y, true
		}
	}
	return x, ok
}

// crossAlong returns the cross with an arm in direction along: beside its arms, at one
// width, three of four show its ink no more.
func (b *bareSearch) crossAlong(along complex128) (x cross, ok bool) {
	on := b.arms(along)
	if len(on) == 0 {
		return x, false
	}
	var in []int
	for _, s := range on {
		in = append(in, b.common(b.turnsOf(along*complex(float64(s), 0)))...)
	}
	x = cross{along: along, long: on[len(on)-1], ink: b.inkOf(in)}
	for b.alongArms(x, x.long+1) >= 2 { // the ends of two arms may be torn off
		x.long++
	}
	blur := max(1, int(b.k))
	for x.half = 0; b.besideArms(x, x.half+1) > 0.5; x.half++ {
	}
	return x, x.half > 0 && 2*x.half < x.long && x.long-2*x.half >= int(crossReachMM*b.k) && b.besideArms(x, x.half+2*blur) < 0.3
}

// alongArms returns how many of the arms of a cross show its ink s pixels from the centre.
func (b *bareSearch) alongArms(x cross, s int) (n int) {
	for _, i := range b.turnsOf(x.along * complex(float64(s), 0)) {
		if i >= 0 && b.w.v[i] > 0 && b.shows(i, b.departs(b.index[i], x.ink)) {
			n++
		}
	}
	return n
}

// turnsOf returns the pixels that lie z from the ring centre and a quarter turn or more on.
func (b *bareSearch) turnsOf(z complex128) (at [4]int) {
	for a := range at {
		at[a] = b.pixel(z)
		z *= 1i
	}
	return at
}

// arms returns how far from the centre, raster pixels, three of the four arms of a cross
// in direction along look alike, as far as they mostly do.
func (b *bareSearch) arms(along complex128) (on []int) {
	score, best, last := 0.0, 0.0, 0
	for s := int(crossInnerMM * b.k); s < int(crossLongestMM*b.k); s++ {
		if len(b.common(b.turnsOf(along*complex(float64(s), 0)))) == 0 {
			score -= armGap
			continue
		}
		on = append(on, s)
		if score++; score > best {
			best, last = score, len(on)
		}
	}
	return on[:last]
}

// armGap is how many pixels at which the arms look alike one outweighs at which they do
// not.
const armGap = 1.5

// common returns those of four pixels that are alike, three at least and none of them
// ground; nil for none.
func (b *bareSearch) common(at [4]int) []int {
	for _, i := range at {
		if i < 0 || !(b.w.v[i] > 0) {
			continue
		}
		var like []int
		for _, j := range at {
			if j >= 0 && b.alike(i, j) {
				like = append(like, j)
			}
		}
		if len(like) >= 3 {
			return like
		}
	}
	return nil
}

// besideArms returns the share of the pixels along the arms of a cross at which most of
// the eight places t pixels beside them show its ink.
func (b *bareSearch) besideArms(x cross, t int) float64 {
	like, all := 0, 0
	for s := max(t+1, int(crossInnerMM*b.k)); s < x.long; s++ {
		n := 0
		for _, side := range [2]int{-t, t} {
			for _, i := range b.turnsOf(complex(float64(s), float64(side)) * x.along) {
				if i >= 0 && b.shows(i, b.departs(b.index[i], x.ink)) {
					n++
				}
			}
		}
		all++
		if n >= 5 {
			like++
		}
	}
	return float64(like) / float64(max(1, all))
}

// shows reports whether pixel i departs from the ground as ink does.
func (b *bareSearch) shows(i int, from [3]float32) bool {
	slack := [3]float32{alikeLU + lightSlack*(b.lights.most-b.lights.least), alikeLU, alikeLU}
	for c, u := range from {
		if v := b.e[c][i]; abs32(u-v) > slack[c]+0.3*max(abs32(u), abs32(v)) {
			return false
		}
	}
	return true
}

// By how much departures that are alike may differ, log units, beside a share of them: in
// brightness more where light varies.
const (
	alikeLU    = 0.12
	lightSlack = 0.2 // of the range of light
)

// pixel returns the pixel that lies z from the ring centre, -1 for none.
func (b *bareSearch) pixel(z complex128) int {
	x, y := int(math.Round(b.m.centre.X+real(z))), int(math.Round(b.m.centre.Y+imag(z)))
	if x < 0 || y < 0 || x >= b.w.w || y >= b.w.h {
		return -1
	}
	return y*b.w.w + x
}

// fromCentre returns where pixel i lies from the ring centre.
func (b *bareSearch) fromCentre(i int) complex128 {
	return complex(float64(i%b.w.w)-b.m.centre.X, float64(i/b.w.w)-b.m.centre.Y)
}

// explainTurned takes for print what looks alike after at least two of the three quarter
// turns, away from the middle, where marks are dense and do so by chance.
func (b *bareSearch) explainTurned() {
	var found []int
	for i, v := range b.w.v {
		if r := float64(b.index[i]); v > 0 && r >= crowdMM/2*b.k && int(b.index[i]) < len(b.m.radial[0])-1 && b.turns(i, 2) {
			found = append(found, i)
		}
	}
	for _, i := range found {
		b.printed[i] = true
	}
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
		if b.near(i, x, y, 1, b.alike) >= 0 {
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

// numeralSlackMM, or numeralSlack of its size where the board is turned, is how far a
// numeral may lie from its place; blobShare is the share of the
// disc about it that marks fill, which look alike by chance, and numerals do not.
const (
	numeralSlackMM = 2.0
	numeralSlack   = 0.12
	blobShare      = 0.7
)

// explainCopies marks the patch p with its pixels pix as print, and its copies, if
// it repeats.
func (b *bareSearch) explainCopies(p image.Rectangle, pix []int) {
	// A numeral's box, unlike its mass, lies evenly about its half axis.
	c := r2.Vec{X: float64(p.Min.X+p.Max.X-1)/2 - b.m.centre.X, Y: float64(p.Min.Y+p.Max.Y-1)/2 - b.m.centre.Y}
	if math.Sqrt2*r2.Norm(c) < float64(max(p.Dx(), p.Dy())) { // its copies would overlap it
		return
	}
	slack := int(math.Ceil(math.Max(numeralSlackMM*b.k, numeralSlack*float64(max(p.Dx(), p.Dy())))))
	copies, exact := 0, false
	blob := float64(len(pix)) > blobShare*math.Pi/4*math.Pow(float64(max(p.Dx(), p.Dy())), 2)
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
		exact = exact || dice > 0.88 && !blob
	}
	if copies < 2 && !exact {
		return
	}
	for _, i := range pix {
		var like []int
		seen := 0
		for turn := range 3 {
			if hit[turn] < 0.4 {
				continue
			}
			seen++
			if j := b.near(i, i%b.w.w+at[turn][0], i/b.w.w+at[turn][1], 1, b.sameInk); j >= 0 {
				like = append(like, j)
			}
		}
		if len(like) < min(2, seen) { // marks on one of them
			continue
		}
		for _, j := range append(like, i) {
			b.printed[j] = true
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
		if j := i + dy*b.w.w + dx; b.w.v[j] > 0 && b.sameInk(i, j) {
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
	var edge []int
	for i, v := range b.w.v {
		if !(v > 0) || b.printed[i] {
			continue
		}
		for _, j := range b.neighbours(i) {
			if j >= 0 && b.printed[j] && fainter(b.at(i), b.at(j), 0.9) {
				edge = append(edge, i)
				break
			}
		}
	}
	for _, i := range edge {
		b.printed[i] = true
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
