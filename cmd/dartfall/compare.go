package main

import (
	"fmt"
	"io"
	"math"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/urfave/cli/v2"

	"dartfall/scoring"
)

// CompareCommand says which accessory of a typed list is tighter, and how sure that
// is.
func CompareCommand(c console) *cli.Command {
	return &cli.Command{
		Name:      "compare",
		Usage:     "say which accessory is tighter, and how sure that is",
		ArgsUsage: "FILE.csv",
		Description: "The list is that of dartfall group, with two to eight accessories; a column named\n" +
			"block (the round of the shooting order) makes the comparison stay within rounds.\n\n" +
			"   dartfall compare --shots 15 --board 1m impacts.csv",
		Flags: append(groupFlags(),
			&cli.Uint64Flag{Name: "seed", Value: 1, Usage: "seed of the random shuffles: same seed, same numbers"},
			&cli.IntFlag{Name: "shuffles", Value: 10000, Usage: "random shuffles per pair, where not all can be tried"},
		),
		Action: func(ctx *cli.Context) error {
			groups, opts, err := readGroups(c, ctx)
			if err != nil {
				return err
			}
			copts := scoring.CompareOptions{Level: opts.Level, Permutations: ctx.Int("shuffles"), Seed: ctx.Uint64("seed"), Board: opts.Board}
			all, err := scoring.Compare(groups, copts)
			if err != nil {
				return usageError{err}
			}
			var without *scoring.Comparison
			if opts.Drop > 0 {
				w, err := scoring.Compare(withoutWidest(groups, opts.Drop), copts)
				if err != nil {
					return usageError{err}
				}
				without = &w
			}
			if ctx.Bool("json") {
				return writeJSON(c.Out, struct {
					All     scoring.Comparison  `json:"all"`
					Drop    int                 `json:"drop"`
					Without *scoring.Comparison `json:"without_widest,omitempty"`
				}{all, opts.Drop, without})
			}
			printComparison(c.Out, all, without, opts.Drop)
			return nil
		},
	}
}

// withoutWidest leaves out the k widest of every group, as far as it can spare them.
// Misses are the widest of all and go first.
func withoutWidest(groups []scoring.Group, k int) []scoring.Group {
	var out []scoring.Group
	for _, g := range groups {
		k := k
		lost := g.Misses + max(0, g.Unaccounted())
		spared := min(k, lost)
		k -= spared
		g.Misses, g.Declared = lost-spared, 0
		a, err := scoring.Assess(g, scoring.Options{Drop: k})
		if err == nil && a.Drop != nil {
			kept := g
			kept.Impacts = nil
			for i, im := range g.Impacts {
				if !a.Drop.Mask[i] {
					kept.Impacts = append(kept.Impacts, im)
				}
			}
			g = kept
		}
		out = append(out, g)
	}
	return out
}

// sentence says a pair's result in words.
func sentence(p scoring.Pair) string {
	switch p.Verdict {
	case scoring.ClearlyTighter:
		return fmt.Sprintf("%s is clearly tighter than %s.", p.Tighter, other(p))
	case scoring.Leaning:
		return fmt.Sprintf("%s against %s: leaning, not settled (towards %s).", p.A, p.B, p.Tighter)
	}
	return fmt.Sprintf("%s against %s: no difference visible.", p.A, p.B)
}

func other(p scoring.Pair) string {
	if p.Tighter == p.A {
		return p.B
	}
	return p.A
}

func printComparison(w io.Writer, all scoring.Comparison, without *scoring.Comparison, drop int) {
	for _, p := range all.Pairs {
		fmt.Fprintln(w, sentence(p))
	}
	fmt.Fprintln(w)
	t := plainTable(w, 3, "pair", "shots", "n", "mean radius ratio", "sigma ratio", "luck", "adjusted", "to settle", "centres apart", "verdict")
	rows := func(which string, c scoring.Comparison) {
		for _, p := range c.Pairs {
			settle := "over 2000"
			if p.ShotsToSettle > 0 {
				settle = fmt.Sprint(p.ShotsToSettle)
			}
			if p.Verdict == scoring.ClearlyTighter {
				settle = "settled"
			}
			t.AppendRow(table.Row{p.A + " / " + p.B, which, fmt.Sprintf("%d, %d", p.NA, p.NB), withRange(p.MeanRadiusRatio, 2), withRange(p.SigmaRatio, 2),
				chanceText(p.P), chanceText(p.PAdjusted), settle, centreText(p), string(p.Verdict)})
		}
	}
	rows("all", all)
	if without != nil {
		rows(fmt.Sprintf("without %d widest", drop), *without)
	}
	t.Render()
	fmt.Fprintf(w, "\nA ratio below 1 means the first of the pair is tighter; in brackets its interval. \"Luck\": how often two\n"+
		"identical parts would differ at least this much; \"adjusted\" allows for %d pair(s) and decides: up to 5%% is clearly\n"+
		"tighter, up to 20%% leaning. \"To settle\": shots per accessory that would show the seen difference 8 times in 10,\n"+
		"if it is real. The centres are compared apart from size. One unit of each part, one day.\n", len(all.Pairs))
	for _, p := range all.Pairs {
		fmt.Fprintf(w, "%s / %s: %s\n", p.A, p.B, p.Method)
		for _, x := range p.Warnings {
			fmt.Fprintf(w, "%s / %s: note: %s\n", p.A, p.B, x.Text)
		}
	}
	fmt.Fprintln(w, "\n"+eyesAndField)
}

func centreText(p scoring.Pair) string {
	if math.IsNaN(p.CentreDistance.Value) {
		return "–"
	}
	return fmt.Sprintf("%.0f mm (luck %s)", p.CentreDistance.Value, chanceText(p.CentreP))
}

// chanceText writes a probability as a share people read.
func chanceText(p float64) string {
	switch {
	case p < 0.001:
		return "<0.1%"
	case p < 0.1:
		return fmt.Sprintf("%.1f%%", 100*p)
	}
	return fmt.Sprintf("%.0f%%", 100*p)
}
