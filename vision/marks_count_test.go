package vision

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// The chances given a count, held against Bayes' rule summed over every subset.
func TestGivenCount(t *testing.T) {
	for _, c := range []struct {
		name    string
		chances []float64
		n       int
	}{
		{"one short", []float64{0.99, 0.97, 0.9, 0.35}, 4},
		{"one too many", []float64{0.99, 0.97, 0.9, 0.6}, 3},
		{"far from what is declared", []float64{0.99, 0.3}, 15},
		{"certain and impossible", []float64{1, 0, 0.5}, 2},
		{"none", nil, 3},
	} {
		got := givenCount(c.chances, c.n)
		for i := range c.chances {
			with, all := 0.0, 0.0
			for set := range 1 << len(c.chances) {
				p, k := 1.0, 0
				for j, q := range c.chances {
					if set>>j&1 == 1 {
						p, k = p*q, k+1
					} else {
						p *= 1 - q
					}
				}
				p *= countPrior(k, c.n)
				all += p
				if set>>i&1 == 1 {
					with += p
				}
			}
			if want := with / all; !(math.Abs(got[i]-want) < 1e-12) {
				t.Errorf("%s: chance %d = %.6f, want %.6f", c.name, i, got[i], want)
			}
		}
	}
}

// A count moves doubtful discs towards it, hardly where it does not belong to the
// photo, and never makes a sticker of what hardly looks like one.
func TestCountIsEvidenceOnly(t *testing.T) {
	sure := func(n int, more ...float64) (c []float64) {
		for range n {
			c = append(c, 0.999)
		}
		return append(c, more...)
	}
	last := func(n int, chances []float64) float64 { return givenCount(chances, n)[len(chances)-1] }
	if p := last(15, sure(14, 0.35)); !(p > 0.5) {
		t.Errorf("the fifteenth of 15 declared, 35%% by its looks, has %.2f, want more than a half", p)
	}
	if p := last(15, sure(14, leastByCount)); !(p < 0.5) {
		t.Errorf("the fifteenth of 15 declared, %.0f%% by its looks, has %.2f, want less than a half", 100*leastByCount, p)
	}
	if p := last(15, sure(5, 0.35)); !(p < 0.5) {
		t.Errorf("the sixth of 15 declared has %.2f: so few are a sign that the count is another photo's", p)
	}
	if p := last(15, sure(15, 0.9)); !(p < 0.5) {
		t.Errorf("the sixteenth of 15 declared, 90%% by its looks, has %.2f, want less than a half", p)
	}
}

// weighCounts takes a weak disc where one is lacking, flags the least certain where one
// is over, and removes none.
func TestWeighCounts(t *testing.T) {
	discs := func(chances ...float64) (ds []*disc) {
		for i, p := range chances {
			ds = append(ds, &disc{pos: r2.Vec{X: 50 * float64(i)}, radius: 8, chance: p})
		}
		return ds
	}
	for _, c := range []struct {
		name        string
		found, weak []*disc
		declared    int
		n           int
		flag        Flag // of the last
	}{
		{"one short", discs(0.99, 0.99, 0.99), discs(0.4), 4, 4, ByCount},
		{"none lacking", discs(0.99, 0.99, 0.99), discs(0.4), 3, 3, ""},
		{"one over", discs(0.99, 0.99, 0.7), nil, 2, 3, OverCount},
	} {
		s := evenSearch(100)
		s.groups = []*group{{name: "red"}}
		got := s.takeCount(c.found, c.weak, ColourCount{"red", c.declared})
		if len(got) != c.n || got[len(got)-1].byCount != c.flag {
			t.Errorf("%s: %d discs, the last with flag %q, want %d and %q", c.name, len(got), got[len(got)-1].byCount, c.n, c.flag)
		}
		if (c.flag == "") != (len(s.warnings) == 0) {
			t.Errorf("%s: warnings %q", c.name, s.warnings)
		}
	}
}
