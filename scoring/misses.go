package scoring

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat/distuv"
)

// ErrTooFew tells that there are not enough shots for the figure asked for.
var ErrTooFew = errors.New("too few shots")

const (
	defCensored = "sigma of all shots, misses included, from the likelihood of the impacts and of missing this board (flat prior on the centre, 1/sigma on sigma); equal-tailed interval"
	defHitShare = "share of shots that left a mark; Clopper-Pearson interval"
)

// CensoredSigma estimates sigma from the impacts on a board and the number of shots
// that missed it, both from one circular normal with unknown centre.
//
// The likelihood of the impacts times the misses is averaged over the centre, which
// leaves for n impacts, m misses and scatter SS
//
//	L(σ) ∝ σ^(2-2n) exp(-SS/2σ²) E[(1 − Share(c, σ))^m],  c ~ Normal(mean, σ²/n).
//
// Value is the mode of L over log σ with the bias factor of 2n-2 degrees of freedom,
// and the interval holds the level's share of L over log σ, equal tails. Without
// misses both are exactly the figures of Summary.Sigma. ErrTooFew below two impacts
// or when all lie in one point.
func CensoredSigma(impacts []r2.Vec, misses int, board Area, level float64) (Estimate, error) {
	m := momentsOf(impacts)
	e := undefined(m.n+misses, defCensored)
	if m.n < 2 || !(m.ss() > 0) {
		return e, fmt.Errorf("sigma with misses needs two separate impacts: %w", ErrTooFew)
	}
	if misses < 0 || board == nil {
		return e, fmt.Errorf("sigma with misses needs a board and a count of misses")
	}
	if err := board.check(); err != nil {
		return e, err
	}
	if !(level > 0 && level < 1) {
		return e, fmt.Errorf("the level of an interval lies between 0 and 1, not %v", level)
	}
	n := float64(m.n)
	pooled := math.Sqrt(m.ss() / (2*n - 2))
	logL := func(logSigma float64) float64 {
		sigma := math.Exp(logSigma)
		return (2-2*n)*logSigma - m.ss()/(2*sigma*sigma) + logMissed(m, misses, board, sigma)
	}
	// Below pooled/6 nothing is left even for two shots at 99%; the upper tail falls
	// like σ^(2-2n), so two shots need the long reach.
	from, to := math.Log(pooled/6), math.Log(pooled)+math.Log(1e6)/(n-1)+math.Log1p(float64(misses)/n)+1
	fine := sampleCurve(logL, sampleCurve(logL, [2]float64{from, to}, 24).above(16), 32).refine(32)
	e.Value = math.Exp(fine.peak()) / chiMean(2*n-2)
	e.Lo, e.Hi, e.Level = math.Exp(fine.quantile((1-level)/2)), math.Exp(fine.quantile((1+level)/2)), level
	return e, nil
}

// censoredSigma counts the stated misses alone: shots that nobody accounts for may have been
// overlooked, and sigma is undefined then. Without misses it is that of the impacts.
func (g Group) censoredSigma(pts []r2.Vec, board Area, level float64) (Estimate, error) {
	if g.Unaccounted() > 0 {
		return undefined(len(pts)+g.lost(), defCensored), errUnaccounted
	}
	return CensoredSigma(pts, g.Misses, board, level)
}

var errUnaccounted = errors.New("shots are neither found nor stated as misses")

// curve is a log density at even steps from a start.
type curve struct {
	from, step float64
	log        []float64
}

func sampleCurve(log func(float64) float64, r [2]float64, steps int) curve {
	c := curve{from: r[0], step: (r[1] - r[0]) / float64(steps)}
	for i := range steps + 1 {
		c.log = append(c.log, log(c.from+float64(i)*c.step))
	}
	return c
}

// refine puts more steps into every step, by a cubic spline.
func (c curve) refine(more int) curve {
	xs := make([]float64, len(c.log))
	for i := range xs {
		xs[i] = float64(i * more)
	}
	var spline interp.NotAKnotCubic
	if err := spline.Fit(xs, c.log); err != nil {
		panic("scoring: spline of a log density: " + err.Error())
	}
	return sampleCurve(func(x float64) float64 {
		return spline.Predict((x - c.from) / c.step * float64(more))
	}, [2]float64{c.from, c.from + c.step*float64(len(c.log)-1)}, (len(c.log)-1)*more)
}

// above returns the range in which the curve lies within depth of its top, one step
// more to both sides.
func (c curve) above(depth float64) [2]float64 {
	top := floats.Max(c.log)
	first, last := len(c.log), 0
	for i, l := range c.log {
		if l >= top-depth {
			first, last = min(first, i), i
		}
	}
	at := func(i int) float64 { return c.from + c.step*float64(i) }
	return [2]float64{at(max(0, first-1)), at(min(len(c.log)-1, last+1))}
}

// peak is where the curve is highest: the vertex of the parabola through the highest
// step and its neighbours.
func (c curve) peak() float64 {
	i := floats.MaxIdx(c.log)
	peak := c.from + float64(i)*c.step
	if i == 0 || i == len(c.log)-1 {
		return peak
	}
	a, b, d := c.log[i-1], c.log[i], c.log[i+1]
	if bend := a - 2*b + d; bend < 0 {
		peak += c.step * (a - d) / (2 * bend)
	}
	return peak
}

// quantile is where the density has p of its area to the left, by the trapezoidal
// rule.
func (c curve) quantile(p float64) float64 {
	top := floats.Max(c.log)
	area := make([]float64, len(c.log))
	for i := 1; i < len(area); i++ {
		area[i] = area[i-1] + (math.Exp(c.log[i-1]-top)+math.Exp(c.log[i]-top))/2
	}
	want := p * area[len(area)-1]
	i := 1
	for i < len(area)-1 && area[i] < want {
		i++
	}
	return c.from + c.step*(float64(i-1)+(want-area[i-1])/(area[i]-area[i-1]))
}

// logMissed is ln E[(1 − Share)^misses] over the centre, by Gauss-Hermite quadrature
// in both coordinates.
func logMissed(m moments, misses int, board Area, sigma float64) float64 {
	if misses == 0 {
		return 0
	}
	spread := sigma * math.Sqrt(2/float64(m.n))
	sum := 0.0
	for i, x := range hermiteX {
		for j, y := range hermiteX {
			if hermiteW[i]*hermiteW[j] < 1e-6 {
				continue // a corner that adds less than a millionth
			}
			c := r2.Add(m.centre, r2.Vec{X: spread * x, Y: spread * y})
			missed := max(1-board.Share(c, sigma), 1e-300)
			sum += hermiteW[i] * hermiteW[j] * math.Pow(missed, float64(misses))
		}
	}
	return math.Log(max(sum/math.Pi, 1e-300))
}

// Nodes and weights of the nine-point Gauss-Hermite rule, weight exp(-x²)
// (Abramowitz & Stegun, table 25.10).
var (
	hermiteX = [9]float64{-3.190993201781528, -2.266580584531843, -1.468553289216668, -0.7235510187528376, 0,
		0.7235510187528376, 1.468553289216668, 2.266580584531843, 3.190993201781528}
	hermiteW = [9]float64{3.960697726326438e-05, 0.00494362427553695, 0.08847452739437657, 0.4326515590025558, 0.7202352156060510,
		0.4326515590025558, 0.08847452739437657, 0.00494362427553695, 3.960697726326438e-05}
)

// Share returns the share k of n with its exact interval (Clopper & Pearson 1934,
// Biometrika 26:404). With n = 0 it is undefined.
func Share(k, n int, level float64, definition string) Estimate {
	e := undefined(n, definition)
	if n <= 0 || k < 0 || k > n || !(level > 0 && level < 1) {
		return e
	}
	e.Value, e.Lo, e.Hi, e.Level = float64(k)/float64(n), 0, 1, level
	if k > 0 {
		e.Lo = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile((1 - level) / 2)
	}
	if k < n {
		e.Hi = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile((1 + level) / 2)
	}
	return e
}

// misses adds what shots without a mark say.
func (s *Summary) misses(g Group, pts []r2.Vec, dropped int, opts Options) {
	lost := g.lost()
	if lost == 0 && g.Declared == 0 {
		return
	}
	share := Share(len(g.Impacts), len(g.Impacts)+lost, opts.Level, defHitShare)
	s.HitShare = &share
	if opts.Board == nil || dropped > 0 { // what is left of a drop is not all that hit
		return
	}
	if e, err := g.censoredSigma(pts, opts.Board, opts.Level); err == nil && lost > 0 {
		e.MeasureSigma = s.Sigma.MeasureSigma
		s.CensoredSigma = &e
	}
}

// warn adds what a reader must know beside the figures.
func (s *Summary) warn(g Group, mask []bool, opts Options) {
	s.warnOfPlaces(g, opts)
	s.warnOfShots(g, opts)
	s.warnOfFit(g, mask)
}

func (s *Summary) add(code, format string, args ...any) {
	s.Warnings = append(s.Warnings, Warning{code, fmt.Sprintf(format, args...)})
}

// warnOfPlaces tells of impacts that cannot lie where they do.
func (s *Summary) warnOfPlaces(g Group, opts Options) {
	odd, outside := 0, 0
	for _, im := range g.Impacts {
		switch {
		case !finite(im.Pos):
			odd++
		case opts.Board != nil && !opts.Board.Contains(im.Pos):
			outside++
		}
	}
	if odd > 0 {
		s.add("no-position", "%s without a usable position left out", count(odd, "impact"))
	}
	if outside > 0 {
		s.add("off-board", "%s outside the stated board: is the board's size right?", count(outside, "impact"))
	}
}

// warnOfShots tells of shots without a mark and marks without a shot.
func (s *Summary) warnOfShots(g Group, opts Options) {
	switch u := s.Unaccounted; {
	case u > 0:
		s.add("unaccounted", "%s declared, %s and %s found: %s unaccounted for and counted here as missing the board",
			count(s.Declared, "shot"), count(len(g.Impacts), "mark"), count(s.Misses, "stated miss"), count(u, "shot"))
	case u < 0:
		s.add("extra-marks", "%s declared, but %s and %s: a stray mark, a sighter or a wrong colour?",
			count(s.Declared, "shot"), count(len(g.Impacts), "mark"), count(s.Misses, "stated miss"))
	}
	lost := count(g.lost(), "shot")
	switch {
	case !s.AtLeast:
	case s.N < 2:
		s.add("at-least", "%s left no mark", lost)
	default:
		s.add("at-least", "the sizes are at least this large: %s left no mark", lost)
		switch {
		case s.Unaccounted > 0:
			s.add("not-stated", "no misses are counted into sigma, since %s may have been overlooked: state those that missed as misses", count(s.Unaccounted, "shot"))
		case opts.Board == nil:
			s.add(NoBoard, noBoardWords)
		}
	}
}

// NoBoard is the code of the warning that Options.Board would help. Who shows it adds where
// to give the board's size.
const (
	NoBoard      = "no-board"
	noBoardWords = "the misses are not counted into sigma, since the size of the board is not given"
)

// warnOfFit tells of too few shots, and of marks and shapes that the figures do not suit.
func (s *Summary) warnOfFit(g Group, mask []bool) {
	switch {
	case s.N == 0:
		s.add("empty", "no impacts, so no figures")
	case s.N == 1:
		s.add("one-shot", "one impact has a place but no size")
	case s.Sigma.Value == 0:
		s.add("coincident", "all impacts lie in one point: are they real?")
	case s.N < 10:
		s.add("few-shots", "%s say little about a group: see the intervals", count(s.N, "shot"))
	}
	variance := 0.0 // of placing a mark, on average
	for i, im := range g.Impacts {
		if mask == nil || !mask[i] {
			variance += im.SigmaMM * im.SigmaMM / float64(max(1, s.N))
		}
	}
	if s.N > 2 && variance > 0 && variance > s.Sigma.Value*s.Sigma.Value/9 {
		s.add("coarse-marks", "the marks are placed to ±%.1f mm (95%%), which is a large part of this group's size", 1.96*math.Sqrt(variance))
	}
	if e := s.Ellipse; e != nil && e.Stretched {
		s.add("stretched", "the group is stretched (%.0f by %.0f mm sigma; a round one looks like this %s): circular figures describe it less well",
			e.SigmaMajorMM, e.SigmaMinorMM, percentOfTimes(e.RoundP))
	}
	if s.N > 1 && s.ExtremeSpread.Value > 0 && !s.ExtremeSpread.HasInterval() {
		s.add("no-interval", "no interval for the extreme spread at this number of shots")
	}
}

// count writes "1 shot", "3 shots", "2 misses".
func count(n int, noun string) string {
	switch {
	case n == 1:
		return "1 " + noun
	case noun[len(noun)-1] == 's':
		return fmt.Sprintf("%d %ses", n, noun)
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func percentOfTimes(p float64) string {
	if p < 0.01 {
		return "in fewer than 1 of 100 cases"
	}
	return fmt.Sprintf("in %.0f of 100 cases", 100*p)
}
