package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
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
			"names the accessory; so does a table with the headings accessory and fps or m/s, or\n" +
			"with the names above columns of readings. A unit may stand with every reading, or\n" +
			"once, before or behind a string. Suspect readings are shown, never changed.\n\n" +
			"   dartfall chrono --cap 300fps --mass 1.1g readings.txt",
		Flags: append([]cli.Flag{
			&cli.StringFlag{Name: "unit", Value: "fps", Usage: "unit of the readings that have none of their own: fps or m/s"},
			&cli.StringFlag{Name: "cap", Usage: "highest speed the venue allows, such as `150fps`"},
			&cli.StringFlag{Name: "mass", Usage: "dart mass for joules, such as `1.1g`"},
		}, listFlags()...),
		Action: func(ctx *cli.Context) error { return runChrono(c, ctx) },
	}
}

// chronoString is one string's readings and figures. Speeds are m/s, readings in the
// unit they were typed in.
type chronoString struct {
	scoring.ReadingString
	Shots   int                   `json:"shots,omitempty"` // fired, when stated
	AsTyped scoring.StringSummary `json:"as_typed"`
	// PutRight has the likely values in place of the suspect ones, and those nobody can
	// tell set aside; nil when that changes nothing.
	PutRight *scoring.StringSummary `json:"put_right,omitempty"`
	// Implausible says which of the speeds no foam dart has; no energy then.
	Implausible string  `json:"implausible,omitempty"`
	EnergyJ     float64 `json:"energy_j,omitempty"`     // at the mean
	MaxJ        float64 `json:"max_energy_j,omitempty"` // at the fastest reading

	meantMPS []float64
}

// implausible tells whether a string's speeds cannot be right, or none is beyond doubt.
func implausible(s chronoString) bool { return s.Implausible != "" || s.best().N == 0 }

// best is the figures to go by.
func (s chronoString) best() scoring.StringSummary {
	if s.PutRight != nil {
		return *s.PutRight
	}
	return s.AsTyped
}

// unexplained counts the suspect readings that nothing better is known for: they stay in.
func (s chronoString) unexplained() int {
	n := 0
	for _, r := range s.Readings {
		if r.Slip != "" && len(r.Likely) == 0 && len(r.Meant()) > 0 {
			n++
		}
	}
	return n
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
	SDTooFew      bool             `json:"sd_too_few,omitempty"` // readings to compare the deviations: both p are 1
}

// chronoReport is what chrono found.
type chronoReport struct {
	Unit     scoring.SpeedUnit `json:"typed_unit"`
	Level    float64           `json:"level"`
	CapMPS   float64           `json:"cap_mps,omitempty"`
	MassG    float64           `json:"mass_g,omitempty"`
	Strings  []chronoString    `json:"strings"`
	Pairs    []speedPair       `json:"pairs,omitempty"`
	Notes    []string          `json:"notes,omitempty"` // what of the text was passed over
	Cautions string            `json:"cautions"`
}

func runChrono(c console, ctx *cli.Context) error {
	if ctx.NArg() != 1 {
		return withHint(usagef("chrono needs one file with readings"), "dartfall chrono readings.txt, or - for standard input")
	}
	report, err := chronoOptions(ctx)
	if err != nil {
		return err
	}
	data, err := readNamed(c, ctx.Args().First())
	if err != nil {
		return err
	}
	if err := checkReadings(ctx.Args().First(), data); err != nil {
		return err
	}
	list := scoring.ParseReadings(string(data), report.Unit)
	if other := otherUnit(report.Unit); !ctx.IsSet("unit") && allIn(list.Strings, other) {
		report.Unit = other
		list = scoring.ParseReadings(string(data), other)
		list.Notes = append([]string{fmt.Sprintf("all is read in %s, the one unit that the list gives", other)}, list.Notes...)
	}
	report.Notes = list.Notes
	for _, rs := range list.Strings {
		if s := report.summarise(rs); s.AsTyped.N > 0 {
			report.Strings = append(report.Strings, s)
		}
	}
	if len(report.Strings) == 0 {
		return withHint(fmt.Errorf("no readings found in %s", inputName(ctx.Args().First())), "write one number per shot, such as 284")
	}
	if err := report.declareShots(ctx.String("shots")); err != nil {
		return err
	}
	report.Pairs = comparePairs(report.Strings, report.Level)
	if ctx.Bool("json") {
		if err := writeJSON(c.Out, report); err != nil {
			return err
		}
	} else {
		report.print(c.Out)
	}
	if slices.ContainsFunc(report.Strings, implausible) {
		return errPartial
	}
	return nil
}

// otherUnit is the unit that u is not.
func otherUnit(u scoring.SpeedUnit) scoring.SpeedUnit {
	if u == scoring.MetresPerSecond {
		return scoring.FeetPerSecond
	}
	return scoring.MetresPerSecond
}

// allIn tells whether all readings are given in a unit that is not the list's.
func allIn(strs []scoring.ReadingString, unit scoring.SpeedUnit) bool {
	return !slices.ContainsFunc(strs, func(s scoring.ReadingString) bool {
		return slices.ContainsFunc(s.Readings, func(r scoring.Reading) bool { return r.Unit != unit })
	})
}

// checkReadings refuses files that are no readings, though numbers could be read from
// them.
func checkReadings(name string, data []byte) error {
	heading, _, _ := strings.Cut(string(data), "\n")
	switch {
	case bytes.IndexByte(data, 0) >= 0:
		return withHint(fmt.Errorf("%s is not a text file", inputName(name)), "write the readings into a text file, one number per shot, such as 284")
	case strings.Contains(heading, "x_mm"):
		return withHint(fmt.Errorf("%s is a list of impacts, not of speeds", inputName(name)), "dartfall group %s", shellWord(name))
	}
	return nil
}

func chronoOptions(ctx *cli.Context) (chronoReport, error) {
	r := chronoReport{Cautions: eyesAndField}
	switch strings.ToLower(ctx.String("unit")) {
	case "fps", "ft/s":
		r.Unit = scoring.FeetPerSecond
	case "m/s", "mps":
		r.Unit = scoring.MetresPerSecond
	default:
		return r, usagef("--unit: %q is not a unit of speed; fps or m/s", ctx.String("unit"))
	}
	var err error
	if r.Level, err = levelOf(ctx); err != nil {
		return r, err
	}
	if s := ctx.String("cap"); s != "" {
		if r.CapMPS, err = units.Speed(s); err != nil {
			return r, usageError{fmt.Errorf("--cap: %v", err)}
		}
		if words := scoring.ImplausibleSpeed(r.CapMPS); words != "" {
			return r, usagef("--cap: %s", words)
		}
	}
	if s := ctx.String("mass"); s != "" {
		if r.MassG, err = units.Mass(s); err != nil {
			return r, usageError{fmt.Errorf("--mass: %v", err)}
		}
		if words := scoring.ImplausibleMass(r.MassG); words != "" {
			return r, usagef("--mass: %s", words)
		}
	}
	return r, nil
}

// summarise computes a string's figures as typed, and with slips put right when that
// makes a difference. A reading taken back by the speaker counts in neither.
func (r chronoReport) summarise(rs scoring.ReadingString) chronoString {
	s := chronoString{ReadingString: rs}
	var typed []float64
	slips := false
	for _, reading := range rs.Readings {
		if reading.Corrected {
			continue
		}
		meant := reading.Meant()
		slips = slips || !slices.Equal(meant, []float64{reading.Value})
		typed = append(typed, reading.Value*r.Unit.MPS())
		for _, v := range meant {
			s.meantMPS = append(s.meantMPS, v*r.Unit.MPS())
		}
	}
	s.AsTyped = scoring.SummariseString(typed, r.CapMPS, r.Level)
	if slips {
		right := scoring.SummariseString(s.meantMPS, r.CapMPS, r.Level)
		s.PutRight = &right
	}
	best := s.best()
	for _, mps := range []float64{best.Mean.Value, best.Max, best.Min} {
		if words := scoring.ImplausibleSpeed(mps); words != "" {
			s.Implausible = words
			break
		}
	}
	if r.MassG > 0 && best.N > 0 && s.Implausible == "" {
		s.EnergyJ, s.MaxJ = scoring.EnergyJ(r.MassG, best.Mean.Value), scoring.EnergyJ(r.MassG, best.Max)
	}
	return s
}

// declareShots sets how many shots were fired with each string, by the rules of --shots.
func (r chronoReport) declareShots(shots string) error {
	var groups []scoring.Group
	for _, s := range r.Strings {
		groups = append(groups, scoring.Group{Accessory: s.Name})
	}
	err := declareShots(groups, shots)
	for i, g := range groups {
		r.Strings[i].Shots = g.Declared
	}
	return err
}

func comparePairs(strs []chronoString, level float64) []speedPair {
	var pairs []speedPair
	var pMean, pSD []float64
	for i := range strs {
		for j := i + 1; j < len(strs); j++ {
			a, b := strs[i].meantMPS, strs[j].meantMPS
			p := speedPair{A: strs[i].Name, B: strs[j].Name, PMean: 1, PSD: 1}
			var err error
			if p.Difference, _, _, p.PMean, err = scoring.Welch(a, b, level); err != nil {
				p.PMean = 1
			}
			if _, p.PSD, err = scoring.BrownForsythe(a, b); err != nil {
				p.PSD, p.SDTooFew = 1, errors.Is(err, scoring.ErrTooFew)
			}
			pairs, pMean = append(pairs, p), append(pMean, p.PMean)
			if !p.SDTooFew { // else it is no test to adjust for
				pSD = append(pSD, p.PSD)
			}
		}
	}
	am, as := scoring.Holm(pMean), scoring.Holm(pSD)
	for i := range pairs {
		p := &pairs[i]
		p.PMeanAdjusted, p.PSDAdjusted = am[i], 1
		if !p.SDTooFew {
			p.PSDAdjusted, as = as[0], as[1:]
		}
	}
	return pairs
}

func (r chronoReport) print(w io.Writer) {
	for _, s := range r.Strings {
		fmt.Fprintln(w, r.sentence(s))
	}
	fmt.Fprintln(w)
	r.scatter(w)
	fmt.Fprintln(w)
	r.extremes(w)
	fmt.Fprintf(w, "\nExtreme spread here is highest minus lowest. In brackets the %.0f%% interval of each figure,\nfrom %d readings on.\n", 100*r.Level, scoring.FewestForInterval)
	if slices.ContainsFunc(r.Strings, func(s chronoString) bool { return s.PutRight != nil }) {
		fmt.Fprintln(w, "\"Put right\": likely slips corrected, and readings that nobody can tell set aside.")
	}
	if r.CapMPS > 0 {
		fmt.Fprintln(w, "\"Above cap\" is the estimated share of all shots. A cap is judged on every reading, by\nthe field's marshals, not on the mean.")
	}
	for _, s := range r.Strings {
		for _, line := range r.notes(s) {
			fmt.Fprintln(w, nameAnd(s.Name)+line)
		}
	}
	for _, line := range r.Notes {
		fmt.Fprintln(w, line+".")
	}
	for _, p := range r.Pairs {
		fmt.Fprintln(w, r.pairSentence(p))
	}
	fmt.Fprintln(w, "\n"+eyesAndField)
}

// sentence is a string's result in words.
func (r chronoReport) sentence(s chronoString) string {
	best := s.best()
	if best.N == 0 {
		return nameAnd(s.Name) + "no reading is beyond doubt; see below."
	}
	text := nameAnd(s.Name) + plural(best.N, "reading")
	if s.Shots > 0 {
		text += fmt.Sprintf(" of %s", plural(s.Shots, "shot"))
	}
	text += ", "
	if best.N > 1 {
		text += "on average "
	}
	text += fmt.Sprintf("%s %s", r.typed(best.Mean.Value), r.Unit)
	var remarks []string
	if s.PutRight != nil {
		remarks = append(remarks, "with likely slips put right or set aside")
	}
	if n := s.unexplained(); n > 0 {
		remarks = append(remarks, plural(n, "suspect reading")+" among them")
	}
	if s.Implausible != "" {
		remarks = append(remarks, "not plausible, see below")
	}
	if len(remarks) > 0 {
		text += " (" + strings.Join(remarks, "; ") + ")"
	}
	if r.CapMPS > 0 {
		text += fmt.Sprintf("; %s above the cap of %.4g %s", ofAll(len(best.Over), best.N), r.CapMPS/r.Unit.MPS(), r.Unit)
	}
	return text + "."
}

// typed writes a speed in the unit it was typed in.
func (r chronoReport) typed(mps float64) string { return fixed(mps/r.Unit.MPS(), 1) }

// typedRange is withRange for a speed, in the unit it was typed in.
func (r chronoReport) typedRange(e scoring.Estimate) string {
	unit := r.Unit.MPS()
	e.Value, e.Lo, e.Hi = e.Value/unit, e.Lo/unit, e.Hi/unit // Scale(1/unit) rounds halves otherwise than typed
	return withRange(e, 1)
}

func ofAll(k, n int) string {
	if k == 0 {
		return "none"
	}
	return fmt.Sprintf("%d of %d", k, n)
}

// figures are a string's figures as typed, and with its slips put right when that changes
// them, each with a name.
func (s chronoString) figures() (names []string, figures []scoring.StringSummary) {
	names, figures = []string{"as typed"}, []scoring.StringSummary{s.AsTyped}
	if s.PutRight != nil && s.PutRight.N > 0 {
		names, figures = append(names, "put right"), append(figures, *s.PutRight)
	}
	return names, figures
}

// table prints one row for each of a string's figures.
func (r chronoReport) table(w io.Writer, row func(scoring.StringSummary) table.Row, header ...any) {
	t := plainTable(w, 3, append([]any{"string", "readings"}, header...)...)
	for _, s := range r.Strings {
		name := s.Name
		names, figures := s.figures()
		for i, f := range figures {
			t.AppendRow(append(table.Row{name, names[i]}, row(f)...))
			name = ""
		}
	}
	t.Render()
}

func (r chronoReport) scatter(w io.Writer) {
	r.table(w, func(s scoring.StringSummary) table.Row {
		return table.Row{s.N, r.typedRange(s.Mean), r.typedRange(s.SD), r.typedRange(s.ES)}
	}, "n", "mean "+string(r.Unit), "SD", "extreme spread")
}

func (r chronoReport) extremes(w io.Writer) {
	other := otherUnit(r.Unit)
	header := []any{"min", "max", "mean " + string(other)}
	joules := r.MassG > 0 && slices.ContainsFunc(r.Strings, func(s chronoString) bool { return !implausible(s) })
	if joules {
		header = append(header, "mean J", "max J")
	}
	if r.CapMPS > 0 {
		header = append(header, "above cap")
	}
	r.table(w, func(s scoring.StringSummary) table.Row {
		cells := table.Row{r.typed(s.Min), r.typed(s.Max), fixed(s.Mean.Value/other.MPS(), 1)}
		if joules {
			cells = append(cells, energyText(r.MassG, s.Mean.Value), energyText(r.MassG, s.Max))
		}
		if r.CapMPS > 0 {
			cells = append(cells, shareAboveText(s))
		}
		return cells
	}, header...)
}

// energyText writes the joules of a dart at a speed; a dash for one that no dart has.
func energyText(massG, mps float64) string {
	if scoring.ImplausibleSpeed(mps) != "" {
		return "–"
	}
	return fixed(scoring.EnergyJ(massG, mps), 2)
}

// shareAboveText writes the estimated share of shots above the cap.
func shareAboveText(s scoring.StringSummary) string {
	if s.ShareOver == nil || math.IsNaN(s.ShareOver.Value) {
		return "–"
	}
	return withRange(s.ShareOver.Scale(100), 0) + "%"
}

// notes are what a reader must know of a string's readings, one line each. More than few
// that are written in another unit are spoken of together.
func (r chronoReport) notes(s chronoString) []string {
	const few = 3
	var lines []string
	if s.Implausible != "" {
		lines = append(lines, s.Implausible)
	}
	if s.Implausible != "" && r.MassG > 0 {
		lines = append(lines, "joules are not given from numbers that cannot be right.")
	}
	for _, note := range s.Notes {
		lines = append(lines, note+".")
	}
	converted := 0
	for _, reading := range s.Readings {
		if reading.Unit != "" {
			converted++
		}
	}
	if converted > few {
		lines = append(lines, fmt.Sprintf("%s written in %s and shown in %s.", plural(converted, "reading"), otherUnit(r.Unit), r.Unit))
	}
	for _, reading := range s.Readings {
		switch {
		case reading.Corrected:
			lines = append(lines, fmt.Sprintf("line %d: %q was taken back by the speaker and does not count.", reading.Line, reading.Text))
		case reading.Slip != "":
			lines = append(lines, fmt.Sprintf("line %d: %s.", reading.Line, suspectText(reading, r.Unit)))
		case reading.Unit != "" && converted <= few:
			lines = append(lines, fmt.Sprintf("line %d: %q is %.1f %s.", reading.Line, reading.Text, reading.Value, r.Unit))
		}
		if r.overCap(reading) {
			lines = append(lines, fmt.Sprintf("line %d: %q is above the cap.", reading.Line, reading.Text))
		}
	}
	if len(s.Unread) > 0 {
		var said []string
		for _, u := range s.Unread {
			said = append(said, fmt.Sprintf("%q in line %d", u.Text, u.Line))
		}
		lines = append(lines, fmt.Sprintf("%s without a reading: %s. They are left out, not filled in.", plural(len(s.Unread), "shot"), strings.Join(said, ", ")))
	}
	if n := s.best().N; s.Shots > 0 && n > s.Shots {
		lines = append(lines, fmt.Sprintf("%s for %s: a shot number, an aside or another string read as one?", plural(n, "reading"), plural(s.Shots, "shot")))
	}
	return lines
}

// overCap tells whether a reading that counts, or what it was probably meant as, is above
// the cap.
func (r chronoReport) overCap(reading scoring.Reading) bool {
	return r.CapMPS > 0 && slices.ContainsFunc(reading.Meant(), func(v float64) bool { return v*r.Unit.MPS() > r.CapMPS })
}

// suspectText says what is wrong with a suspect reading and what was probably meant.
func suspectText(r scoring.Reading, unit scoring.SpeedUnit) string {
	return fmt.Sprintf("%q is suspect: %s; %s", r.Text, r.Slip, likelyText(r, unit))
}

// likelyText says what a suspect reading was probably meant as.
func likelyText(r scoring.Reading, unit scoring.SpeedUnit) string {
	if len(r.Likely) == 0 {
		return "look at it"
	}
	return "likely " + speedsText(r.Likely, unit)
}

func speedsText(values []float64, unit scoring.SpeedUnit) string {
	return strings.ReplaceAll(strings.Trim(fmt.Sprint(values), "[]"), " ", " and ") + " " + string(unit)
}

// pairSentence compares two strings in words.
func (r chronoReport) pairSentence(p speedPair) string {
	p.A, p.B = cmp.Or(p.A, "The string without a name"), cmp.Or(p.B, "the string without a name")
	if math.IsNaN(p.Difference.Value) {
		return fmt.Sprintf("%s against %s: too few readings to compare.", p.A, p.B)
	}
	gap := r.typedRange(p.Difference)
	mean := fmt.Sprintf("no difference visible in the mean (%s %s; luck %s)", gap, r.Unit, chanceText(p.PMeanAdjusted))
	if p.PMeanAdjusted <= 0.05 {
		mean = fmt.Sprintf("the means clearly differ, by %s %s (luck %s)", gap, r.Unit, chanceText(p.PMeanAdjusted))
	}
	spread := "no difference visible in the spread"
	if p.SDTooFew {
		return fmt.Sprintf("%s against %s: %s; too few readings to compare the spreads.", p.A, p.B, mean)
	}
	if p.PSDAdjusted <= 0.05 {
		spread = "the spreads clearly differ"
	}
	return fmt.Sprintf("%s against %s: %s; %s (luck %s).", p.A, p.B, mean, spread, chanceText(p.PSDAdjusted))
}

func nameAnd(name string) string {
	if name == "" {
		return ""
	}
	return name + ": "
}
