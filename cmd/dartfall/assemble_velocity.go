package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/scoring"
)

const levelOfIntervals = 0.95

// velocities sums up each accessory's chronograph readings, those of all its
// strings together, and what they mean at the board. Suspect readings are named and
// stand beside each other as typed and put right, as in chrono. Of slips, and of what no
// foam dart has, nothing further is made.
func (j job) velocities(s *sheet.Summary) error {
	if j.session == nil {
		return nil
	}
	capMPS, massG := j.session.Velocity.CapMPS, j.session.Darts.MassG
	note := func(what, words string) {
		if words != "" {
			s.Warnings = append(s.Warnings, what+": "+words)
		}
	}
	note("mass in [darts]", scoring.ImplausibleMass(massG))
	note("cap in [velocity]", scoring.ImplausibleSpeed(capMPS))
	for _, a := range j.session.Accessories {
		v := sheet.Velocity{Accessory: a.Name, Letter: a.Letter, CapShare: sheet.NoEstimate(), HeightMM: sheet.NoEstimate(), HeightPct: sheet.NoEstimate(), MeanJ: sheet.Unknown()}
		var mps, right []float64 // as typed and put right
		slips := false
		for _, t := range j.session.Strings {
			if t.Accessory == a.Name {
				mps = append(mps, t.ReadingsMPS...)
				if s.Session.SpeedUnit == "" {
					s.Session.SpeedUnit = t.Unit
				}
				lines, meant, slipped := suspects(t)
				v.Suspect = append(v.Suspect, lines...)
				right, slips = append(right, meant...), slips || slipped
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
		if slips {
			w := scoring.SummariseString(right, capMPS, levelOfIntervals)
			v.Without = &sheet.SpeedFigures{N: w.N, MeanMPS: estimate(w.Mean, false), SDMPS: estimate(w.SD, false), MinMPS: sheet.Unknown(), MaxMPS: sheet.Unknown()}
			if w.N > 0 {
				v.Without.MinMPS, v.Without.MaxMPS = sheet.Number(w.Min), sheet.Number(w.Max)
			}
			v.Suspect = append(v.Suspect, a.Name+": energy, drop, share of the height and share above the cap are not given from a slip: correct the reading in "+session.FileName+".")
		}
		if words := implausibleSpeed(v); words != "" {
			note(a.Name, words+" Energy, flight and share above the cap are not given.")
		} else if !slips {
			if f.ShareOver != nil {
				v.CapShare = estimate(*f.ShareOver, false)
			}
			if massG > 0 && scoring.ImplausibleMass(massG) == "" {
				v.MeanJ = sheet.Number(scoring.EnergyJ(massG, f.Mean.Value))
			}
		}
		s.Velocities = append(s.Velocities, v)
	}
	if j.distance.MM == 0 || len(s.Velocities) == 0 {
		return nil
	}
	return j.flights(s)
}

// bestMean is the mean to go by: put right where slips leave anything beyond doubt.
func bestMean(v sheet.Velocity) float64 {
	if v.Without != nil && v.Without.N > 0 {
		return float64(v.Without.MeanMPS.Value)
	}
	return float64(v.MeanMPS.Value)
}

// implausibleSpeed says why an accessory's speed cannot be right, "" when it can.
func implausibleSpeed(v sheet.Velocity) string { return scoring.ImplausibleSpeed(bestMean(v)) }

// flown is a flight at one drag coefficient.
type flown struct {
	scoring.Flight
	heightPerPercentM float64
}

// flights fills in drop, time and drift at the session's distance, and how much
// height scatter each accessory's velocity scatter makes.
func (j job) flights(s *sheet.Summary) error {
	dart, airKGM3, assumptions := j.dartAndAir()
	s.Flight = &sheet.Flight{Assumptions: assumptions}
	for i := range s.Velocities {
		v := &s.Velocities[i]
		if v.Without != nil || implausibleSpeed(*v) != "" || scoring.ImplausibleMass(dart.MassG) != "" {
			continue
		}
		speedMPS := float64(v.MeanMPS.Value)
		var byDrag []flown // as assumed, least, most
		for _, cd := range []float64{dart.Cd, leastCd, mostCd} {
			d := dart
			d.Cd = cd
			f, err := fly(speedMPS, d.DragPerM(airKGM3), j.distance.MM/1000)
			if err != nil {
				s.Warnings = append(s.Warnings, fmt.Sprintf("%s: no drop and drift: %v", v.Accessory, err))
				break
			}
			byDrag = append(byDrag, f)
		}
		if len(byDrag) < 3 {
			continue
		}
		s.Flight.Rows = append(s.Flight.Rows, j.flightLine(*v, byDrag))
		if err := heightScatter(v, s.Groups, dart.DragPerM(airKGM3), j.distance.MM/1000); err != nil {
			return err
		}
	}
	return nil
}

// fly is a level shot with a square crosswind of 1 m/s, for drift per m/s.
func fly(speedMPS, dragPerM, distanceM float64) (f flown, err error) {
	if f.Flight, err = scoring.Fly(speedMPS, dragPerM, distanceM, 1); err != nil {
		return f, err
	}
	f.heightPerPercentM, err = scoring.HeightPerPercent(speedMPS, dragPerM, distanceM)
	return f, err
}

// dartAndAir is what drag depends on, and in words what of it was assumed.
func (j job) dartAndAir() (dart scoring.Dart, airKGM3 float64, words string) {
	dart = assumedDart
	assumed := []string{fmt.Sprintf("a drag coefficient of %g (the ranges are for %g to %g)", dart.Cd, leastCd, mostCd)}
	if g := j.session.Darts.MassG; g > 0 {
		dart.MassG = g
	} else {
		assumed = append(assumed, fmt.Sprintf("a dart of %g g", dart.MassG))
	}
	if d := j.session.Darts.Diameter; d.Given() {
		dart.DiameterMM = d.MM
	} else {
		assumed = append(assumed, fmt.Sprintf("a diameter of %g mm", dart.DiameterMM))
	}
	c := j.session.Conditions
	celsius := c.TemperatureC
	if c.TemperatureText == "" {
		celsius = scoring.StandardTemperature(c.AltitudeM)
		assumed = append(assumed, fmt.Sprintf("air at %.0f °C", celsius))
	}
	words = "Computed for a dart that leaves level at the mean reading. Assumed, not measured: " + strings.Join(assumed, ", ") + "."
	return dart, scoring.AirDensity(celsius, c.AltitudeM), words
}

// flightLine is one accessory's row: the figures at the assumed drag, their ranges
// over the plausible drags.
func (j job) flightLine(v sheet.Velocity, byDrag []flown) sheet.FlightLine {
	over := func(of func(flown) float64) sheet.Estimate {
		a, b, c := of(byDrag[0]), of(byDrag[1]), of(byDrag[2])
		e := sheet.NoEstimate()
		e.Value, e.Low, e.High = sheet.Number(a), sheet.Number(min(b, c)), sheet.Number(max(b, c))
		return e
	}
	line := sheet.FlightLine{
		Accessory: v.Accessory, MuzzleSpeedMPS: v.MeanMPS.Value,
		ArrivalMPS:    over(func(f flown) float64 { return f.SpeedMPS }),
		TimeS:         over(func(f flown) float64 { return f.TimeS }),
		DropMM:        over(func(f flown) float64 { return 1000 * f.DropM }),
		DropPerPctMM:  over(func(f flown) float64 { return 1000 * f.heightPerPercentM }),
		DriftPerMPSMM: over(func(f flown) float64 { return 1000 * f.DriftM }),
		DriftMM:       sheet.NoEstimate(),
	}
	if c := j.session.Conditions; c.CrosswindText != "" {
		line.DriftMM = over(func(f flown) float64 { return 1000 * f.DriftM * c.CrosswindMPS })
	}
	return line
}

// heightScatter fills in the vertical sigma that an accessory's velocity deviation
// alone makes and its share of the group's vertical variance. The heights of shots
// that missed the board are not known, and so neither is the share.
func heightScatter(v *sheet.Velocity, groups []sheet.Group, dragPerM, distanceM float64) error {
	sd := scoring.Estimate{Value: float64(v.SDMPS.Value), Lo: float64(v.SDMPS.Low), Hi: float64(v.SDMPS.High), Level: float64(v.SDMPS.Level), N: v.N}
	made, err := scoring.VelocitySigma(sd, float64(v.MeanMPS.Value), dragPerM, distanceM)
	if err != nil {
		return err
	}
	v.HeightMM = estimate(made, false)
	i := slices.IndexFunc(groups, func(g sheet.Group) bool { return g.Accessory == v.Accessory })
	if i < 0 || groups[i].All.SigmaMM.AtLeast || !(groups[i].All.SigmaYMM.Value > 0) {
		return nil
	}
	v.HeightPct = estimate(scoring.HeightShare(made, float64(groups[i].All.SigmaYMM.Value), groups[i].All.N).Scale(100), false)
	return nil
}

// suspects names the readings of a string that look like a slip, one plain line each. meant
// is the string put right, in m/s, and slipped tells that this changes it.
func suspects(t session.String) (lines []string, meant []float64, slipped bool) {
	text := make([]string, len(t.Readings))
	for i, r := range t.Readings {
		text[i] = strconv.FormatFloat(r, 'f', -1, 64)
	}
	unit := scoring.SpeedUnit(t.Unit)
	for _, list := range scoring.ParseReadings(strings.Join(text, "\n"), unit).Strings {
		for _, r := range list.Readings {
			for _, v := range r.Meant() {
				meant = append(meant, v*unit.MPS())
			}
			if r.Slip != "" {
				slipped = slipped || !slices.Equal(r.Meant(), []float64{r.Value})
				lines = append(lines, fmt.Sprintf("%s, reading %d: %s %s is suspect (%s; %s).", t.Accessory, r.Line, r.Text, unit, r.Slip, likelyText(r, unit)))
			}
		}
	}
	return lines, meant, slipped
}
