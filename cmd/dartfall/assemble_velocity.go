package main

import (
	"fmt"
	"strconv"
	"strings"

	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/scoring"
)

const levelOfIntervals = 0.95

// velocities sums up each accessory's chronograph readings, those of all its
// strings together. Suspect readings are named and count as they were written.
func (j job) velocities(s *sheet.Summary) {
	if j.session == nil {
		return
	}
	none := sheet.Estimate{Value: sheet.Unknown(), Low: sheet.Unknown(), High: sheet.Unknown(), Level: sheet.Unknown()}
	capMPS, massG := j.session.Velocity.CapMPS, j.session.Darts.MassG
	for _, a := range j.session.Accessories {
		v := sheet.Velocity{Accessory: a.Name, Letter: a.Letter, CapShare: none, HeightMM: none, HeightPct: sheet.Unknown(), MeanJ: sheet.Unknown()}
		var mps []float64
		for _, t := range j.session.Strings {
			if t.Accessory == a.Name {
				mps = append(mps, t.ReadingsMPS...)
				v.Suspect = append(v.Suspect, suspects(t)...)
			}
		}
		if len(mps) == 0 {
			continue
		}
		for _, m := range mps {
			v.Readings = append(v.Readings, sheet.Number(m))
		}
		f := scoring.SummariseString(mps, capMPS, levelOfIntervals)
		v.N, v.MeanMPS, v.SDMPS = f.N, estimate(f.Mean, false), estimate(f.SD, false)
		v.ESMPS, v.MinMPS, v.MaxMPS = sheet.Number(f.ES.Value), sheet.Number(f.Min), sheet.Number(f.Max)
		v.AboveCap = len(f.Over)
		if f.ShareOver != nil {
			v.CapShare = estimate(*f.ShareOver, false)
		}
		if massG > 0 {
			v.MeanJ = sheet.Number(scoring.EnergyJ(massG, f.Mean.Value))
		}
		s.Velocities = append(s.Velocities, v)
	}
}

// suspects names the readings of a string that look like a slip, one plain line
// each.
func suspects(t session.String) (lines []string) {
	text := make([]string, len(t.Readings))
	for i, r := range t.Readings {
		text[i] = strconv.FormatFloat(r, 'f', -1, 64)
	}
	for _, list := range scoring.ParseReadings(strings.Join(text, "\n")) {
		for _, r := range list.Readings {
			if r.Slip == "" {
				continue
			}
			likely := "look at it"
			if len(r.Likely) > 0 {
				likely = "likely " + strings.ReplaceAll(strings.Trim(fmt.Sprint(r.Likely), "[]"), " ", " and ")
			}
			lines = append(lines, fmt.Sprintf("%s, reading %d: %s %s is suspect (%s; %s). It counts as written.", t.Accessory, r.Line, r.Text, t.Unit, r.Slip, likely))
		}
	}
	return lines
}
