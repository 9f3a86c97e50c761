package vision

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"
)

// printTolerance is how far, relatively, a printed ring may be from its nominal
// diameter before it is called a contradiction (common practice, no source:
// desktop printers hold 0.2 to 0.5 percent).
const printTolerance = 0.008

// ringList is the lines of a fit beside the list of diameters that they should have.
type ringList struct {
	fit   planeFit
	lines []line             // of fit, smallest first
	pick  func(line) float64 // radius of a line's edge that the diameters are of
	given []float64          // diameters, mm, smallest first
}

// identity says which line of the photo is which given ring.
type identity struct {
	scale    float64 // mm per unit
	match    []int   // by line: index of the given diameter, -1 for none
	trusted  []bool  // by line: its radius may bind the fit
	sigmaMM  float64 // with which the given radii bind the fit
	lineMM   float64 // usual width of the printed lines; what a border may have lost
	steps    float64 // even ones of the rings, used as evidence; 0 for none
	warnings []string
}

// identify finds the scale, mm per unit of the fit, at which most of the given diameters
// have a line. A given ring that has a line close by but not at its place is a
// contradiction.
func (r ringList) identify() (identity, error) {
	last := len(r.lines) - 1
	id := identity{trusted: make([]bool, len(r.lines))}
	if len(r.given) == 1 {
		id.match = slices.Repeat([]int{-1}, len(r.lines))
		id.match[last], id.trusted[last] = 0, true
		id.scale = r.given[0] / 2 / r.pick(r.lines[last])
		return id, nil
	}
	bestScore := 0.0
	for _, l := range r.lines {
		for _, g := range r.given {
			s := g / 2 / r.pick(l)
			m, score := r.assign(s)
			// Prefer the reading in which the largest line seen is the largest given.
			if m[last] == len(r.given)-1 {
				score += 0.5
			}
			if score > bestScore {
				bestScore, id.scale, id.match = score, s, m
			}
		}
	}
	n := 0
	for _, j := range id.match {
		if j >= 0 {
			n++
		}
	}
	if n < 2 {
		return id, fmt.Errorf("%w: %s", errRingRatio, r.ratios())
	}
	id.settle(r)
	unsure := 0.0 // of a radius, before the list binds it, mm
	for _, l := range r.lines {
		unsure = math.Max(unsure, l.sigma*id.scale)
	}
	id.lineMM = usualWidth(r.lines) * id.scale
	if id.lineMM == 0 {
		id.lineMM = unseenLine * r.given[len(r.given)-1] // where all are borders none shows how wide it is
	}
	for j, g := range r.given {
		if slices.Contains(id.match, j) {
			continue
		}
		near := false
		for i, l := range r.lines {
			d := r.pick(l)*id.scale*2 - g
			if id.match[i] >= 0 || l.seen < 0.5 || !(math.Abs(d) < 0.08*g) {
				continue
			}
			near = true
			if !l.whole() && math.Abs(d) < 3*id.lineMM+math.Max(6*unsure, 0.012*g) {
				// A line of the neighbouring zone's own colour, or a wrong diameter.
				if math.Abs(d) > math.Max(6*unsure, 0.012*g) {
					id.warnings = append(id.warnings, leftOut(g, d))
				}
				continue
			}
			return id, fmt.Errorf("%w: the ring given as %.4g mm measures %.4g mm against the others", errRingRatio, g, g+d)
		}
		if !near {
			for i, l := range r.lines {
				if id.match[i] < 0 && l.whole() && l.seen > 0.5 && r.pick(l) > centreShare*r.pick(r.lines[last]) {
					return id, fmt.Errorf("%w: there is no ring of %.4g mm, but one of %.4g mm that the list lacks", errRingRatio, g, 2*r.pick(l)*id.scale)
				}
			}
			id.warnings = append(id.warnings, fmt.Sprintf("the %.4g mm ring was not found in the photo", g))
		}
	}
	return id, nil
}

// leftOut tells of a border that measures d mm more than the g mm it is given as.
func leftOut(g, d float64) string {
	return fmt.Sprintf("the ring given as %.4g mm measures %.4g mm against the others; it was left out, since a border may hide a line of its own colour: check its diameter", g, g+d)
}

// settle fixes the scale by the lines that can be trusted. Whole lines come before borders; among them,
// what departs far from the rest is set aside.
func (id *identity) settle(r ringList) {
	use := func(i int) bool { return id.match[i] >= 0 && r.lines[i].whole() }
	n := 0
	for i := range r.lines {
		if use(i) {
			n++
		}
	}
	if n < 2 {
		use = func(i int) bool { return id.match[i] >= 0 }
	}
	var logs []float64
	for i, l := range r.lines {
		if use(i) {
			logs = append(logs, math.Log(r.given[id.match[i]]/2/r.pick(l)))
		}
	}
	mid := medianOf(slices.Clone(logs))
	dev := make([]float64, len(logs))
	for i, v := range logs {
		dev[i] = math.Abs(v - mid)
	}
	cut := math.Max(4*1.4826*medianOf(dev), 1e-4)
	var num, den float64
	pxPerUnit := r.pxPerUnit()
	for i, l := range r.lines {
		px := 0.3 / (r.pick(l) * pxPerUnit) // what a misread edge of 0.3 px is worth
		if use(i) && math.Abs(math.Log(r.given[id.match[i]]/2/r.pick(l))-mid) < cut+px+3*l.sigma/r.pick(l) {
			id.trusted[i] = true
			num += r.pick(l) * r.given[id.match[i]] / 2
			den += r.pick(l) * r.pick(l)
		}
	}
	id.scale = num / den
}

// assign matches lines to given diameters at scale s, each once, and scores the
// matching: a point per match, less for larger misfits.
func (r ringList) assign(s float64) ([]int, float64) {
	pxPerUnit := r.pxPerUnit()
	match := slices.Repeat([]int{-1}, len(r.lines))
	score := 0.0
	for j, g := range r.given {
		bestI, bestD := -1, 1.0
		for i, l := range r.lines {
			tol := math.Max(math.Max(printTolerance*g, 2*s/pxPerUnit), 6*l.sigma*s)
			if d := math.Abs(2*r.pick(l)*s-g) / tol; d < bestD && match[i] < 0 {
				bestI, bestD = i, d
			}
		}
		if bestI >= 0 {
			match[bestI] = j
			score += 1 - 0.2*bestD
		}
	}
	return match, score
}

func (r ringList) ratios() string {
	var seen, want []string
	top := r.pick(r.lines[len(r.lines)-1])
	for _, l := range r.lines {
		seen = append(seen, fmt.Sprintf("%.3f", r.pick(l)/top))
	}
	for _, g := range r.given {
		want = append(want, fmt.Sprintf("%.3f", g/r.given[len(r.given)-1]))
	}
	return fmt.Sprintf("relative to the largest, the photo shows %s and the list says %s", strings.Join(seen, ", "), strings.Join(want, ", "))
}

// pxPerUnit is how finely the photo shows the board at the ring centre, in the direction
// in which it does least.
func (r ringList) pxPerUnit() float64 {
	lo, _ := r.fit.sol.PxPerMM(r2.Vec{})
	return lo
}
