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
)

// withoutTimes takes away times and dates, and from caption files (SubRip, WebVTT) the
// lines "FROM --> TO" with the count of the caption above them.
func withoutTimes(lines []string) []string {
	out := make([]string, len(lines))
	for i, line := range lines {
		switch {
		case strings.Contains(line, "-->"):
		case justNum().MatchString(line) && i+1 < len(lines) && strings.Contains(lines[i+1], "-->"):
		default:
			out[i] = times().ReplaceAllString(line, " ")
		}
	}
	return out
}

var (
	numbersOnly = pattern(`(?i)^[\d\s.,;]*\d[\d\s.,;]*(?:fps|ft/s|m/s|mps)?\s*$`)
	justName    = pattern(`^\s*\pL[\pL\pN _-]*$`)
	nameFirst   = pattern(`(?i)^\s*(\pL[\pL_-]*)[\s,;=-]+(\d[\d.]*[\s,;]+\d[\d\s.,;]*(?:fps|ft/s|m/s|mps)?)\s*$`)
)

// withNames puts the colon behind names that stand alone above columns of numbers, or
// before two numbers and more: every line of the list is then a name, numbers or both,
// and the first begins with a name.
func withNames(lines []string) []string {
	out := slices.Clone(lines)
	names, numbers := 0, 0
	for i, line := range lines {
		switch {
		case strings.TrimSpace(line) == "":
		case numbersOnly().MatchString(line) && names > 0:
			numbers++
		case nameFirst().MatchString(line) && standsAlone(nameFirst().FindStringSubmatch(line)[1]):
			names, numbers = names+1, numbers+1
			out[i] = nameFirst().ReplaceAllString(line, "$1: $2")
		case standsAlone(line):
			names++
			out[i] = strings.TrimSpace(line) + ":"
		default:
			return lines
		}
	}
	if numbers == 0 {
		return lines
	}
	return out
}

// standsAlone tells whether a line is a name and nothing else.
func standsAlone(line string) bool {
	word := strings.ToLower(strings.TrimSpace(line))
	noNames := slices.Concat(totals, notSpeeds, fillers, []string{"fps", "speed", "speeds", "velocity", "reading", "readings", "ditto", "and", "then", "so", "ok", "okay", "next"})
	return justName().MatchString(line) && isName(line) && !unread().MatchString(line) && !scratched().MatchString(line) && !takenBack().MatchString(line) &&
		!strings.HasPrefix(word, "same") && !slices.Contains(noNames, word)
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

// withCommas puts a space behind the commas that separate readings, and leaves those that
// begin decimals. unsure tells that pairs such as "98,99" may be either in this text.
func withCommas(lines []string, unit SpeedUnit) (out []string, unsure bool) {
	decimals := strings.Contains(strings.Join(lines, ""), ";")
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
// and readings are speeds that a dart can have; two of them lie near each other.
func commasOf(chain string, unit SpeedUnit) commas {
	pieces := strings.Split(chain, ",")
	speeds := 0 // among what would be decimals
	for i := 1; i < len(pieces); i += 2 {
		if v, _ := strconv.ParseFloat(pieces[i], 64); v*unit.MPS() >= slowestMPS {
			speeds++
		}
	}
	long := slices.ContainsFunc(pieces[1:], func(s string) bool { return len(s) > 2 })
	switch {
	case len(pieces)%2 == 1 || strings.Contains(chain, ".") || long:
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

// tableRow is one line of a table with a heading.
type tableRow struct {
	name, value, unit string
	line              int
}

// holdsNumber finds a number, but not that of a name such as V1.
var holdsNumber = pattern(`(?:^|[^\pL\d])\d`)

// readTable reads a table whose heading names a column of speeds; false when there is
// none.
func readTable(text string) ([]tableRow, bool) {
	r := csv.NewReader(strings.NewReader(text))
	heading, _, _ := strings.Cut(strings.TrimLeft(text, "\r\n"), "\n")
	for _, sep := range ";\t" {
		if strings.ContainsRune(heading, sep) {
			r.Comma = sep
			break
		}
	}
	r.FieldsPerRecord, r.LazyQuotes, r.TrimLeadingSpace = -1, true, true
	var records [][]string
	var at []int // lines of the text
	for {
		rec, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, false
		}
		line, _ := r.FieldPos(0)
		records, at = append(records, rec), append(at, line)
	}
	if len(records) < 2 || len(records[0]) < 2 || holdsNumber().MatchString(heading) {
		return nil, false
	}
	name, value, unit := -1, -1, ""
	for i, h := range records[0] {
		switch h = strings.ToLower(strings.TrimSpace(h)); {
		case slices.Contains([]string{"accessory", "string", "name"}, h):
			name = i
		case strings.Contains(h, "m/s"):
			value, unit = i, string(MetresPerSecond)
		case strings.Contains(h, "fps") || strings.Contains(h, "ft/s"):
			value, unit = i, string(FeetPerSecond)
		case value < 0 && slices.Contains([]string{"speed", "velocity", "reading"}, h):
			value = i
		}
	}
	if value < 0 {
		return nil, false
	}
	var rows []tableRow
	for i, rec := range records[1:] {
		row := tableRow{unit: unit, line: at[i+1]}
		if name >= 0 && name < len(rec) {
			row.name = strings.TrimSpace(rec[name])
		}
		if value < len(rec) {
			row.value = rec[value]
			rows = append(rows, row)
		}
	}
	return rows, true
}
