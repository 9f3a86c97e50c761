package main

import (
	"fmt"
	"io"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/urfave/cli/v2"

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
			"   dartfall group --distance 30m impacts.csv",
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
			if ctx.Bool("json") {
				return writeJSON(c.Out, groupReport(as, distanceMM))
			}
			printGroups(c.Out, as, distanceMM)
			return nil
		},
	}
}

// angles are a group's sizes in milliradians.
type angles struct {
	Accessory     string           `json:"accessory"`
	ExtremeSpread scoring.Estimate `json:"extreme_spread_mrad"`
	MeanRadius    scoring.Estimate `json:"mean_radius_mrad"`
	Sigma         scoring.Estimate `json:"sigma_mrad"`
}

func groupReport(as []scoring.Assessment, distanceMM float64) any {
	var report struct {
		Groups     []scoring.Assessment `json:"groups"`
		DistanceMM float64              `json:"distance_mm,omitempty"`
		Angles     []angles             `json:"angles,omitempty"`
	}
	report.Groups, report.DistanceMM = as, distanceMM
	if distanceMM > 0 {
		for _, a := range as {
			s := a.All
			report.Angles = append(report.Angles, angles{s.Accessory, s.ExtremeSpread.Mrad(distanceMM), s.MeanRadius.Mrad(distanceMM), s.Sigma.Mrad(distanceMM)})
		}
	}
	return report
}

func printGroups(w io.Writer, as []scoring.Assessment, distanceMM float64) {
	for _, a := range as {
		s := a.All
		atLeast := ""
		if s.AtLeast {
			atLeast = "at least "
		}
		if s.N < 2 {
			fmt.Fprintf(w, "%s: %d impacts, too few for a size.\n", s.Accessory, s.N)
			continue
		}
		fmt.Fprintf(w, "%s: %d impacts, the two farthest %s%s apart; on average %s%s from the middle.\n",
			s.Accessory, s.N, atLeast, units.Size(s.ExtremeSpread.Value), atLeast, units.Size(s.MeanRadius.Value))
	}
	fmt.Fprintln(w)
	t := plainTable(w, 3, "accessory", "shots", "n", "mean radius", "sigma", "extreme spread", "R50", "R90", "width", "height", "centre x, y")
	row := func(name, which string, s scoring.Summary) {
		t.AppendRow(table.Row{name, which, s.N, withRange(s.MeanRadius, 0), withRange(s.Sigma, 0), withRange(s.ExtremeSpread, 0),
			withRange(s.R50, 0), withRange(s.R90, 0), withRange(s.Width, 0), withRange(s.Height, 0),
			fmt.Sprintf("%+.0f, %+.0f", s.CentreX.Value, s.CentreY.Value)})
	}
	for _, a := range as {
		row(a.All.Accessory, "all", a.All)
		if a.Dropped != nil {
			row("", fmt.Sprintf("without %d widest", a.Drop.K), *a.Dropped)
		}
		if a.Flagged != nil && a.Flagged.SetAside > 0 {
			row("", fmt.Sprintf("without %d flagged", a.Flagged.SetAside), *a.Flagged)
		}
		if a.WithoutFlyers != nil {
			row("", fmt.Sprintf("without %d stated flyers", a.WithoutFlyers.SetAside), *a.WithoutFlyers)
		}
	}
	t.Render()
	level := 0.95
	if len(as) > 0 && as[0].All.Sigma.Level > 0 {
		level = as[0].All.Sigma.Level
	}
	fmt.Fprintf(w, "\nmm, centre to centre. In brackets: the %.0f%% interval of what many such groups would average. Sigma, R50\n"+
		"and R90 without the widest are estimates for all shots, allowing for the drop.\n", 100*level)
	for _, a := range as {
		s := a.All
		if d := a.Drop; d != nil {
			words := "about what luck gives"
			if d.Luck.HasInterval() && d.Shrink > d.Luck.Hi {
				words = "more than luck gives"
			}
			fmt.Fprintf(w, "%s: dropping the %d widest shrinks the spread by %.0f%%; in a clean group by %.0f%% (%.0f–%.0f%%): %s.\n",
				s.Accessory, d.K, 100*d.Shrink, 100*d.Luck.Value, 100*d.Luck.Lo, 100*d.Luck.Hi, words)
		}
		if r := a.Robust; r != nil {
			fmt.Fprintf(w, "%s: the robust rule, which flags something in %.1f%% of clean groups, flags %d.\n", s.Accessory, 100*r.Chance, a.Flagged.SetAside)
		}
		if distanceMM > 0 && s.N > 1 {
			es, mr := s.ExtremeSpread.Mrad(distanceMM), s.MeanRadius.Mrad(distanceMM)
			fmt.Fprintf(w, "%s at %s: extreme spread %.2f mrad (%.1f MOA), mean radius %.2f mrad (%.1f MOA).\n", s.Accessory, units.Distance(distanceMM),
				es.Value, es.Value/1000/scoring.MOA, mr.Value, mr.Value/1000/scoring.MOA)
		}
		if h := s.HitShare; h != nil {
			fmt.Fprintf(w, "%s: %.0f%% of shots left a mark (%.0f–%.0f%%).\n", s.Accessory, 100*h.Value, 100*h.Lo, 100*h.Hi)
		}
		if e := s.CensoredSigma; e != nil {
			fmt.Fprintf(w, "%s: sigma with the misses counted %s mm.\n", s.Accessory, withRange(*e, 0))
		}
		if s.MeanRadius.MeasureSigma > 0 {
			fmt.Fprintf(w, "%s: locating the marks adds ±%.1f mm to the spread and ±%.1f mm to the mean radius.\n", s.Accessory, s.ExtremeSpread.MeasureSigma, s.MeanRadius.MeasureSigma)
		}
		for _, x := range append(s.Warnings, a.Warnings...) {
			fmt.Fprintf(w, "%s: note: %s\n", s.Accessory, x.Text)
		}
	}
	fmt.Fprintln(w, "\n"+eyesAndField)
}
