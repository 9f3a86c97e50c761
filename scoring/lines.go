package scoring

import (
	"encoding/csv"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// pattern is a regular expression compiled when it is first used: most commands read no
// list, and compiling all of these takes 3 ms, a tenth of a start.
func pattern(expr string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(expr) })
}

var (
	// Times of day and of a recording, and dates. "2:45" is left alone: captions write
	// 245 so; a recording's times begin with a nought.
	times   = pattern(`\b\d{1,2}:[0-5]\d:[0-5]\d(?:[.,]\d{1,3})?\b|\b0\d?:[0-5]\d(?:[.,]\d{1,3})?\b|\b\d{4}-\d{2}-\d{2}\b`)
	justNum = pattern(`^\s*\d+\s*$`)
	remark  = pattern(`^\s*#\s*[^\s\d]`) // but "#3 284" is the third shot
)

// withoutTimes takes away times, dates and remarks, and from caption files (SubRip, WebVTT) the
// lines "FROM --> TO" with the count of the caption above them.
func withoutTimes(lines []string) []string {
	out := make([]string, len(lines))
	for i, line := range lines {
		switch {
		case strings.Contains(line, "-->"), remark().MatchString(line):
		case justNum().MatchString(line) && i+1 < len(lines) && strings.Contains(lines[i+1], "-->"):
		default:
			out[i] = times().ReplaceAllString(line, " ")
		}
	}
	return out
}

var (
	numbersOnly = pattern(`(?i)^[\d\s.,;]*\d[\d\s.,;]*(?:[(\[]?\s*(?:in\s+)?(?:` + unitWords + `)\s*[)\]]?)?\s*$`)
	justName    = pattern(`(?i)^\s*(\pL[\pL\pN _-]*?)\s*(?:[(\[]\s*(?:in\s+)?(?:` + unitWords + `)\s*[)\]])?\s*$`)
	nameFirst   = pattern(`(?i)^\s*(\pL[\pL_-]*)[\s,;=-]+(\d[\d.]*[\s,;]+\d[\d\s.,;]*(?:` + unitWords + `)?|(?:` + unitWords + `)\s+\d[\d\s.,;]*)\s*$`)
	nameAndOne  = pattern(`(?i)^\s*(\pL[\pL\pN _-]*?)(\s*[,;\t=]\s*|\s+)(\d[\d.]*\s*(?:` + unitWords + `)?)\s*$`)
)

// withNames puts the colon behind names that stand alone above columns of numbers, or
// before numbers: every line of the list is then a name, numbers or both, and the first
// begins with a name. A word and a single number may be chatter ("nice 285"): names they
// are behind a comma, or where most come again.
func withNames(lines []string, unit SpeedUnit) []string {
	out := slices.Clone(lines)
	names, numbers := 0, 0
	spaced, distinct := 0, map[string]bool{} // lines of a word, a space and one number
	for i, line := range lines {
		one := nameAndOne().FindStringSubmatch(line)
		if one != nil {
			v, _ := strconv.ParseFloat(strings.Fields(one[3])[0], 64)
			if v*unit.MPS() < slowestMPS || !standsAlone(one[1]) { // a name such as V 2
				one = nil
			}
		}
		switch {
		case strings.TrimSpace(line) == "":
		case numbersOnly().MatchString(line) && names > 0:
			numbers++
		case nameFirst().MatchString(line) && standsAlone(nameFirst().FindStringSubmatch(line)[1]):
			names, numbers = names+1, numbers+1
			out[i] = nameFirst().ReplaceAllString(line, "$1: $2")
		case one != nil:
			names, numbers = names+1, numbers+1
			if strings.TrimSpace(one[2]) == "" {
				spaced++
				distinct[one[1]] = true
			}
			out[i] = one[1] + ": " + one[3]
		case standsAlone(line):
			names++
			out[i] = strings.TrimSpace(line) + ":"
		default:
			return lines
		}
	}
	if numbers == 0 || spaced < 2*len(distinct) {
		return lines
	}
	return out
}

// standsAlone tells whether a line is a name and nothing else, but for a unit in brackets.
func standsAlone(line string) bool {
	m := justName().FindStringSubmatch(line)
	if m == nil {
		return false
	}
	word := strings.ToLower(m[1])
	first, _, _ := strings.Cut(word, " ")
	return isName(m[1]) && !slices.Contains(notSpeeds, first) && !unread().MatchString(line) && !scratched().MatchString(line) && !takenBack().MatchString(line) &&
		!strings.HasPrefix(word, "same") && !slices.Contains(noNames, word) && unitOf(word) == ""
}

var counted = pattern(`^\s*(\d+)\s*[,;.\t ]\s*(\d.*)$`)

// withoutCounts takes the first number off every line when these count the shots: 1, 2
// and so on.
func withoutCounts(lines []string) []string {
	out := slices.Clone(lines)
	count := 0
	for i, line := range lines {
		if strings.TrimSpace(line) == "" {
			continue
		}
		m := counted().FindStringSubmatch(line)
		count++
		if m == nil || strings.TrimLeft(m[1], "0") != strconv.Itoa(count) {
			return lines
		}
		out[i] = m[2]
	}
	if count < 2 {
		return lines
	}
	return out
}

// commaChain is numbers with nothing but commas between them.
var commaChain = pattern(`\d+(?:\.\d+)?(?:,\d+(?:\.\d+)?)+`)

// semicolons stand between readings, or behind the last: those of a remark say nothing.
var semicolons = pattern(`(?i)(?:\d|` + unitWords + `)\s*;\s*(?:\d|$)`)

// withCommas puts a space behind the commas that separate readings, and leaves those that
// begin decimals. unsure tells that pairs such as "98,99" may be either in this text.
func withCommas(lines []string, unit SpeedUnit) (out []string, unsure bool) {
	decimals := slices.ContainsFunc(lines, semicolons().MatchString)
	separators := false
	for _, line := range lines {
		for _, chain := range commaChain().FindAllString(line, -1) {
			kind := commasOf(chain, unit)
			decimals, separators, unsure = decimals || kind == beginDecimals, separators || kind == separateReadings, unsure || kind == eitherComma
		}
	}
	unsure = unsure && decimals == separators
	out = make([]string, len(lines))
	for i, line := range lines {
		out[i] = commaChain().ReplaceAllStringFunc(line, func(chain string) string {
			if kind := commasOf(chain, unit); kind == separateReadings || kind == eitherComma && separators && !decimals {
				return strings.ReplaceAll(chain, ",", ", ")
			}
			return chain
		})
	}
	return out, unsure
}

// What the commas of a chain do.
type commas int

const (
	eitherComma commas = iota
	beginDecimals
	separateReadings
)

// commasOf looks at one chain: decimals have one or two digits and come one to a number,
// and readings are speeds that a dart can have, written without a leading nought; two of
// them lie near each other.
func commasOf(chain string, unit SpeedUnit) commas {
	pieces := strings.Split(chain, ",")
	speeds, nought := 0, false // among what would be decimals
	for i := 1; i < len(pieces); i += 2 {
		nought = nought || len(pieces[i]) == 2 && pieces[i][0] == '0'
		if v, _ := strconv.ParseFloat(pieces[i], 64); v*unit.MPS() >= slowestMPS {
			speeds++
		}
	}
	long := slices.ContainsFunc(pieces[1:], func(s string) bool { return len(s) > 2 })
	switch {
	case strings.Contains(chain, ".") || long:
		return separateReadings
	case nought:
		return beginDecimals
	case len(pieces)%2 == 1:
		return separateReadings
	case speeds == 0:
		return beginDecimals
	case len(pieces) > 2:
		return separateReadings
	}
	a, _ := strconv.ParseFloat(pieces[0], 64)
	b, _ := strconv.ParseFloat(pieces[1], 64)
	if math.Abs(a-b) > farOff*math.Max(a, b) {
		return beginDecimals
	}
	return eitherComma
}

// tableRow is one reading of a table with a heading.
type tableRow struct {
	name, value, unit string
	line              int
}

// holdsNumber finds a number, but not that of a name such as V1.
var holdsNumber = pattern(`(?:^|[^\pL\d])\d`)

// readTable reads a table whose heading names a column of speeds, or one string above each
// column of numbers; false when there is none. unused are the headings of what it passed
// over.
func readTable(text string) (rows []tableRow, unused []string, ok bool) {
	records, at := readCells(text)
	if len(records) < 2 || len(records[0]) < 2 || holdsNumber().MatchString(strings.Join(records[0], " ")) {
		return nil, nil, false
	}
	cell := func(i, column int) string {
		if column < 0 || column >= len(records[i]) {
			return ""
		}
		return strings.TrimSpace(records[i][column])
	}
	name := -1
	var columns []tableRow // of speeds: name from the heading, unit, and the column as line
	numbers := true        // nothing but numbers below the heading
	for i, h := range records[0] {
		word := strings.ToLower(strings.TrimSpace(h))
		title, unit := strings.TrimSpace(h), ""
		if m := stringTag().FindStringSubmatch(h + ":"); m != nil && m[2] != "" {
			title, unit = m[1], m[2]
		} else if m := unitWord().FindString(h); m != "" {
			title, unit = "", m
		}
		if slices.Contains(noNames, strings.ToLower(title)) {
			title = ""
		}
		switch {
		case slices.Contains([]string{"accessory", "string", "name"}, word):
			name, numbers = i, false
		case slices.Contains(counts, word):
		case unit != "" || slices.Contains([]string{"speed", "velocity", "reading"}, word):
			columns = append(columns, tableRow{name: title, unit: unit, line: i})
		default:
			unused = append(unused, strings.TrimSpace(h))
			for k := range records[1:] {
				c := cell(k+1, i)
				numbers = numbers && (c == "" || numbersOnly().MatchString(c) || unread().MatchString(c))
			}
		}
	}
	if len(columns) == 0 && numbers && len(unused) > 1 && !slices.ContainsFunc(unused, func(h string) bool { return !standsAlone(h) }) {
		for i, h := range records[0] {
			if h = strings.TrimSpace(h); slices.Contains(unused, h) {
				columns = append(columns, tableRow{name: h, line: i})
			}
		}
		unused = nil
	}
	if len(columns) == 0 {
		return nil, nil, false
	}
	if name >= 0 || slices.ContainsFunc(columns, func(c tableRow) bool { return c.name == "" }) {
		// One column of speeds: the first with a unit, else the first.
		k := max(0, slices.IndexFunc(columns, func(c tableRow) bool { return c.unit != "" }))
		for i, c := range columns {
			if i != k {
				unused = append(unused, strings.TrimSpace(records[0][c.line]))
			}
		}
		columns = columns[k : k+1]
		columns[0].name = ""
	}
	for _, c := range columns {
		for i := range records[1:] {
			row := tableRow{name: c.name, value: cell(i+1, c.line), unit: c.unit, line: at[i+1]}
			if name >= 0 {
				row.name = cell(i+1, name)
			}
			rows = append(rows, row)
		}
	}
	return rows, slices.DeleteFunc(unused, func(h string) bool { return h == "" }), true
}

var (
	unitWord = pattern(`(?i)` + unitWords)
	// counts head a column of the shots' own numbers.
	counts = []string{"shot", "shots", "#", "no", "no.", "nr", "number"}
)

// readCells takes a table apart; at are the lines of the text, counted from 1. Nothing for
// a text that is no table.
func readCells(text string) (records [][]string, at []int) {
	r := csv.NewReader(strings.NewReader(text))
	heading, _, _ := strings.Cut(strings.TrimLeft(text, "\r\n"), "\n")
	for _, sep := range ";\t" {
		if strings.ContainsRune(heading, sep) {
			r.Comma = sep
			break
		}
	}
	r.FieldsPerRecord, r.LazyQuotes, r.TrimLeadingSpace = -1, true, r.Comma != '\t'
	for {
		rec, err := r.Read()
		if err == io.EOF {
			return records, at
		}
		if err != nil {
			return nil, nil
		}
		line, _ := r.FieldPos(0)
		records, at = append(records, rec), append(at, line)
	}
}
