package main

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/sheet"
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
	switch info, _ := os.Stat(name); {
	case errors.Is(err, os.ErrNotExist):
		return nil, withHint(fmt.Errorf("there is no file %s", name), "check the name, or use - to read standard input")
	case info != nil && info.IsDir():
		return nil, withHint(fmt.Errorf("%s is a folder, not a file", name), "name the file in it; measure writes results/impacts.csv")
	case err != nil:
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
// when there; other columns are not, but that impacts.csv, which measure writes, has
// string for block and cause for flyer, and sighters, which do not count. "miss" or
// "skip" in place of x_mm is a shot that left no mark on the board, "jam" one that was
// not fired. Semicolons and tabs separate as well, and then decimal commas are read.
func parseImpacts(name string, data []byte) ([]scoring.Group, error) {
	rows, err := readRows(name, data)
	if err != nil {
		return nil, err
	}
	l := impactList{index: map[string]int{}}
	for _, r := range rows {
		if err := l.add(r); err != nil {
			return nil, err
		}
	}
	if len(l.groups) == 0 {
		return nil, withHint(fmt.Errorf("%s has a heading but no shots", name), "one line per shot, such as North,12.5,-31")
	}
	for _, g := range l.groups {
		if l.strings {
			numberRounds(g.Impacts)
		}
	}
	return l.groups, nil
}

// numberRounds names the blocks of one accessory's impacts 1, 2 and so on, in order of
// appearance: its strings then stand beside those of the other accessories in the order
// they were shot.
func numberRounds(impacts []scoring.Impact) {
	rounds := map[string]string{}
	for i, im := range impacts {
		if rounds[im.Block] == "" && im.Block != "" {
			rounds[im.Block] = strconv.Itoa(len(rounds) + 1)
		}
		impacts[i].Block = rounds[im.Block]
	}
}

// listRow is one line of a list, by its headings.
type listRow struct {
	list         string
	shot         int // counted from 1
	fields       map[string]string
	decimalComma bool
}

func (r listRow) at() string { return fmt.Sprintf("%s, shot %d", r.list, r.shot) }

// number reads a field in millimetres.
func (r listRow) number(field string) (float64, error) {
	s := strings.ReplaceAll(r.fields[field], "−", "-") // the sign that spreadsheets and word processors write
	if r.decimalComma {
		s = strings.ReplaceAll(s, ",", ".")
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.Abs(v) > 1e6 {
		return 0, withHint(fmt.Errorf("%s: %s is %q, not a number of millimetres", r.at(), field, r.fields[field]),
			"write the number alone, as in North,12.5,-31, or miss,miss for a shot off the board")
	}
	return v, nil
}

const firstLine = "the first line must be accessory,x_mm,y_mm"

// readRows takes a list apart.
func readRows(name string, data []byte) ([]listRow, error) {
	if bytes.IndexByte(data, 0) >= 0 {
		return nil, withHint(fmt.Errorf("%s is not a text list", name), "a photo is measured first: dartfall measure; its impacts.csv is such a list")
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	heading, _, _ := strings.Cut(string(data), "\n")
	separator := ','
	for _, sep := range ";\t" {
		if strings.ContainsRune(heading, sep) {
			separator = sep
			break
		}
	}
	records, err := readRecords(name, data, separator)
	if err != nil {
		return nil, err
	}
	column := map[string]int{}
	for i, h := range records[0] {
		column[strings.ToLower(strings.TrimSpace(h))] = i
	}
	for _, need := range []string{"accessory", "x_mm", "y_mm"} {
		if _, ok := column[need]; !ok {
			return nil, withHint(fmt.Errorf("%s: the heading has no column %s; it reads %s", name, need, shortened(strings.TrimSpace(heading))), firstLine)
		}
	}
	var rows []listRow
	for i, rec := range records[1:] {
		row := listRow{list: name, shot: i + 1, fields: map[string]string{}, decimalComma: separator != ','}
		if n := len(records[0]); len(rec) > n && strings.Join(rec[n:], "") != "" {
			return nil, withHint(fmt.Errorf("%s: %d values under %s", row.at(), len(rec), plural(n, "heading")),
				"numbers with decimal commas want semicolons between them, in the heading too: North;12,5;-31")
		}
		for col, k := range column {
			if k < len(rec) {
				row.fields[col] = strings.TrimSpace(rec[k])
			}
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// readRecords reads the lines of a list, the heading first.
func readRecords(name string, data []byte, separator rune) ([][]string, error) {
	r := csv.NewReader(bytes.NewReader(data))
	r.Comma, r.TrimLeadingSpace, r.Comment, r.FieldsPerRecord = separator, true, '#', -1
	records, err := r.ReadAll()
	var parse *csv.ParseError
	switch {
	case errors.As(err, &parse):
		return nil, withHint(fmt.Errorf("%s, line %d: a quotation mark is out of place", name, parse.Line), "names need none; take the quotation marks away")
	case err != nil:
		return nil, fmt.Errorf("%s: %v", name, err)
	case len(records) == 0:
		return nil, withHint(fmt.Errorf("%s is empty", name), firstLine)
	}
	return records, nil
}

// shortened cuts a text that would fill the screen.
func shortened(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// impactList gathers groups in the order their accessories first appear.
type impactList struct {
	groups  []scoring.Group
	index   map[string]int
	strings bool // blocks are strings, not rounds
}

// group finds or begins an accessory's group.
func (l *impactList) group(r listRow) (*scoring.Group, error) {
	name := r.fields["accessory"]
	if name == "" {
		return nil, withHint(fmt.Errorf("%s: the accessory is missing", r.at()), "every line begins with the accessory's name, as in North,12.5,-31")
	}
	if i, ok := l.index[name]; ok {
		return &l.groups[i], nil
	}
	for _, g := range l.groups {
		if strings.EqualFold(g.Accessory, name) {
			return nil, withHint(fmt.Errorf("%s: %q was %q before", r.at(), name, g.Accessory), "write every accessory in one way")
		}
	}
	l.index[name] = len(l.groups)
	l.groups = append(l.groups, scoring.Group{Accessory: name})
	return &l.groups[len(l.groups)-1], nil
}

func (l *impactList) add(r listRow) error {
	what := strings.ToLower(r.fields["x_mm"])
	if what == "jam" || r.fields["set_aside"] == sheet.Sighter {
		return nil
	}
	g, err := l.group(r)
	if err != nil {
		return err
	}
	if what == "miss" || what == "skip" {
		g.Misses++
		return nil
	}
	im := scoring.Impact{ID: r.fields["id"], Accessory: g.Accessory, Block: r.fields["block"], Flyer: cmp.Or(r.fields["flyer"], r.fields["cause"])}
	if str := r.fields["string"]; im.Block == "" && str != "" {
		im.Block, l.strings = str, true
	}
	if im.Pos.X, err = r.number("x_mm"); err != nil {
		return err
	}
	if im.Pos.Y, err = r.number("y_mm"); err != nil {
		return err
	}
	if r.fields["sigma_mm"] != "" {
		if im.SigmaMM, err = r.number("sigma_mm"); err != nil {
			return err
		}
		if im.SigmaMM < 0 {
			return fmt.Errorf("%s: sigma_mm cannot be below zero", r.at())
		}
	}
	g.Impacts = append(g.Impacts, im)
	return nil
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
	if !ctx.IsSet("shots") {
		noteMisses(c.Err, name, data, groups)
	}
	return groups, declareShots(groups, ctx.String("shots"))
}

// noteMisses says that measure's own list holds no misses. By the summary beside it, it
// says how many there were and how to have them counted, or nothing when there was none.
func noteMisses(w io.Writer, name string, data []byte, groups []scoring.Group) {
	if !strings.HasPrefix(string(data), sheet.CSVStart) || slices.ContainsFunc(groups, func(g scoring.Group) bool { return g.Misses > 0 }) {
		return
	}
	missed := map[string]int{}
	doc, err := os.ReadFile(filepath.Join(filepath.Dir(name), "summary.json"))
	s, notRead := sheet.Decode(doc)
	if name == "-" || err != nil || notRead != nil {
		fmt.Fprintf(w, "dartfall: note: %s lists what struck the board; where shots missed it, say how many were fired, as in --shots 15\n", inputName(name))
		return
	}
	for _, g := range s.Groups {
		missed[g.Accessory] = g.Missed()
	}
	var who, shots []string
	for _, g := range groups {
		if n := missed[g.Accessory]; n > 0 {
			who = append(who, fmt.Sprintf("%d of %s", n, g.Accessory))
		}
		shots = append(shots, fmt.Sprintf("%s=%d", g.Accessory, len(g.Impacts)+missed[g.Accessory]))
	}
	if len(who) > 0 {
		fmt.Fprintf(w, "dartfall: note: shots that missed the board are not in %s and do not count here: %s; to count them add --shots %s\n",
			name, strings.Join(who, ", "), shellWord(strings.Join(shots, ",")))
	}
}
