package main

import (
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
	"dartfall/scoring"
)

// GroupCommand gives the sizes of groups in a typed list.
func GroupCommand(c console) *cli.Command {
	return &cli.Command{
		Name:      "group",
		Usage:     "give the group sizes of a list of impacts, with and without outliers",
		ArgsUsage: "FILE.csv",
		Description: "The list has a heading and one line per shot:\n\n" +
			"   accessory,x_mm,y_mm\n   North,12.5,-31\n   North,miss,miss\n\n" +
			"   dartfall group --shots 15 --distance 30m impacts.csv\n\n" +
			"Without --shots, only misses in the list count as such; the impacts.csv that measure\n" +
			"writes has none.",
		Flags: append(groupFlags(),
			&cli.StringFlag{Name: "distance", Usage: "distance to the board, to give angles as well, such as `30m`"},
			&cli.Float64Flag{Name: "chance", Value: 0.01, Usage: "how often the robust outlier rule may flag anything in a clean group"},
		),
		Action: func(ctx *cli.Context) error {
			distanceMM := 0.0
			if s := ctx.String("distance"); s != "" {
				var err error
				if distanceMM, err = units.Length(s); err != nil {
					return usageError{fmt.Errorf("--distance: %v", err)}
				}
			}
			groups, opts, err := readGroups(c, ctx)
			if err != nil {
				return err
			}
			opts.Chance = ctx.Float64("chance")
			var as []scoring.Assessment
			for _, g := range groups {
				a, err := scoring.Assess(g, opts)
				if err != nil {
					return usageError{err}
				}
				as = append(as, a)
			}
			report := groupReport{CheckShots: checkedShots(groups), Level: opts.Level, DistanceMM: distanceMM, Groups: as, Angles: anglesOf(as, distanceMM), Cautions: eyesAndField}
			if ctx.Bool("json") {
				if err := writeJSON(c.Out, report); err != nil {
					return err
				}
			} else {
				report.print(c.Out)
			}
			if len(report.CheckShots) > 0 {
				return errPartial
			}
			return nil
		},
	}
}

// groupReport is what group found.
type groupReport struct {
	Level      float64              `json:"level"`
	DistanceMM float64              `json:"distance_mm,omitempty"`
	Groups     []scoring.Assessment `json:"groups"`
	CheckShots []string             `json:"check_shots,omitempty"` // numbers that cannot be right
	Angles     []angles             `json:"angles,omitempty"`      // of all shots
	Cautions   string               `json:"cautions"`
}

// angles are a group's sizes in milliradians.
type angles struct {
	Accessory     string           `json:"accessory"`
	ExtremeSpread scoring.Estimate `json:"extreme_spread_mrad"`
	MeanRadius    scoring.Estimate `json:"mean_radius_mrad"`
	Sigma         scoring.Estimate `json:"sigma_mrad"`
	R50           scoring.Estimate `json:"r50_mrad"`
	R90           scoring.Estimate `json:"r90_mrad"`
	Width         scoring.Estimate `json:"width_mrad"`
	Height        scoring.Estimate `json:"height_mrad"`
	CentreOffset  scoring.Estimate `json:"centre_offset_mrad"`
}

// anglesOf is nil without a distance.
func anglesOf(as []scoring.Assessment, distanceMM float64) []angles {
	if !(distanceMM > 0) {
		return nil
	}
	var out []angles
	for _, a := range as {
		mrad := func(e scoring.Estimate) scoring.Estimate { return e.Mrad(distanceMM) }
		s := a.All
		out = append(out, angles{s.Accessory, mrad(s.ExtremeSpread), mrad(s.MeanRadius), mrad(s.Sigma), mrad(s.R50), mrad(s.R90), mrad(s.Width), mrad(s.Height), mrad(s.CentreOffset)})
	}
	return out
}

func (r groupReport) print(w io.Writer) {
	for _, words := range r.CheckShots {
		fmt.Fprintln(w, words+".")
	}
	for _, a := range r.Groups {
		fmt.Fprintln(w, groupSentence(a.All))
	}
	if slices.ContainsFunc(r.Groups, func(a scoring.Assessment) bool { return a.All.N > 1 }) {
		r.tables(w)
	}
	for _, a := range r.Groups {
		for _, line := range groupNotes(a) {
			fmt.Fprintf(w, "%s: %s\n", a.All.Accessory, line)
		}
	}
	fmt.Fprintln(w, "\n"+eyesAndField)
}

func (r groupReport) tables(w io.Writer) {
	fmt.Fprintln(w)
	r.sizes(w)
	fmt.Fprintln(w)
	r.circles(w)
	fmt.Fprintf(w, "\nmm, centre to centre. In brackets: the %.0f%% interval of what many such groups would average.\n"+
		"R50 and R90: the circle about the true middle that holds half and 90%% of the shots. Sigma, R50 and\n"+
		"R90 without the widest are estimates for all shots, allowing for the drop.\n\n", 100*r.Level)
	r.places(w)
	fmt.Fprintln(w)
	r.shapes(w)
	fmt.Fprintln(w, "\nThe middle is measured from the ring centre, to the right and up, in mm. The widest pair: which\n"+
		"shots. After the model: how often a round group looks at least as stretched.")
	r.outliers(w)
	r.angles(w)
	fmt.Fprintln(w)
}

// groupSentence is a group's sizes in words.
func groupSentence(s scoring.Summary) string {
	if s.N < 2 {
		return fmt.Sprintf("%s: %s, too few for a size.", s.Accessory, plural(s.N, "impact"))
	}
	atLeast := ""
	if s.AtLeast {
		atLeast = "at least "
	}
	return fmt.Sprintf("%s: %d impacts, the two farthest %s%s apart; on average %s%s from the middle.",
		s.Accessory, s.N, atLeast, units.Size(s.ExtremeSpread.Value), atLeast, units.Size(s.MeanRadius.Value))
}

// variants are a group's figures by every rule, side by side, with a name for each.
func variants(a scoring.Assessment) (names []string, figures []scoring.Summary) {
	add := func(name string, s *scoring.Summary) {
		if s != nil {
			names, figures = append(names, name), append(figures, *s)
		}
	}
	add("all", &a.All)
	if a.Drop != nil {
		add(fmt.Sprintf("without %d widest", a.Drop.K), a.Dropped)
	}
	switch {
	case a.Flagged == nil:
	case a.Flagged.SetAside == 0:
		add("none flagged", a.Flagged)
	default:
		add(fmt.Sprintf("without %d flagged", a.Flagged.SetAside), a.Flagged)
	}
	if a.WithoutFlyers != nil {
		add("without "+plural(a.WithoutFlyers.SetAside, "flyer"), a.WithoutFlyers)
	}
	return names, figures
}

func (r groupReport) sizes(w io.Writer) {
	t := plainTable(w, 3, "accessory", "shots", "n", "mean radius", "sigma", "extreme spread")
	for _, a := range r.Groups {
		name := a.All.Accessory
		names, figures := variants(a)
		for i, s := range figures {
			t.AppendRow(table.Row{name, names[i], s.N, sized(s.AtLeast, s.MeanRadius, 0), sized(s.AtLeast, s.Sigma, 0), sized(s.AtLeast, s.ExtremeSpread, 0)})
			name = ""
		}
		if e := a.All.CensoredSigma; e != nil {
			t.AppendRow(table.Row{"", "misses counted", e.N, "–", withRange(*e, 0), "–"})
		}
	}
	t.Render()
}

func (r groupReport) circles(w io.Writer) {
	t := plainTable(w, 3, "accessory", "shots", "R50", "R90", "width", "height")
	for _, a := range r.Groups {
		name := a.All.Accessory
		names, figures := variants(a)
		for i, s := range figures {
			t.AppendRow(table.Row{name, names[i], sized(s.AtLeast, s.R50, 0), sized(s.AtLeast, s.R90, 0), sized(s.AtLeast, s.Width, 0), sized(s.AtLeast, s.Height, 0)})
			name = ""
		}
		if e := a.All.CensoredSigma; e != nil {
			r50, r90 := scoring.RoundRadii(*e)
			t.AppendRow(table.Row{"", "misses counted", withRange(r50, 0), withRange(r90, 0), "–", "–"})
		}
	}
	t.Render()
}

func (r groupReport) places(w io.Writer) {
	t := plainTable(w, 2, "accessory", "middle right", "middle up", "off the centre")
	for _, a := range r.Groups {
		if s := a.All; s.N > 0 {
			t.AppendRow(table.Row{s.Accessory, withRange(s.CentreX, 0), withRange(s.CentreY, 0), withRange(s.CentreOffset, 0)})
		}
	}
	t.Render()
}

func (r groupReport) shapes(w io.Writer) {
	t := plainTable(w, 2, "accessory", "widest pair", "long, short sigma", "slant", "model that fits")
	for _, a := range r.Groups {
		s := a.All
		if s.N == 0 {
			continue
		}
		pair, axes, slant, model := "–", "–", "–", "–"
		if s.ExtremePair[0] >= 0 {
			pair = fmt.Sprintf("%d, %d", s.ExtremePair[0]+1, s.ExtremePair[1]+1)
		}
		if e := s.Ellipse; e != nil {
			axes, slant, model = fmt.Sprintf("%.0f, %.0f", e.SigmaMajorMM, e.SigmaMinorMM), fmt.Sprintf("%.0f°", e.AngleRad*180/math.Pi), modelText(a)
		}
		t.AppendRow(table.Row{s.Accessory, pair, axes, slant, model})
	}
	t.Render()
}

// modelText says which model fits a group.
func modelText(a scoring.Assessment) string {
	_, odd := a.Normality.Warning()
	switch {
	case odd:
		return "neither"
	case a.All.Ellipse.Stretched:
		return fmt.Sprintf("elliptical (round: %s)", chanceText(a.All.Ellipse.RoundP))
	}
	return fmt.Sprintf("circular (%s)", chanceText(a.All.Ellipse.RoundP))
}

// outliers sets the rules side by side.
func (r groupReport) outliers(w io.Writer) {
	t := plainTable(w, 2, "accessory", "dropped", "spread shrinks by", "luck alone", "flagged", "false flags", "flyers")
	any := false
	for _, a := range r.Groups {
		k, shrink, luck, flagged, chance, flyers := "–", "–", "–", "–", "–", 0
		if d := a.Drop; d != nil {
			k = fmt.Sprint(d.K)
			if d.Shrink != nil {
				shrink = fmt.Sprintf("%.0f%%", 100**d.Shrink)
			}
			if !math.IsNaN(d.Luck.Value) {
				luck = withRange(d.Luck.Scale(100), 0) + "%"
			}
		}
		if a.Robust != nil {
			flagged, chance = fmt.Sprint(a.Flagged.SetAside), fmt.Sprintf("%.3g%%", 100*a.Robust.Chance)
		}
		if a.WithoutFlyers != nil {
			flyers = a.WithoutFlyers.SetAside
		}
		any = any || a.Drop != nil || a.Robust != nil || flyers > 0
		t.AppendRow(table.Row{a.All.Accessory, k, shrink, luck, flagged, chance, flyers})
	}
	if !any {
		return
	}
	fmt.Fprintln(w)
	t.Render()
	fmt.Fprintln(w, "\nNothing is deleted. Dropping the widest shrinks any group: only more than luck alone does says\n"+
		"something. False flags: how often the robust rule flags anything in a clean group. Flyers: shots\n"+
		"with a stated cause.")
}

func (r groupReport) angles(w io.Writer) {
	if len(r.Angles) == 0 {
		return
	}
	fmt.Fprintf(w, "\nAs angles, at %s%s:\n", units.Distance(r.DistanceMM), hundredFeetNote(r.DistanceMM))
	t := plainTable(w, 3, "accessory", "size", "mrad", "MOA")
	for i, a := range r.Angles {
		name := a.Accessory
		for _, row := range []struct {
			size string
			mrad scoring.Estimate
		}{{"mean radius", a.MeanRadius}, {"sigma", a.Sigma}, {"extreme spread", a.ExtremeSpread}, {"R50", a.R50}, {"R90", a.R90},
			{"width", a.Width}, {"height", a.Height}, {"off the centre", a.CentreOffset}} {
			if !math.IsNaN(row.mrad.Value) {
				atLeast := r.Groups[i].All.AtLeast && row.size != "off the centre"
				t.AppendRow(table.Row{name, row.size, sized(atLeast, row.mrad, 1), sized(atLeast, row.mrad.Scale(1/(1000*scoring.MOA)), 1)})
				name = ""
			}
		}
	}
	t.Render()
}

// hundredFeetNote tells 30 m and 100 ft apart, which the trade does not (common practice,
// no source).
func hundredFeetNote(distanceMM float64) string {
	if distanceMM != 30_000 && distanceMM != 30_480 {
		return ""
	}
	return "; 100 ft is 30.48 m, 1.6% more than the 30 m it is often called"
}

// groupNotes are what a reader must know of a group, one line each.
func groupNotes(a scoring.Assessment) []string {
	s := a.All
	var lines []string
	if h := s.HitShare; h != nil {
		lines = append(lines, fmt.Sprintf("%.0f%% of shots left a mark (%.0f–%.0f%%).", 100*h.Value, 100*h.Lo, 100*h.Hi))
	}
	if s.MeanRadius.MeasureSigma > 0 {
		lines = append(lines, fmt.Sprintf("locating the marks adds %s to the spread and %s to the mean radius (95%%).", plusMinusMM(sheet.Normal95*s.ExtremeSpread.MeasureSigma), plusMinusMM(sheet.Normal95*s.MeanRadius.MeasureSigma)))
	}
	notes := s.Warnings
	if s.N > 1 {
		notes = append(notes, a.Warnings...)
	}
	for _, x := range notes {
		lines = append(lines, noteText(x))
	}
	return lines
}

// noteText is a warning, with the flag that helps.
func noteText(x scoring.Warning) string {
	if x.Code == scoring.NoBoard {
		x.Text += ": add --board"
	}
	return "note: " + x.Text
}
