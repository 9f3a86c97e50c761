package vision

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// printTolerance is how far, relatively, a printed ring may be from its nominal
// diameter before it is called a contradiction (common practice, no source:
// desktop printers hold 0.2 to 0.5 percent).
const printTolerance = 0.008

// identity says which line of the photo is which given ring.
type identity struct {
	scale    float64 // mm per unit
	match    []int   // by line: index of the given diameter, -1 for none
	trusted  []bool  // by line: its radius may bind the fit
	sigmaMM  float64 // with which the given radii bind the fit
	lineMM   float64 // usual width of the printed lines; what a border may have lost
	warnings []string
}

// identify finds the scale at which most of the given diameters (ascending, mm)
// have a line. A given ring that has a line close by but not at its place is a
// contradiction. pxPerUnit is the sampling.
func identify(lines []line, pick func(line) float64, given []float64, pxPerUnit float64) (identity, error) {
	last := len(lines) - 1
	id := identity{trusted: make([]bool, len(lines))}
	if len(given) == 1 {
		id.match = slices.Repeat([]int{-1}, len(lines))
		id.match[last], id.trusted[last] = 0, true
		id.scale = given[0] / 2 / pick(lines[last])
		return id, nil
	}
	bestScore := 0.0
	for _, l := range lines {
		for _, g := range given {
			s := g / 2 / pick(l)
			m, score := assign(lines, pick, given, s, pxPerUnit)
			// Prefer the reading in which the largest line seen is the largest given.
			if m[last] == len(given)-1 {
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
		return id, fmt.Errorf("%w: %s", errRingRatio, ratios(lines, pick, given))
	}
	id.settle(lines, pick, given, pxPerUnit)
	unsure := 0.0 // of a radius, before the list binds it, mm
	for _, l := range lines {
		unsure = math.Max(unsure, l.sigma*id.scale)
	}
	id.lineMM = usualWidth(lines) * id.scale
	if id.lineMM == 0 {
		id.lineMM = unseenLine * given[len(given)-1] // where all are borders none shows how wide it is
	}
	for j, g := range given {
		if slices.Contains(id.match, j) {
			continue
		}
		near := false
		for i, l := range lines {
			d := pick(l)*id.scale*2 - g
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
			for i, l := range lines {
				if id.match[i] < 0 && l.whole() && l.seen > 0.5 && pick(l) > centreShare*pick(lines[last]) {
					return id, fmt.Errorf("%w: there is no ring of %.4g mm, but one of %.4g mm that the list lacks", errRingRatio, g, 2*pick(l)*id.scale)
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
func (id *identity) settle(lines []line, pick func(line) float64, given []float64, pxPerUnit float64) {
	use := func(i int) bool { return id.match[i] >= 0 && lines[i].whole() }
	n := 0
	for i := range lines {
		if use(i) {
			n++
		}
	}
	if n < 2 {
		use = func(i int) bool { return id.match[i] >= 0 }
	}
	var logs []float64
	for i, l := range lines {
		if use(i) {
			logs = append(logs, math.Log(given[id.match[i]]/2/pick(l)))
		}
	}
	mid := medianOf(slices.Clone(logs))
	dev := make([]float64, len(logs))
	for i, v := range logs {
		dev[i] = math.Abs(v - mid)
	}
	cut := math.Max(4*1.4826*medianOf(dev), 1e-4)
	var num, den float64
	for i, l := range lines {
		px := 0.3 / (pick(l) * pxPerUnit) // what a misread edge of 0.3 px is worth
		if use(i) && math.Abs(math.Log(given[id.match[i]]/2/pick(l))-mid) < cut+px+3*l.sigma/pick(l) {
			id.trusted[i] = true
			num += pick(l) * given[id.match[i]] / 2
			den += pick(l) * pick(l)
		}
	}
	id.scale = num / den
}

// assign matches lines to given diameters at scale s, each once, and scores the
// matching: a point per match, less for larger misfits.
func assign(lines []line, pick func(line) float64, given []float64, s, pxPerUnit float64) ([]int, float64) {
	match := slices.Repeat([]int{-1}, len(lines))
	score := 0.0
	for j, g := range given {
		bestI, bestD := -1, 1.0
		for i, l := range lines {
			tol := math.Max(math.Max(printTolerance*g, 2*s/pxPerUnit), 6*l.sigma*s)
			if d := math.Abs(2*pick(l)*s-g) / tol; d < bestD && match[i] < 0 {
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

func ratios(lines []line, pick func(line) float64, given []float64) string {
	var seen, want []string
	top := pick(lines[len(lines)-1])
	for _, l := range lines {
		seen = append(seen, fmt.Sprintf("%.3f", pick(l)/top))
	}
	for _, g := range given {
		want = append(want, fmt.Sprintf("%.3f", g/given[len(given)-1]))
	}
	return fmt.Sprintf("relative to the largest, the photo shows %s and the list says %s", strings.Join(seen, ", "), strings.Join(want, ", "))
}
