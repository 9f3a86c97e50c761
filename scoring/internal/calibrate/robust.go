package main

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"slices"

	"dartfall/scoring"
	"gonum.org/v1/gonum/spatial/r2"
)

// robust tabulates the limits of the robust rule: quantiles of the largest squared
// distance in clean groups of n.
func robust(out *bufio.Writer) {
	chances := []float64{0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.10, 0.20}
	fmt.Fprint(out, "n")
	for _, c := range chances {
		fmt.Fprintf(out, ",%v", c)
	}
	fmt.Fprintln(out)
	for n := 5; n <= 200; n = nextN(n) {
		rng := rand.New(rand.NewPCG(20261126, uint64(n)))
		pts := make([]r2.Vec, n)
		var largest []float64
		for len(largest) < 20_000 {
			clean(rng, pts)
			d2, err := scoring.RobustDistances(pts)
			if err != nil {
				panic(err)
			}
			largest = append(largest, slices.Max(d2))
		}
		slices.Sort(largest)
		fmt.Fprint(out, n)
		for _, c := range chances {
			fmt.Fprintf(out, ",%.4g", scoring.Quantile(1-c, largest))
		}
		fmt.Fprintln(out)
		out.Flush()
	}
}
