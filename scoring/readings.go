package scoring

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// SpeedUnit is the unit of a list of readings.
type SpeedUnit string

const (
	FeetPerSecond   SpeedUnit = "fps"
	MetresPerSecond SpeedUnit = "m/s"
)

// MPS is one such unit in m/s; the foot is exact (international yard, 1959).
func (u SpeedUnit) MPS() float64 {
	if u == FeetPerSecond {
		return 0.3048
	}
	return 1
}

// Reading is one chronograph value as written or spoken. Nothing is ever changed
// silently: Value is what the text says, Likely what was probably meant.
type Reading struct {
	Text string `json:"text"` // the words it came from
	Line int    `json:"line"` // counted from 1
	// Value is in the unit of the list; Unit is the unit the text gives it, when that is
	// another one.
	Value float64   `json:"value"`
	Unit  SpeedUnit `json:"unit,omitempty"`
	// Corrected marks a reading taken back by a later "sorry"; it does not count.
	Corrected bool `json:"corrected,omitempty"`
	// Slip names what probably went wrong, "" for an ordinary reading; Likely is then
	// what was probably meant, empty when nothing fits.
	Slip   string    `json:"slip,omitempty"`
	Likely []float64 `json:"likely,omitempty"`
}

// Unread is a shot that the text tells of but gives no reading for: a skip, a jam, a
// trigger that did not register.
type Unread struct {
	Text string `json:"text"`
	Line int    `json:"line"`
}

// ReadingString is the readings of one accessory, Name "" when the text names none.
type ReadingString struct {
	Name     string    `json:"name"`
	Readings []Reading `json:"readings"`
	Unread   []Unread  `json:"unread,omitempty"`
	// Notes say, one line each, what was taken for granted, or cannot be told.
	Notes []string `json:"notes,omitempty"`
}

// ReadingList is a text's strings in order of appearance; Notes say what of the text was
// passed over.
type ReadingList struct {
	Strings []ReadingString `json:"strings"`
	Notes   []string        `json:"notes,omitempty"`
}

// ParseReadings reads chronograph values from a list, a pasted column, a table with a
// heading, or the words of a speech-to-text caption: "284", "two eighty four", "2 .84",
// "same again", "sorry, 287". A line that begins with a name and a colon starts that
// accessory's string. unit is that of numbers without one: a unit in a heading or before
// numbers is that of those behind it, and one that stands once with a string's readings is
// that of all, where they are as large. Text without numbers gives none; it never fails.
func ParseReadings(text string, unit SpeedUnit) ReadingList {
	p := parser{unit: unit, index: map[string]int{}, current: -1, ahead: map[int]*aheadUnit{}}
	text = strings.TrimPrefix(text, "\ufeff") // the mark that some editors put first
	if rows, unused, ok := readTable(text); ok {
		for _, r := range rows {
			p.to(r.name)
			p.read(r.value+" "+r.unit, r.line)
		}
		if len(unused) > 0 {
			p.notes = append(p.notes, fmt.Sprintf("columns passed over: %s (readings stand under fps, m/s or speed, names under accessory)", strings.Join(unused, ", ")))
		}
	} else {
		lines := withoutCounts(withNames(withoutTimes(strings.Split(text, "\n")), unit))
		lines, p.unsureCommas = withCommas(lines, unit)
		for i, line := range lines {
			if m := stringTag().FindStringSubmatch(line); m != nil && m[1]+m[2] != "" && isName(m[1]) {
				if !slices.Contains(noNames, strings.ToLower(m[1])) {
					p.to(leadIn().ReplaceAllString(m[1], ""))
					p.tagged = true
				}
				line = m[2] + " " + m[3]
			}
			p.read(line, i+1)
			p.tagged = false
		}
	}
	p.resolveUnits()
	flagSlips(p.out, unit)
	if len(p.passed) > 0 {
		p.notes = append(p.notes, "passed over: "+someOf(p.passed, 8)+` (a name stands before a colon, as in "North: 284")`)
	}
	return ReadingList{p.out, p.notes}
}

var (
	// A name, a unit or both before a colon.
	stringTag = pattern(`(?i)^\s*(\pL[\pL\pN _-]*?)??\s*(?:[(\[]?\b(?:in\s+)?(` + unitWords + `)\s*[)\]]?)?\s*:\s*(.*)$`)
	// Words before a name that are none of it: "and the Reed".
	leadIn = pattern(`(?i)^(?:(?:and|now|then|next|so|ok|okay)\s+)+(?:the\s+)?|^the\s+`)
	// Shot numbers before a reading: "shot 3:", "#3", "3)".
	ordinal   = pattern(`(?i)\b(?:shot|number|no\.|dart)\s*#?\d{1,2}\b[:.,]?|#\d+[:.]?|\b\d{1,2}(?:st|nd|rd|th)\b[:.,]?|^\s*\d+\s*[):]\s+`)
	unread    = pattern(`(?i)\b(?:skip(?:s|ped)?|jam(?:s|med)?|miss(?:ed)?|misfired?|dud|double feed|no read(?:ing)?|(?:did not|didn.?t) (?:register|read|fire)|error|err)\b`)
	takenBack = pattern(`(?i)\b(?:sorry|correction|make that|i mean|no,? wait)\b`)
	scratched = pattern(`(?i)\bscratch (?:that|it)\b`)
	glued     = pattern(`(\d)(\pL)`)
	tokens    = pattern(`(?i)\d+(?:\s*\.\d+|,\d{1,2}\b)?|\.\d+|` + unitWords + `|\pL+|[,;.°%]`)
)

// unitWords match a unit of speed.
const unitWords = `fps|ft/s|feet per second|m/s|mps|metres per second|meters per second`

// aside are words after a number that tell it was no speed.
var aside = []string{"°", "%", "degree", "degrees", "percent", "m", "metre", "metres", "meter", "meters", "yard", "yards", "feet", "ft", "cm", "mm", "g", "gram", "grams", "minute", "minutes", "second", "seconds", "shots", "darts", "am", "pm", "oclock", "v", "volt", "volts"}

// fillers are sounds between the words of a number.
var fillers = []string{"uh", "um", "er", "erm"}

// Words before a number that tell it is no speed, or one of a whole string.
var (
	notSpeeds = []string{"wind", "gust", "gusts", "temperature", "cap", "limit"}
	totals    = []string{"average", "avg", "mean", "sd", "deviation", "es", "spread", "min", "minimum", "max", "maximum"}
)

// noNames are words of a heading, or of speech, that name no string.
var noNames = slices.Concat(totals, notSpeeds, fillers, []string{"fps", "speed", "speeds", "velocity", "velocities", "reading", "readings", "unit", "units", "all", "in", "ditto", "and", "then", "so", "ok", "okay", "next"})

// isName tells a name before a colon from the number of a shot.
func isName(s string) bool {
	words := strings.Fields(strings.ToLower(s))
	return len(words) == 0 || !isNumberWord(words[0]) && !slices.Contains([]string{"shot", "number", "dart", "no"}, words[0])
}

// silent are words of speech that need not be spoken of when they are passed over.
var silent = slices.Concat(fillers, []string{"a", "all", "and", "are", "at", "first", "for", "got", "i", "in", "is", "it", "just", "last", "next", "now", "of", "ok", "okay", "on", "one", "readings", "reading", "second", "so", "speed", "speeds", "that", "the", "then", "third", "this", "to", "unit", "units", "velocity", "was", "we", "with"})

// parser gathers strings from lines of text.
type parser struct {
	unit    SpeedUnit
	out     []ReadingString
	index   map[string]int // of out, by name
	current int
	line    int
	// pending is the last number read, until what follows tells whether it was a speed;
	// replaces tells that it takes back the one before, on the line before where "sorry" ends
	// that line.
	pending  *Reading
	replaces bool
	counting bool // the next number word may be the shot's own: "shot two"
	notSpeed bool // the next number is none
	// unsureCommas tells that "98,99" may be two readings.
	unsureCommas bool
	total        string // what the next number is of the whole string, "" for a reading
	dropped      bool   // the last number was none, so a unit behind it is of nothing
	tagged       bool   // the line at hand began with a name
	// ahead holds the units that stand before numbers, by string, -1 for the whole list.
	ahead  map[int]*aheadUnit
	passed []string // what was passed over
	notes  []string
}

// aheadUnit is a unit that stands before the numbers it is of. Nothing may follow: it was
// then written last, and is of what stands before it.
type aheadUnit struct {
	unit SpeedUnit
	used bool
}

// to makes a string current.
func (p *parser) to(name string) {
	i, ok := p.index[name]
	if !ok {
		i = len(p.out)
		p.index[name] = i
		p.out = append(p.out, ReadingString{Name: name})
	}
	if i != p.current {
		p.replaces = false
	}
	p.current = i
}

func (p *parser) string() *ReadingString {
	if p.current < 0 {
		p.to("")
	}
	return &p.out[p.current]
}

// read walks one line.
func (p *parser) read(line string, number int) {
	p.line, p.counting, p.notSpeed, p.total, p.dropped = number, false, false, "", false
	for _, text := range unread().FindAllString(line, -1) {
		s := p.string()
		s.Unread = append(s.Unread, Unread{strings.ToLower(text), number})
	}
	line = takenBack().ReplaceAllString(unread().ReplaceAllString(ordinal().ReplaceAllString(line, " "), " ; "), " sorry ")
	line = scratched().ReplaceAllString(line, " scratched ")
	line = glued().ReplaceAllString(line, "$1 $2")
	all := tokens().FindAllString(line, -1)
	p.walk(all)
	if len(all) > 0 {
		p.replaces = p.replaces && endsInSorry(all)
	}
}

// endsInSorry tells that the last word takes something back, and what goes in its place is
// still to come.
func endsInSorry(all []string) bool {
	for _, tok := range slices.Backward(all) {
		switch low := strings.ToLower(tok); {
		case low == "sorry" || low == "no":
			return true
		case tok != "," && tok != "." && tok != ";" && !slices.Contains(fillers, low):
			return false
		}
	}
	return false
}

// walk gathers number words into numbers and heeds every other token.
func (p *parser) walk(all []string) {
	var words []string
	for i, tok := range all {
		low := strings.ToLower(tok)
		switch {
		case isNumberWord(low) || low == "point":
			words = append(words, low)
		case low == "and" && len(words) > 0 && words[len(words)-1] == "hundred":
			// "two hundred and four" is one number
		case slices.Contains(fillers, low):
		default:
			p.inWords(words)
			if low == "for" && len(words) > 0 && wantsDigit(words[len(words)-1]) && !startsWord(all[i+1:]) {
				p.misheardFour()
			}
			words = nil
			p.heed(tok, all[i+1:])
		}
	}
	p.inWords(words)
	p.settle()
}

// heed takes a token that is no number word; rest follows it.
func (p *parser) heed(tok string, rest []string) {
	low := strings.ToLower(tok)
	switch {
	case isNumeral(tok):
		v, err := strconv.ParseFloat(strings.ReplaceAll(strings.Join(strings.Fields(tok), ""), ",", "."), 64)
		if err == nil {
			p.found(tok, v)
		}
		if p.pending != nil && p.unsureCommas && strings.Contains(tok, ",") && commasOf(tok, p.unitNow()) == eitherComma {
			p.pending.Slip = slipComma
		}
	case unitOf(low) != "":
		p.inUnit(tok, unitOf(low))
	case tok == "," || tok == ";" || tok == ".":
		p.settle()
	case slices.Contains(aside, low):
		if p.pending != nil {
			p.pass(p.pending.Text + " " + tok)
		}
		p.pending = nil
	case low == "shot" || low == "number" || low == "dart":
		p.counting = true
	case slices.Contains(notSpeeds, low):
		p.notSpeed = true
	case slices.Contains(totals, low):
		p.total = low
	case low == "same" || low == "ditto":
		p.again(low)
	case low == "sorry":
		p.settle()
		p.replaces = true
	case low == "no":
		p.settle()
		p.replaces = p.replaces || p.readOnLine() && startsNumber(rest)
	case low == "scratched":
		p.settle()
		p.takeBack()
	case !slices.Contains(silent, low) && unicode.IsLetter([]rune(tok)[0]):
		p.pass(tok)
	}
}

// pass notes once what is passed over.
func (p *parser) pass(text string) {
	if !slices.Contains(p.passed, text) {
		p.passed = append(p.passed, text)
	}
}

// someOf lists the first of some words.
func someOf(words []string, most int) string {
	if len(words) > most {
		return strings.Join(words[:most], ", ") + fmt.Sprintf(" and %d more", len(words)-most)
	}
	return strings.Join(words, ", ")
}

// isNumeral tells a token that begins with digits.
func isNumeral(tok string) bool {
	return tok[0] >= '0' && tok[0] <= '9' || tok[0] == '.' && len(tok) > 1
}

// startsNumber tells whether the next of these tokens that is no comma or stop begins a
// number.
func startsNumber(rest []string) bool {
	for _, tok := range rest {
		if tok != "," && tok != "." && tok != ";" {
			return isNumeral(tok) || isNumberWord(strings.ToLower(tok))
		}
	}
	return false
}

// startsWord tells whether the next of these tokens is a word and no number.
func startsWord(rest []string) bool {
	return len(rest) > 0 && unicode.IsLetter([]rune(rest[0])[0]) && !startsNumber(rest)
}

// misheardFour marks "two eighty for", which a caption may mean by 284.
func (p *parser) misheardFour() {
	if p.pending != nil {
		p.pending.Text += " for"
		p.pending.Slip, p.pending.Likely = slipMisheard, []float64{p.pending.Value + 4}
	}
}

// inWords takes the numbers of a run of number words.
func (p *parser) inWords(words []string) {
	if len(words) == 0 {
		return
	}
	if p.counting {
		words = withoutOrdinal(words)
	}
	p.counting = false
	for _, number := range apart(words, p.unitNow()) {
		if v, ok := spoken(number); ok {
			p.found(strings.Join(number, " "), v)
		}
	}
}

// unitOf reads a unit of speed, "" for any other word.
func unitOf(low string) SpeedUnit {
	switch low {
	case "fps", "ft/s", "feet per second":
		return FeetPerSecond
	case "m/s", "mps", "metres per second", "meters per second":
		return MetresPerSecond
	}
	return ""
}

// found holds a number back until it is settled that it is a reading.
func (p *parser) found(text string, v float64) {
	p.settle()
	p.dropped = !(v > 0 && v < 1e9) || p.notSpeed
	if !p.dropped {
		p.pending = &Reading{Text: text, Line: p.line, Value: v, Unit: p.unitAhead()}
		if p.total != "" {
			p.pending.Text, p.pending.Slip = p.total+" "+text, slipTotal
		}
	}
	p.notSpeed, p.total = false, ""
}

// again repeats the last reading; without one it is a shot without a reading.
func (p *parser) again(text string) {
	p.settle()
	s := p.string()
	if n := len(s.Readings); n > 0 {
		p.pending = &Reading{Text: "same again", Line: p.line, Value: s.Readings[n-1].Value, Unit: s.Readings[n-1].Unit}
	} else {
		s.Unread = append(s.Unread, Unread{text, p.line})
	}
}

// settle takes the pending number as a reading.
func (p *parser) settle() {
	if p.pending == nil {
		return
	}
	if p.replaces && p.pending.Slip != slipTotal {
		p.takeBack()
	}
	s := p.string()
	s.Readings = append(s.Readings, *p.pending)
	p.pending, p.replaces = nil, false
}

// readOnLine tells whether the last reading is of the line at hand.
func (p *parser) readOnLine() bool {
	if p.current < 0 {
		return false
	}
	rs := p.out[p.current].Readings
	return len(rs) > 0 && rs[len(rs)-1].Line == p.line
}

// takeBack marks the last reading as one that does not count.
func (p *parser) takeBack() {
	if rs := p.string().Readings; len(rs) > 0 {
		rs[len(rs)-1].Corrected = true
	}
}
