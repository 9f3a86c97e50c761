package main

import (
	"fmt"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/units"
	"dartfall/scoring"
)

// assumedDart stands in for what is not known of a dart: a half-length one (common
// practice, no source). Its drag coefficient lies between leastCd and mostCd.
var assumedDart = scoring.Dart{MassG: 1.1, DiameterMM: 12.7, Cd: 0.67}

const leastCd, mostCd = 0.4, 0.9

// FlightCommand says how a dart falls and drifts, and how much height scatter its
// speed's scatter makes.
func FlightCommand(c console) *cli.Command {
	return &cli.Command{
		Name:  "flight",
		Usage: "drop, time and drift of a dart, and the height scatter its speed scatter makes",
		Description: "Drag is an assumption unless two chronographs fit it.\n\n" +
			"   dartfall flight --speed 300fps --mass 1.1g --sd 6fps --shots 15 --height-sigma 80mm --height-shots 15\n" +
			"   dartfall flight --speed 300fps --far-speed 250fps --apart 5m",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "speed", Usage: "muzzle speed, such as `300fps`"},
			&cli.StringFlag{Name: "distance", Value: "30m", Usage: "distance to the board"},
			&cli.StringFlag{Name: "mass", Value: fmt.Sprintf("%gg", assumedDart.MassG), Usage: "dart mass"},
			&cli.StringFlag{Name: "diameter", Value: fmt.Sprintf("%gmm", assumedDart.DiameterMM), Usage: "dart diameter"},
			&cli.Float64Flag{Name: "cd", Value: assumedDart.Cd, Usage: "drag coefficient, an assumption: 0.4 to 0.9 are plausible"},
			&cli.StringFlag{Name: "far-speed", Usage: "speed at a second chronograph, to fit the drag instead"},
			&cli.StringFlag{Name: "apart", Usage: "distance between the two chronographs"},
			&cli.StringFlag{Name: "temperature", Value: "15 C", Usage: "of the air"},
			&cli.StringFlag{Name: "altitude", Value: "0m", Usage: "above the sea"},
			&cli.StringFlag{Name: "wind", Value: "1 m/s", Usage: "crosswind"},
			&cli.StringFlag{Name: "sd", Usage: "standard deviation of the speed, such as `6fps`"},
			&cli.IntFlag{Name: "shots", Usage: "readings behind --sd, for its interval"},
			&cli.StringFlag{Name: "height-sigma", Usage: "vertical sigma of a group, to say which share speed explains"},
			&cli.IntFlag{Name: "height-shots", Usage: "shots behind --height-sigma, for the interval of that share"},
			&cli.BoolFlag{Name: "json", Usage: "write JSON at full precision instead of a table"},
		},
		Action: func(ctx *cli.Context) error { return runFlight(c, ctx) },
	}
}

// flightReport is what flight found. With a fitted drag there is one row.
type flightReport struct {
	DragSource string         `json:"drag_source"`
	AirKGM3    float64        `json:"air_kg_m3"`
	Rows       []flightAtDrag `json:"rows"`
	Cautions   string         `json:"cautions"`
}

type flightAtDrag struct {
	Cd       float64 `json:"cd,omitempty"`
	DragPerM float64 `json:"drag_per_m"`
	scoring.Flight
	HeightPerPercentM float64           `json:"height_per_percent_m"`
	VelocitySigmaMM   *scoring.Estimate `json:"velocity_sigma_mm,omitempty"`
	// ShareOfHeight is the share of the group's vertical variance.
	ShareOfHeight *scoring.Estimate `json:"share_of_height,omitempty"`
}

// checkFlightFlags refuses flags that would be left unused without a word.
func checkFlightFlags(ctx *cli.Context) error {
	for _, f := range []struct{ flag, needs string }{{"shots", "sd"}, {"height-sigma", "sd"}, {"height-shots", "height-sigma"}, {"far-speed", "apart"}, {"apart", "far-speed"}} {
		if ctx.IsSet(f.flag) && !ctx.IsSet(f.needs) {
			return usagef("--%s says nothing without --%s", f.flag, f.needs)
		}
	}
	for _, flag := range []string{"shots", "height-shots"} {
		if n := ctx.Int(flag); ctx.IsSet(flag) && n < 2 {
			return usagef("--%s: a deviation needs at least two shots, not %d", flag, n)
		}
	}
	if ctx.IsSet("cd") && ctx.IsSet("far-speed") {
		return usagef("give --cd or a second speed to fit the drag by, not both")
	}
	return nil
}

func runFlight(c console, ctx *cli.Context) error {
	if ctx.NArg() > 0 {
		return withHint(usagef("flight takes no file, but %q was given", ctx.Args().First()), "dartfall flight --speed 300fps")
	}
	if ctx.String("speed") == "" {
		return withHint(usagef("flight needs the muzzle speed"), "dartfall flight --speed 300fps")
	}
	var err error
	read := func(name string, parse func(string) (float64, error)) float64 {
		s := ctx.String(name)
		if s == "" || err != nil {
			return 0
		}
		v, e := parse(s)
		if e != nil {
			err = usageError{fmt.Errorf("--%s: %v", name, e)}
		}
		return v
	}
	speed, distance := read("speed", units.Speed), read("distance", units.Length)/1000
	dart := scoring.Dart{MassG: read("mass", units.Mass), DiameterMM: read("diameter", units.Length)}
	celsius, altitude, wind := read("temperature", units.Temperature), read("altitude", units.Altitude), read("wind", units.Wind)
	far, apart := read("far-speed", units.Speed), read("apart", units.Length)/1000
	sd, heightSigma := read("sd", units.Speed), read("height-sigma", units.Length)
	if err != nil {
		return err
	}
	if err := checkFlightFlags(ctx); err != nil {
		return err
	}
	cd := ctx.Float64("cd")
	if !(cd > 0 && cd < 3) {
		return usagef("--cd must be a number such as 0.67")
	}
	report := flightReport{AirKGM3: scoring.AirDensity(celsius, altitude), Cautions: eyesAndField}
	type drag struct{ cd, perM float64 }
	var drags []drag
	if far > 0 || apart > 0 {
		k, err := scoring.FitDrag(speed, far, apart)
		if err != nil {
			return withHint(usageError{err}, "give --speed, --far-speed and --apart together")
		}
		report.DragSource = "fitted from two speeds"
		drags = []drag{{0, k}}
	} else {
		report.DragSource = "assumed"
		for _, x := range []float64{cd, leastCd, mostCd} {
			dart.Cd = x
			drags = append(drags, drag{x, dart.DragPerM(report.AirKGM3)})
		}
	}
	for _, d := range drags {
		row := flightAtDrag{Cd: d.cd, DragPerM: d.perM}
		if row.Flight, err = scoring.Fly(speed, d.perM, distance, wind); err != nil {
			return err
		}
		if row.HeightPerPercentM, err = scoring.HeightPerPercent(speed, d.perM, distance); err != nil {
			return err
		}
		if sd > 0 {
			e, err := scoring.VelocitySigma(scoring.SDEstimate(sd, ctx.Int("shots"), 0.95), speed, d.perM, distance)
			if err != nil {
				return err
			}
			row.VelocitySigmaMM = &e
			if heightSigma > 0 {
				share := scoring.HeightShare(e, heightSigma, ctx.Int("height-shots"))
				row.ShareOfHeight = &share
			}
		}
		report.Rows = append(report.Rows, row)
	}
	if ctx.Bool("json") {
		return writeJSON(c.Out, report)
	}
	first := report.Rows[0]
	fmt.Fprintf(c.Out, "Over %g m the dart drops %.2f m in %.2f s, if it leaves level; 1%% less speed strikes %.0f mm lower.\n\n", distance, first.DropM, first.TimeS, 1000*first.HeightPerPercentM)
	t := plainTable(c.Out, 2, "drag", "time s", "drop m", "speed there", "drift m", "mm per 1%", "speed sigma mm", "share of height")
	for _, r := range report.Rows {
		name := "fitted"
		if r.Cd > 0 {
			name = fmt.Sprintf("Cd %.2f", r.Cd)
		}
		sigma, share := "–", "–"
		if r.VelocitySigmaMM != nil {
			sigma = withRange(*r.VelocitySigmaMM, 0)
		}
		if r.ShareOfHeight != nil {
			share = withRange(r.ShareOfHeight.Scale(100), 0) + "%"
		}
		t.AppendRow(table.Row{name, fmt.Sprintf("%.2f", r.TimeS), fmt.Sprintf("%.2f", r.DropM), fmt.Sprintf("%.0f fps", units.FPS(r.SpeedMPS)),
			fmt.Sprintf("%.2f", r.DriftM), fmt.Sprintf("%.0f", 1000*r.HeightPerPercentM), sigma, share})
	}
	t.Render()
	fmt.Fprintf(c.Out, "\nDrag %s; air %.3f kg/m³; drift in a crosswind of %.3g m/s. \"mm per 1%%\": how much lower\n"+
		"for 1%% less speed. \"Speed sigma\": the vertical sigma that the scatter of the speed makes by itself\n"+
		"(it moves impacts up and down only), and its share of the group's vertical variance. A share above\n"+
		"100%% means that drag, speed or height do not fit together. In brackets 95%% intervals.\n\n%s\n", report.DragSource, report.AirKGM3, wind, eyesAndField)
	return nil
}
