package vision

import (
	"cmp"
	"fmt"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// How many shots were fired is evidence of how many stickers the photo shows. It
// enters as a prior on the number of a colour and moves the chance of each of its
// discs; it is never a number to fill up to.

// ColourCount is how many stickers of a colour should be on the board.
type ColourCount struct {
	Colour   string
	Stickers int
}

// The prior on the number seen where some are declared. Rendered boards show 98 % of
// their stickers to the search (TestEvaluate). That the count does not belong to what
// the photo shows (stickers taken off, two shots on one sticker, a slip) is taken as
// one case in twenty: own choice, no source.
const (
	seenShare = 0.98
	countSlip = 0.05
)

// A disc with less than leastByCount chance by its own looks is not taken whatever
// was declared.
const leastByCount = 0.1

// countPrior returns the prior density of k stickers seen where n are declared: most
// of n seen, or, where the count does not belong to the photo, any number alike.
func countPrior(k, n int) float64 {
	p := countSlip / float64(2*n+1)
	if k <= n {
		p += (1 - countSlip) * distuv.Binomial{N: float64(n), P: seenShare}.Prob(float64(k))
	}
	return p
}

// givenCount returns the chances of discs that are judged one by one, given that n
// stickers are declared: by Bayes' rule over the number of them that are stickers
// (Poisson binomial).
func givenCount(chances []float64, n int) []float64 {
	out := make([]float64, len(chances))
	for i, p := range chances {
		others := []float64{1} // chance of each number of stickers among the others
		for j, q := range chances {
			if j == i {
				continue
			}
			others = append(others, 0)
			for k := len(others) - 1; k > 0; k-- {
				others[k] = others[k]*(1-q) + others[k-1]*q
			}
			others[0] *= 1 - q
		}
		with, without := 0.0, 0.0
		for k, c := range others {
			with += c * countPrior(k+1, n)
			without += c * countPrior(k, n)
		}
		out[i] = p * with / (p*with + (1-p)*without)
	}
	return out
}

// weighCounts judges the discs of the declared colours again by how many were
// declared. It returns found with those of the weak discs that the counts speak for; those
// they speak against stay and are flagged.
func (s *search) weighCounts(found, weak []*disc) []*disc {
	for _, c := range s.opts.Counts {
		found = s.takeCount(found, weak, c)
	}
	return found
}

// takeCount is weighCounts for one colour, with the discs that are in doubt.
func (s *search) takeCount(found, weak []*disc, c ColourCount) []*disc {
	of := func(ds []*disc) (out []*disc) {
		for _, d := range ds {
			if d.group >= 0 && s.groups[d.group].name == c.Colour {
				out = append(out, d)
			}
		}
		return out
	}
	known, doubtful := of(found), of(weak)
	var chances []float64
	for _, d := range slices.Concat(known, doubtful) {
		chances = append(chances, d.chance)
	}
	given := givenCount(chances, c.Stickers)
	for i, d := range known {
		if d.chance = given[i]; d.chance < 0.5 {
			d.byCount = OverCount
		}
	}
	taken := slices.Clone(found)
	for i, d := range doubtful {
		if p := given[len(known)+i]; p >= 0.5 {
			d.chance, d.byCount = p, ByCount
			taken = append(taken, d)
		}
	}
	if n := len(taken) - len(found); n > 0 {
		s.warnings = append(s.warnings, fmt.Sprintf("%d of the %s stickers would not have been taken by their looks alone; they are in because %d were declared and fewer are sure: look at those flagged %s",
			n, c.Colour, c.Stickers, ByCount))
	}
	if len(known) > c.Stickers {
		s.warnings = append(s.warnings, fmt.Sprintf("%d %s stickers are seen where %d were declared: none is left out; look at the least certain, flagged %s where one of them is likely none", len(known), c.Colour, c.Stickers, OverCount))
	}
	return taken
}

// weaker returns the discs that are no part of found but may be stickers, the best of
// those that lie on one place.
func (s *search) weaker(found, all []*disc) (weak []*disc) {
	var rest []*disc
	for _, d := range all {
		if d.chance < hopeless || double(d, found) {
			continue
		}
		s.relate([]*disc{d})
		if s.look(d, found); d.chance >= leastByCount && !double(d, found) {
			rest = append(rest, d)
		}
	}
	slices.SortStableFunc(rest, func(a, b *disc) int { return cmp.Compare(b.chance, a.chance) })
	for _, d := range rest {
		if !double(d, weak) {
			weak = append(weak, d)
		}
	}
	return weak
}
