package main

import (
	"fmt"
	"io"
	"math"

	"github.com/jedib0t/go-pretty/v6/table"

	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
)

// printSummary writes the figures for people: what was found, then each group
// with and without outliers.
func printSummary(w io.Writer, s sheet.Summary) {
	fmt.Fprintln(w, s.Answer)
	for _, p := range s.Photos {
		if p.Plane == nil {
			continue
		}
		seen := "ring edges"
		if p.Plane.ByPoints() {
			seen = "which lie"
		}
		fmt.Fprintf(w, "\n%s (%s): plane from %s, %s %.2f px from it, %.2f px per mm, %.0f° off square-on\n",
			p.Name, p.State, p.Plane.Method, seen, float64(p.Plane.ResidualPx), float64(p.Plane.PxPerMM), float64(p.Plane.TiltDeg))
		fmt.Fprintf(w, "  %s\n", p.Up.Words)
		for _, g := range p.Grade {
			if g.Level != "good" {
				fmt.Fprintf(w, "  rough: %s; %s\n", g.Words, g.Advice)
			}
		}
		for _, x := range p.Warnings {
			fmt.Fprintf(w, "  note: %s\n", x)
		}
	}
	printStrings(w, s.Strings)
	printDecisions(w, s.Decisions)
	if len(s.Groups) > 0 {
		printGroups(w, s)
	} else {
		fmt.Fprintln(w)
	}
	for _, x := range s.Warnings {
		fmt.Fprintln(w, x)
	}
	fmt.Fprintln(w, s.Cautions[0], s.Cautions[1])
}

// printGroups writes each group with and without outliers, its angles and speeds.
func printGroups(w io.Writer, s sheet.Summary) {
	fmt.Fprintln(w)
	t := plainTable(w, 3, "", "group", "shots", "n", "extreme spread", "mean radius", "sigma", "width", "height", "centre from rings", "photo ±")
	for _, g := range s.Groups {
		t.AppendRow(append(table.Row{g.Letter, g.Accessory, "all"}, figureCells(g.All, photoHalf(s, g.Accessory))...))
		if e := g.SigmaOfAllMM; e != nil {
			t.AppendRow(table.Row{"", "", "misses counted", g.All.N + g.Missed(), "–", "–", ranged(*e)})
		}
		if g.Without != nil {
			t.AppendRow(append(table.Row{"", "", fmt.Sprintf("without %d", g.Dropped())}, figureCells(*g.Without, "")...))
		}
		if g.WithoutFlyers != nil {
			t.AppendRow(append(table.Row{"", "", "without " + plural(g.All.N-g.WithoutFlyers.N, "flyer")}, figureCells(*g.WithoutFlyers, "")...))
		}
	}
	t.Render()
	fmt.Fprintln(w, "\nLengths in mm, centre to centre; (range) is the 95% interval of the average over many groups of this size;\nphoto ± that of one impact's place, each way, by the photo alone.")
	if es, mr, sigma := photosAdd(s); es > 0 {
		fmt.Fprintf(w, "Reading the photos adds at most %s to an extreme spread here, %s to a mean radius and %s to a sigma (95%%).\n", plusMinusMM(es), plusMinusMM(mr), plusMinusMM(sigma))
	}
	if d := s.Session.DistanceMM; d.Known() {
		fmt.Fprintf(w, "As angles at %s:\n", s.Session.DistanceText)
		for _, g := range s.Groups {
			fmt.Fprintf(w, "  %s %s: %s\n", g.Letter, g.Accessory, asAngles(g.All))
			if f := g.Without; f != nil {
				fmt.Fprintf(w, "    without %d: %s\n", g.Dropped(), asAngles(*f))
			}
		}
	}
	for _, g := range s.Groups {
		if g.Without != nil && g.ShrinkageByLuck.Known() {
			fmt.Fprintf(w, "Dropping the %d widest of %d shrinks a clean group's extreme spread by about %.0f%% by itself.\n%s\n", g.Dropped(), g.All.N+g.Missed(), 100*float64(g.ShrinkageByLuck), sigmaWithout)
			break
		}
	}
	printVelocities(w, s)
	for _, g := range s.Groups {
		for _, x := range g.Warnings {
			fmt.Fprintf(w, "%s %s: %s\n", g.Letter, g.Accessory, x)
		}
	}
}

// printVelocities writes the chronograph figures in the unit they were typed in, and
// what they mean at the board.
func printVelocities(w io.Writer, s sheet.Summary) {
	if len(s.Velocities) == 0 {
		return
	}
	unit, perMPS := speedUnit(s)
	speed := func(n sheet.Number) string {
		if !n.Known() {
			return "–"
		}
		return fmt.Sprintf("%.1f", float64(n)*perMPS)
	}
	spread := func(e sheet.Estimate) string {
		if !e.Low.Known() {
			return speed(e.Value)
		}
		return fmt.Sprintf("%s (%s–%s)", speed(e.Value), speed(e.Low), speed(e.High))
	}
	fmt.Fprintf(w, "\nVelocity, %s\n", unit)
	misfit := false // readings and heights, somewhere
	t := plainTable(w, 3, "", "group", "n", "mean", "SD", "extreme spread", "highest", "over cap", "joules", "height sigma from it, mm", "share of height")
	for _, v := range s.Velocities {
		over, joules, share := "–", "–", "–"
		if s.Session.CapMPS.Known() {
			over = fmt.Sprint(v.AboveCap)
		}
		if v.MeanJ.Known() {
			joules = fmt.Sprintf("%.2f", float64(v.MeanJ))
		}
		if v.HeightPct.Value.Known() {
			share = ranged(v.HeightPct) + "%"
		}
		if v.HeightPct.Low > 100 {
			share, misfit = "over 100%", true
		}
		t.AppendRow(table.Row{v.Letter, v.Accessory, v.N, spread(v.MeanMPS), spread(v.SDMPS), speed(v.ESMPS), speed(v.MaxMPS), over, joules, ranged(v.HeightMM), share})
		if o := v.Without; o != nil {
			t.AppendRow(table.Row{"", "put right", o.N, spread(o.MeanMPS), spread(o.SDMPS), speed(o.MaxMPS - o.MinMPS), speed(o.MaxMPS)})
		}
	}
	t.Render()
	if misfit {
		fmt.Fprintln(w, "Over 100% of the height: readings and group do not fit each other; look for a slip in the readings.")
	}
	for _, v := range s.Velocities {
		for _, x := range v.Suspect {
			fmt.Fprintln(w, x)
		}
	}
	if s.Flight == nil || len(s.Flight.Rows) == 0 {
		return
	}
	for _, f := range s.Flight.Rows {
		drift := fmt.Sprintf("a crosswind of 1 m/s drifts it %s mm", ranged(f.DriftPerMPSMM))
		if d := f.DriftMM; d.Value.Known() {
			side := "right"
			if d.Value < 0 {
				side = "left"
				d.Value, d.Low, d.High = -d.Value, -d.High, -d.Low
			}
			drift = fmt.Sprintf("the day's crosswind drifts it %s mm to the %s", ranged(d), side)
		}
		fmt.Fprintf(w, "%s: on the way %.2f s (%.2f–%.2f), drop %s mm; %s\n", f.Accessory,
			float64(f.TimeS.Value), float64(f.TimeS.Low), float64(f.TimeS.High), ranged(f.DropMM), drift)
	}
	fmt.Fprintln(w, s.Flight.Assumptions)
}

// speedUnit is the unit that readings were typed in and how many of it make one m/s.
func speedUnit(s sheet.Summary) (name string, perMPS float64) {
	if s.Session.SpeedUnit == "fps" {
		return "fps", units.FPS(1)
	}
	return "m/s", 1
}

// printDecisions counts what was decided by hand and names what no longer fits.
func printDecisions(w io.Writer, made []sheet.Decision) {
	if len(made) == 0 {
		return
	}
	fmt.Fprintf(w, "\nDecided by hand: %s.\n", plural(len(made), "decision"))
	for _, d := range made {
		if !d.Fits {
			fmt.Fprintf(w, "  decision %s, %s: %s\n", d.ID, d.Time, d.Words)
		}
	}
}

// printStrings says for each string what its photo shows against the photos before
// it.
func printStrings(w io.Writer, strings []sheet.String) {
	if len(strings) == 0 {
		return
	}
	fmt.Fprintln(w)
	t := plainTable(w, 3, "string", "photo", "new", "seen again", "vanished")
	for _, r := range strings {
		fresh := fmt.Sprint(r.Found)
		if r.Open != "" {
			fresh = "?"
		}
		t.AppendRow(table.Row{r.Name, r.Photo, fresh, r.SeenAgain, len(r.Gone)})
	}
	t.Render()
	for _, r := range strings {
		for _, g := range r.Gone {
			fmt.Fprintf(w, "  gone on %s: %s\n", r.Photo, g)
		}
	}
}

func figureCells(f sheet.Figures, photoSigma string) table.Row {
	offset := "–"
	if f.CentreMM.XMM.Known() {
		offset = fmt.Sprintf("%+.0f, %+.0f", float64(f.CentreMM.XMM), float64(f.CentreMM.YMM))
	}
	return table.Row{f.N, ranged(f.ExtremeSpreadMM), ranged(f.MeanRadiusMM), ranged(f.SigmaMM), bound(f.WidthMM) + millimetres(f.WidthMM.Value), bound(f.HeightMM) + millimetres(f.HeightMM.Value), offset, photoSigma}
}

// ranged shows a size with its interval, whole mm: a hand-placed sticker allows
// no more.
func ranged(e sheet.Estimate) string {
	if !e.Value.Known() {
		return "–"
	}
	at := bound(e)
	switch {
	case !e.Low.Known():
		return at + millimetres(e.Value)
	case !e.High.Known():
		return fmt.Sprintf("%s%s (%s–…)", at, millimetres(e.Value), millimetres(e.Low))
	}
	return fmt.Sprintf("%s%s (%s–%s)", at, millimetres(e.Value), millimetres(e.Low), millimetres(e.High))
}

// bound stands before a size that shots without a mark may make larger.
func bound(e sheet.Estimate) string {
	if e.AtLeast {
		return "≥ "
	}
	return ""
}

func millimetres(v sheet.Number) string {
	if !v.Known() {
		return "–"
	}
	return fmt.Sprintf("%.0f", float64(v))
}

// asAngles are a group's sizes as seen from the muzzle.
func asAngles(f sheet.Figures) string {
	return fmt.Sprintf("extreme spread %s, mean radius %s, sigma %s", angle(f.ExtremeSpreadMM, f.ExtremeSpreadMrad, f.ExtremeSpreadMOA),
		angle(f.MeanRadiusMM, f.MeanRadiusMrad, f.MeanRadiusMOA), angle(f.SigmaMM, f.SigmaMrad, f.SigmaMOA))
}

// angle shows a size as an angle.
func angle(size sheet.Estimate, mrad, moa sheet.Number) string {
	if !mrad.Known() {
		return "–"
	}
	return fmt.Sprintf("%s%.1f mrad (%.0f′)", bound(size), float64(mrad), float64(moa))
}

// photosAdd returns the widest 95% intervals, plus or minus mm, of what reading the
// photos adds to the sizes of any group; 0 when unknown.
func photosAdd(s sheet.Summary) (extremeSpread, meanRadius, sigma float64) {
	widest := func(to *float64, e sheet.Estimate) {
		if e.MeasuredTo.Known() {
			*to = max(*to, float64(e.MeasuredTo))
		}
	}
	for _, g := range s.Groups {
		widest(&extremeSpread, g.All.ExtremeSpreadMM)
		widest(&meanRadius, g.All.MeanRadiusMM)
		widest(&sigma, g.All.SigmaMM)
	}
	return extremeSpread, meanRadius, sigma
}

// photoHalf is how far off a coordinate of one impact typically is by the photo: half its
// 95% interval.
func photoHalf(s sheet.Summary, accessory string) string {
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
	half := sheet.Normal95 * math.Sqrt(sum/float64(n))
	return fmt.Sprintf("%.*f", sheet.UncertaintyDecimals(half), half)
}
