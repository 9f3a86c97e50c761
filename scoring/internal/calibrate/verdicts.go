package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"dartfall/scoring"
	"gonum.org/v1/gonum/spatial/r2"
)

// A shape draws the place of one shot of a part with sigma 1.
type shape func(rng *rand.Rand) r2.Vec

func round(rng *rand.Rand) r2.Vec { return r2.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64()} }

func stretched(rng *rand.Rand) r2.Vec { return r2.Vec{X: 2 * rng.NormFloat64(), Y: rng.NormFloat64()} }

// wild throws one shot in ten three times as wide.
func wild(rng *rand.Rand) r2.Vec {
	p := round(rng)
	if rng.Float64() < 0.1 {
		p = r2.Scale(3, p)
	}
	return p
}

// laplace is bivariate Laplace: normal shots whose variance is exponential.
func laplace(rng *rand.Rand) r2.Vec { return r2.Scale(math.Sqrt(rng.ExpFloat64()), round(rng)) }

// student is bivariate t with three degrees of freedom: tails far heavier than any
// real part's.
func student(rng *rand.Rand) r2.Vec {
	chi := 0.0
	for range 3 {
		z := rng.NormFloat64()
		chi += z * z
	}
	return r2.Scale(math.Sqrt(3/chi), round(rng))
}

// shoot is one group of n shots, sizes times its shape about a centre.
func shoot(rng *rand.Rand, name string, n int, s shape, size float64, centre r2.Vec) scoring.Group {
	g := scoring.Group{Accessory: name}
	for range n {
		g.Impacts = append(g.Impacts, scoring.Impact{Accessory: name, Pos: r2.Add(centre, r2.Scale(size, s(rng)))})
	}
	return g
}

// drifting is parts A and B, shot in blocks of n shots each whose centres drift alike by
// three sigma.
func drifting(blocks, n int) func(*rand.Rand) []scoring.Group {
	return func(rng *rand.Rand) []scoring.Group {
		var drift []r2.Vec
		for range blocks {
			drift = append(drift, r2.Scale(3, round(rng)))
		}
		return []scoring.Group{inBlocks(rng, "A", n, drift), inBlocks(rng, "B", n, drift)}
	}
}

// inBlocks is a group shot in blocks of n shots about these centres.
func inBlocks(rng *rand.Rand, name string, n int, centres []r2.Vec) scoring.Group {
	g := scoring.Group{Accessory: name}
	for b, centre := range centres {
		part := shoot(rng, name, n, round, 1, centre)
		for i := range part.Impacts {
			part.Impacts[i].Block = fmt.Sprint(b + 1)
		}
		g.Impacts = append(g.Impacts, part.Impacts...)
	}
	return g
}

// onBoard takes away the shots that miss the board.
func onBoard(g scoring.Group) scoring.Group {
	hit := scoring.Group{Accessory: g.Accessory, Declared: len(g.Impacts)}
	for _, im := range g.Impacts {
		if board.Contains(im.Pos) {
			hit.Impacts = append(hit.Impacts, im)
		}
	}
	return hit
}

// A claim is something a comparison may say, and how often it should.
type claim struct {
	name   string
	said   func(scoring.Pair) bool
	want   float64
	slack  float64
	atMost bool
}

var (
	saidClear   = func(p scoring.Pair) bool { return p.Verdict == scoring.ClearlyTighter }
	saidLeaning = func(p scoring.Pair) bool { return p.Verdict == scoring.Leaning || p.Verdict == scoring.ClearlyTighter }
	saidByF     = func(p scoring.Pair) bool { return p.PF <= 0.05 }
	saidCentre  = func(p scoring.Pair) bool { return p.CentreP <= 0.05 }
)

func clearly(want, slack float64) claim {
	return claim{"clearly tighter", saidClear, want, slack, false}
}
func rarely(want, slack float64) claim { return claim{"clearly tighter", saidClear, want, slack, true} }
func reported(name string, said func(scoring.Pair) bool) claim {
	return claim{name, said, math.NaN(), 0, false}
}

// A setting draws the groups of one comparison; its claims are counted once per
// comparison, when any pair makes them.
type setting struct {
	name   string
	draw   func(*rand.Rand) []scoring.Group
	claims []claim
	drop   int // of the widest of each group
	// dear is for many pairs: so many times as many deals, without which an adjusted p
	// cannot be small, and as many times fewer repetitions.
	dear int
}

// two is parts A and B, B ratio times as wide.
func two(nA, nB int, s shape, ratio float64) func(*rand.Rand) []scoring.Group {
	return func(rng *rand.Rand) []scoring.Group {
		return []scoring.Group{shoot(rng, "A", nA, s, 1, r2.Vec{}), shoot(rng, "B", nB, s, ratio, r2.Vec{})}
	}
}

// each changes every group that draw draws.
func each(draw func(*rand.Rand) []scoring.Group, change func(scoring.Group) scoring.Group) func(*rand.Rand) []scoring.Group {
	return func(rng *rand.Rand) []scoring.Group {
		groups := draw(rng)
		for i := range groups {
			groups[i] = change(groups[i])
		}
		return groups
	}
}

var board = scoring.Disc{RadiusMM: 2}

// settings: 5% of identical pairs are called clearly tighter. The powers of the F test at
// 15 shots were computed outside this project: 16, 27, 55, 95%.
var settings = []setting{
	{name: "identical, 5 shots each", draw: two(5, 5, round, 1), claims: []claim{rarely(0.05, 0), {"by the F test", saidByF, 0.05, 0, false}}},
	{name: "identical, 12 shots each", draw: two(12, 12, round, 1), claims: []claim{clearly(0.05, 0.005)}},
	{name: "identical, 15 shots each", draw: two(15, 15, round, 1), claims: []claim{clearly(0.05, 0.003), {"leaning or clear", saidLeaning, 0.20, 0.005, false}, {"by the F test", saidByF, 0.05, 0, false}, {"centres differ", saidCentre, 0.05, 0.005, false}}},
	{name: "identical, 50 shots each", draw: two(50, 50, round, 1), claims: []claim{clearly(0.05, 0.003)}},
	{name: "identical, 10 and 20 shots", draw: two(10, 20, round, 1), claims: []claim{clearly(0.05, 0.005)}},
	{name: "identical, 15 shots, twice as wide as high", draw: two(15, 15, stretched, 1), claims: []claim{clearly(0.05, 0.01), reported("by the F test", saidByF)}},
	{name: "identical, 15 shots, one in ten three times as wide", draw: two(15, 15, wild, 1), claims: []claim{clearly(0.05, 0.01), reported("by the F test", saidByF)}},
	{name: "identical, 5 shots, Laplace", draw: two(5, 5, laplace, 1), claims: []claim{reported("clearly tighter", saidClear), reported("by the F test", saidByF)}},
	{name: "identical, 15 shots, Laplace", draw: two(15, 15, laplace, 1), claims: []claim{clearly(0.05, 0.015), reported("by the F test", saidByF)}},
	{name: "identical, 30 shots, Laplace", draw: two(30, 30, laplace, 1), claims: []claim{clearly(0.05, 0.01), reported("by the F test", saidByF)}},
	{name: "identical, 15 shots, Student t with 3 degrees of freedom", draw: two(15, 15, student, 1), claims: []claim{clearly(0.05, 0.015), reported("by the F test", saidByF)}},
	{name: "identical, 3 blocks of 5 that drift by 3 sigma", draw: drifting(3, 5), claims: []claim{clearly(0.05, 0.01)}},
	{name: "identical, 5 blocks of 3 that drift by 3 sigma", draw: drifting(5, 3), claims: []claim{clearly(0.05, 0.01)}},
	{name: "identical, 15 shots, one in seven off the board", draw: each(two(15, 15, round, 1), onBoard), claims: []claim{clearly(0.05, 0.01)}},
	{name: "identical, 15 shots, without the 2 widest of each", draw: two(15, 15, round, 1), claims: []claim{clearly(0.05, 0.01)}, drop: 2},
	{name: "identical, 15 shots, one in ten three times as wide, without the 2 widest", draw: two(15, 15, wild, 1), claims: []claim{clearly(0.05, 0.01)}, drop: 2},
	{name: "three identical, 15 shots, any pair", draw: identical(3), claims: []claim{rarely(0.05, 0)}, dear: 3},
	{name: "eight identical, 15 shots, any pair", draw: identical(8), claims: []claim{rarely(0.05, 0)}, dear: 28},
	{name: "1.2 times tighter, 15 shots", draw: two(15, 15, round, 1.2), claims: []claim{clearly(scoring.VerdictPower(1.2, 15, 0.05), 0.02), {"by the F test", saidByF, 0.16, 0.01, false}}},
	{name: "1.3 times tighter, 15 shots", draw: two(15, 15, round, 1.3), claims: []claim{clearly(scoring.VerdictPower(1.3, 15, 0.05), 0.02), {"by the F test", saidByF, 0.27, 0.01, false}}},
	{name: "1.5 times tighter, 15 shots", draw: two(15, 15, round, 1.5), claims: []claim{clearly(scoring.VerdictPower(1.5, 15, 0.05), 0.02), {"by the F test", saidByF, 0.55, 0.01, false}}},
	{name: "2.0 times tighter, 15 shots", draw: two(15, 15, round, 2.0), claims: []claim{clearly(scoring.VerdictPower(2.0, 15, 0.05), 0.02), {"by the F test", saidByF, 0.95, 0.01, false}}},
	{name: "1.5 times tighter, 29 shots", draw: two(29, 29, round, 1.5), claims: []claim{clearly(scoring.VerdictPower(1.5, 29, 0.05), 0.02)}},
	{name: "1.5 times tighter, one in ten three times as wide", draw: two(15, 15, wild, 1.5), claims: []claim{reported("clearly tighter", saidClear)}},
	{name: "the same, without the 2 widest", draw: two(15, 15, wild, 1.5), claims: []claim{reported("clearly tighter", saidClear)}, drop: 2},
	{name: "one centre, 2.5 times tighter, 10 and 20 shots", draw: two(20, 10, round, 2.5), claims: []claim{{"centres differ", saidCentre, 0.05, 0.01, false}}},
}

func identical(count int) func(*rand.Rand) []scoring.Group {
	return func(rng *rand.Rand) []scoring.Group {
		var groups []scoring.Group
		for i := range count {
			groups = append(groups, shoot(rng, fmt.Sprint(i), 15, round, 1, r2.Vec{}))
		}
		return groups
	}
}

// verdicts counts what comparisons claim in every setting.
func verdicts(e effort) []rate {
	return inParallel(len(settings), func(i int) []rate {
		s := settings[i]
		dear := max(1, s.dear)
		reps, deals := e.reps/dear, (e.deals+1)*dear-1
		rng := rand.New(rand.NewPCG(20261127, uint64(i)))
		counted := make([]rate, len(s.claims))
		for k, c := range s.claims {
			counted[k] = rate{name: s.name + ": " + c.name, of: reps, want: c.want, slack: c.slack, atMost: c.atMost}
		}
		for rep := range reps {
			c, err := scoring.Compare(s.draw(rng), scoring.CompareOptions{Permutations: deals, Seed: uint64(rep), Drop: s.drop})
			if err != nil {
				panic(err)
			}
			for k, claim := range s.claims {
				if slices.ContainsFunc(c.Pairs, claim.said) {
					counted[k].hits++
				}
			}
		}
		return counted
	})
}
