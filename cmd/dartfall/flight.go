package main

import (
	"cmp"
	"fmt"
	"io"
	"slices"

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
	MuzzleMPS  float64        `json:"muzzle_mps"`
	WindMPS    float64        `json:"wind_mps"` // across
	DragSource string         `json:"drag_source"`
	AirKGM3    float64        `json:"air_kg_m3"`
	Rows       []flightAtDrag `json:"rows"`
	// Implausible says what of the input no foam dart has.
	Implausible []string `json:"implausible,omitempty"`
	Cautions    string   `json:"cautions"`
}

type flightAtDrag struct {
	Cd       float64 `json:"cd,omitempty"` // 0 for a fitted drag
	DragPerM float64 `json:"drag_per_m"`
	scoring.Flight
	HeightPerPercentM float64           `json:"height_per_percent_m"`
	VelocitySigmaMM   *scoring.Estimate `json:"velocity_sigma_mm,omitempty"`
	// ShareOfHeight is the share of the group's vertical variance.
	ShareOfHeight *scoring.Estimate `json:"share_of_height,omitempty"`
}

// flightInput is what flight was given; what was not is 0.
type flightInput struct {
	speedMPS, distanceM, windMPS float64
	dart                         scoring.Dart
	celsius, altitudeM           float64
	farMPS, apartM               float64
	sdMPS                        float64
	sdShots                      int
	heightSigmaMM                float64
	heightShots                  int
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

// readFlight reads flight's flags.
func readFlight(ctx *cli.Context) (flightInput, error) {
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
	in := flightInput{
		speedMPS: read("speed", units.Speed), distanceM: read("distance", units.Length) / 1000, windMPS: read("wind", units.Wind),
		dart:    scoring.Dart{MassG: read("mass", units.Mass), DiameterMM: read("diameter", units.Length), Cd: ctx.Float64("cd")},
		celsius: read("temperature", units.Temperature), altitudeM: read("altitude", units.Altitude),
		farMPS: read("far-speed", units.Speed), apartM: read("apart", units.Length) / 1000,
		sdMPS: read("sd", units.Speed), sdShots: ctx.Int("shots"),
		heightSigmaMM: read("height-sigma", units.Length), heightShots: ctx.Int("height-shots"),
	}
	if err == nil {
		err = checkFlightFlags(ctx)
	}
	if err == nil && !(in.dart.Cd > 0 && in.dart.Cd < 3) {
		err = usagef("--cd must be a number such as 0.67")
	}
	return in, err
}

func runFlight(c console, ctx *cli.Context) error {
	if ctx.NArg() > 0 {
		return withHint(usagef("flight takes no file, but %q was given", ctx.Args().First()), "dartfall flight --speed 300fps")
	}
	if ctx.String("speed") == "" {
		return withHint(usagef("flight needs the muzzle speed"), "dartfall flight --speed 300fps")
	}
	in, err := readFlight(ctx)
	if err != nil {
		return err
	}
	report, err := flightOf(in)
	if err != nil {
		return err
	}
	if ctx.Bool("json") {
		if err := writeJSON(c.Out, report); err != nil {
			return err
		}
	} else {
		report.print(c.Out)
	}
	if len(report.Implausible) > 0 {
		return errPartial
	}
	return nil
}

// flightOf flies the dart with the drag that two speeds fit, or with the assumed one and
// with the ends of its range.
func flightOf(in flightInput) (flightReport, error) {
	r := flightReport{MuzzleMPS: in.speedMPS, WindMPS: in.windMPS, DragSource: "assumed", AirKGM3: scoring.AirDensity(in.celsius, in.altitudeM), Cautions: eyesAndField}
	for _, words := range []string{scoring.ImplausibleSpeed(in.speedMPS), scoring.ImplausibleMass(in.dart.MassG)} {
		if words != "" {
			r.Implausible = append(r.Implausible, words)
		}
	}
	if in.farMPS > 0 {
		r.DragSource = "fitted from two speeds"
		perM, err := scoring.FitDrag(in.speedMPS, in.farMPS, in.apartM)
		if err != nil {
			return r, withHint(usageError{err}, "--far-speed is the slower one, --apart the distance between the two chronographs")
		}
		in.dart.Cd = 1
		if words := scoring.ImplausibleDrag(perM / in.dart.DragPerM(r.AirKGM3)); words != "" {
			r.Implausible = append(r.Implausible, fmt.Sprintf("these two speeds, %.3g%% apart, give a drag that cannot be right: %s; two chronographs differ by as much as 1%% by themselves: set them further apart, average many shots, or leave --far-speed out", 100*(1-in.farMPS/in.speedMPS), words))
		}
		return r, r.add(in, 0, perM)
	}
	for _, cd := range []float64{in.dart.Cd, leastCd, mostCd} {
		dart := in.dart
		dart.Cd = cd
		if err := r.add(in, cd, dart.DragPerM(r.AirKGM3)); err != nil {
			return r, err
		}
	}
	return r, nil
}

// add flies the dart with one drag.
func (r *flightReport) add(in flightInput, cd, dragPerM float64) error {
	row := flightAtDrag{Cd: cd, DragPerM: dragPerM}
	var err error
	if row.Flight, err = scoring.Fly(in.speedMPS, dragPerM, in.distanceM, in.windMPS); err != nil {
		return err
	}
	if row.HeightPerPercentM, err = scoring.HeightPerPercent(in.speedMPS, dragPerM, in.distanceM); err != nil {
		return err
	}
	if in.sdMPS > 0 {
		sigma, err := scoring.VelocitySigma(scoring.SDEstimate(in.sdMPS, in.sdShots, 0.95), in.speedMPS, dragPerM, in.distanceM)
		if err != nil {
			return err
		}
		row.VelocitySigmaMM = &sigma
		if in.heightSigmaMM > 0 {
			share := scoring.HeightShare(sigma, in.heightSigmaMM, in.heightShots)
			row.ShareOfHeight = &share
		}
	}
	r.Rows = append(r.Rows, row)
	return nil
}

func (r flightReport) print(w io.Writer) {
	for _, words := range r.Implausible {
		fmt.Fprintf(w, "Not to be relied on: %s\n", words)
	}
	first := r.Rows[0]
	fmt.Fprintf(w, "Over %g m the dart drops %.2f m in %.2f s, if it leaves level; 1%% less speed strikes %.0f mm lower.\n", first.DistanceM, first.DropM, first.TimeS, 1000*first.HeightPerPercentM)
	if len(r.Rows) > 1 {
		drop := func(a, b flightAtDrag) int { return cmp.Compare(a.DropM, b.DropM) }
		least, most := slices.MinFunc(r.Rows, drop), slices.MaxFunc(r.Rows, drop)
		fmt.Fprintf(w, "The drag is assumed: from Cd %.2f to %.2f the drop is %.2f to %.2f m.\n", least.Cd, most.Cd, least.DropM, most.DropM)
	}
	fmt.Fprintln(w)
	t := plainTable(w, 2, "drag", "time s", "drop m", "speed there", "drift m", "mm per 1%", "speed sigma mm", "share of height")
	for _, row := range r.Rows {
		name := "fitted"
		if row.Cd > 0 {
			name = fmt.Sprintf("Cd %.2f", row.Cd)
		}
		sigma, share := "–", "–"
		if row.VelocitySigmaMM != nil {
			sigma = withRange(*row.VelocitySigmaMM, 0)
		}
		if row.ShareOfHeight != nil {
			share = withRange(row.ShareOfHeight.Scale(100), 0) + "%"
		}
		t.AppendRow(table.Row{name, fmt.Sprintf("%.2f", row.TimeS), fmt.Sprintf("%.2f", row.DropM), fmt.Sprintf("%.0f fps", units.FPS(row.SpeedMPS)),
			fmt.Sprintf("%.2f", row.DriftM), fmt.Sprintf("%.0f", 1000*row.HeightPerPercentM), sigma, share})
	}
	t.Render()
	fmt.Fprintf(w, "\nDrag %s; air %.3f kg/m³; drift in a crosswind of %.3g m/s. \"mm per 1%%\": how much lower\n"+
		"for 1%% less speed. \"Speed sigma\": the vertical sigma that the scatter of the speed makes by itself\n"+
		"(it moves impacts up and down only), and its share of the group's vertical variance. A share above\n"+
		"100%% means that drag, speed or height do not fit together. In brackets 95%% intervals.\n\n%s\n", r.DragSource, r.AirKGM3, r.WindMPS, eyesAndField)
}
