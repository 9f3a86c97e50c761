package scoring

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/combin"
)

// shuffle tests whether A's and B's values come from the same distribution, by
// dealing them anew between A and B: values stay in their cell (a block of the
// shooting order), and the cell's counts stay as they were.
type shuffle struct {
	a, b       []float64 // cell after cell
	cells      []cellSize
	sumA, sumB float64
	// Of the deals seen: sum of A not smaller, not larger, and none moved at all.
	above, below, same int
	// ratios holds, for every deal that moves something, what A loses over what A gets.
	ratios []float64
	deals  int
	exact  bool
}

// cellSize is how many values of A and of B a cell holds.
type cellSize struct{ a, b int }

func newShuffle(a, b []float64, cells []cellSize) *shuffle {
	return &shuffle{a: a, b: b, cells: cells, sumA: floats.Sum(a), sumB: floats.Sum(b)}
}

// see counts a deal by the sums of A's values that leave and of B's that come.
func (s *shuffle) see(out, in float64) {
	slack := 1e-12 * (s.sumA + s.sumB)
	if in-out >= -slack {
		s.above++
	}
	if in-out <= slack {
		s.below++
	}
	if out == 0 && in == 0 {
		s.same++
		return
	}
	s.ratios = append(s.ratios, out/in)
}

// p is the two-sided probability: twice the smaller tail.
func (s *shuffle) p() float64 {
	return min(1, 2*float64(min(s.above, s.below))/float64(len(s.ratios)+s.same))
}

// interval holds every ratio θ of the means A/B for which A's values divided by θ
// would not be told from B's: a deal that swaps A's values with sum s for B's values
// with sum t is in favour of all θ above s/t, so the ends are order statistics of
// s/t. Both are NaN when there are too few deals.
func (s *shuffle) interval(level float64) (lo, hi float64) {
	k := int((1 - level) / 2 * float64(len(s.ratios)+s.same))
	if k < 1 || k > len(s.ratios) {
		return math.NaN(), math.NaN()
	}
	slices.Sort(s.ratios)
	return s.ratios[k-1], s.ratios[len(s.ratios)-k]
}

// how names the deals for people.
func (s *shuffle) how() string {
	if s.exact {
		return fmt.Sprintf("all %d", s.deals)
	}
	return fmt.Sprintf("%d random", s.deals)
}

// tryAll sees every deal when it has one cell with at most limit of them.
func (s *shuffle) tryAll(limit int) bool {
	if len(s.cells) != 1 {
		return false
	}
	all := combin.GeneralizedBinomial(float64(len(s.a)+len(s.b)), float64(len(s.a)))
	if !(all <= float64(limit)) {
		return false
	}
	s.exact, s.deals = true, int(math.Round(all))
	for k := 0; k <= min(len(s.a), len(s.b)); k++ {
		sumsOf(s.a, k, func(out float64) {
			sumsOf(s.b, k, func(in float64) { s.see(out, in) })
		})
	}
	return true
}

// sumsOf calls see with the sum of every choice of k of the values.
func sumsOf(values []float64, k int, see func(sum float64)) {
	var pick func(rest []float64, k int, sum float64)
	pick = func(rest []float64, k int, sum float64) {
		if k == 0 {
			see(sum)
			return
		}
		for i := 0; i+k <= len(rest); i++ {
			pick(rest[i+1:], k-1, sum+rest[i])
		}
	}
	pick(values, k, 0)
}

// shuffleAll runs the tests, each with all its deals when these are at most exact,
// else with random ones. Tests of the same counts see the same random deals: drawing
// is the dear part, and each test's p is as good as with deals of its own.
func shuffleAll(tests []*shuffle, deals, exact int, seed uint64) {
	var alike [][]*shuffle
	for _, t := range tests {
		if t.tryAll(exact) {
			continue
		}
		i := slices.IndexFunc(alike, func(ts []*shuffle) bool { return slices.Equal(ts[0].cells, t.cells) })
		if i < 0 {
			alike = append(alike, nil)
			i = len(alike) - 1
		}
		alike[i] = append(alike[i], t)
	}
	for i, ts := range alike {
		shuffleAlike(ts, deals, rand.New(rand.NewPCG(seed, uint64(i))))
	}
}

// shuffleAlike shows random deals to tests with the same cells. The deal that was
// shot counts as one of them, so that p is never zero.
func shuffleAlike(tests []*shuffle, deals int, rng *rand.Rand) {
	d := newDealer(tests[0].cells)
	for _, t := range tests {
		t.deals, t.above, t.below, t.same = deals, 1, 1, 1
		t.ratios = make([]float64, 0, deals)
	}
	for range deals {
		d.deal(rng)
		for _, t := range tests {
			var out, in float64
			for _, i := range d.leave {
				out += t.a[i]
			}
			for _, i := range d.come {
				in += t.b[i]
			}
			t.see(out, in)
		}
	}
}

// dealer draws random deals. leave and come are the places of A's values that go to B
// and of B's that go to A.
type dealer struct {
	cells       []cellSize
	orders      [][]int32 // of each cell's values, A's before B's
	leave, come []int32
}

func newDealer(cells []cellSize) *dealer {
	d := &dealer{cells: cells}
	for _, c := range cells {
		order := make([]int32, c.a+c.b)
		for i := range order {
			order[i] = int32(i)
		}
		d.orders = append(d.orders, order)
	}
	return d
}

// deal shuffles every cell as far as its smaller side (Fisher & Yates; Durstenfeld
// 1964, Comm. ACM 7:420): those first in order go to that side. The order left by the
// last deal is as good a start as any.
func (d *dealer) deal(rng *rand.Rand) {
	d.leave, d.come = d.leave[:0], d.come[:0]
	var fromA, fromB int32 // where the cell's values start
	for c, size := range d.cells {
		order, nA := d.orders[c], int32(size.a)
		small := min(size.a, size.b)
		for i := range small {
			j := i + rng.IntN(len(order)-i)
			order[i], order[j] = order[j], order[i]
		}
		toA, toB := order[:small], order[small:]
		if size.b < size.a {
			toA, toB = toB, toA
		}
		for _, v := range toA {
			if v >= nA {
				d.come = append(d.come, fromB+v-nA)
			}
		}
		for _, v := range toB {
			if v < nA {
				d.leave = append(d.leave, fromA+v)
			}
		}
		fromA, fromB = fromA+nA, fromB+int32(size.b)
	}
}

// ranks replaces values by their ranks among both, ties sharing theirs, with misses
// added as the widest of all.
func ranks(a, b []float64, missA, missB int) (rankA, rankB []float64) {
	a, b = slices.Clone(a), slices.Clone(b)
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
	return a, b
}
