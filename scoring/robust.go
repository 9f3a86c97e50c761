package scoring

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"

	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat/combin"
)

// Limits of what the robust rule is calibrated for.
const (
	minRobust, maxRobust = 5, 200
	minChance, maxChance = 0.001, 0.20
)

// Robust is the outcome of the robust rule.
type Robust struct {
	// Mask marks the shots whose squared distance exceeds Limit.
	Mask []bool `json:"mask"`
	// DistanceSq is each shot's squared distance from the robust centre, in units of
	// the robust scatter.
	DistanceSq []float64 `json:"distance_sq"`
	// Limit is what the largest DistanceSq of a clean group of this n exceeds with
	// probability Chance.
	Limit  float64 `json:"limit"`
	Chance float64 `json:"chance"`
}

// RobustOutliers flags shots that lie far out by the reweighted minimum covariance
// determinant (Rousseeuw & Van Driessen 1999, Technometrics 41:212) with three
// quarters of the shots as the core. Any clean normal group, round or stretched, has
// something flagged with probability chance; the limit is simulated for each n
// (robust.csv), since the chi-square limit of large samples flags far too much in
// small ones.
//
// n is from 5 to 200 and chance from 0.001 to 0.20. Groups whose core lies on one
// line or in one point cannot be judged: an error.
func RobustOutliers(pts []r2.Vec, chance float64) (Robust, error) {
	n := len(pts)
	if n < minRobust || n > maxRobust {
		return Robust{}, fmt.Errorf("the robust rule needs from %d to %d shots, not %d", minRobust, maxRobust, n)
	}
	if !(chance >= minChance && chance <= maxChance) {
		return Robust{}, fmt.Errorf("the chance of a false flag can be from %v to %v, not %v", minChance, maxChance, chance)
	}
	d2, err := RobustDistances(pts)
	if err != nil {
		return Robust{}, err
	}
	r := Robust{Mask: make([]bool, n), DistanceSq: d2, Limit: robustLimit(n, chance), Chance: chance}
	for i, d := range d2 {
		r.Mask[i] = d > r.Limit
	}
	return r, nil
}

// RobustDistances returns the squared distances behind RobustOutliers. They do not
// depend on the order of the points, nor on shifting, turning or stretching them.
func RobustDistances(pts []r2.Vec) ([]float64, error) {
	n := len(pts)
	if n < minRobust {
		return nil, fmt.Errorf("robust distances: %w", ErrTooFew)
	}
	h := coreSize(n, 0.75)
	core, ok := minCovDet(pts, h)
	if !ok {
		return nil, fmt.Errorf("most impacts lie on one line or in one point: the robust rule cannot judge them")
	}
	factor := consistency(float64(h)/float64(n)) * smallSample(n, 0.75)
	// Reweighting: all shots within the 97.5% ellipse of the core, chi-square with 2
	// degrees of freedom.
	within := make([]int, 0, n)
	for i, p := range pts {
		if core.distanceSq(p)/factor <= -2*math.Log(0.025) {
			within = append(within, i)
		}
	}
	fit, ok := scatterOf(pts, within)
	if !ok {
		return nil, fmt.Errorf("most impacts lie on one line or in one point: the robust rule cannot judge them")
	}
	d2 := make([]float64, n)
	for i, p := range pts {
		d2[i] = fit.distanceSq(p)
	}
	return d2, nil
}

// coreSize is h of the minimum covariance determinant for two variables: with n2 =
// floor((n+3)/2), floor(2 n2 − n + 2 (n − n2) alpha).
func coreSize(n int, alpha float64) int {
	n2 := (n + 3) / 2
	return int(float64(2*n2-n) + 2*float64(n-n2)*alpha)
}

// consistency makes the scatter of the inner share alpha of a bivariate normal an
// estimate of the whole's (Croux & Haesbroeck 1999, J. Multivar. Anal. 71:161):
// alpha over the chi-square(4) probability of the chi-square(2) alpha-point.
func consistency(alpha float64) float64 {
	if alpha >= 1 {
		return 1
	}
	return alpha / (alpha + (1-alpha)*math.Log1p(-alpha))
}

// smallSample is the factor of Pison, Van Aelst & Willems (2002, Metrika 55:111) on
// the raw scatter of two variables; alpha from 0.5 to 1.
func smallSample(n int, alpha float64) float64 {
	at500 := 1 - math.Exp(0.673292623522027)/math.Pow(float64(n), 0.691365864961895)
	at875 := 1 - math.Exp(0.446537815635445)/math.Pow(float64(n), 1.06690782995919)
	if alpha <= 0.875 {
		return 1 / (at500 + (alpha-0.5)/0.375*(at875-at500))
	}
	return 1 / (at875 + (alpha-0.875)/0.125*(1-at875))
}

// scatter is a centre with the inverse and determinant of a covariance (divisor
// n-1).
type scatter struct {
	centre        r2.Vec
	ixx, ixy, iyy float64
	det           float64
}

// scatterOf fits the points listed; false when they lie on one line.
func scatterOf(pts []r2.Vec, idx []int) (scatter, bool) {
	n := float64(len(idx))
	if n < 3 {
		return scatter{}, false
	}
	var c r2.Vec
	for _, i := range idx {
		c.X += pts[i].X
		c.Y += pts[i].Y
	}
	c.X /= n
	c.Y /= n
	var xx, xy, yy float64
	for _, i := range idx {
		dx, dy := pts[i].X-c.X, pts[i].Y-c.Y
		xx += dx * dx
		xy += dx * dy
		yy += dy * dy
	}
	xx, xy, yy = xx/(n-1), xy/(n-1), yy/(n-1)
	det := xx*yy - xy*xy
	if !(det > 1e-12*xx*yy) {
		return scatter{}, false
	}
	return scatter{c, yy / det, -xy / det, xx / det, det}, true
}

func (s scatter) distanceSq(p r2.Vec) float64 {
	dx, dy := p.X-s.centre.X, p.Y-s.centre.Y
	return s.ixx*dx*dx + 2*s.ixy*dx*dy + s.iyy*dy*dy
}

// Choices of the search: below maxSubsets it tries every core; above, it refines
// numStarts triples by two concentration steps and the numBest of them to the end.
const (
	maxSubsets = 1000
	numStarts  = 200
	numBest    = 10
)

// minCovDet finds the h points whose covariance has the smallest determinant:
// exactly when there are few subsets, else by concentration steps from triples drawn
// with a fixed seed from the points in order of position, so that the order they
// came in does not matter. It returns false when that scatter is flat.
func minCovDet(pts []r2.Vec, h int) (scatter, bool) {
	pts = slices.Clone(pts)
	slices.SortFunc(pts, func(a, b r2.Vec) int {
		switch {
		case a.X != b.X:
			return cmpFloat(a.X, b.X)
		default:
			return cmpFloat(a.Y, b.Y)
		}
	})
	n := len(pts)
	if combinations(n, h) <= maxSubsets {
		return minCovDetExact(pts, h)
	}
	rng := rand.New(rand.NewPCG(uint64(n), 20261125))
	type start struct {
		fit scatter
		idx []int
	}
	var starts []start
	work := make([]float64, n)
	for range numStarts {
		triple := rng.Perm(n)[:3]
		fit, ok := scatterOf(pts, triple)
		for grow := 3; !ok && grow < h; grow++ { // three in line: add points
			triple = append(triple, rng.IntN(n))
			fit, ok = scatterOf(pts, triple)
		}
		if !ok {
			return scatter{}, false
		}
		idx := make([]int, 0, h)
		for range 2 {
			idx = nearest(pts, fit, h, work, idx)
			if fit, ok = scatterOf(pts, idx); !ok {
				return scatter{}, false
			}
		}
		starts = append(starts, start{fit, idx})
	}
	slices.SortStableFunc(starts, func(a, b start) int { return cmpFloat(a.fit.det, b.fit.det) })
	best := scatter{det: math.Inf(1)}
	for _, s := range starts[:numBest] {
		fit, ok := s.fit, true
		for range 100 {
			before := fit.det
			s.idx = nearest(pts, fit, h, work, s.idx)
			if fit, ok = scatterOf(pts, s.idx); !ok {
				return scatter{}, false
			}
			if !(fit.det < before) {
				break
			}
		}
		if fit.det < best.det {
			best = fit
		}
	}
	return best, true
}

func minCovDetExact(pts []r2.Vec, h int) (scatter, bool) {
	best := scatter{det: math.Inf(1)}
	idx := make([]int, h)
	for gen := combin.NewCombinationGenerator(len(pts), h); gen.Next(); {
		fit, ok := scatterOf(pts, gen.Combination(idx))
		if !ok {
			return scatter{}, false
		}
		if fit.det < best.det {
			best = fit
		}
	}
	return best, true
}

// nearest lists the h points nearest to a fit, first come first served on ties.
func nearest(pts []r2.Vec, fit scatter, h int, work []float64, idx []int) []int {
	for i, p := range pts {
		work[i] = fit.distanceSq(p)
	}
	limit := kthSmallest(work, h)
	idx = idx[:0]
	for i, p := range pts {
		if d := fit.distanceSq(p); d < limit {
			idx = append(idx, i)
		}
	}
	for i, p := range pts {
		if len(idx) < h && fit.distanceSq(p) == limit {
			idx = append(idx, i)
		}
	}
	return idx
}

func kthSmallest(xs []float64, k int) float64 {
	slices.Sort(xs)
	return xs[k-1]
}

func cmpFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func combinations(n, k int) float64 {
	return math.Round(combin.GeneralizedBinomial(float64(n), float64(k)))
}

// robustCSV holds, for clean groups of n, the limits that the largest squared
// distance exceeds with each chance: 20 000 groups a row. Written by
// internal/calibrate.
//
//go:generate sh -c "go run ./internal/calibrate robust > robust.new && mv robust.new robust.csv"
//go:embed robust.csv
var robustCSV string

// robustTable has one row per n and one column per chance, both ascending.
type robustTable struct {
	chances []float64
	ns      []int
	limits  [][]float64
}

var robustLimits = sync.OnceValue(func() robustTable {
	records, err := csv.NewReader(strings.NewReader(robustCSV)).ReadAll()
	if err != nil {
		panic("scoring: robust.csv: " + err.Error())
	}
	var t robustTable
	for r, rec := range records {
		row := make([]float64, len(rec))
		for i, s := range rec {
			if r == 0 && i == 0 {
				continue // the heading "n"
			}
			if row[i], err = strconv.ParseFloat(s, 64); err != nil {
				panic("scoring: robust.csv: " + err.Error())
			}
		}
		if r == 0 {
			t.chances = row[1:]
			continue
		}
		t.ns = append(t.ns, int(row[0]))
		t.limits = append(t.limits, row[1:])
	}
	return t
})

// robustLimit interpolates the limit, linear in log n and log chance, for n and
// chance inside the table.
func robustLimit(n int, chance float64) float64 {
	t := robustLimits()
	along := func(row []float64) float64 {
		j := 1
		for j < len(t.chances)-1 && t.chances[j] < chance {
			j++
		}
		f := math.Log(chance/t.chances[j-1]) / math.Log(t.chances[j]/t.chances[j-1])
		return row[j-1] + f*(row[j]-row[j-1])
	}
	i := 1
	for i < len(t.ns)-1 && t.ns[i] < n {
		i++
	}
	f := math.Log(float64(n)/float64(t.ns[i-1])) / math.Log(float64(t.ns[i])/float64(t.ns[i-1]))
	lo, hi := along(t.limits[i-1]), along(t.limits[i])
	return lo + f*(hi-lo)
}
