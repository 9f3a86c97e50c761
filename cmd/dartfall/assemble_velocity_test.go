package main

import (
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	page "dartfall/cmd/dartfall/internal/report"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
)

// shotAt200 is a session of two accessories at 30 m with readings about 200 fps,
// 1.1 g, 12.7 mm, air of 20 °C; only the first has a group.
func shotAt200(misses bool) (job, sheet.Summary) {
	fps := []float64{196, 198, 200, 202, 204} // mean 200, SD √10 by hand
	mps := make([]float64, len(fps))
	for i, v := range fps {
		mps[i] = v * 0.3048
	}
	j := job{distance: session.Length{Text: "30m", MM: 30000}, session: &session.Session{
		Darts:       session.Darts{MassG: 1.1, Diameter: session.Length{Text: "12.7mm", MM: 12.7}},
		Conditions:  session.Conditions{TemperatureText: "20 C", TemperatureC: 20, CrosswindText: "-2 m/s", CrosswindMPS: -2},
		Accessories: []session.Accessory{{Name: "North"}, {Name: "Reed"}, {Name: "Slate"}},
		Strings: []session.String{
			{Accessory: "North", Readings: fps, ReadingsMPS: mps, Unit: "fps"}, {Accessory: "Reed", Readings: fps, ReadingsMPS: mps, Unit: "fps"},
			{Accessory: "Slate"},
		},
	}}
	g := sheet.Group{Accessory: "North"}
	g.All.SigmaYMM.Value, g.All.SigmaMM.AtLeast = 200, misses
	return j, sheet.Summary{Groups: []sheet.Group{g}}
}

// The flight figures are those of 200 fps in the table of scoring's
// TestFlightOfADart, computed outside this project, with the ranges beside it for
// drag coefficients of 0.4 and 0.9: 0.77 to 1.47 s, 2.2 to 6.5 m, 0.28 to 0.98 m.
func TestVelocitiesAtTheBoard(t *testing.T) {
	j, s := shotAt200(false)
	if err := j.velocities(&s); err != nil {
		t.Fatal(err)
	}
	if len(s.Velocities) != 2 || s.Flight == nil || len(s.Flight.Rows) != 2 || s.Session.SpeedUnit != "fps" {
		t.Fatalf("%d velocities, flight %+v, unit %q, want two rows in fps", len(s.Velocities), s.Flight, s.Session.SpeedUnit)
	}
	f := s.Flight.Rows[0]
	for _, test := range []struct {
		name         string
		got          sheet.Estimate
		want, lo, hi float64
		tol          float64
	}{
		{"time", f.TimeS, 1.07, 0.77, 1.47, 0.012},
		{"drop", f.DropMM, 3800, 2200, 6500, 60},
		{"drift per m/s", f.DriftPerMPSMM, 580, 280, 980, 12},
		{"height per 1%", f.DropPerPctMM, 77, math.NaN(), math.NaN(), 1.5},
	} {
		off := func(got sheet.Number, want float64) bool {
			return !math.IsNaN(want) && !(math.Abs(float64(got)-want) <= test.tol)
		}
		if off(test.got.Value, test.want) || off(test.got.Low, test.lo) || off(test.got.High, test.hi) || test.got.Level.Known() || test.got.MeasuredTo.Known() {
			t.Errorf("%s = %+v, want %v (%v to %v), of no level, read from no photo", test.name, test.got, test.want, test.lo, test.hi)
		}
	}
	// Two m/s from the right drift to the left, twice as far.
	if d := f.DriftMM.Value + 2*f.DriftPerMPSMM.Value; !(math.Abs(float64(d)) <= 1e-6) {
		t.Errorf("drift in -2 m/s = %v, want -2 times %v", f.DriftMM.Value, f.DriftPerMPSMM.Value)
	}
	// By hand: √10/200 is 1.5811%, times 77 mm is 122 mm, of 200 mm 37% of the
	// variance; chi-square factors of 5 readings 0.599 and 2.874.
	v := s.Velocities[0]
	for _, test := range []struct {
		name           string
		got, want, tol float64
	}{
		{"sigma", float64(v.HeightMM.Value), 122, 3}, {"its low end", float64(v.HeightMM.Low / v.HeightMM.Value), 0.599, 0.001},
		{"its high end", float64(v.HeightMM.High / v.HeightMM.Value), 2.874, 0.001}, {"share", float64(v.HeightPct.Value), 37.2, 1.8},
	} {
		if !(math.Abs(test.got-test.want) <= test.tol) {
			t.Errorf("%s from velocity = %v, want %v", test.name, test.got, test.want)
		}
	}
	if v := s.Velocities[1]; !v.HeightMM.Value.Known() || v.HeightPct.Value.Known() {
		t.Errorf("an accessory without a group: sigma %v, share %v, want a sigma alone", v.HeightMM, v.HeightPct)
	}
	if want := "drag coefficient of 0.67"; !strings.Contains(s.Flight.Assumptions, want) || strings.Contains(s.Flight.Assumptions, "air at") {
		t.Errorf("assumptions %q, want %q and nothing that was given", s.Flight.Assumptions, want)
	}
}

func TestVelocitiesWithLessKnown(t *testing.T) {
	t.Run("misses", func(t *testing.T) {
		j, s := shotAt200(true)
		if err := j.velocities(&s); err != nil || s.Velocities[0].HeightPct.Value.Known() {
			t.Errorf("share of a group with misses = %v, %v, want none", s.Velocities[0].HeightPct, err)
		}
	})
	t.Run("no distance", func(t *testing.T) {
		j, s := shotAt200(false)
		j.distance = session.Length{}
		if err := j.velocities(&s); err != nil || s.Flight != nil || s.Velocities[0].HeightMM.Value.Known() {
			t.Errorf("flight without a distance = %+v, %v, want none", s.Flight, err)
		}
	})
	t.Run("nothing of the dart", func(t *testing.T) {
		j, s := shotAt200(false)
		j.session.Darts, j.session.Conditions = session.Darts{}, session.Conditions{}
		if err := j.velocities(&s); err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{"a dart of 1.1 g", "a diameter of 12.7 mm", "air at 15 °C"} {
			if !strings.Contains(s.Flight.Assumptions, want) {
				t.Errorf("assumptions %q lack %q", s.Flight.Assumptions, want)
			}
		}
		if s.Flight.Rows[0].DriftMM.Value.Known() {
			t.Errorf("drift without a crosswind = %v", s.Flight.Rows[0].DriftMM)
		}
	})
	t.Run("too slow to arrive", func(t *testing.T) {
		j, s := shotAt200(false)
		j.distance.MM = 400000
		if err := j.velocities(&s); err != nil || len(s.Flight.Rows) > 0 || len(s.Warnings) != 2 {
			t.Errorf("400 m: rows %v, warnings %q, %v, want a warning each", s.Flight.Rows, s.Warnings, err)
		}
	})
	t.Run("a slip", func(t *testing.T) { // the velocities make 122 mm, the group shows 20
		j, s := shotAt200(false)
		s.Groups[0].All.SigmaYMM.Value = 20
		if err := j.velocities(&s); err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		printVelocities(&out, s)
		if !strings.Contains(out.String(), " over 100% ") || !strings.Contains(out.String(), "look for a slip in the readings") {
			t.Errorf("no word about a share that cannot be:\n%s", out.String())
		}
	})
}

// A reading that a slip explains stands as typed beside what was likely meant, and nothing
// further is made of it; the axis of the plot keeps to the others.
func TestVelocitiesWithASlip(t *testing.T) {
	j, s := shotAt200(false)
	r := &j.session.Strings[0]
	r.Readings = []float64{203.1, 201.4, 205.0, 2022, 199.8, 204.3}
	r.ReadingsMPS = nil
	for _, v := range r.Readings {
		r.ReadingsMPS = append(r.ReadingsMPS, v*0.3048)
	}
	j.session.Velocity.CapMPS = 250 * 0.3048
	if err := j.velocities(&s); err != nil {
		t.Fatal(err)
	}
	v := s.Velocities[0]
	if v.N != 6 || v.Without == nil || v.Without.N != 6 || !(math.Abs(float64(v.Without.MeanMPS.Value)/0.3048-202.63) < 0.01) || v.Without.MaxMPS != 205*0.3048 {
		t.Errorf("of %d readings %+v put right, want 6 with a mean of 202.63 fps", v.N, v.Without)
	}
	if v.MeanJ.Known() || v.HeightMM.Value.Known() || v.HeightPct.Value.Known() || v.CapShare.Value.Known() || len(s.Flight.Rows) != 1 {
		t.Errorf("made of a slip: %v J, %v mm, %v%%, above the cap %v, flights %+v", v.MeanJ, v.HeightMM.Value, v.HeightPct.Value, v.CapShare.Value, s.Flight.Rows)
	}
	if o := s.Velocities[1]; o.Without != nil || !o.MeanJ.Known() || !o.CapShare.Value.Known() || !o.HeightMM.Value.Known() {
		t.Errorf("an accessory without a slip: %+v", o)
	}
	var out strings.Builder
	printVelocities(&out, s)
	for _, want := range []string{"North +6 +505", "put right +6 +202.6 ", "share above the cap are not given from a slip: correct the reading"} {
		if !regexp.MustCompile(want).MatchString(out.String()) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
	s.Session.CapMPS = 250 * 0.3048
	html, err := page.HTML(s, nil)
	if err != nil || !strings.Contains(string(html), "Mean, slips put right, fps") || !strings.Contains(string(html), ">1 beyond this axis<") || strings.Contains(string(html), `text-anchor="middle">2000<`) {
		t.Errorf("%v: the report has no figures without the slip, or an axis to 2000", err)
	}
}

// Where every reading is a slip of which nobody can tell what was meant, there is no
// highest and no lowest one without them.
func TestVelocitiesOfSlipsAlone(t *testing.T) {
	j, s := shotAt200(false)
	r := &j.session.Strings[0]
	r.Readings, r.ReadingsMPS = []float64{24, 22, 26}, []float64{24 * 0.3048, 22 * 0.3048, 26 * 0.3048}
	if err := j.velocities(&s); err != nil {
		t.Fatal(err)
	}
	if o := s.Velocities[0].Without; o == nil || o.N != 0 || o.MinMPS.Known() || o.MaxMPS.Known() {
		t.Errorf("without the slips %+v, want nothing known", o)
	}
	s.Session.CapMPS = sheet.Unknown()
	html, err := page.HTML(s, nil)
	if err != nil || !strings.Contains(string(html), ">3 beyond this axis<") || strings.Contains(string(html), `text-anchor="middle">0<`) {
		t.Errorf("%v: the axis reaches nought", err)
	}
}

// A cap that no foam dart comes near is to be looked at, as chrono has it.
func TestCapThatCannotBe(t *testing.T) {
	_, s := shotAt200(false)
	if s.Session.CapMPS = 60; toDecide(s) {
		t.Error("a cap of 60 m/s is to be decided")
	}
	if s.Session.CapMPS = 250; !toDecide(s) {
		t.Error("a cap of 250 m/s is taken")
	}
}

// What no foam dart has is said, nothing is made of it, and the status asks to look.
func TestVelocitiesThatCannotBe(t *testing.T) {
	for name, change := range map[string]func(*job){
		"the wrong unit": func(j *job) {
			r := &j.session.Strings[0]
			r.Unit, r.ReadingsMPS = "m/s", r.Readings
		},
		"one fps": func(j *job) {
			j.session.Strings[0].Readings, j.session.Strings[0].ReadingsMPS = []float64{1, 1.5}, []float64{0.3048, 0.4572}
		},
		"the mass": func(j *job) { j.session.Darts.MassG = 1100 },
	} {
		t.Run(name, func(t *testing.T) {
			j, s := shotAt200(false)
			change(&j)
			s.Session.DartMassG = sheet.Number(j.session.Darts.MassG)
			if toDecide(s) != (name == "the mass") {
				t.Error("something to decide before there are readings")
			}
			if err := j.velocities(&s); err != nil {
				t.Fatal(err)
			}
			v := s.Velocities[0]
			if v.MeanJ.Known() || v.HeightMM.Value.Known() || slices.ContainsFunc(s.Flight.Rows, func(f sheet.FlightLine) bool { return f.Accessory == "North" }) {
				t.Errorf("made of it: %v J, %v mm, %+v", v.MeanJ, v.HeightMM.Value, s.Flight.Rows)
			}
			if said := strings.Join(s.Warnings, "\n"); !toDecide(s) || !strings.Contains(said, "is not plausible for a foam dart") {
				t.Errorf("to decide %v, warnings %q", toDecide(s), said)
			}
		})
	}
}

// The drift on the terminal is that of the day's crosswind, here 2 m/s from the right.
func TestDriftInTheDaysWind(t *testing.T) {
	j, s := shotAt200(false)
	if err := j.velocities(&s); err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	printVelocities(&out, s)
	if text := out.String(); !regexp.MustCompile(`the day's crosswind drifts it 11\d\d \(\d+–\d+\) mm to the left`).MatchString(text) || strings.Contains(text, "1 m/s") {
		t.Errorf("no drift of 1160 mm to the left:\n%s", text)
	}
}
