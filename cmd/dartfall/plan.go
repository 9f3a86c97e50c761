package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/scoring"
)

// PlanCommand says how many shots a difference needs and writes a run sheet.
func PlanCommand(c console) *cli.Command {
	return &cli.Command{
		Name:  "plan",
		Usage: "how many shots a difference needs, and a run sheet with the order to shoot in",
		Description: "   dartfall plan --accessories North,Reed --ratio 1.5\n" +
			"   dartfall plan --accessories North,Reed,Slate --shots 15",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "accessories", Usage: "two to eight names, the baseline first: `North,Reed`"},
			&cli.Float64Flag{Name: "ratio", Value: 1.5, Usage: "how many times tighter is worth knowing about"},
			&cli.Float64Flag{Name: "power", Value: 0.8, Usage: "how often the test shall show it, if it is real"},
			&cli.IntFlag{Name: "shots", Usage: "shots per accessory, when they are given already"},
			&cli.IntFlag{Name: "blocks", Usage: "rounds to interleave the accessories in (default: of about five shots)"},
			&cli.Uint64Flag{Name: "seed", Value: 1, Usage: "seed of the random order: same seed, same order"},
			&cli.BoolFlag{Name: "json", Usage: "write JSON instead of a run sheet"},
		},
		Action: func(ctx *cli.Context) error { return runPlan(c, ctx) },
	}
}

// sessionPlan is what plan found.
type sessionPlan struct {
	Ratio    float64         `json:"ratio"`
	Wanted   float64         `json:"power_wanted"`
	Shots    int             `json:"shots_per_accessory"`
	Power    sheet.Number    `json:"power"` // of these shots at this ratio, for compare's verdict
	Pairs    int             `json:"pairs"`
	Alpha    float64         `json:"alpha_per_pair"`
	Seed     uint64          `json:"seed"`
	Rounds   []scoring.Round `json:"rounds"`
	Table    []planRow       `json:"shots_for_ratio"`
	Cautions string          `json:"cautions"`
}

type planRow struct {
	Ratio  float64      `json:"ratio"`
	Shots  int          `json:"shots"`         // for compare's verdict; 0: more than 2000
	ByPlan sheet.Number `json:"power_of_plan"` // how often the planned shots settle it
	// The same by the F test, which trusts round normal groups.
	ShotsByF int          `json:"shots_by_f"`
	ByF      sheet.Number `json:"power_by_f"`
}

func runPlan(c console, ctx *cli.Context) error {
	names, p, err := planOptions(ctx)
	if err != nil {
		return err
	}
	if p.Shots == 0 {
		n, ok := scoring.VerdictShots(p.Ratio, p.Wanted, p.Alpha)
		if !ok {
			return withHint(fmt.Errorf("no more than 2000 shots per accessory would show a ratio of %g", p.Ratio), "look for a larger ratio, or compare fewer accessories")
		}
		p.Shots = n
	}
	blocks := ctx.Int("blocks")
	if blocks == 0 {
		blocks = max(1, (p.Shots+2)/5)
	}
	if p.Rounds, err = scoring.Order(names, p.Shots, blocks, p.Seed); err != nil {
		return withHint(usageError{err}, "dartfall plan --accessories North,Reed --shots 15 --blocks 3")
	}
	p.Power = sheet.Number(scoring.VerdictPower(p.Ratio, p.Shots, p.Alpha))
	for _, ratio := range []float64{1.1, 1.2, 1.3, 1.5, 2, 3} {
		row := planRow{Ratio: ratio, ByPlan: sheet.Number(scoring.VerdictPower(ratio, p.Shots, p.Alpha)), ByF: sheet.Number(scoring.Power(ratio, p.Shots, p.Alpha))}
		row.Shots, _ = scoring.VerdictShots(ratio, p.Wanted, p.Alpha)
		row.ShotsByF, _ = scoring.ShotsFor(ratio, p.Wanted, p.Alpha)
		p.Table = append(p.Table, row)
	}
	if ctx.Bool("json") {
		return writeJSON(c.Out, p)
	}
	p.print(c.Out)
	return nil
}

// planOptions reads plan's flags: the accessories' names, and what is known of the plan
// before it is made; Shots is 0 when they are to be found.
func planOptions(ctx *cli.Context) ([]string, sessionPlan, error) {
	p := sessionPlan{Ratio: ctx.Float64("ratio"), Wanted: ctx.Float64("power"), Shots: ctx.Int("shots"), Seed: ctx.Uint64("seed"), Cautions: eyesAndField}
	if ctx.NArg() > 0 {
		return nil, p, withHint(usagef("plan takes no file, but %q was given", ctx.Args().First()), "dartfall plan --accessories North,Reed --ratio 1.5")
	}
	var names []string
	for _, n := range strings.Split(ctx.String("accessories"), ",") {
		if n = strings.TrimSpace(n); n != "" {
			names = append(names, n)
		}
	}
	switch {
	case len(names) < 2:
		return nil, p, withHint(usagef("plan needs the names of two to eight accessories"), "dartfall plan --accessories North,Reed --ratio 1.5")
	case !(p.Ratio > 1 && p.Ratio <= 20) || !(p.Wanted > 0.05 && p.Wanted < 1):
		return nil, p, usagef("--ratio must be above 1, such as 1.5, and --power between 0.05 and 1")
	case ctx.IsSet("shots") && p.Shots < 3:
		return nil, p, usagef("--shots: nothing can be compared with fewer than three shots each")
	case p.Shots > 2000:
		return nil, p, usagef("--shots: at most 2000 with each accessory, not %d", p.Shots)
	}
	p.Pairs = len(names) * (len(names) - 1) / 2
	p.Alpha = 0.05 / float64(p.Pairs)
	return names, p, nil
}

func (p sessionPlan) print(w io.Writer) {
	fmt.Fprintf(w, "Shoot %d shots with each accessory: a part %g times tighter then shows as such in %s tests.\n\n", p.Shots, p.Ratio, ofHundred(p.Power))
	t := plainTable(w, 1, "times tighter", fmt.Sprintf("shots each for %.0f of 100", 100*p.Wanted), "(F test)", fmt.Sprintf("%d shots show it in", p.Shots), "(F test)")
	shots := func(n int) string {
		if n == 0 {
			return "over 2000"
		}
		return fmt.Sprint(n)
	}
	for _, r := range p.Table {
		t.AppendRow(table.Row{fmt.Sprintf("%.1f", r.Ratio), shots(r.Shots), shots(r.ShotsByF), ofHundred(r.ByPlan), ofHundred(r.ByF)})
	}
	t.Render()
	fmt.Fprintf(w, "\nThe first of each two columns is for the verdict of dartfall compare, which does not trust round\n"+
		"normal groups; the F test does. For such groups and %s compared; wind, wild shots and misses\n"+
		"make it worse. It holds for one unit of each part, on one day, with one kind of dart.\n\nRun sheet (seed %d)          date ____________   distance ________   darts ________________\n\n", plural(p.Pairs, "pair"), p.Seed)
	run := plainTable(w, 3, "block", "accessory", "shots", "misses", "jams", "wind", "remarks")
	for _, r := range p.Rounds {
		run.AppendRow(table.Row{r.Block, r.Accessory, r.Shots, "____", "____", "________", "________________________"})
	}
	run.Render()
	fmt.Fprint(w, `
Before the first shot
  [ ] outlier rule and miss rule written down
  [ ] same darts, rotated over the accessories; distance taped, not paced
  [ ] sighters shot, and their marks covered or photographed
  [ ] board marked "up"; backer larger than the face
  [ ] eye protection on everybody near, helper at the board included
  [ ] backstop behind; no path, road or fence line behind it
  [ ] blaster empty and off before anyone walks down or changes a part
  [ ] local rules and the field's cap checked

`+eyesAndField+"\n")
}

// ofHundred writes a power; it is unknown of too few shots.
func ofHundred(power sheet.Number) string {
	switch {
	case !power.Known():
		return "–"
	case power >= 0.995:
		return "over 99 of 100"
	}
	return fmt.Sprintf("%.0f of 100", 100*float64(power))
}
