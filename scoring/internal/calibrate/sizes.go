package main

import (
	"bufio"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"dartfall/scoring"
	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat"
)

var levels = []float64{0.005, 0.025, 0.05, 0.5, 0.95, 0.975, 0.995}

// sizes tabulates size/sigma in clean round groups of n after the k widest are
// dropped: es extreme spread, mr mean radius, sd pooled deviation, wd width (and
// height), shrink 1 - es(k)/es(0).
func sizes(out *bufio.Writer) {
	fmt.Fprintln(out, "stat,n,k,mean,q0.005,q0.025,q0.05,q0.5,q0.95,q0.975,q0.995")
	for n := 2; n <= 1000; n = nextN(n) {
		for k := 0; k <= scoring.MaxDrop && n-k >= 2; k++ {
			if k > 0 && n > 200 {
				break
			}
			reps := 400_000
			switch {
			case n > 200 || n > 60 && k == 0:
				reps = 40_000
			case n > 60:
				reps = 10_000
			case n > 20 && k > 0:
				reps = 60_000
			case k > 0:
				reps = 200_000
			}
			rng := rand.New(rand.NewPCG(20261125, uint64(n*10+k)))
			var es, mr, sd, wd, shrink []float64
			pts := make([]r2.Vec, n)
			for range reps {
				clean(rng, pts)
				rest := pts
				if k > 0 {
					mask, err := scoring.DropWidest(pts, k)
					if err != nil {
						panic(err)
					}
					rest = slices.Clone(pts)[:0]
					for i, p := range pts {
						if !mask[i] {
							rest = append(rest, p)
						}
					}
				}
				s := sizesOf(rest)
				es, mr, sd, wd = append(es, s.es), append(mr, s.mr), append(sd, s.sd), append(wd, s.width, s.height)
				if k > 0 {
					shrink = append(shrink, 1-s.es/sizesOf(pts).es)
				}
			}
			row(out, "es", n, k, es)
			row(out, "mr", n, k, mr)
			row(out, "sd", n, k, sd)
			row(out, "wd", n, k, wd)
			if k > 0 {
				row(out, "shrink", n, k, shrink)
			}
			out.Flush()
		}
	}
}

func nextN(n int) int {
	grid := []int{30, 32, 35, 40, 45, 50, 60, 70, 80, 100, 120, 150, 200, 300, 500, 1000, 1001}
	if n < 30 {
		return n + 1
	}
	i, _ := slices.BinarySearch(grid, n)
	return grid[i+1]
}

type measured struct{ es, mr, sd, width, height float64 }

func sizesOf(pts []r2.Vec) measured {
	n := float64(len(pts))
	lo, hi, c := pts[0], pts[0], r2.Vec{}
	worst := 0.0
	for i, p := range pts {
		c = r2.Add(c, r2.Scale(1/n, p))
		lo = r2.Vec{X: min(lo.X, p.X), Y: min(lo.Y, p.Y)}
		hi = r2.Vec{X: max(hi.X, p.X), Y: max(hi.Y, p.Y)}
		for _, q := range pts[:i] {
			dx, dy := p.X-q.X, p.Y-q.Y
			worst = max(worst, dx*dx+dy*dy)
		}
	}
	var radii, ss float64
	for _, p := range pts {
		d2 := r2.Norm2(r2.Sub(p, c))
		ss += d2
		radii += math.Sqrt(d2)
	}
	return measured{math.Sqrt(worst), radii / n, math.Sqrt(ss / (2*n - 2)), hi.X - lo.X, hi.Y - lo.Y}
}

func row(out *bufio.Writer, name string, n, k int, xs []float64) {
	slices.Sort(xs)
	fmt.Fprintf(out, "%s,%d,%d,%.4f", name, n, k, stat.Mean(xs, nil))
	for _, p := range levels {
		fmt.Fprintf(out, ",%.4f", scoring.Quantile(p, xs))
	}
	fmt.Fprintln(out)
}
