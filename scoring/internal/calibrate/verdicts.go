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

// inBlocks is a group shot in blocks of five whose centres drift: the same drift for
// all.
func inBlocks(rng *rand.Rand, name string, drift []r2.Vec) scoring.Group {
	g := scoring.Group{Accessory: name}
	for b, centre := range drift {
		part := shoot(rng, name, 5, round, 1, centre)
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

// withoutWidest leaves out the two widest shots of a group.
func withoutWidest(g scoring.Group) scoring.Group {
	var pts []r2.Vec
	for _, im := range g.Impacts {
		pts = append(pts, im.Pos)
	}
	mask, err := scoring.DropWidest(pts, 2)
	if err != nil {
		panic(err)
	}
	rest := scoring.Group{Accessory: g.Accessory}
	for i, im := range g.Impacts {
		if !mask[i] {
			rest.Impacts = append(rest.Impacts, im)
		}
	}
	return rest
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
	saidLeaning = func(p scoring.Pair) bool { return p.Verdict != scoring.NoDifference }
	saidByF     = func(p scoring.Pair) bool { return p.PF <= 0.05 }
	saidCentre  = func(p scoring.Pair) bool { return p.CentreP <= 0.05 }
)

func clearly(want, slack float64) claim {
	return claim{"clearly tighter", saidClear, want, slack, false}
}
func rarely(want, slack float64) claim { return claim{"clearly tighter", saidClear, want, slack, true} }
func reported() claim                  { return claim{"clearly tighter", saidClear, math.NaN(), 0, false} }

// A setting draws the groups of one comparison; its claims are counted once per
// comparison, when any pair makes them.
type setting struct {
	name   string
	draw   func(*rand.Rand) []scoring.Group
	claims []claim
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

// settings: 5% of identical pairs are called clearly tighter, in all but the smallest
// or coarsest of which a permutation test says it less often. The powers are those of
// the F test at 15 shots (computed outside this project: 16, 27, 55, 95%), which the
// test of radii nearly reaches without trusting the model.
var settings = []setting{
	{"identical, 5 shots each", two(5, 5, round, 1), []claim{rarely(0.05, 0.01), {"by the F test", saidByF, 0.05, 0, false}}},
	{"identical, 15 shots each", two(15, 15, round, 1), []claim{clearly(0.05, 0.003), {"leaning or clear", saidLeaning, 0.20, 0.005, false}, {"by the F test", saidByF, 0.05, 0, false}, {"centres differ", saidCentre, 0.05, 0.005, false}}},
	{"identical, 50 shots each", two(50, 50, round, 1), []claim{clearly(0.05, 0.003)}},
	{"identical, 10 and 20 shots", two(10, 20, round, 1), []claim{clearly(0.05, 0.01)}},
	{"identical, 15 shots, twice as wide as high", two(15, 15, stretched, 1), []claim{clearly(0.05, 0.01), {"by the F test", saidByF, math.NaN(), 0, false}}},
	{"identical, 15 shots, one in ten three times as wide", two(15, 15, wild, 1), []claim{clearly(0.05, 0.01), {"by the F test", saidByF, math.NaN(), 0, false}}},
	{"identical, 15 shots, Student t with 3 degrees of freedom", two(15, 15, student, 1), []claim{clearly(0.05, 0.01), {"by the F test", saidByF, math.NaN(), 0, false}}},
	{"identical, 3 blocks of 5 that drift by 3 sigma", func(rng *rand.Rand) []scoring.Group {
		drift := []r2.Vec{{}, r2.Scale(3, round(rng)), r2.Scale(3, round(rng))}
		return []scoring.Group{inBlocks(rng, "A", drift), inBlocks(rng, "B", drift)}
	}, []claim{clearly(0.05, 0.01)}},
	{"identical, 15 shots, one in seven off the board", each(two(15, 15, round, 1), onBoard), []claim{clearly(0.05, 0.01)}},
	{"identical, 15 shots, without the 2 widest of each", each(two(15, 15, round, 1), withoutWidest), []claim{reported()}},
	{"three identical, 15 shots, any pair", identical(3), []claim{rarely(0.05, 0)}},
	{"eight identical, 15 shots, any pair", identical(8), []claim{rarely(0.05, 0)}},
	{"1.2 times tighter, 15 shots", two(15, 15, round, 1.2), []claim{clearly(0.16, 0.02), {"by the F test", saidByF, 0.16, 0.01, false}}},
	{"1.3 times tighter, 15 shots", two(15, 15, round, 1.3), []claim{clearly(0.27, 0.03), {"by the F test", saidByF, 0.27, 0.01, false}}},
	{"1.5 times tighter, 15 shots", two(15, 15, round, 1.5), []claim{clearly(0.55, 0.04), {"by the F test", saidByF, 0.55, 0.01, false}}},
	{"2.0 times tighter, 15 shots", two(15, 15, round, 2.0), []claim{clearly(0.95, 0.03), {"by the F test", saidByF, 0.95, 0.01, false}}},
	{"1.5 times tighter, one in ten three times as wide", two(15, 15, wild, 1.5), []claim{reported()}},
	{"one centre, 2.5 times tighter, 10 and 20 shots", two(20, 10, round, 2.5), []claim{{"centres differ", saidCentre, 0.05, 0.01, false}}},
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
	var rates []rate
	for i, s := range settings {
		rng := rand.New(rand.NewPCG(20261127, uint64(i)))
		counted := make([]rate, len(s.claims))
		for k, c := range s.claims {
			counted[k] = rate{name: s.name + ": " + c.name, of: e.reps, want: c.want, slack: c.slack, atMost: c.atMost}
		}
		for rep := range e.reps {
			c, err := scoring.Compare(s.draw(rng), scoring.CompareOptions{Permutations: e.deals, Seed: uint64(rep)})
			if err != nil {
				panic(err)
			}
			for k, claim := range s.claims {
				if slices.ContainsFunc(c.Pairs, claim.said) {
					counted[k].hits++
				}
			}
		}
		rates = append(rates, counted...)
	}
	return rates
}
