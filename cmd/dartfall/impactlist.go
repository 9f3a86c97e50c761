package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/urfave/cli/v2"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/cmd/dartfall/internal/units"
	"dartfall/scoring"
)

// eyesAndField stands under every result and plan.
const eyesAndField = "Foam darts can injure eyes: rated eye protection for everybody near, a backstop, nobody forward of\n" +
	"the muzzle. Local rules and the field's marshals have the last word."

// readNamed reads a whole file, or standard input for "-".
func readNamed(c console, name string) ([]byte, error) {
	if name == "-" {
		data, err := io.ReadAll(c.In)
		if err != nil {
			return nil, fmt.Errorf("cannot read standard input: %v", err)
		}
		return data, nil
	}
	data, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil, withHint(fmt.Errorf("there is no file %s", name), "check the name, or use - to read standard input")
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read %s: %v", name, err)
	}
	return data, nil
}

// inputName names an input in messages.
func inputName(name string) string {
	if name == "-" {
		return "standard input"
	}
	return name
}

// parseImpacts reads a list of impacts: a heading with at least accessory, x_mm and
// y_mm in any order, then one line per shot. sigma_mm, block, flyer and id are used
// when there; other columns are not. "miss" for both positions is a shot that missed
// the board. Semicolons and tabs separate as well, and then decimal commas are read.
func parseImpacts(name string, data []byte) ([]scoring.Group, error) {
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	heading, _, _ := strings.Cut(string(data), "\n")
	r := csv.NewReader(bytes.NewReader(data))
	decimalComma := false
	for _, sep := range ";\t" {
		if strings.ContainsRune(heading, sep) {
			r.Comma, decimalComma = sep, true
			break
		}
	}
	r.TrimLeadingSpace, r.Comment, r.FieldsPerRecord = true, '#', -1
	records, err := r.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %v", name, err)
	}
	if len(records) == 0 {
		return nil, withHint(fmt.Errorf("%s is empty", name), "the first line must be accessory,x_mm,y_mm")
	}
	column := map[string]int{}
	for i, h := range records[0] {
		column[strings.ToLower(strings.TrimSpace(h))] = i
	}
	for _, need := range []string{"accessory", "x_mm", "y_mm"} {
		if _, ok := column[need]; !ok {
			return nil, withHint(fmt.Errorf("%s: the heading has no column %s", name, need), "the first line must be accessory,x_mm,y_mm")
		}
	}
	var impacts []scoring.Impact
	var order []string
	misses := map[string]int{}
	for i, rec := range records[1:] {
		field := func(col string) string {
			if k, ok := column[col]; ok && k < len(rec) {
				return strings.TrimSpace(rec[k])
			}
			return ""
		}
		number := func(col string) (float64, error) {
			s := field(col)
			if decimalComma {
				s = strings.ReplaceAll(s, ",", ".")
			}
			v, err := strconv.ParseFloat(s, 64)
			if err != nil || math.IsNaN(v) || math.Abs(v) > 1e6 {
				return 0, withHint(fmt.Errorf("%s, shot %d: %s is %q, not a number of millimetres", name, i+1, col, field(col)),
					"write the number alone, as in North,12.5,-31, or miss,miss for a shot off the board")
			}
			return v, nil
		}
		acc := field("accessory")
		if acc == "" {
			return nil, fmt.Errorf("%s, shot %d: the accessory is missing", name, i+1)
		}
		order = append(order, acc)
		if strings.EqualFold(field("x_mm"), "miss") {
			misses[acc]++
			continue
		}
		im := scoring.Impact{ID: field("id"), Accessory: acc, Block: field("block"), Flyer: field("flyer")}
		if im.Pos.X, err = number("x_mm"); err != nil {
			return nil, err
		}
		if im.Pos.Y, err = number("y_mm"); err != nil {
			return nil, err
		}
		if field("sigma_mm") != "" {
			if im.SigmaMM, err = number("sigma_mm"); err != nil {
				return nil, err
			}
			if im.SigmaMM < 0 {
				return nil, fmt.Errorf("%s, shot %d: sigma_mm cannot be below zero", name, i+1)
			}
		}
		impacts = append(impacts, im)
	}
	byName := map[string]scoring.Group{}
	for _, g := range scoring.Groups(impacts) {
		byName[g.Accessory] = g
	}
	var groups []scoring.Group
	done := map[string]bool{}
	for _, acc := range order {
		if done[acc] {
			continue
		}
		done[acc] = true
		g := byName[acc]
		g.Accessory, g.Misses = acc, misses[acc]
		groups = append(groups, g)
	}
	if len(groups) == 0 {
		return nil, withHint(fmt.Errorf("%s has a heading but no shots", name), "one line per shot, such as North,12.5,-31")
	}
	return groups, nil
}

// groupFlags are common to group and compare.
func groupFlags() []cli.Flag {
	return []cli.Flag{
		&cli.IntFlag{Name: "drop", Value: 2, Usage: "also show the figures without the `K` widest shots of every accessory (0 to 5)"},
		&cli.StringFlag{Name: "shots", Usage: "shots fired with each accessory, as `North=15,Reed=15` or one number for all"},
		&cli.StringFlag{Name: "board", Usage: "the board about the ring centre, to count misses: diameter `1m`, or width x height 1m x 1.2m"},
		&cli.Float64Flag{Name: "level", Value: 0.95, Usage: "level of the intervals: 0.90, 0.95 or 0.99"},
		&cli.BoolFlag{Name: "json", Usage: "write JSON at full precision instead of a table"},
	}
}

// readGroups is the common beginning of group and compare.
func readGroups(c console, ctx *cli.Context) ([]scoring.Group, scoring.Options, error) {
	opts := scoring.Options{Drop: ctx.Int("drop")}
	var err error
	if opts.Level, err = levelOf(ctx); err != nil {
		return nil, opts, err
	}
	if opts.Board, err = parseBoard(ctx.String("board")); err != nil {
		return nil, opts, usageError{err}
	}
	groups, err := readImpacts(c, ctx)
	return groups, opts, err
}

// readImpacts reads the one list a command was given, with the shots of --shots.
func readImpacts(c console, ctx *cli.Context) ([]scoring.Group, error) {
	if ctx.NArg() != 1 {
		return nil, withHint(usagef("%s needs one file with impacts", ctx.Command.Name), "dartfall %s impacts.csv, or - for standard input", ctx.Command.Name)
	}
	name := ctx.Args().First()
	data, err := readNamed(c, name)
	if err != nil {
		return nil, err
	}
	groups, err := parseImpacts(inputName(name), data)
	if err != nil {
		return nil, err
	}
	return groups, declareShots(groups, ctx.String("shots"))
}

// levelOf is the level of the intervals asked for.
func levelOf(ctx *cli.Context) (float64, error) {
	level := ctx.Float64("level")
	if level != 0.90 && level != 0.95 && level != 0.99 {
		return 0, usagef("--level can be 0.90, 0.95 or 0.99, not %v", level)
	}
	return level, nil
}

// declareShots sets the declared shots from "15" or "North=15,Reed=14".
func declareShots(groups []scoring.Group, s string) error {
	if s == "" {
		return nil
	}
	count := func(s string) (int, error) {
		n, err := strconv.Atoi(strings.TrimSpace(s))
		if err != nil || n < 1 || n > 10000 {
			return 0, usagef("--shots: %q is not a number of shots", s)
		}
		return n, nil
	}
	if !strings.Contains(s, "=") {
		n, err := count(s)
		for i := range groups {
			groups[i].Declared = n
		}
		return err
	}
	for _, item := range strings.Split(s, ",") {
		acc, number, _ := strings.Cut(item, "=")
		n, err := count(number)
		if err != nil {
			return err
		}
		found := false
		for i := range groups {
			if groups[i].Accessory == strings.TrimSpace(acc) {
				groups[i].Declared, found = n, true
			}
		}
		if !found {
			return usagef("--shots names %q, which has no impacts in the list", strings.TrimSpace(acc))
		}
	}
	return nil
}

// parseBoard reads a diameter or "width x height", centred on the rings; nil for "".
func parseBoard(s string) (scoring.Area, error) {
	if s == "" {
		return nil, nil
	}
	w, h, isRect := strings.Cut(strings.ReplaceAll(s, "×", "x"), "x")
	width, err := units.Length(w)
	if err != nil {
		return nil, fmt.Errorf("--board: %v", err)
	}
	if !isRect {
		return scoring.Disc{RadiusMM: width / 2}, nil
	}
	height, err := units.Length(h)
	if err != nil {
		return nil, fmt.Errorf("--board: %v", err)
	}
	half := r2.Vec{X: width / 2, Y: height / 2}
	return scoring.Rect{Min: r2.Scale(-1, half), Max: half}, nil
}

// plainTable is a table without lines, numbers to the right from column `from` on.
func plainTable(w io.Writer, from int, header ...any) table.Writer {
	t := table.NewWriter()
	t.SetOutputMirror(w)
	style := table.StyleLight
	style.Options = table.OptionsNoBordersAndSeparators
	style.Format.Header = text.FormatDefault
	t.SetStyle(style)
	t.AppendHeader(table.Row(header))
	var cols []table.ColumnConfig
	for i := from; i <= len(header); i++ {
		cols = append(cols, table.ColumnConfig{Number: i, Align: text.AlignRight, AlignHeader: text.AlignRight})
	}
	t.SetColumnConfigs(cols)
	return t
}

// withRange writes a figure as "384 (301–520)" with the given decimals.
func withRange(e scoring.Estimate, decimals int) string {
	if math.IsNaN(e.Value) {
		return "–"
	}
	if !e.HasInterval() {
		return fixed(e.Value, decimals)
	}
	to := "–"
	if e.Lo < 0 {
		to = " to " // beside a minus sign a dash is hard to read
	}
	return fixed(e.Value, decimals) + " (" + fixed(e.Lo, decimals) + to + fixed(e.Hi, decimals) + ")"
}

// fixed writes a number with so many decimals, without a sign when that leaves nothing.
func fixed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("cannot write JSON: %v", err)
	}
	return nil
}
