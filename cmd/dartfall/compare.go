package main

import (
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/sheet"
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
			all, unsure, err := compareChecked(groups, copts)
			if err != nil {
				return usageError{err}
			}
			var without *scoring.Comparison
			if opts.Drop > 0 {
				copts.Drop = opts.Drop
				w, unsureToo, err := compareChecked(groups, copts)
				if err != nil {
					return usageError{err}
				}
				// What one of both leaves to be checked, both do.
				withholdAlike(all.Pairs, w.Pairs)
				without, unsure = &w, unsure || unsureToo
			}
			report := comparisonReport{Level: opts.Level, Seed: copts.Seed, All: all, Drop: opts.Drop, Without: without, Cautions: eyesAndField}
			if ctx.Bool("json") {
				if err := writeJSON(c.Out, report); err != nil {
					return err
				}
			} else {
				report.print(c.Out)
			}
			if unsure {
				fmt.Fprintln(c.Err, "dartfall: hint: correct --shots or the list; a shot seen to miss the board is a line such as North,miss,miss")
				return errPartial
			}
			return nil
		},
	}
}

// checkShots is the verdict of a pair whose numbers of shots cannot be right, or decide.
const checkShots = scoring.Verdict(sheet.CheckShots)

// compareChecked compares groups and withholds the verdict of pairs whose shots are to be
// checked, as measure does; unsure tells that there are such.
func compareChecked(groups []scoring.Group, opts scoring.CompareOptions) (c scoring.Comparison, unsure bool, err error) {
	c, stated, err := compareAsStated(groups, opts)
	if err != nil {
		return c, false, err
	}
	byName := map[string]scoring.Group{}
	for _, g := range groups {
		byName[g.Accessory] = g
	}
	for i := range c.Pairs {
		p := &c.Pairs[i]
		if words := shotsToCheck(*p, stated.Pairs[i], byName[p.A], byName[p.B]); words != "" {
			unsure = true
			withhold(p, words)
		}
	}
	return c, unsure, nil
}

// withhold takes the verdict of a pair back, for the reason in words.
func withhold(p *scoring.Pair, words string) {
	p.Verdict, p.Tighter, p.P, p.PAdjusted, p.PF, p.ShotsToSettle, p.Method = checkShots, "", 1, 1, 1, 0, ""
	for _, e := range []*scoring.Estimate{&p.MeanRadiusRatio, &p.SigmaRatio, &p.SigmaRatioBootstrap} {
		e.Value, e.Lo, e.Hi, e.Level = math.NaN(), math.NaN(), math.NaN(), 0
	}
	p.Warnings = append([]scoring.Warning{{Code: "check-shots", Text: words}}, p.Warnings...)
}

// withholdAlike takes the verdict of each pair of a or b back where that of the other is.
func withholdAlike(a, b []scoring.Pair) {
	for i := range a {
		switch {
		case a[i].Verdict == checkShots && b[i].Verdict != checkShots:
			withhold(&b[i], a[i].Warnings[0].Text)
		case b[i].Verdict == checkShots && a[i].Verdict != checkShots:
			withhold(&a[i], b[i].Warnings[0].Text)
		}
	}
}

// comparisonReport is what compare found.
type comparisonReport struct {
	Level    float64             `json:"level"`
	Seed     uint64              `json:"seed"`
	All      scoring.Comparison  `json:"all"`
	Drop     int                 `json:"drop"`
	Without  *scoring.Comparison `json:"without_widest,omitempty"`
	Cautions string              `json:"cautions"`
}

// sentence says a pair's result in words.
func sentence(p scoring.Pair) string {
	switch {
	case p.Verdict == scoring.ClearlyTighter:
		return fmt.Sprintf("%s is clearly tighter than %s.", p.Tighter, p.Wider())
	case p.Verdict == scoring.Leaning:
		return fmt.Sprintf("%s against %s: leaning, not settled (towards %s).", p.A, p.B, p.Tighter)
	case p.Verdict == checkShots:
		return p.Warnings[0].Text
	case p.Verdict == scoring.TooFew:
		return fmt.Sprintf("%s against %s: %s (%d and %d).", p.A, p.B, p.Verdict, p.NA, p.NB)
	}
	return fmt.Sprintf("%s against %s: no difference visible.", p.A, p.B)
}

// sentences say what cannot be said, what is settled, then what leans, then the rest, which many pairs share.
func sentences(pairs []scoring.Pair) []string {
	const most = 6 // sentences that say nothing is visible
	var check, clear, leaning, rest, few []string
	for _, p := range pairs {
		switch p.Verdict {
		case checkShots:
			check = append(check, sentence(p))
		case scoring.ClearlyTighter:
			clear = append(clear, sentence(p))
		case scoring.Leaning:
			leaning = append(leaning, sentence(p))
		case scoring.TooFew:
			few = append(few, sentence(p))
		default:
			rest = append(rest, sentence(p))
		}
	}
	if len(rest) > most {
		rest = []string{fmt.Sprintf("No difference visible between the other %d of %d pairs.", len(rest), len(pairs))}
	}
	if len(few) > most {
		few = []string{fmt.Sprintf("%d of %d pairs: %s.", len(few), len(pairs), scoring.TooFew)}
	}
	return slices.Concat(check, clear, leaning, rest, few)
}

func (r comparisonReport) print(w io.Writer) {
	for _, line := range sentences(r.All.Pairs) {
		fmt.Fprintln(w, line)
	}
	if p := r.All.Pairs[0]; len(r.All.Pairs) == 1 && tested(p) {
		fmt.Fprintf(w, "Two identical parts would differ at least this much in %s of tests.\n", chanceText(p.P))
	}
	fmt.Fprintln(w)
	r.verdicts(w)
	adjusted := "decides"
	if n := r.All.Tested(); n > 1 {
		adjusted = fmt.Sprintf("allows for %d pairs and decides", n)
	}
	fmt.Fprintf(w, "\nA ratio below 1 means the first of the pair is tighter; in brackets its %.0f%% interval. \"Luck\": how\n"+
		"often two identical parts would differ at least this much; \"adjusted\" %s:\n"+
		"up to 5%% is clearly tighter, up to 20%% leaning. \"To settle\": shots per accessory that would show\n"+
		"the seen difference 8 times in 10, if it is real. Another unit or day may differ.\n\n", 100*r.Level, adjusted)
	r.details(w)
	fmt.Fprintln(w, "\nSigma ratio: the first interval trusts round normal groups, the second (bootstrap) only the shots.\n"+
		"The middles are compared apart from size: the first of the pair lies so far to the right and up of\n"+
		"the second, in mm.")
	if r.Without != nil {
		fmt.Fprintf(w, "Luck without the %d widest is what it does to groups that lose theirs as well.\n", r.Drop)
	}
	for _, line := range methods(r.All.Pairs) {
		fmt.Fprintln(w, line)
	}
	for _, p := range r.All.Pairs {
		for _, x := range p.Warnings {
			if x.Code == "check-shots" { // said first
				continue
			}
			fmt.Fprintf(w, "%s / %s: %s\n", p.A, p.B, noteText(x))
		}
	}
	fmt.Fprintln(w, "\n"+eyesAndField)
}

func (r comparisonReport) verdicts(w io.Writer) {
	t := plainTable(w, 2, "pair", "n", "mean radius ratio", "luck", "adjusted", "to settle", "verdict")
	for i, p := range r.All.Pairs {
		t.AppendRow(verdictRow(p.A+" / "+p.B, p))
		if r.Without != nil {
			t.AppendRow(verdictRow(fmt.Sprintf("  without %d widest", r.Drop), r.Without.Pairs[i]))
		}
	}
	t.Render()
}

// tested tells whether a pair has a verdict of its shots.
func tested(p scoring.Pair) bool { return p.Verdict != scoring.TooFew && p.Verdict != checkShots }

func verdictRow(name string, p scoring.Pair) table.Row {
	settle := "over 2000"
	switch {
	case p.Verdict == scoring.ClearlyTighter:
		settle = "settled"
	case p.ShotsToSettle > 0:
		settle = fmt.Sprint(p.ShotsToSettle)
	case math.IsNaN(p.MeanRadiusRatio.Value) && math.IsNaN(p.SigmaRatio.Value):
		settle = "–"
	}
	luck, adjusted, verdict := chanceText(p.P), chanceText(p.PAdjusted), string(p.Verdict)
	if p.Verdict == checkShots {
		verdict = "check the shots" // as on pictures: the whole would be too wide
	}
	if !tested(p) {
		luck, adjusted = "–", "–"
	}
	return table.Row{name, fmt.Sprintf("%d, %d", p.NA, p.NB), withRange(p.MeanRadiusRatio, 2), luck, adjusted, settle, verdict}
}

func (r comparisonReport) details(w io.Writer) {
	t := plainTable(w, 2, "pair", "sigma ratio", "bootstrap", "middles: right", "up", "apart", "luck")
	for _, p := range r.All.Pairs {
		bootstrap, luck := "–", "–"
		if e := p.SigmaRatioBootstrap; e.HasInterval() {
			bootstrap = fmt.Sprintf("%.2f–%.2f", e.Lo, e.Hi)
		}
		if p.CentreDistance.HasInterval() {
			luck = chanceText(p.CentreP)
		}
		t.AppendRow(table.Row{p.A + " / " + p.B, withRange(p.SigmaRatio, 2), bootstrap, withRange(p.CentreDX, 0), withRange(p.CentreDY, 0), withRange(p.CentreDistance, 0), luck})
	}
	t.Render()
}

// methods names the test behind the pairs, once when it is the same for all.
func methods(pairs []scoring.Pair) []string {
	var lines []string
	same := true
	for _, p := range pairs {
		same = same && p.Method == pairs[0].Method
		if p.Method != "" {
			lines = append(lines, fmt.Sprintf("%s / %s: %s.", p.A, p.B, p.Method))
		}
	}
	if same && len(lines) > 0 {
		return []string{"Test: " + pairs[0].Method + "."}
	}
	return lines
}
