package scoring

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat/combin"
)

// shuffle tests whether A's and B's shots come from the same distribution, by dealing
// them anew between A and B: shots stay in their cell (a block of the shooting order),
// and the cell's counts stay as they were.
//
// The statistic is ln(mean A / mean B) of the shots' radii about the centre of their
// side of their cell. Centres are found anew in every deal: with radii about the centres
// that were shot, small groups and groups with wild shots would differ too often, since
// a shot pulls its centre along. Where some shots left no mark, ranks take the place
// of radii.
type shuffle struct {
	cells []cellSize
	// Of every shot, cell after cell, A's before B's: where it lies from the centre of its
	// side, times √(n/(n−1)), which makes different n alike; or its rank, and no offsets.
	offsets []r2.Vec
	ranks   []float64
	// drop is how many of the largest values each side leaves out, in every deal.
	drop int

	seen  float64   // the statistic as it was shot
	dealt []float64 // of the deals
	exact bool
	a, b  []float64 // of the deal at hand
}

// cellSize is how many shots of A and of B a cell holds.
type cellSize struct{ a, b int }

// sides are a deal: for every cell, the places in it of the shots that go to A and to B.
type sides struct{ toA, toB [][]int32 }

// shuffleOffsets tests shots by their offsets.
func shuffleOffsets(a, b []r2.Vec, sizesA, sizesB []int, drop int) *shuffle {
	s := &shuffle{drop: drop}
	s.seen = logRatio(radii(a), radii(b), drop)
	for i := range sizesA {
		s.cells = append(s.cells, cellSize{sizesA[i], sizesB[i]})
		s.offsets = append(append(s.offsets, a[:sizesA[i]]...), b[:sizesB[i]]...)
		a, b = a[sizesA[i]:], b[sizesB[i]:]
	}
	return s
}

// shuffleRanks tests values by their ranks among both sides.
func shuffleRanks(a, b []float64, drop int) *shuffle {
	rankA, rankB := ranks(a, b)
	return &shuffle{cells: []cellSize{{len(a), len(b)}}, ranks: slices.Concat(rankA, rankB), drop: drop, seen: logRatio(rankA, rankB, drop)}
}

// statistic is that of one deal.
func (s *shuffle) statistic(d sides) float64 {
	s.a, s.b = s.a[:0], s.b[:0]
	from := 0
	for c, size := range s.cells {
		s.a, s.b = s.gather(s.a, from, d.toA[c]), s.gather(s.b, from, d.toB[c])
		from += size.a + size.b
	}
	return logRatio(s.a, s.b, s.drop)
}

// gather appends the values of the shots at these places of the cell that starts at from.
func (s *shuffle) gather(values []float64, from int, places []int32) []float64 {
	if s.offsets == nil {
		for _, i := range places {
			values = append(values, s.ranks[from+int(i)])
		}
		return values
	}
	cell, n := s.offsets[from:], float64(len(places))
	var x, y float64
	for _, i := range places {
		x, y = x+cell[i].X, y+cell[i].Y
	}
	x, y = x/n, y/n
	unlike := n / (n - 1)
	for _, i := range places {
		dx, dy := cell[i].X-x, cell[i].Y-y
		values = append(values, math.Sqrt(unlike*(dx*dx+dy*dy)))
	}
	return values
}

// logRatio is ln(mean a / mean b) without the drop largest on each side; 0 when both are.
func logRatio(a, b []float64, drop int) float64 {
	meanA, meanB := meanWithout(a, drop), meanWithout(b, drop)
	if meanA == meanB {
		return 0
	}
	return math.Log(meanA / meanB)
}

// meanWithout is the mean of values, none below zero, without the drop largest, at most
// MaxDrop and fewer than there are.
func meanWithout(values []float64, drop int) float64 {
	total := floats.Sum(values)
	if drop == 0 {
		return total / float64(len(values))
	}
	var largest [MaxDrop]float64 // falling
	for _, v := range values {
		if v <= largest[drop-1] {
			continue
		}
		for i := range drop {
			if v > largest[i] {
				v, largest[i] = largest[i], v
			}
		}
	}
	return (total - floats.Sum(largest[:drop])) / float64(len(values)-drop)
}

// p is the two-sided probability: twice the smaller tail. The deal that was shot counts
// as one of random ones, so that it is never zero.
func (s *shuffle) p() float64 {
	const slack = 1e-9 // deals that mirror each other differ by rounding
	above, below, n := 0, 0, len(s.dealt)
	for _, v := range s.dealt {
		if v >= s.seen-slack {
			above++
		}
		if v <= s.seen+slack {
			below++
		}
	}
	if !s.exact {
		above, below, n = above+1, below+1, n+1
	}
	return min(1, 2*float64(min(above, below))/float64(n))
}

// ratio is mean A over mean B, and the ends of its interval: what the deals do by chance,
// taken off what was seen. It leaves out 1 just when p says so. Without the largest
// values the ratio itself needs that correction too, since their loss changes small
// groups more. The ends are NaN when there are too few deals.
func (s *shuffle) ratio(level float64) (value, lo, hi float64) {
	slices.Sort(s.dealt)
	value = math.Exp(s.seen)
	if s.drop > 0 {
		value = math.Exp(s.seen - Quantile(0.5, s.dealt))
	}
	k := int((1 - level) / 2 * float64(len(s.dealt)+1))
	if k < 1 {
		return value, math.NaN(), math.NaN()
	}
	return value, math.Exp(s.seen - s.dealt[len(s.dealt)-k]), math.Exp(s.seen - s.dealt[k-1])
}

// how names the deals for people.
func (s *shuffle) how() string {
	if s.exact {
		return fmt.Sprintf("all %d", len(s.dealt))
	}
	return fmt.Sprintf("%d random", len(s.dealt))
}

// tryAll sees every deal when it has one cell with at most limit of them.
func (s *shuffle) tryAll(limit int) bool {
	if len(s.cells) != 1 {
		return false
	}
	c := s.cells[0]
	all := combin.GeneralizedBinomial(float64(c.a+c.b), float64(c.a))
	if !(all <= float64(limit)) {
		return false
	}
	s.exact = true
	s.dealt = make([]float64, 0, int(math.Round(all)))
	chosen := make([]int, c.a)
	toA, toB := make([]int32, 0, c.a), make([]int32, 0, c.b)
	for gen := combin.NewCombinationGenerator(c.a+c.b, c.a); gen.Next(); {
		gen.Combination(chosen)
		toA, toB = toA[:0], toB[:0]
		for i := range int32(c.a + c.b) {
			if len(toA) < c.a && chosen[len(toA)] == int(i) {
				toA = append(toA, i)
			} else {
				toB = append(toB, i)
			}
		}
		s.dealt = append(s.dealt, s.statistic(sides{[][]int32{toA}, [][]int32{toB}}))
	}
	return true
}

// shuffleAll runs the tests, each with all its deals when these are at most exact,
// else with random ones. Tests of the same counts see the same random deals, which is
// cheaper; each test's p is as good as with deals of its own.
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
		d := newDealer(ts[0].cells)
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		for _, t := range ts {
			t.dealt = make([]float64, 0, deals)
		}
		for range deals {
			dealt := d.deal(rng)
			for _, t := range ts {
				t.dealt = append(t.dealt, t.statistic(dealt))
			}
		}
	}
}

// dealer draws random deals.
type dealer struct {
	cells  []cellSize
	orders [][]int32 // of each cell's shots
	sides  sides
}

func newDealer(cells []cellSize) *dealer {
	d := &dealer{cells: cells, sides: sides{make([][]int32, len(cells)), make([][]int32, len(cells))}}
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
// last deal is as good a start as any. The result holds until the next deal.
func (d *dealer) deal(rng *rand.Rand) sides {
	for c, size := range d.cells {
		order, small := d.orders[c], min(size.a, size.b)
		for i := range small {
			j := i + rng.IntN(len(order)-i)
			order[i], order[j] = order[j], order[i]
		}
		d.sides.toA[c], d.sides.toB[c] = order[:small], order[small:]
		if size.b < size.a {
			d.sides.toA[c], d.sides.toB[c] = d.sides.toB[c], d.sides.toA[c]
		}
	}
	return d.sides
}

func radii(offsets []r2.Vec) []float64 {
	rs := make([]float64, len(offsets))
	for i, v := range offsets {
		rs[i] = math.Hypot(v.X, v.Y)
	}
	return rs
}

// ranks replaces values by their ranks among both, ties sharing theirs.
func ranks(a, b []float64) (rankA, rankB []float64) {
	all := slices.Concat(a, b)
	slices.Sort(all)
	rank := func(values []float64) []float64 {
		out := make([]float64, len(values))
		for i, v := range values {
			first, _ := slices.BinarySearch(all, v)
			last := first
			for last < len(all) && all[last] == v {
				last++
			}
			out[i] = float64(first+last+1) / 2
		}
		return out
	}
	return rank(a), rank(b)
}
