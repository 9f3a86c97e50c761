package scoring

import (
	"encoding/csv"
	"regexp"
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
}

// ParseReadings reads chronograph values from a list, a pasted column, a table with a
// heading, or the words of a speech-to-text caption: "284", "two eighty four", "2 .84",
// "same again", "sorry, 287". A line that begins with a name and a colon starts that
// accessory's string. unit is that of numbers without one. Text without numbers gives
// none; it never fails.
func ParseReadings(text string, unit SpeedUnit) []ReadingString {
	p := parser{unit: unit, index: map[string]int{}, current: -1}
	if rows, ok := readTable(text); ok {
		for _, r := range rows {
			p.to(r.name)
			p.read(r.value+" "+r.unit, r.line)
		}
	} else {
		lines := withoutCounts(withNames(withoutTimes(strings.Split(text, "\n"))))
		for i, line := range lines {
			if m := stringTag.FindStringSubmatch(line); m != nil && isName(m[1]) {
				p.to(m[1])
				line = m[2]
			}
			p.read(line, i+1)
		}
	}
	flagSlips(p.out, unit)
	return p.out
}

var wordValues = map[string]int{"zero": 0, "oh": 0, "o": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9,
	"ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15, "sixteen": 16, "seventeen": 17, "eighteen": 18, "nineteen": 19,
	"twenty": 20, "thirty": 30, "forty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90, "hundred": 100}

var (
	stringTag = regexp.MustCompile(`^\s*([\pL][\pL\pN _-]*?)\s*:\s*(.*)$`)
	// Shot numbers before a reading: "shot 3:", "#3", "3)".
	ordinal   = regexp.MustCompile(`(?i)\b(?:shot|number|no\.|dart)\s*#?\d{1,2}\b[:.,]?|#\d+[:.]?|^\s*\d+\s*[):]\s+`)
	unread    = regexp.MustCompile(`(?i)\b(?:skip(?:s|ped)?|jam(?:s|med)?|miss(?:ed)?|misfired?|dud|double feed|no read(?:ing)?|(?:did not|didn.?t) (?:register|read|fire)|error|err)\b`)
	takenBack = regexp.MustCompile(`(?i)\b(?:sorry|correction|make that|i mean|no,? wait)\b`)
	scratched = regexp.MustCompile(`(?i)\bscratch (?:that|it)\b`)
	glued     = regexp.MustCompile(`(\d)(\pL)`)
	tokens    = regexp.MustCompile(`(?i)\d+(?:\s*\.\d+|,\d{1,2}\b)?|\.\d+|fps|ft/s|feet per second|m/s|mps|metres per second|meters per second|\pL+|[,;.°%]`)
)

// aside are words after a number that tell it was no speed.
var aside = []string{"°", "%", "degree", "degrees", "percent", "m", "metre", "metres", "meter", "meters", "yard", "yards", "feet", "ft", "cm", "mm", "g", "gram", "grams", "minute", "minutes", "second", "seconds", "shots", "darts", "am", "pm", "oclock"}

func isNumberWord(s string) bool { _, ok := wordValues[s]; return ok }

// fillers are sounds between the words of a number.
var fillers = []string{"uh", "um", "er", "erm"}

// Words before a number that tell it is no speed, or one of a whole string.
var (
	notSpeeds = []string{"wind", "gust", "temperature"}
	totals    = []string{"average", "avg", "mean", "sd", "deviation", "es", "spread", "min", "minimum", "max", "maximum"}
)

// isName tells a name before a colon from the number of a shot.
func isName(s string) bool {
	first := strings.Fields(strings.ToLower(s))[0]
	return !isNumberWord(first) && !slices.Contains([]string{"shot", "number", "dart", "no"}, first)
}

// tableRow is one line of a table with a heading.
type tableRow struct {
	name, value, unit string
	line              int
}

// holdsNumber finds a number, but not that of a name such as V1.
var holdsNumber = regexp.MustCompile(`(?:^|[^\pL\d])\d`)

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
	records, err := r.ReadAll()
	if err != nil || len(records) < 2 || len(records[0]) < 2 || holdsNumber.MatchString(heading) {
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
		row := tableRow{unit: unit, line: i + 2}
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

// parser gathers strings from lines of text.
type parser struct {
	unit    SpeedUnit
	out     []ReadingString
	index   map[string]int // of out, by name
	current int
	line    int
	// pending is the last number read, until what follows tells whether it was a speed;
	// replaces tells that it takes back the one before.
	pending  *Reading
	replaces bool
	counting bool   // the next number word may be the shot's own: "shot two"
	notSpeed bool   // the next number is none
	total    string // what the next number is of the whole string, "" for a reading
}

// to makes a string current.
func (p *parser) to(name string) {
	i, ok := p.index[name]
	if !ok {
		i = len(p.out)
		p.index[name] = i
		p.out = append(p.out, ReadingString{Name: name})
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
	p.line, p.replaces, p.counting, p.notSpeed, p.total = number, false, false, false, ""
	for _, text := range unread.FindAllString(line, -1) {
		s := p.string()
		s.Unread = append(s.Unread, Unread{strings.ToLower(text), number})
	}
	line = takenBack.ReplaceAllString(unread.ReplaceAllString(ordinal.ReplaceAllString(line, " "), " ; "), " sorry ")
	line = scratched.ReplaceAllString(line, " scratched ")
	line = glued.ReplaceAllString(line, "$1 $2")
	p.walk(tokens.FindAllString(line, -1))
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
	case unitOf(low) != "":
		p.inUnit(tok, unitOf(low))
	case tok == "," || tok == ";" || tok == ".":
		p.settle()
	case slices.Contains(aside, low):
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
	}
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

// wantsDigit tells whether a digit often follows a number word: "eighty".
func wantsDigit(word string) bool { return wordValues[word] >= 20 && wordValues[word] < 100 }

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
	for _, number := range apart(words, p.unit) {
		if v, ok := spoken(number); ok {
			p.found(strings.Join(number, " "), v)
		}
	}
}

// withoutOrdinal takes the number of a shot off the words after "shot": of "shot two two
// ninety" 290 is left. "Shot two eighty four" has no number to spare.
func withoutOrdinal(words []string) []string {
	if v, ok := spoken(words); wordValues[words[0]] > 12 || ok && v >= 100 && v < 1000 {
		return words
	}
	return words[1:]
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
	if v > 0 && v < 1e9 && !p.notSpeed {
		p.pending = &Reading{Text: text, Line: p.line, Value: v}
		if p.total != "" {
			p.pending.Text, p.pending.Slip = p.total+" "+text, slipTotal
		}
	}
	p.notSpeed, p.total = false, ""
}

// inUnit gives the number before it its unit.
func (p *parser) inUnit(text string, u SpeedUnit) {
	if p.pending == nil || u == p.unit {
		return
	}
	p.pending.Text += " " + text
	p.pending.Unit, p.pending.Value = u, p.pending.Value*u.MPS()/p.unit.MPS()
}

// again repeats the last reading; without one it is a shot without a reading.
func (p *parser) again(text string) {
	p.settle()
	s := p.string()
	if n := len(s.Readings); n > 0 {
		p.pending = &Reading{Text: "same again", Line: p.line, Value: s.Readings[n-1].Value}
	} else {
		s.Unread = append(s.Unread, Unread{text, p.line})
	}
}

// settle takes the pending number as a reading.
func (p *parser) settle() {
	if p.pending == nil {
		return
	}
	if p.replaces {
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

// apart cuts a run of number words where several readings were spoken without a pause:
// "two eighty four two ninety" is 284 and 290. A run that makes one number of up to
// three digits stays whole, and so does one with no way, or more than one, to cut it
// into numbers that speeds in this unit are likely to be.
func apart(words []string, unit SpeedUnit) [][]string {
	const longest = 7          // words of one reading: "two hundred eighty four point two five"
	least, most := 100., 1000. // of a speed that was run together with others
	if unit == MetresPerSecond {
		least, most = 20, 150
	}
	oneReading := func(words []string) bool {
		v, ok := spoken(words)
		point := slices.Index(words, "point")
		return ok && v < 1000 && len(words) <= longest && (point < 0 || len(words)-point <= 3)
	}
	if oneReading(words) {
		return [][]string{words}
	}
	// ways[end] counts the cuts of words[:end], from[end] is where the last number of one
	// of them begins.
	ways, from := make([]int, len(words)+1), make([]int, len(words)+1)
	ways[0] = 1
	for end := 1; end <= len(words); end++ {
		for start := max(0, end-longest); start < end; start++ {
			number := words[start:end]
			if v, _ := spoken(number); ways[start] > 0 && v >= least && v < most && oneReading(number) && words[start] != "hundred" {
				ways[end], from[end] = min(2, ways[end]+ways[start]), start
			}
		}
	}
	if ways[len(words)] != 1 {
		return [][]string{words}
	}
	var numbers [][]string
	for end := len(words); end > 0; end = from[end] {
		numbers = append(numbers, words[from[end]:end])
	}
	slices.Reverse(numbers)
	return numbers
}

// spoken turns number words into a value: "two eighty four" and "two hundred eighty
// four" are 284, "two oh four" and "two four" follow the digits.
func spoken(words []string) (float64, bool) {
	if len(words) == 0 || words[0] == "point" {
		return 0, false
	}
	value, fraction := 0.0, ""
	previous := -1
	point := false
	for _, w := range words {
		if w == "point" {
			point = true
			continue
		}
		v := wordValues[w]
		switch {
		case point:
			fraction += strconv.Itoa(v)
		case v == 100:
			value = max(value, 1) * 100 // "two hundred", "a hundred"
		case previous == 100 || previous >= 20 && v < 10 && v > 0:
			value += float64(v) // "hundred eighty", "eighty four"
		case v >= 10:
			value = value*100 + float64(v) // "two eighty", "two fourteen"
		default:
			value = value*10 + float64(v) // digits
		}
		previous = v
		if value > 1e6 {
			return 0, false
		}
	}
	if fraction != "" {
		f, _ := strconv.ParseFloat("0."+fraction, 64)
		value += f
	}
	return value, value > 0
}
