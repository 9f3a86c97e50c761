package vision

import (
	"image"
	"math"

	"gonum.org/v1/gonum/spatial/r2"
)

// line is a printed ring as the user knows it: one thin feature, two borders of
// a thick line, or the border of a zone.
type line struct {
	inner, outer         float64
	seen                 float64
	sigma                float64 // of the radius, from the fit with free radii and from wobble
	innerFeat, outerFeat int
}

// whole tells that both sides of a printed line were seen, so that its outer
// edge is what the user measured; the border of a zone may have lost a line of
// the neighbour's colour.
func (l line) whole() bool { return l.outer > l.inner }

// thickLineShare is the widest a line may be, relative to the largest radius;
// beyond it, it is a zone with two borders.
const thickLineShare = 0.065

// lines reads the printed edges off the features and pairs the two sides of
// thick lines; ascending.
func (p planeFit) lines() []line {
	held := p.blurPx()
	var out []line
	limit := thickLineShare * p.features[len(p.features)-1].ref()
	for i := 0; i < len(p.features); i++ {
		f := &p.features[i]
		a, b, _ := f.edges(held)
		l := line{inner: a, outer: b, seen: f.seen, sigma: math.Hypot(p.sol.RadiusSigma[i], p.sol.WobbleMM), innerFeat: i, outerFeat: i}
		if f.inner == f.outer && i+1 < len(p.features) {
			g := &p.features[i+1]
			if g.inner == g.outer && g.sign != f.sign && g.ref()-f.ref() < limit && f.ref() > 2*limit {
				_, o, _ := g.edges(held)
				l.outer, l.outerFeat = o, i+1
				l.seen = math.Max(f.seen, g.seen)
				i++
			}
		}
		out = append(out, l)
	}
	return out
}

// blurPx is the usual blur of the features, standard deviation in px; 0 when none
// could be read.
func (p planeFit) blurPx() float64 {
	var px []float64
	for i := range p.features {
		if _, _, b := p.features[i].edges(0); !math.IsNaN(b) {
			px = append(px, b)
		}
	}
	if len(px) == 0 {
		return 0
	}
	return medianOf(px)
}

// softPx is blurPx of a photo whose edges are softer than the windows of the fit can show:
// of whole lines and borders in windows that reach towards the neighbours'.
func (p planeFit) softPx(img *image.NRGBA) float64 {
	const widePx, rays = 6 * windowPx, 180
	lo, _ := p.sol.PxPerMM(r2.Vec{})
	lines := p.lines()
	var px []float64
	for i, l := range lines {
		f := feature{inner: l.inner, outer: l.outer, h: 1 / lo, sign: p.features[l.outerFeat].sign}
		reach := math.Min(widePx/lo, 0.8*f.ref())
		if i > 0 {
			reach = math.Min(reach, (l.inner-lines[i-1].outer)/2)
		}
		if i+1 < len(lines) {
			reach = math.Min(reach, (lines[i+1].inner-l.outer)/2)
		}
		f.half = (l.outer-l.inner)/2 + reach
		f.register(img, p.sol.Rectification, 0, rays)
		if _, _, b := f.edges(0); b > 0 {
			px = append(px, b)
		}
	}
	if len(px) == 0 {
		return 0
	}
	return medianOf(px)
}

// featureOf returns the feature that carries the edge at radius r.
func (l line) featureOf(r float64) int {
	if r == l.inner {
		return l.innerFeat
	}
	return l.outerFeat
}

// of returns the radius of the edge of l that e names.
func (e RingEdge) of(l line) float64 {
	switch e {
	case RingMiddle:
		return (l.inner + l.outer) / 2
	case RingInner:
		return l.inner
	}
	return l.outer
}

// usualWidth is the median width of the lines of which both sides were seen; 0
// without any.
func usualWidth(lines []line) float64 {
	var widths []float64
	for _, l := range lines {
		if l.whole() {
			widths = append(widths, l.outer-l.inner)
		}
	}
	if len(widths) == 0 {
		return 0
	}
	return medianOf(widths)
}

// unseenLine is the width of a printed line by the outermost diameter (common practice,
// no source: 2 mm at 1 m).
const unseenLine = 0.002

// evenSigma is how tightly rings that look evenly spaced are taken to be so, and evenLeft
// how close to even they must look but for the lens; relative to the outermost radius.
const (
	evenSigma = 0.0015
	evenLeft  = 0.003
)

// evenSteps returns the least number of equal steps, 2 to 12, of which the outer radius of
// every ring is a whole number; 0 when there is none, or too few rings to say. The centre
// mark does not count, nor does the border of a zone, which may have lost its line.
func evenSteps(lines []line) float64 {
	last := lines[len(lines)-1]
	var inner []float64 // radii of the other rings, of the outermost one's
	for _, l := range lines[:len(lines)-1] {
		if q := l.outer / last.outer; q >= centreShare && l.whole() {
			inner = append(inner, q)
		}
	}
	if len(inner) < 2 || !last.whole() {
		return 0
	}
	for n := 2.0; n <= 12; n++ {
		if luck, even := evenIn(inner, n); even && luck < 0.01 {
			return n
		}
	}
	return 0
}

// evenIn reports whether two radii or more, of the outermost ring's, are whole numbers of n
// steps, and how often rings would be so by luck, for this n alone: a fine grid fits
// anything. What the lens does to the radii of a plane fitted to all of them goes with
// their cubes and is allowed for.
func evenIn(radii []float64, n float64) (luck float64, even bool) {
	step := func(q float64) float64 { return max(1, min(n-1, math.Round(q*n))) / n }
	// Least squares of the share of its radius by which the lens moves a ring near the middle.
	var num, den float64
	for _, q := range radii {
		x := step(q)
		bent := x * (1 - x*x)
		num, den = num+(q-x)*bent, den+bent*bent
	}
	bend := num / den
	even = math.Abs(bend) < lensMakes
	for _, q := range radii {
		x := step(q)
		even = even && math.Abs(q-x*(1+bend*(1-x*x))) < evenLeft
	}
	return 2 * lensMakes * n * math.Pow(2*evenLeft*n, float64(len(radii)-1)), even
}
