package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/units"
	"dartfall/scoring"
)

// ChronoCommand reads chronograph strings, typed or spoken.
func ChronoCommand(c console) *cli.Command {
	return &cli.Command{
		Name:      "chrono",
		Usage:     "read chronograph strings: mean, spread, cap, joules, and what looks like a slip",
		ArgsUsage: "FILE",
		Description: "The file holds readings in any shape: a column, a list, or the words of a caption\n" +
			"(\"two eighty four\", \"same again\", \"sorry, 287\"). A line such as North: 284, 287\n" +
			"names the accessory. Suspect readings are shown, never changed.\n\n" +
			"   dartfall chrono --cap 300fps --mass 1.1g readings.txt",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "unit", Value: "fps", Usage: "unit of the readings: fps or m/s"},
			&cli.StringFlag{Name: "cap", Usage: "highest speed the venue allows, such as `150fps`"},
			&cli.StringFlag{Name: "mass", Usage: "dart mass for joules, such as `1.1g`"},
			&cli.Float64Flag{Name: "level", Value: 0.95, Usage: "level of the intervals: 0.90, 0.95 or 0.99"},
			&cli.BoolFlag{Name: "json", Usage: "write JSON at full precision instead of a table"},
		},
		Action: func(ctx *cli.Context) error { return runChrono(c, ctx) },
	}
}

// chronoString is one string's readings and figures. Speeds are m/s, readings in the
// unit they were typed in.
type chronoString struct {
	scoring.ReadingString
	AsTyped scoring.StringSummary `json:"as_typed"`
	// PutRight has the likely values in place of the suspect ones, and those nobody can
	// tell set aside; nil when that changes nothing.
	PutRight *scoring.StringSummary `json:"put_right,omitempty"`
	EnergyJ  float64                `json:"energy_j,omitempty"`     // at the mean
	MaxJ     float64                `json:"max_energy_j,omitempty"` // at the fastest reading
}

// speedPair compares two strings.
type speedPair struct {
	A             string           `json:"a"`
	B             string           `json:"b"`
	Difference    scoring.Estimate `json:"difference_mps"`
	PMean         float64          `json:"p_mean"`
	PMeanAdjusted float64          `json:"p_mean_adjusted"`
	PSD           float64          `json:"p_sd"`
	PSDAdjusted   float64          `json:"p_sd_adjusted"`
}

func runChrono(c console, ctx *cli.Context) error {
	if ctx.NArg() != 1 {
		return withHint(usagef("chrono needs one file with readings"), "dartfall chrono readings.txt, or - for standard input")
	}
	perUnit, unit := 0.3048, "fps"
	switch strings.ToLower(ctx.String("unit")) {
	case "fps", "ft/s":
	case "m/s", "mps":
		perUnit, unit = 1, "m/s"
	default:
		return usagef("--unit: %q is not a unit of speed; fps or m/s", ctx.String("unit"))
	}
	level, err := levelOf(ctx)
	if err != nil {
		return err
	}
	var capMPS, massG float64
	if s := ctx.String("cap"); s != "" {
		if capMPS, err = units.Speed(s); err != nil {
			return usageError{fmt.Errorf("--cap: %v", err)}
		}
	}
	if s := ctx.String("mass"); s != "" {
		if massG, err = units.Mass(s); err != nil {
			return usageError{fmt.Errorf("--mass: %v", err)}
		}
	}
	data, err := readNamed(c, ctx.Args().First())
	if err != nil {
		return err
	}
	var strs []chronoString
	for _, rs := range scoring.ParseReadings(string(data)) {
		s := chronoString{ReadingString: rs}
		typed, right, slips := speedsOf(rs, perUnit)
		s.AsTyped = scoring.SummariseString(typed, capMPS, level)
		best := s.AsTyped
		if slips {
			r := scoring.SummariseString(right, capMPS, level)
			s.PutRight, best = &r, r
		}
		if massG > 0 && best.N > 0 {
			s.EnergyJ, s.MaxJ = scoring.EnergyJ(massG, best.Mean.Value), scoring.EnergyJ(massG, best.Max)
		}
		if s.AsTyped.N > 0 {
			strs = append(strs, s)
		}
	}
	if len(strs) == 0 {
		return withHint(fmt.Errorf("no readings found in %s", ctx.Args().First()), "write one number per shot, such as 284")
	}
	pairs := comparePairs(strs, perUnit, level)
	if ctx.Bool("json") {
		return writeJSON(c.Out, struct {
			Unit     string         `json:"typed_unit"`
			CapMPS   float64        `json:"cap_mps,omitempty"`
			MassG    float64        `json:"mass_g,omitempty"`
			Strings  []chronoString `json:"strings"`
			Pairs    []speedPair    `json:"pairs,omitempty"`
			Cautions string         `json:"cautions"`
		}{unit, capMPS, massG, strs, pairs, eyesAndField})
	}
	printChrono(c.Out, strs, pairs, unit, perUnit, capMPS, massG)
	return nil
}

// speedsOf converts a string's readings to m/s, as typed and with the likely values in
// place of suspect ones and those nobody can tell set aside; slips tells whether the two differ. A reading taken back by
// the speaker counts in neither.
func speedsOf(rs scoring.ReadingString, perUnit float64) (typed, right []float64, slips bool) {
	for _, r := range rs.Readings {
		if r.Corrected {
			continue
		}
		typed = append(typed, r.Value*perUnit)
		if r.Slip == "dropped digit" {
			slips = true // which digit is a guess: set aside
			continue
		}
		if len(r.Likely) == 0 {
			right = append(right, r.Value*perUnit)
		}
		for _, v := range r.Likely {
			right, slips = append(right, v*perUnit), true
		}
	}
	return typed, right, slips
}

func comparePairs(strs []chronoString, perUnit, level float64) []speedPair {
	var pairs []speedPair
	var pMean, pSD []float64
	for i := range strs {
		for j := i + 1; j < len(strs); j++ {
			_, a, _ := speedsOf(strs[i].ReadingString, perUnit)
			_, b, _ := speedsOf(strs[j].ReadingString, perUnit)
			p := speedPair{A: strs[i].Name, B: strs[j].Name, PMean: 1, PSD: 1}
			var err error
			if p.Difference, _, _, p.PMean, err = scoring.Welch(a, b, level); err != nil {
				p.PMean = 1
			}
			if _, p.PSD, err = scoring.BrownForsythe(a, b); err != nil {
				p.PSD = 1
			}
			pairs, pMean, pSD = append(pairs, p), append(pMean, p.PMean), append(pSD, p.PSD)
		}
	}
	am, as := scoring.Holm(pMean), scoring.Holm(pSD)
	for i := range pairs {
		pairs[i].PMeanAdjusted, pairs[i].PSDAdjusted = am[i], as[i]
	}
	return pairs
}

func printChrono(w io.Writer, strs []chronoString, pairs []speedPair, unit string, perUnit, capMPS, massG float64) {
	for _, s := range strs {
		best, words := s.AsTyped, ""
		if s.PutRight != nil {
			best, words = *s.PutRight, " (with likely slips put right or set aside)"
		}
		fmt.Fprintf(w, "%s%d readings, mean %.1f %s%s", nameAnd(s.Name), best.N, best.Mean.Value/perUnit, unit, words)
		if capMPS > 0 {
			fmt.Fprintf(w, "; %d of %d above the cap of %.0f %s", len(best.Over), best.N, capMPS/perUnit, unit)
		}
		fmt.Fprintln(w, ".")
	}
	fmt.Fprintln(w)
	t := plainTable(w, 3, "string", "readings", "n", "mean "+unit, "SD", "extreme spread", "min", "max", "other unit", "joules mean, max", "above cap")
	row := func(name, which string, s scoring.StringSummary) {
		other := fmt.Sprintf("%.1f m/s", s.Mean.Value)
		if unit == "m/s" {
			other = fmt.Sprintf("%.0f fps", units.FPS(s.Mean.Value))
		}
		joules, share := "–", "–"
		if massG > 0 {
			joules = fmt.Sprintf("%.2f, %.2f", scoring.EnergyJ(massG, s.Mean.Value), scoring.EnergyJ(massG, s.Max))
		}
		if s.ShareOver != nil && !math.IsNaN(s.ShareOver.Value) {
			share = withRange(s.ShareOver.Scale(100), 0) + "%"
		}
		t.AppendRow(table.Row{name, which, s.N, withRange(s.Mean.Scale(1/perUnit), 1), withRange(s.SD.Scale(1/perUnit), 1), withRange(s.ES.Scale(1/perUnit), 1),
			fmt.Sprintf("%.1f", s.Min/perUnit), fmt.Sprintf("%.1f", s.Max/perUnit), other, joules, share})
	}
	for _, s := range strs {
		row(s.Name, "as typed", s.AsTyped)
		if s.PutRight != nil {
			row("", "slips put right or set aside", *s.PutRight)
		}
	}
	t.Render()
	fmt.Fprintln(w, "\nExtreme spread here is highest minus lowest. In brackets the interval of each figure; \"above cap\" is the estimated\nshare of all shots. A cap is judged on every reading, by the field's marshals, not on the mean.")
	for _, s := range strs {
		for _, r := range s.Readings {
			switch {
			case r.Corrected:
				fmt.Fprintf(w, "%sline %d: %q was taken back by the speaker and does not count.\n", nameAnd(s.Name), r.Line, r.Text)
			case r.Slip != "":
				likely := "look at it"
				if len(r.Likely) > 0 {
					likely = "likely " + strings.ReplaceAll(strings.Trim(fmt.Sprint(r.Likely), "[]"), " ", " and ")
				}
				fmt.Fprintf(w, "%sline %d: %q is suspect: %s; %s.\n", nameAnd(s.Name), r.Line, r.Text, r.Slip, likely)
			}
		}
	}
	for _, p := range pairs {
		fmt.Fprintf(w, "%s against %s: means %s (luck %s), spreads %s (luck %s); difference of the means %s %s.\n", p.A, p.B,
			differ(p.PMeanAdjusted), chanceText(p.PMeanAdjusted), differ(p.PSDAdjusted), chanceText(p.PSDAdjusted), withRange(p.Difference.Scale(1/perUnit), 1), unit)
	}
	fmt.Fprintln(w, "\n"+eyesAndField)
}

func differ(p float64) string {
	if p <= 0.05 {
		return "clearly differ"
	}
	return "no difference visible"
}

func nameAnd(name string) string {
	if name == "" {
		return ""
	}
	return name + ": "
}
