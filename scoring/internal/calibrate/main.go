// Command calibrate simulates what package scoring takes from tables.
//
//	go run ./scoring/internal/calibrate sizes    > scoring/sizes.csv
//	go run ./scoring/internal/calibrate robust   > scoring/robust.csv
//
// Same arguments, same bytes: every row has a seed of its own.
package main

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"

	"gonum.org/v1/gonum/spatial/r2"
)

func main() {
	tasks := []struct {
		name string
		run  func(*bufio.Writer)
	}{
		{"sizes", sizes},
		{"robust", robust},
	}
	if len(os.Args) == 2 {
		for _, t := range tasks {
			if t.name == os.Args[1] {
				out := bufio.NewWriter(os.Stdout)
				defer out.Flush()
				t.run(out)
				return
			}
		}
	}
	fmt.Fprint(os.Stderr, "usage: calibrate")
	for _, t := range tasks {
		fmt.Fprint(os.Stderr, " | "+t.name)
	}
	fmt.Fprintln(os.Stderr)
	os.Exit(2)
}

// clean draws n shots of a round group with sigma 1.
func clean(rng *rand.Rand, pts []r2.Vec) {
	for i := range pts {
		pts[i] = r2.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64()}
	}
}
