package scoring

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat/distuv"
)

// Verdict is a comparison in words, by the p-value adjusted for the number of pairs tested.
type Verdict string

const (
	ClearlyTighter Verdict = "clearly tighter"       // adjusted p at most 0.05
	Leaning        Verdict = "leaning, not settled"  // at most 0.20
	NoDifference   Verdict = "no difference visible" // above
	// TooFew is no verdict: a side has fewer than three impacts.
	TooFew Verdict = "too few impacts to compare"
)

// CompareOptions are the choices behind a comparison; the zero value is usual.
type CompareOptions struct {
	Level float64 // of the intervals, as in Options
	// Permutations is how many random deals a pair gets that has too many to try them
	// all, and how many bootstrap samples a group gets; 0 means 10 000.
	Permutations int
	Seed         uint64
	Board        Area // where a shot leaves a mark, for misses; nil when not known
	// Drop leaves the widest shots of every group out of the comparison, misses first, in
	// every deal too, so that what luck does is what it does to groups that lose their
	// widest: 0 (none) to MaxDrop. Only MeanRadiusRatio, P and what follows from them are
	// then given.
	Drop int
}

// Pair compares two accessories, A the one given first.
type Pair struct {
	A  string `json:"a"`
	B  string `json:"b"`
	NA int    `json:"n_a"` // impacts, without those dropped
	NB int    `json:"n_b"`
	// MeanRadiusRatio is A's mean radius over B's, each corrected for its n (and for the
	// drop); undefined when either has misses.
	MeanRadiusRatio Estimate `json:"mean_radius_ratio"`
	// SigmaRatio trusts round normal groups for its interval; SigmaRatioBootstrap is
	// the same ratio with an interval that does not, undefined with misses or fewer
	// than minBootstrap impacts on a side.
	SigmaRatio          Estimate `json:"sigma_ratio"`
	SigmaRatioBootstrap Estimate `json:"sigma_ratio_bootstrap"`
	// P is how often two identical parts would differ at least this much; PAdjusted
	// allows for the number of pairs tested (Holm 1979). Both are 1 when there is
	// nothing to compare.
	P         float64 `json:"p"`
	PAdjusted float64 `json:"p_adjusted"`
	// PF is the F test of the two sigmas, which trusts the round normal model.
	PF      float64 `json:"p_f"`
	Verdict Verdict `json:"verdict"`
	Tighter string  `json:"tighter,omitempty"` // the one that looks tighter, also when not settled
	// ShotsToSettle is the number of shots per accessory that would show the seen
	// difference as clear in 8 of 10 tests, if it is real; 0 means more than 2000, or that
	// neither ratio is known.
	ShotsToSettle int `json:"shots_to_settle"`
	// CentreDX and CentreDY are A's centre less B's, CentreDistance the length of that,
	// and CentreP the test that it is zero, whatever the sizes.
	CentreDX       Estimate  `json:"centre_dx"`
	CentreDY       Estimate  `json:"centre_dy"`
	CentreDistance Estimate  `json:"centre_distance"`
	CentreP        float64   `json:"centre_p"`
	Method         string    `json:"method"`
	Warnings       []Warning `json:"warnings,omitempty"`
}

// Comparison is all pairs of two to eight accessories.
type Comparison struct {
	Pairs []Pair `json:"pairs"`
}

const (
	defMRRatio        = "ratio of mean radii, corrected for n; interval by what permutation of the shots does to it"
	defDroppedRatio   = "ratio of mean radii without the widest, corrected for n and the drop; interval by what permutation of the shots does to it"
	defSigmaRatio     = "ratio of sigmas; interval by the F distribution (circular normal)"
	defSigmaBootstrap = "ratio of sigmas; interval by the BCa bootstrap of the squared distances from the centre, expanded for small groups"
	defSigmaMiss      = "ratio of sigmas, misses counted; interval from the two intervals on the log scale"
)

const (
	// maxExact is how many deals all pairs together may need before random ones are
	// drawn instead.
	maxExact = 200_000
	// minBootstrap is the fewest impacts a bootstrap is worth drawing from.
	minBootstrap = 8
)

// Compare compares every pair of two to eight groups.
//
// The test deals the shots, as they lie about their own group's centre, anew between
// the two accessories: all deals when they are few, else Permutations random ones.
// When every shot of the pair has a Block, and each accessory at least three shots in
// each, centres and deals stay within blocks, so that a drift between blocks does no
// harm. With misses the test is on ranks, every miss ranking widest: no miss is
// ignored.
func Compare(groups []Group, opts CompareOptions) (Comparison, error) {
	if len(groups) < 2 || len(groups) > 8 {
		return Comparison{}, fmt.Errorf("a comparison needs from two to eight accessories, not %d", len(groups))
	}
	o, err := Options{Level: opts.Level, Board: opts.Board, Drop: opts.Drop}.check()
	if err != nil {
		return Comparison{}, err
	}
	if opts.Permutations == 0 {
		opts.Permutations = 10_000
	}
	if opts.Permutations < 100 || opts.Permutations > 100_000 {
		return Comparison{}, fmt.Errorf("the number of permutations can be from 100 to 100000, not %d", opts.Permutations)
	}
	sides := newSides(groups, opts, o)
	var c Comparison
	var tests []*shuffle
	var tested []int // the pairs of tests
	for i := range groups {
		for j := i + 1; j < len(groups); j++ {
			p, test := comparePair(sides[i], sides[j], o)
			if test != nil {
				tests, tested = append(tests, test), append(tested, len(c.Pairs))
			}
			c.Pairs = append(c.Pairs, p)
		}
	}
	shuffleAll(tests, opts.Permutations, maxExact/len(c.Pairs), opts.Seed)
	for k, i := range tested {
		c.Pairs[i].conclude(tests[k], o.Level)
	}
	// A pair that is not tested, which its number of shots decides, takes nothing from the others.
	ps := make([]float64, len(tested))
	for k, i := range tested {
		ps[k] = c.Pairs[i].P
	}
	for k, adjusted := range Holm(ps) {
		c.Pairs[tested[k]].PAdjusted = adjusted
		c.Pairs[tested[k]].decide(len(tested))
	}
	return c, nil
}

// Wider is the name of the pair's other than Tighter.
func (p Pair) Wider() string {
	if p.Tighter == p.B {
		return p.A
	}
	return p.B
}

// Tested returns how many pairs were tested, which is what PAdjusted allows for.
func (c Comparison) Tested() (n int) {
	for _, p := range c.Pairs {
		if p.Verdict != TooFew {
			n++
		}
	}
	return n
}

// side is one accessory ready to be compared.
type side struct {
	name    string
	pts     []r2.Vec
	lost    int
	open    int // of these, not stated as misses
	whole   *spread
	blocked *spread // nil unless every shot has a block, at least two of them, three shots in each
	blocks  []string
	// sigma counts the misses on a known board; undefined when nobody in the
	// comparison has any.
	sigma   Estimate
	samples int // of the bootstrap
	rng     *rand.Rand
}

// spread is a group's distances from its centre, or from its block's.
type spread struct {
	sizes   []int     // shots in each block; one entry for a whole group
	offsets []r2.Vec  // from the centre, times √(n/(n−1)): their mean length does not depend on n
	squares []float64 // squared distances from the centre
	nu      float64   // degrees of freedom of their sum
	means   []float64 // of bootstrap samples of squares, once drawn
}

func newSides(groups []Group, opts CompareOptions, o Options) []*side {
	var sides []*side
	missed := false
	for i, g := range groups {
		s := newSide(g)
		s.samples, s.rng = opts.Permutations, rand.New(rand.NewPCG(opts.Seed, uint64(1000+i)))
		sides = append(sides, s)
		missed = missed || s.lost > 0
	}
	if missed && o.Board != nil {
		for i, s := range sides {
			s.sigma, _ = groups[i].censoredSigma(s.pts, o.Board, o.Level) // undefined for a group too small for it
		}
	}
	return sides
}

func newSide(g Group) *side {
	idx := g.kept(nil)
	s := &side{name: g.Accessory, pts: g.points(idx), lost: g.lost(), open: max(0, g.Unaccounted())}
	s.whole = spreadOf(s.pts)
	byBlock := map[string][]r2.Vec{}
	for _, i := range idx {
		block := g.Impacts[i].Block
		byBlock[block] = append(byBlock[block], g.Impacts[i].Pos)
	}
	var parts [][]r2.Vec
	for _, block := range slices.Sorted(maps.Keys(byBlock)) {
		if block == "" || len(byBlock[block]) < 3 {
			return s
		}
		s.blocks, parts = append(s.blocks, block), append(parts, byBlock[block])
	}
	if len(parts) > 1 {
		s.blocked = spreadOf(parts...)
	}
	return s
}

func spreadOf(parts ...[]r2.Vec) *spread {
	s := &spread{}
	for _, pts := range parts {
		m, n := momentsOf(pts), float64(len(pts))
		for _, p := range pts {
			d := r2.Sub(p, m.centre)
			s.squares = append(s.squares, r2.Norm2(d))
			s.offsets = append(s.offsets, r2.Scale(math.Sqrt(n/(n-1)), d))
		}
		s.sizes = append(s.sizes, len(pts))
		s.nu += 2*n - 2
	}
	return s
}

// variance is the pooled variance along one axis.
func (s *spread) variance() float64 { return floats.Sum(s.squares) / s.nu }

// bootstrap returns the means of bootstrap samples of the squares, the same at every
// call.
func (s *spread) bootstrap(samples int, rng *rand.Rand) []float64 {
	if s.means == nil {
		s.means = resampleMeans(s.squares, samples, rng)
	}
	return s.means
}

// comparePair fills all of a pair but what rests on the shuffle that it returns; nil
// when there is nothing to compare.
func comparePair(a, b *side, opts Options) (Pair, *shuffle) {
	n := len(a.pts) + len(b.pts)
	p := Pair{
		A: a.name, B: b.name, P: 1, PAdjusted: 1, PF: 1, CentreP: 1, Verdict: NoDifference,
		MeanRadiusRatio: undefined(n, defMRRatio), SigmaRatio: undefined(n, defSigmaRatio), SigmaRatioBootstrap: undefined(n, defSigmaBootstrap),
		CentreDX: undefined(n, defCentreAxis), CentreDY: undefined(n, defCentreAxis), CentreDistance: undefined(n, defCentreGap),
	}
	p.NA, p.NB = a.spared(opts.Drop), b.spared(opts.Drop)
	if min(p.NA, p.NB) < 3 {
		p.Verdict = TooFew
		p.Warnings = append(p.Warnings, Warning{"few-shots", "fewer than three impacts on one side: nothing to compare"})
		return p, nil
	}
	if opts.Drop == 0 {
		p.centres(a.pts, b.pts, opts.Level)
	}
	if a.lost+b.lost > 0 {
		p.Method = "permutation of ranks, misses ranking widest"
		p.missedRatio(a, b, opts)
		return p, shuffleRanks(a.withMisses(), b.withMisses(), opts.Drop)
	}
	p.Method = "permutation of the shots about their centres"
	sa, sb := a.whole, b.whole
	if a.blocked != nil && slices.Equal(a.blocks, b.blocks) {
		p.Method += " within blocks"
		sa, sb = a.blocked, b.blocked
	}
	if opts.Drop == 0 {
		p.sigmas(sa, sb, opts.Level)
		if min(len(a.pts), len(b.pts)) >= minBootstrap && p.SigmaRatio.Value > 0 {
			p.bootstrap(sa, sb, sa.bootstrap(a.samples, a.rng), sb.bootstrap(b.samples, b.rng), opts.Level)
		}
	} else {
		p.MeanRadiusRatio.Definition = defDroppedRatio
	}
	return p, shuffleOffsets(sa.offsets, sb.offsets, sa.sizes, sb.sizes, opts.Drop)
}

// spared is how many impacts a drop leaves; misses go first.
func (s *side) spared(drop int) int { return len(s.pts) - max(0, drop-s.lost) }

// withMisses are a group's radii, with its misses as the widest of all.
func (s *side) withMisses() []float64 {
	rs := radii(s.whole.offsets)
	for range s.lost {
		rs = append(rs, math.Inf(1))
	}
	return rs
}

// sigmas fills the F test and the ratio of the pooled deviations.
func (p *Pair) sigmas(a, b *spread, level float64) {
	f := a.variance() / b.variance()
	if !(f > 0) || math.IsInf(f, 1) {
		return
	}
	dist := distuv.F{D1: a.nu, D2: b.nu}
	p.PF = min(1, 2*min(dist.CDF(f), dist.Survival(f)))
	p.SigmaRatio.Value = math.Sqrt(f) * chiMean(b.nu) / chiMean(a.nu)
	p.SigmaRatio.Lo = math.Sqrt(f / dist.Quantile((1+level)/2))
	p.SigmaRatio.Hi = math.Sqrt(f / dist.Quantile((1-level)/2))
	p.SigmaRatio.Level = level
}

// bootstrap fills the interval of the ratio of sigmas that trusts no model, from the
// means of bootstrap samples of both sides' squares.
func (p *Pair) bootstrap(a, b *spread, meansA, meansB []float64, level float64) {
	meanA, meanB := floats.Sum(a.squares)/float64(len(a.squares)), floats.Sum(b.squares)/float64(len(b.squares))
	ratios := make([]float64, len(meansA))
	for i := range ratios {
		ratios[i] = meansA[i] / meansB[i]
	}
	var influence []float64 // on the logarithm of the ratio
	for _, v := range a.squares {
		influence = append(influence, (v/meanA-1)/float64(len(a.squares)))
	}
	for _, v := range b.squares {
		influence = append(influence, (1-v/meanB)/float64(len(b.squares)))
	}
	lo, hi := bca(meanA/meanB, ratios, influence, expandedLevel(level, min(len(a.squares), len(b.squares))))
	if math.IsNaN(lo) || math.IsNaN(hi) {
		return
	}
	e := &p.SigmaRatioBootstrap
	e.Value, e.Level = p.SigmaRatio.Value, level
	e.Lo, e.Hi = e.Value*math.Sqrt(lo*meanB/meanA), e.Value*math.Sqrt(hi*meanB/meanA)
	if excludesOne(*e) != excludesOne(p.SigmaRatio) {
		p.Warnings = append(p.Warnings, Warning{"model-doubt", fmt.Sprintf("the interval of the sigma ratio that trusts round normal groups (%.2f to %.2f) and the one that does not (%.2f to %.2f) do not agree on whether the sigmas differ",
			p.SigmaRatio.Lo, p.SigmaRatio.Hi, e.Lo, e.Hi)})
	}
}

func excludesOne(e Estimate) bool { return e.Lo > 1 || e.Hi < 1 }

// missedRatio fills the ratio of sigmas with the misses counted, when the board is
// known, and says what is left open when it is not.
func (p *Pair) missedRatio(a, b *side, opts Options) {
	var lost []string
	for _, s := range []*side{a, b} {
		if s.lost > 0 {
			lost = append(lost, fmt.Sprintf("%s of %s", count(s.lost, "shot"), s.name))
		}
	}
	p.Warnings = append(p.Warnings, Warning{"misses", strings.Join(lost, " and ") + " left no mark: ranked as the widest"})
	p.SigmaRatio = undefined(len(a.pts)+len(b.pts)+a.lost+b.lost, defSigmaMiss)
	if opts.Drop > 0 {
		return
	}
	if opts.Board == nil {
		p.Warnings = append(p.Warnings, Warning{NoBoard, noBoardWords})
		return
	}
	for _, s := range []*side{a, b} {
		if s.open > 0 {
			p.Warnings = append(p.Warnings, Warning{"not-stated", fmt.Sprintf("no ratio of sigmas, since %s of %s may have been overlooked: state those that missed as misses", count(s.open, "shot"), s.name)})
		}
	}
	ea, eb := a.sigma, b.sigma
	if !ea.HasInterval() || !eb.HasInterval() {
		return
	}
	ratio := ea.Value / eb.Value
	down := math.Hypot(math.Log(ea.Value/ea.Lo), math.Log(eb.Hi/eb.Value))
	up := math.Hypot(math.Log(ea.Hi/ea.Value), math.Log(eb.Value/eb.Lo))
	p.SigmaRatio.Value, p.SigmaRatio.Lo, p.SigmaRatio.Hi = ratio, ratio*math.Exp(-down), ratio*math.Exp(up)
	p.SigmaRatio.Level = opts.Level
}

// conclude fills what rests on the shuffle, once it has run.
func (p *Pair) conclude(t *shuffle, level float64) {
	p.P = t.p()
	p.Method += ", " + t.how()
	value, lo, hi := t.ratio(level)
	switch {
	case value < 1:
		p.Tighter = p.A
	case value > 1:
		p.Tighter = p.B
	}
	if t.offsets == nil || !(value > 0) || math.IsInf(value, 1) {
		return
	}
	e := &p.MeanRadiusRatio
	e.Value = value
	if !math.IsNaN(lo) {
		e.Lo, e.Hi, e.Level = lo, hi, level
	}
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
		p.ShotsToSettle, _ = VerdictShots(max(ratio, 1/ratio), 0.80, 0.05/float64(pairs))
	}
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
