package main

import (
	"fmt"
	"io"
	"math"

	"github.com/jedib0t/go-pretty/v6/table"

	"dartfall/cmd/dartfall/internal/sheet"
)

// printSummary writes the figures for people: what was found, then each group
// with and without outliers.
func printSummary(w io.Writer, s sheet.Summary) {
	fmt.Fprintln(w, s.Answer)
	for _, p := range s.Photos {
		if p.Plane == nil {
			continue
		}
		fmt.Fprintf(w, "\n%s (%s): plane from %s, ring edges %.2f px from it, %.2f px per mm, %.0f° off square-on\n",
			p.Name, p.State, p.Plane.Method, float64(p.Plane.ResidualPx), float64(p.Plane.PxPerMM), float64(p.Plane.TiltDeg))
		for _, g := range p.Grade {
			if g.Level != "good" {
				fmt.Fprintf(w, "  rough: %s; %s\n", g.Words, g.Advice)
			}
		}
		for _, x := range p.Warnings {
			fmt.Fprintf(w, "  note: %s\n", x)
		}
	}
	if len(s.Groups) == 0 {
		return
	}
	fmt.Fprintln(w)
	t := plainTable(w, 3, "", "group", "shots", "n", "extreme spread", "mean radius", "sigma", "width", "height", "centre from rings", "photo ±")
	for _, g := range s.Groups {
		t.AppendRow(append(table.Row{g.Letter, g.Accessory, "all"}, figureCells(g.All, photoSigma(s, g.Accessory))...))
		if g.Without != nil {
			t.AppendRow(append(table.Row{"", "", fmt.Sprintf("without %d", g.All.N-g.Without.N)}, figureCells(*g.Without, "")...))
		}
	}
	t.Render()
	fmt.Fprintln(w, "\nLengths in mm, centre to centre; (range) is the 95% interval of the average over many groups of this size.")
	if d := s.Session.DistanceMM; d.Known() {
		fmt.Fprintf(w, "As angles at %s:\n", s.Session.DistanceText)
		for _, g := range s.Groups {
			fmt.Fprintf(w, "  %s %s: extreme spread %s, mean radius %s, sigma %s\n", g.Letter, g.Accessory,
				angle(g.All.ExtremeSpreadMrad, g.All.ExtremeSpreadMOA), angle(g.All.MeanRadiusMrad, g.All.MeanRadiusMOA), angle(g.All.SigmaMrad, g.All.SigmaMOA))
			if f := g.Without; f != nil {
				fmt.Fprintf(w, "    without %d: extreme spread %s, mean radius %s, sigma %s\n", g.All.N-f.N,
					angle(f.ExtremeSpreadMrad, f.ExtremeSpreadMOA), angle(f.MeanRadiusMrad, f.MeanRadiusMOA), angle(f.SigmaMrad, f.SigmaMOA))
			}
		}
	}
	for _, g := range s.Groups {
		if g.Without != nil && g.ShrinkageByLuck.Known() {
			fmt.Fprintf(w, "Dropping the %d widest of %d shrinks a clean group's extreme spread by about %.0f%% by itself.\n", g.All.N-g.Without.N, g.All.N, 100*float64(g.ShrinkageByLuck))
			break
		}
	}
	for _, g := range s.Groups {
		for _, x := range g.Warnings {
			fmt.Fprintf(w, "%s %s: %s\n", g.Letter, g.Accessory, x)
		}
	}
	for _, x := range s.Warnings {
		fmt.Fprintln(w, x)
	}
	fmt.Fprintln(w, s.Cautions[0], s.Cautions[1])
}

func figureCells(f sheet.Figures, photoSigma string) table.Row {
	offset := "–"
	if f.CentreMM.XMM.Known() {
		offset = fmt.Sprintf("%+.0f, %+.0f", float64(f.CentreMM.XMM), float64(f.CentreMM.YMM))
	}
	return table.Row{f.N, ranged(f.ExtremeSpreadMM), ranged(f.MeanRadiusMM), ranged(f.SigmaMM), millimetres(f.WidthMM.Value), millimetres(f.HeightMM.Value), offset, photoSigma}
}

// ranged shows a size with its interval, whole mm: a hand-placed sticker allows
// no more.
func ranged(e sheet.Estimate) string {
	if !e.Value.Known() {
		return "–"
	}
	at := ""
	if e.AtLeast {
		at = "≥ "
	}
	if !e.Low.Known() || !e.High.Known() {
		return at + millimetres(e.Value)
	}
	return fmt.Sprintf("%s%s (%s–%s)", at, millimetres(e.Value), millimetres(e.Low), millimetres(e.High))
}

func millimetres(v sheet.Number) string {
	if !v.Known() {
		return "–"
	}
	return fmt.Sprintf("%.0f", float64(v))
}

func angle(mrad, moa sheet.Number) string {
	if !mrad.Known() {
		return "–"
	}
	return fmt.Sprintf("%.1f mrad (%.0f′)", float64(mrad), float64(moa))
}

// photoSigma is the typical standard uncertainty of one impact from the photo.
func photoSigma(s sheet.Summary, accessory string) string {
	var sum float64
	n := 0
	for _, im := range s.Impacts {
		if im.Accessory == accessory && im.SigmaMM.Known() {
			sum += float64(im.SigmaMM) * float64(im.SigmaMM)
			n++
		}
	}
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("%.2f", math.Sqrt(sum/float64(n)))
}
