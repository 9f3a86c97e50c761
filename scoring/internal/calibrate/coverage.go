package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"dartfall/scoring"
	"gonum.org/v1/gonum/spatial/r2"
)

// A statement is an interval that should hold a truth.
type statement struct {
	name  string
	e     scoring.Estimate
	truth float64
	slack float64 // what the method is known to lack
}

// coverage counts how often stated 95% intervals hold the truth.
func coverage(e effort) []rate {
	sources := []struct {
		name  string
		state func(*rand.Rand) []statement
		dear  int // takes this many times as long, and gets as many times fewer repetitions
	}{
		{"15 round shots", ofGroup, 1},
		{"15 shots twice as wide as high", ofStretched, 1},
		{"15 shots, one in seven off a disc", ofMisses(scoring.Disc{RadiusMM: 2}, r2.Vec{X: 0.6}), 8},
		{"15 shots, one in seven off a rectangle", ofMisses(scoring.Rect{Min: r2.Vec{X: -1.5, Y: -2.5}, Max: r2.Vec{X: 1.5, Y: 2.5}}, r2.Vec{X: 0.2}), 8},
		{"12 and 18 round shots", ofPair(12, 18, round, 0, e.deals), 1},
		{"50 and 50 round shots", ofPair(50, 50, round, 0, e.deals), 1},
		{"15 and 15 round shots", ofPair(15, 15, round, 0, e.deals), 1},
		{"15 and 15 shots, Student t with 3 degrees of freedom", ofPair(15, 15, student, math.NaN(), e.deals), 1},
		{"10 speeds", ofSpeeds, 1},
	}
	return inParallel(len(sources), func(i int) []rate {
		s := sources[i]
		rng := rand.New(rand.NewPCG(20261128, uint64(i)))
		var counted []rate
		for range e.reps / s.dear {
			for k, st := range s.state(rng) {
				if k == len(counted) {
					want := 0.95
					if math.IsNaN(st.slack) {
						want = math.NaN()
					}
					counted = append(counted, rate{name: s.name + ": " + st.name, of: e.reps / s.dear, want: want, slack: st.slack})
				}
				if st.e.Lo <= st.truth && st.truth <= st.e.Hi {
					counted[k].hits++
				}
			}
		}
		return counted
	})
}

// Averages over many clean groups of 15 in units of sigma: mean radius √(π/2·14/15) and
// width d2(15) exact, extreme spread 4.1973 (a million groups, computed outside this
// project).
var meanRadius15 = math.Sqrt(math.Pi / 2 * 14 / 15)

const width15, spread15 = 3.471827, 4.1973

func assess(g scoring.Group, o scoring.Options) scoring.Assessment {
	a, err := scoring.Assess(g, o)
	if err != nil {
		panic(err)
	}
	return a
}

func ofGroup(rng *rand.Rand) []statement {
	a := assess(shoot(rng, "A", 15, round, 1, r2.Vec{X: 2}), scoring.Options{Drop: 2})
	s := a.All
	return []statement{
		{"sigma", s.Sigma, 1, 0}, {"mean radius", s.MeanRadius, meanRadius15, 0}, {"extreme spread", s.ExtremeSpread, spread15, 0.003},
		{"width", s.Width, width15, 0.003}, {"height", s.Height, width15, 0.003},
		{"R50", s.R50, math.Sqrt(2 * math.Ln2), 0}, {"R90", s.R90, math.Sqrt(2 * math.Ln10), 0},
		{"centre x", s.CentreX, 2, 0}, {"centre offset", s.CentreOffset, 2, math.NaN()},
		{"sigma after dropping 2", a.Dropped.Sigma, 1, 0.005},
	}
}

func ofStretched(rng *rand.Rand) []statement {
	e := assess(shoot(rng, "A", 15, stretched, 1, r2.Vec{}), scoring.Options{}).All.Ellipse
	return []statement{
		{"elliptical R50", e.R50, scoring.EllipseRadius(2, 1, 0.5), 0.02}, {"elliptical R90", e.R90, scoring.EllipseRadius(2, 1, 0.9), 0.02},
	}
}

func ofMisses(board scoring.Area, centre r2.Vec) func(*rand.Rand) []statement {
	return func(rng *rand.Rand) []statement {
		for {
			var g scoring.Group
			for _, im := range shoot(rng, "A", 15, round, 1, centre).Impacts {
				if board.Contains(im.Pos) {
					g.Impacts = append(g.Impacts, im)
				} else {
					g.Misses++
				}
			}
			if a := assess(g, scoring.Options{Board: board}); a.All.CensoredSigma != nil {
				return []statement{{"sigma with the misses", *a.All.CensoredSigma, 1, 0.02}, {"hit share", *a.All.HitShare, board.Share(centre, 1), math.NaN()}}
			}
		}
	}
}

func ofPair(nA, nB int, s shape, slack float64, deals int) func(*rand.Rand) []statement {
	return func(rng *rand.Rand) []statement {
		groups := []scoring.Group{shoot(rng, "A", nA, s, 1, r2.Vec{X: 0.3}), shoot(rng, "B", nB, s, 1.4, r2.Vec{})}
		c, err := scoring.Compare(groups, scoring.CompareOptions{Permutations: deals, Seed: rng.Uint64()})
		if err != nil {
			panic(err)
		}
		p := c.Pairs[0]
		return []statement{
			{"ratio of mean radii", p.MeanRadiusRatio, 1 / 1.4, slack + 0.01}, {"ratio of sigmas", p.SigmaRatio, 1 / 1.4, slack},
			{"ratio of sigmas, bootstrap", p.SigmaRatioBootstrap, 1 / 1.4, slack + 0.02},
			{"difference of the centres, x", p.CentreDX, 0.3, math.NaN()}, {"distance of the centres", p.CentreDistance, 0.3, math.NaN()},
		}
	}
}

func ofSpeeds(rng *rand.Rand) []statement {
	var mps []float64
	for range 10 {
		mps = append(mps, 45+1.5*rng.NormFloat64())
	}
	s := scoring.SummariseString(mps, 47, 0.95)
	above := 0.5 * math.Erfc((47-45)/1.5/math.Sqrt2)
	return []statement{{"mean", s.Mean, 45, 0}, {"standard deviation", s.SD, 1.5, 0}, {"extreme spread", s.ES, 1.5 * 3.077505, 0.003}, {"share above a cap", *s.ShareOver, above, 0}}
}

// flags counts how often the robust rule flags anything in a clean group, at its usual
// chance. Stretching a group changes nothing in it.
func flags(e effort) []rate {
	const chance = 0.01
	ns := []int{5, 6, 7, 8, 9, 10, 12, 15, 18, 20, 25, 30, 33, 40, 50}
	return inParallel(len(ns), func(i int) []rate {
		rng := rand.New(rand.NewPCG(20261129, uint64(ns[i])))
		r := rate{name: fmt.Sprintf("%d shots: something flagged", ns[i]), of: e.reps, want: chance, slack: 0.1 * chance}
		pts := make([]r2.Vec, ns[i])
		for range e.reps {
			clean(rng, pts)
			robust, err := scoring.RobustOutliers(pts, chance)
			if err != nil {
				panic(err)
			}
			if slices.Contains(robust.Mask, true) {
				r.hits++
			}
		}
		return []rate{r}
	})
}
