package main

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/units"
	"dartfall/scoring"
)

// byHandMM is how well a sticker is placed by hand, at least (common practice, no
// source).
const byHandMM = 5

// ScoreCommand counts points on a face whose rings have values.
func ScoreCommand(c console) *cli.Command {
	return &cli.Command{
		Name:      "score",
		Usage:     "count the points of a list of impacts on a face whose rings have values",
		ArgsUsage: "FILE.csv",
		Description: "The list is that of dartfall group; its middle is the middle of the rings. A shot\n" +
			"whose edge touches a ring takes the higher value.\n\n" +
			"   dartfall score --shots 15 --rings 200mm,400mm,600mm,800mm --values 10,8,6,4 impacts.csv\n" +
			"   dartfall score --shots 15 --face \"World Archery 122 cm\" impacts.csv\n" +
			"   dartfall score --faces",
		Flags: append([]cli.Flag{
			&cli.StringFlag{Name: "face", Usage: "a published face by its `NAME`; --faces lists them"},
			&cli.BoolFlag{Name: "faces", Usage: "list the published faces, with what was checked of each"},
			&cli.StringFlag{Name: "rings", Usage: "or your own: `DIAMETERS` of the rings' outer edges, each with its unit"},
			&cli.StringFlag{Name: "values", Usage: "the `VALUES` of these rings, in the same order"},
			&cli.StringFlag{Name: "dart", Usage: "`DIAMETER` that must touch a ring (default: the published face's gauge, or 12.7mm)"},
		}, listFlags()...),
		Action: func(ctx *cli.Context) error { return runScore(c, ctx) },
	}
}

func runScore(c console, ctx *cli.Context) error {
	if ctx.Bool("faces") {
		return listFaces(c.Out, ctx.Bool("json"))
	}
	face, err := chosenFace(ctx)
	if err != nil {
		return err
	}
	level, err := levelOf(ctx)
	if err != nil {
		return err
	}
	groups, err := readImpacts(c, ctx)
	if err != nil {
		return err
	}
	unsure := checkedShots(groups)
	groups = slices.DeleteFunc(groups, func(g scoring.Group) bool { return len(checkedShots([]scoring.Group{g})) > 0 })
	var cards []scoring.Scorecard
	for _, g := range groups {
		card, err := scoring.ScoreGroup(g, face, level)
		if err != nil {
			return err
		}
		cards = append(cards, card)
	}
	if ctx.Bool("json") {
		if err := writeJSON(c.Out, struct {
			Face       scoring.Face        `json:"face"`
			Cards      []scoring.Scorecard `json:"scorecards"`
			CheckShots []string            `json:"check_shots,omitempty"` // of accessories without a card
			Cautions   string              `json:"cautions"`
		}{face, cards, unsure, eyesAndField}); err != nil {
			return err
		}
	} else {
		for _, words := range unsure {
			fmt.Fprintf(c.Out, "%s: no points yet.\n", words)
		}
		printScores(c.Out, face, groups, cards, level)
	}
	if len(unsure) > 0 {
		return errPartial
	}
	return nil
}

// chosenFace is the published face asked for, or the user's own rings.
func chosenFace(ctx *cli.Context) (scoring.Face, error) {
	var face scoring.Face
	var err error
	switch name, rings := ctx.String("face"), ctx.String("rings"); {
	case name != "" && rings != "":
		return face, usagef("give --face or --rings, not both")
	case name != "":
		face, err = publishedFace(name)
	case rings != "":
		face, err = ownFace(rings, ctx.String("values"))
	default:
		err = withHint(usagef("score needs a face: --face or --rings with --values"),
			"dartfall score --rings 400mm,800mm --values 10,5 impacts.csv, or dartfall score --faces for the published ones")
	}
	if err != nil {
		return face, err
	}
	if dart := ctx.String("dart"); dart != "" {
		if face.GaugeMM, err = units.Length(dart); err != nil {
			return face, usageError{fmt.Errorf("--dart: %v", err)}
		}
	}
	if err := face.Check(); err != nil {
		return face, usageError{err}
	}
	return face, nil
}

// publishedFace finds a face by its name, or by a part of it that only one has.
func publishedFace(name string) (scoring.Face, error) {
	var alike []scoring.Face
	for _, f := range scoring.Faces() {
		if strings.EqualFold(f.Name, name) {
			return f, nil
		}
		if strings.Contains(strings.ToLower(f.Name), strings.ToLower(name)) {
			alike = append(alike, f)
		}
	}
	switch len(alike) {
	case 1:
		return alike[0], nil
	case 0:
		return scoring.Face{}, withHint(usagef("there is no published face named %q", name), "dartfall score --faces lists them")
	}
	var names []string
	for _, f := range alike {
		names = append(names, f.Name)
	}
	return scoring.Face{}, withHint(usagef("%q could be %s", name, strings.Join(names, " or ")), "give the whole name in quotation marks")
}

// ownFace is the user's rings, diameters and values in the same order.
func ownFace(rings, values string) (scoring.Face, error) {
	face := scoring.Face{Name: "rings as given", Source: "the user", Checked: "not checked", GaugeMM: 12.7}
	diameters, err := units.Lengths(rings)
	if err != nil {
		return face, usageError{fmt.Errorf("--rings: %v", err)}
	}
	var points []int
	for _, s := range strings.FieldsFunc(values, func(r rune) bool { return r == ',' || r == ';' || r == ' ' }) {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > 1000 {
			return face, usagef("--values: %q is not a ring's value such as 10", s)
		}
		points = append(points, n)
	}
	if len(points) != len(diameters) {
		return face, withHint(usagef("--rings has %s but --values has %s", plural(len(diameters), "ring"), plural(len(points), "value")),
			"one value for every ring in the same order: --rings 400mm,800mm --values 10,5")
	}
	order := make([]int, len(points))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(diameters[a], diameters[b]) })
	for _, i := range order {
		face.RadiiMM, face.Values = append(face.RadiiMM, diameters[i]/2), append(face.Values, points[i])
	}
	return face, nil
}

func listFaces(w io.Writer, asJSON bool) error {
	if asJSON {
		return writeJSON(w, scoring.Faces())
	}
	t := plainTable(w, 2, "face", "rings", "ten mm", "outer ring mm", "gauge mm", "tenths")
	for _, f := range scoring.Faces() {
		last := len(f.RadiiMM) - 1
		tenths := "no"
		if f.Decimal {
			tenths = "yes"
		}
		t.AppendRow(table.Row{f.Name, fmt.Sprintf("%d to %d", f.Values[0], f.Values[last]), 2 * f.RadiiMM[0], 2 * f.RadiiMM[last], f.GaugeMM, tenths})
	}
	t.Render()
	fmt.Fprintln(w, "\nDiameters are of the rings' outer edges. What was checked for this table:")
	named := map[string][]string{}
	var checks []string
	for _, f := range scoring.Faces() {
		text := f.Source + ": " + f.Checked
		if named[text] == nil {
			checks = append(checks, text)
		}
		named[text] = append(named[text], f.Name)
	}
	for _, text := range checks {
		fmt.Fprintf(w, "- %s.\n  %s.\n", strings.Join(named[text], ", "), text)
	}
	return nil
}

func printScores(w io.Writer, face scoring.Face, groups []scoring.Group, cards []scoring.Scorecard, level float64) {
	for _, s := range cards {
		fmt.Fprintf(w, "%s: %d of %d points with %s, %.1f a shot.\n", s.Accessory, s.Points, s.Possible, plural(s.Shots, "shot"), s.Mean.Value)
	}
	if len(cards) == 0 {
		return
	}
	fmt.Fprintln(w)
	header := []any{"accessory", "shots", "no mark", "points", "points a shot", fmt.Sprintf("%ds", face.Values[0])}
	if face.InnerMM > 0 {
		header = append(header, "inner")
	}
	if face.Decimal {
		header = append(header, "in tenths")
	}
	t := plainTable(w, 2, append(header, "near a ring")...)
	for i, s := range cards {
		row := table.Row{s.Accessory, s.Shots, s.Missed, s.Points, withRange(s.Mean, 2), s.Tens}
		if face.InnerMM > 0 {
			row = append(row, s.Inner)
		}
		if face.Decimal && s.Tenths != nil {
			row = append(row, fmt.Sprintf("%.1f", *s.Tenths))
		} else if face.Decimal {
			row = append(row, "–")
		}
		t.AppendRow(append(row, nearRing(groups[i], s)))
	}
	t.Render()
	fmt.Fprintf(w, "\nScored on %s: an impact counts the higher value when a circle of %g mm about\n"+
		"it touches the ring. In brackets the %.0f%% interval of what such shots would average. \"Near a\n"+
		"ring\": shots within %d mm of one, which is how well a sticker is placed by hand (common practice,\n"+
		"no source), or within twice what the photo allows: judge them by eye.\n",
		face.Name, face.GaugeMM, 100*level, byHandMM)
	if face.Source != "the user" {
		fmt.Fprintf(w, "%s: %s.\n", face.Source, face.Checked)
	}
	fmt.Fprintln(w, "\n"+eyesAndField)
}

// nearRing counts the shots whose value rests on a few millimetres.
func nearRing(g scoring.Group, s scoring.Scorecard) int {
	n := 0
	for i, h := range s.Hits {
		if h.EdgeMM <= max(byHandMM, 2*g.Impacts[i].SigmaMM) {
			n++
		}
	}
	return n
}
