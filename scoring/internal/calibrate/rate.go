package main

import (
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"sync"
)

// inParallel gathers the rates of n independent simulations, in order.
func inParallel(n int, simulate func(i int) []rate) []rate {
	rates := make([][]rate, n)
	var wait sync.WaitGroup
	free := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range n {
		wait.Add(1)
		go func() {
			defer wait.Done()
			free <- struct{}{}
			rates[i] = simulate(i)
			<-free
		}()
	}
	wait.Wait()
	return slices.Concat(rates...)
}

// rate is how often something happened, and how often it should.
type rate struct {
	name string
	hits int
	of   int
	want float64 // NaN: nothing is promised, the share is only reported
	// slack is how far the promise itself may be off: what a method is known to lack,
	// or the rounding of a published figure.
	slack  float64
	atMost bool // want is a limit, not a target
}

func (r rate) share() float64 { return float64(r.hits) / float64(r.of) }

// standardError is that of the share if the promise holds, else of the share itself.
func (r rate) standardError() float64 {
	p := r.want
	if math.IsNaN(p) {
		p = r.share()
	}
	return math.Sqrt(p * (1 - p) / float64(r.of))
}

// kept tells whether the share is within four standard errors of the promise.
func (r rate) kept() bool {
	if math.IsNaN(r.want) {
		return true
	}
	off := r.share() - r.want
	if !r.atMost {
		off = math.Abs(off)
	}
	return off <= r.slack+4*r.standardError()
}

// printRates writes one line per rate and tells whether all promises are kept.
func printRates(w io.Writer, rates []rate) bool {
	all := true
	for _, r := range rates {
		promise := "reported"
		switch {
		case math.IsNaN(r.want):
		case r.atMost:
			promise = fmt.Sprintf("at most %.3f", r.want)
		default:
			promise = fmt.Sprintf("want %.3f", r.want)
		}
		if r.slack > 0 {
			promise += fmt.Sprintf(" give or take %.3f", r.slack)
		}
		if !r.kept() {
			promise += "  BROKEN"
			all = false
		}
		fmt.Fprintf(w, "%-72s %.4f ± %.4f  %s\n", r.name, r.share(), r.standardError(), promise)
	}
	return all
}
