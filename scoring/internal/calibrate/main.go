// Command calibrate simulates what package scoring takes from tables, and what it
// promises.
//
//	go generate ./scoring                          its tables, sizes.csv and robust.csv
//	go run ./scoring/internal/calibrate verdicts   false and true verdicts of comparisons
//	go run ./scoring/internal/calibrate coverage   how often intervals hold the truth
//	go run ./scoring/internal/calibrate flags      how often the robust rule flags a clean group
//
// The last three print one line per promise and end with status 1 when one is broken;
// the tests of this package run the same with fewer repetitions. Same arguments, same
// bytes: everything has a seed of its own.
package main

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"

	"gonum.org/v1/gonum/spatial/r2"
)

// effort is how much simulation a promise gets.
type effort struct {
	reps  int // repetitions
	deals int // random deals and bootstrap samples in each comparison
}

// full has one deal fewer than 400, since the deal that was shot is one as well and 5% of
// them must be a whole number on each side.
var full = effort{reps: 10_000, deals: 399}

func main() {
	tables := map[string]func(*bufio.Writer){"sizes": sizes, "robust": robust}
	promises := map[string]func(effort) []rate{"verdicts": verdicts, "coverage": coverage, "flags": flags}
	if len(os.Args) != 2 || tables[os.Args[1]] == nil && promises[os.Args[1]] == nil {
		fmt.Fprintln(os.Stderr, "usage: calibrate sizes | robust | verdicts | coverage | flags")
		os.Exit(2)
	}
	out := bufio.NewWriter(os.Stdout)
	if table := tables[os.Args[1]]; table != nil {
		table(out)
		out.Flush()
		return
	}
	kept := printRates(out, promises[os.Args[1]](full))
	out.Flush()
	if !kept {
		os.Exit(1)
	}
}

// clean draws n shots of a round group with sigma 1.
func clean(rng *rand.Rand, pts []r2.Vec) {
	for i := range pts {
		pts[i] = r2.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64()}
	}
}
