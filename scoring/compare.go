package scoring

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
)

// Verdict is a comparison in words, by the p-value adjusted for the number of pairs.
type Verdict string

const (
	ClearlyTighter Verdict = "clearly tighter"       // adjusted p at most 0.05
	Leaning        Verdict = "leaning, not settled"  // at most 0.20
	NoDifference   Verdict = "no difference visible" // above, or not to be had
)

// CompareOptions are the choices behind a comparison; the zero value is usual.
type CompareOptions struct {
	Level        float64 // of the intervals, as in Options
	Permutations int     // random re-labellings per pair; 0 means 10 000
	Seed         uint64
	Board        Area // where a shot leaves a mark, for misses; nil when not known
}

// Pair compares two accessories, A the one given first.
type Pair struct {
	A  string `json:"a"`
	B  string `json:"b"`
	NA int    `json:"n_a"`
	NB int    `json:"n_b"`
	// MeanRadiusRatio is A's mean radius over B's, each corrected for its n; undefined
	// when either has misses.
	MeanRadiusRatio Estimate `json:"mean_radius_ratio"`
	SigmaRatio      Estimate `json:"sigma_ratio"`
	// P is how often two identical parts would differ at least this much; PAdjusted
	// allows for the number of pairs (Holm 1979). Both are 1 when there is
	// nothing to compare.
	P         float64 `json:"p"`
	PAdjusted float64 `json:"p_adjusted"`
	// PF is the F test of the two sigmas, which trusts the round normal model.
	PF      float64 `json:"p_f"`
	Verdict Verdict `json:"verdict"`
	Tighter string  `json:"tighter,omitempty"` // the one that looks tighter, also when not settled
	// ShotsToSettle is the number of shots per accessory that would show the seen
	// difference as clear in 8 of 10 tests, if it is real; 0 means more than 2000.
	ShotsToSettle int `json:"shots_to_settle"`
	// CentreDistance is between the two centres and CentreP its test (Hotelling's T²),
	// apart from size.
	CentreDistance Estimate  `json:"centre_distance"`
	CentreP        float64   `json:"centre_p"`
	Method         string    `json:"method"`
	Warnings       []Warning `json:"warnings,omitempty"`
}

// Comparison is all pairs of two to eight accessories.
type Comparison struct {
	Pairs    []Pair    `json:"pairs"`
	Warnings []Warning `json:"warnings,omitempty"`
}

const (
	defMRRatio    = "ratio of mean radii, corrected for n; interval by inverting the permutation test"
	defSigmaRatio = "ratio of sigmas; interval by the F distribution (circular normal)"
	defSigmaMiss  = "ratio of sigmas, misses counted; interval from the two intervals on the log scale"
	defCentreGap  = "distance between the two centres; interval by the region of the difference, conservative"
)

// maxExact is how many re-labellings all pairs together may need before random ones
// are drawn instead.
const maxExact = 200_000

// Compare compares every pair of two to eight groups.
//
// The test shuffles the radii of the shots about their own group's centre (times
// √(n/(n−1)), which makes different n alike) between the two accessories: all
// shuffles when they are few, else Permutations random ones. When every shot of the
// pair has a Block, and each accessory at least three shots in each, centres and
// shuffles stay within blocks, so that a drift between blocks does no harm. With
// misses the test is on ranks, every miss ranking widest: no miss is ignored.
func Compare(groups []Group, opts CompareOptions) (Comparison, error) {
	if len(groups) < 2 || len(groups) > 8 {
		return Comparison{}, fmt.Errorf("a comparison needs from two to eight accessories, not %d", len(groups))
	}
	o, err := Options{Level: opts.Level, Board: opts.Board}.check()
	if err != nil {
		return Comparison{}, err
	}
	if opts.Permutations == 0 {
		opts.Permutations = 10_000
	}
	if opts.Permutations < 100 || opts.Permutations > 1_000_000 {
		return Comparison{}, fmt.Errorf("the number of permutations can be from 100 to 1000000, not %d", opts.Permutations)
	}
	var c Comparison
	pairs := len(groups) * (len(groups) - 1) / 2
	for i := range groups {
		for j := i + 1; j < len(groups); j++ {
			rng := rand.New(rand.NewPCG(opts.Seed, uint64(i*8+j)))
			c.Pairs = append(c.Pairs, comparePair(groups[i], groups[j], o, opts.Permutations, maxExact/pairs, rng))
		}
	}
	ps := make([]float64, pairs)
	for i, p := range c.Pairs {
		ps[i] = p.P
	}
	for i, adjusted := range Holm(ps) {
		c.Pairs[i].PAdjusted = adjusted
		c.Pairs[i].decide(pairs)
	}
	return c, nil
}

// decide puts the adjusted p into words.
func (p *Pair) decide(pairs int) {
	ratio := p.MeanRadiusRatio.Value
	if math.IsNaN(ratio) {
		ratio = p.SigmaRatio.Value
	}
	switch {
	case p.Tighter == "":
		p.Verdict = NoDifference
	case p.PAdjusted <= 0.05:
		p.Verdict = ClearlyTighter
	case p.PAdjusted <= 0.20:
		p.Verdict = Leaning
	default:
		p.Verdict = NoDifference
	}
	if ratio > 0 && !math.IsInf(ratio, 0) {
		p.ShotsToSettle, _ = ShotsFor(max(ratio, 1/ratio), 0.80, 0.05/float64(pairs))
	}
}

// cell is the values of one block: A's and B's.
type cell struct{ a, b []float64 }

func comparePair(a, b Group, opts Options, permutations, exact int, rng *rand.Rand) Pair {
	pa, pb := a.points(a.kept(nil)), b.points(b.kept(nil))
	p := Pair{
		A: a.Accessory, B: b.Accessory, NA: len(pa), NB: len(pb), P: 1, PF: 1, CentreP: 1, Verdict: NoDifference,
		MeanRadiusRatio: undefined(len(pa)+len(pb), defMRRatio), SigmaRatio: undefined(len(pa)+len(pb), defSigmaRatio),
		CentreDistance: undefined(len(pa)+len(pb), defCentreGap),
	}
	lost := a.lost() + b.lost()
	if len(pa) < 3 || len(pb) < 3 {
		p.Warnings = append(p.Warnings, Warning{"few-shots", "fewer than three impacts on one side: nothing to compare"})
		return p
	}
	p.centres(pa, pb, opts.Level)
	cells, blocked := blocksOf(a, b)
	if !blocked || lost > 0 {
		cells = []cell{{radii(pa), radii(pb)}}
	}
	p.sigmas(cells, opts.Level)
	if lost > 0 {
		p.withMisses(a, b, pa, pb, opts)
		cells = []cell{ranks(cells[0], a.lost(), b.lost())}
		p.Method = "permutation of ranks, misses ranking widest"
	} else {
		p.Method = "permutation of radii"
		if blocked {
			p.Method += " within blocks"
		}
	}
	t := shuffle(cells, permutations, exact, opts.Level, rng)
	p.P = t.p
	switch meanA, meanB := t.sumA/float64(len(pa)+a.lost()), t.sumB/float64(len(pb)+b.lost()); {
	case meanA < meanB:
		p.Tighter = p.A
	case meanA > meanB:
		p.Tighter = p.B
	}
	if t.exact {
		p.Method += ", all " + fmt.Sprint(t.count)
	} else {
		p.Method += ", " + fmt.Sprint(t.count) + " random"
	}
	if lost == 0 && t.sumA > 0 && t.sumB > 0 {
		p.MeanRadiusRatio.Value = t.sumA / float64(len(pa)) / (t.sumB / float64(len(pb)))
		if !math.IsNaN(t.lo) {
			p.MeanRadiusRatio.Lo, p.MeanRadiusRatio.Hi, p.MeanRadiusRatio.Level = t.lo, t.hi, opts.Level
		}
	}
	return p
}

// radii returns the distances from the centre times √(n/(n−1)), whose mean does not
// depend on n.
func radii(pts []r2.Vec) []float64 {
	m := momentsOf(pts)
	n := float64(len(pts))
	rs := make([]float64, len(pts))
	for i, p := range pts {
		rs[i] = math.Sqrt(n/(n-1)) * math.Hypot(p.X-m.centre.X, p.Y-m.centre.Y)
	}
	return rs
}

// blocksOf sorts radii into blocks; false when the order does not allow it.
func blocksOf(a, b Group) ([]cell, bool) {
	split := func(g Group) (map[string][]r2.Vec, []string, bool) {
		by := map[string][]r2.Vec{}
		var names []string
		for _, i := range g.kept(nil) {
			im := g.Impacts[i]
			if im.Block == "" {
				return nil, nil, false
			}
			if by[im.Block] == nil {
				names = append(names, im.Block)
			}
			by[im.Block] = append(by[im.Block], im.Pos)
		}
		return by, names, true
	}
	inA, names, okA := split(a)
	inB, namesB, okB := split(b)
	if !okA || !okB || len(names) < 2 || len(names) != len(namesB) {
		return nil, false
	}
	var cells []cell
	for _, name := range names {
		if len(inA[name]) < 3 || len(inB[name]) < 3 {
			return nil, false
		}
		cells = append(cells, cell{radii(inA[name]), radii(inB[name])})
	}
	return cells, true
}

// sigmas fills the F test and the ratio of the pooled deviations.
func (p *Pair) sigmas(cells []cell, level float64) {
	var ssA, ssB, nuA, nuB float64
	for _, c := range cells {
		nA, nB := float64(len(c.a)), float64(len(c.b))
		for _, r := range c.a {
			ssA += r * r * (nA - 1) / nA
		}
		for _, r := range c.b {
			ssB += r * r * (nB - 1) / nB
		}
		nuA, nuB = nuA+2*nA-2, nuB+2*nB-2
	}
	if !(ssA > 0 && ssB > 0) {
		return
	}
	f := ssA / nuA / (ssB / nuB)
	dist := distuv.F{D1: nuA, D2: nuB}
	p.PF = min(1, 2*min(dist.CDF(f), dist.Survival(f)))
	p.SigmaRatio.Value = math.Sqrt(f) * chiMean(nuB) / chiMean(nuA)
	p.SigmaRatio.Lo = math.Sqrt(f / dist.Quantile((1+level)/2))
	p.SigmaRatio.Hi = math.Sqrt(f / dist.Quantile((1-level)/2))
	p.SigmaRatio.Level = level
}

// withMisses replaces the ratio of sigmas by one that counts the misses, when the
// board is known, and says what is left open when it is not.
func (p *Pair) withMisses(a, b Group, pa, pb []r2.Vec, opts Options) {
	p.PF = 1
	text := fmt.Sprintf("%s of %s and %s of %s left no mark: ranked as the widest", count(a.lost(), "shot"), a.Accessory, count(b.lost(), "shot"), b.Accessory)
	p.Warnings = append(p.Warnings, Warning{"misses", text})
	ratio := undefined(p.SigmaRatio.N+a.lost()+b.lost(), defSigmaMiss)
	defer func() { p.SigmaRatio = ratio }()
	if opts.Board == nil {
		p.Warnings = append(p.Warnings, Warning{"no-board", "give the board's size to count the misses into sigma"})
		return
	}
	ea, errA := CensoredSigma(pa, a.lost(), opts.Board, opts.Level)
	eb, errB := CensoredSigma(pb, b.lost(), opts.Board, opts.Level)
	if errA != nil || errB != nil {
		return
	}
	ratio.Value = ea.Value / eb.Value
	down := math.Hypot(math.Log(ea.Value/ea.Lo), math.Log(eb.Hi/eb.Value))
	up := math.Hypot(math.Log(ea.Hi/ea.Value), math.Log(eb.Value/eb.Lo))
	ratio.Lo, ratio.Hi, ratio.Level = ratio.Value*math.Exp(-down), ratio.Value*math.Exp(up), opts.Level
}

// ranks replaces values by their ranks among both, ties sharing theirs, with misses
// added as the widest of all.
func ranks(c cell, missA, missB int) cell {
	a, b := slices.Clone(c.a), slices.Clone(c.b)
	for range missA {
		a = append(a, math.Inf(1))
	}
	for range missB {
		b = append(b, math.Inf(1))
	}
	all := append(slices.Clone(a), b...)
	slices.Sort(all)
	rank := func(v float64) float64 {
		first, _ := slices.BinarySearch(all, v)
		last := first
		for last < len(all) && all[last] == v {
			last++
		}
		return float64(first+last+1) / 2
	}
	for i, v := range a {
		a[i] = rank(v)
	}
	for i, v := range b {
		b[i] = rank(v)
	}
	return cell{a, b}
}

// shuffled is the outcome of a permutation test of sums.
type shuffled struct {
	p          float64 // two-sided: twice the smaller tail
	lo, hi     float64 // interval of the ratio of means A/B; NaN when too few shuffles
	sumA, sumB float64
	count      int
	exact      bool
}

// shuffle tests whether A's and B's values come from the same distribution, by
// moving them between A and B within cells. The interval holds every ratio θ for
// which A's values divided by θ would not be told from B's: a shuffle that swaps A's
// values with sum s out for B's values with sum t is in favour of all θ above s/t, so
// the ends are order statistics of s/t.
func shuffle(cells []cell, permutations, exact int, level float64, rng *rand.Rand) shuffled {
	var t shuffled
	total := 1.0
	for _, c := range cells {
		for _, v := range c.a {
			t.sumA += v
		}
		for _, v := range c.b {
			t.sumB += v
		}
		total *= combin.GeneralizedBinomial(float64(len(c.a)+len(c.b)), float64(len(c.a)))
	}
	var above, below, same int
	var ratios []float64
	slack := 1e-12 * (t.sumA + t.sumB)
	see := func(out, in float64) { // sums of A's values that left, of B's that came
		d := in - out
		if d >= -slack {
			above++
		}
		if d <= slack {
			below++
		}
		if out == 0 && in == 0 {
			same++
		} else {
			ratios = append(ratios, out/in)
		}
	}
	if len(cells) == 1 && total <= float64(exact) {
		t.exact = true
		everySplit(cells[0].a, cells[0].b, see)
		t.count = int(math.Round(total))
	} else {
		t.count = permutations
		above, below, same = 1, 1, 1 // the split that was shot
		for range permutations {
			var out, in float64
			for _, c := range cells {
				o, n := randomSwap(c, rng)
				out, in = out+o, in+n
			}
			see(out, in)
		}
	}
	n := float64(len(ratios) + same)
	t.p = min(1, 2*float64(min(above, below))/n)
	slices.Sort(ratios)
	t.lo, t.hi = math.NaN(), math.NaN()
	if k := int((1 - level) / 2 * n); k >= 1 && k <= len(ratios) {
		t.lo, t.hi = ratios[k-1], ratios[len(ratios)-k]
	}
	return t
}

// everySplit calls see for every way to pick len(a) of the values of a and b.
func everySplit(a, b []float64, see func(out, in float64)) {
	// Choosing which of A leave and, as many, which of B come.
	var pick func(values []float64, left int, sum float64, done func(float64))
	pick = func(values []float64, left int, sum float64, done func(float64)) {
		if left == 0 {
			done(sum)
			return
		}
		for i := 0; i+left <= len(values); i++ {
			pick(values[i+1:], left-1, sum+values[i], done)
		}
	}
	for k := 0; k <= min(len(a), len(b)); k++ {
		pick(a, k, 0, func(out float64) {
			pick(b, k, 0, func(in float64) { see(out, in) })
		})
	}
}

// randomSwap draws one random split of a cell and returns the sums of A's values that
// leave and of B's that come: selection sampling (Knuth, TAOCP 2, algorithm 3.4.2 S).
func randomSwap(c cell, rng *rand.Rand) (out, in float64) {
	need, left := len(c.a), len(c.a)+len(c.b)
	for _, v := range c.a {
		if rng.IntN(left) < need {
			need--
		} else {
			out += v
		}
		left--
	}
	for _, v := range c.b {
		if need == 0 {
			break
		}
		if rng.IntN(left) < need {
			need--
			in += v
		}
		left--
	}
	return out, in
}

// centres tests the difference of the centres (Hotelling's two-sample T²).
func (p *Pair) centres(pa, pb []r2.Vec, level float64) {
	a, b := momentsOf(pa), momentsOf(pb)
	na, nb := float64(a.n), float64(b.n)
	dof := na + nb - 2
	xx, xy, yy := (a.sxx+b.sxx)/dof, (a.sxy+b.sxy)/dof, (a.syy+b.syy)/dof
	d := r2.Sub(a.centre, b.centre)
	gap := math.Hypot(d.X, d.Y)
	f := distuv.F{D1: 2, D2: 2 * dof}.Quantile(level)
	region := math.Sqrt(2 * f * (xx + yy) / 2 * (1/na + 1/nb))
	p.CentreDistance.Value = gap
	p.CentreDistance.Lo, p.CentreDistance.Hi, p.CentreDistance.Level = max(0, gap-region), gap+region, level
	p.CentreP = hotelling(d, xx, xy, yy, na, nb)
}

// hotelling returns the p-value of T² = d' [S (1/na + 1/nb)]⁻¹ d with F = (N−3) T²/
// (2 (N−2)) on 2 and N−3 degrees of freedom, N = na + nb; 1 when S is singular.
func hotelling(d r2.Vec, xx, xy, yy, na, nb float64) float64 {
	det := xx*yy - xy*xy
	if !(det > 1e-12*xx*yy) {
		return 1
	}
	t2 := (d.X*d.X*yy - 2*d.X*d.Y*xy + d.Y*d.Y*xx) / det / (1/na + 1/nb)
	n := na + nb
	return distuv.F{D1: 2, D2: n - 3}.Survival((n - 3) * t2 / (2 * (n - 2)))
}

// Holm adjusts p-values for their number (Holm 1979, Scand. J. Statist. 6:65), in the
// order given.
func Holm(ps []float64) []float64 {
	order := make([]int, len(ps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmpFloat(ps[a], ps[b]) })
	out := make([]float64, len(ps))
	running := 0.0
	for rank, i := range order {
		running = max(running, min(1, float64(len(ps)-rank)*ps[i]))
		out[i] = running
	}
	return out
}

// Power is how often n shots per accessory would show a true ratio of sigmas as
// significant at two-sided alpha, by the F test; NaN unless ratio >= 1, n >= 2 and
// 0 < alpha < 1.
func Power(ratio float64, n int, alpha float64) float64 {
	if !(ratio >= 1) || n < 2 || !(alpha > 0 && alpha < 1) {
		return math.NaN()
	}
	nu := float64(2*n - 2)
	f := distuv.F{D1: nu, D2: nu}
	limit := f.Quantile(1 - alpha/2)
	r := ratio * ratio
	return f.Survival(limit/r) + f.CDF(1/limit/r)
}

// ShotsFor is the smallest n per accessory with Power at least power; false (and 0)
// when 2000 are not enough or the wish is nonsense.
func ShotsFor(ratio, power, alpha float64) (int, bool) {
	const most = 2000
	if !(ratio > 1 && power > 0 && power < 1 && alpha > 0 && alpha < 1) || Power(ratio, most, alpha) < power {
		return 0, false
	}
	lo, hi := 1, most
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; Power(ratio, mid, alpha) >= power {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi, true
}
