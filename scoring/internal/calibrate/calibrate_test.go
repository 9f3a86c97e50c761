package main

import (
	"math"
	"testing"
)

// The promises of the full run, with few enough repetitions for every day. The full
// run also holds the chance of the robust rule, too small for a short one: TestRobustChance
// of package scoring holds it at a larger chance.
func TestPromises(t *testing.T) {
	for _, tt := range []struct {
		name string
		run  func(effort) []rate
		reps int
	}{{"verdicts", verdicts, 400}, {"coverage", coverage, 300}} {
		t.Run(tt.name, func(t *testing.T) {
			for _, r := range tt.run(effort{tt.reps, 199}) {
				if !r.kept() {
					t.Errorf("%s: %.3f of %d, want %v give or take %v", r.name, r.share(), r.of, r.want, r.slack)
				}
			}
		})
	}
}

// A promise that is off by more than luck allows is seen, and nothing else is.
func TestKept(t *testing.T) {
	for _, tt := range []struct {
		r    rate
		want bool
	}{
		{rate{hits: 500, of: 10_000, want: 0.05}, true},
		{rate{hits: 600, of: 10_000, want: 0.05}, false},
		{rate{hits: 600, of: 10_000, want: 0.05, slack: 0.01}, true},
		{rate{hits: 400, of: 10_000, want: 0.05}, false},
		{rate{hits: 400, of: 10_000, want: 0.05, atMost: true}, true},
		{rate{hits: 600, of: 10_000, want: 0.05, atMost: true}, false},
		{rate{hits: 9000, of: 10_000, want: math.NaN()}, true},
	} {
		if got := tt.r.kept(); got != tt.want {
			t.Errorf("%+v: kept %v, want %v", tt.r, got, tt.want)
		}
	}
}
