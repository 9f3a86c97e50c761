package scoring

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Reading is one chronograph value as written or spoken, in the unit of its list.
// Nothing is ever changed silently: Value is what the text says, Likely what was
// probably meant.
type Reading struct {
	Text  string  `json:"text"` // the words it came from
	Line  int     `json:"line"` // counted from 1
	Value float64 `json:"value"`
	// Corrected marks a reading taken back by a later "sorry"; it does not count.
	Corrected bool `json:"corrected,omitempty"`
	// Slip names what probably went wrong, "" for an ordinary reading; Likely is then
	// what was probably meant, empty when nothing fits.
	Slip   string    `json:"slip,omitempty"`
	Likely []float64 `json:"likely,omitempty"`
}

// ReadingString is the readings of one accessory, "" when the text names none.
type ReadingString struct {
	Name     string    `json:"name"`
	Readings []Reading `json:"readings"`
}

// When a reading is looked at, and when a slip explains it.
const (
	farOff   = 0.15 // of the median: looked at; the habit of the trade (common practice, no source)
	fitsNear = 0.12 // of the median: a corrected value must come this near
)

var (
	wordValues = map[string]int{"zero": 0, "oh": 0, "o": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9,
		"ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15, "sixteen": 16, "seventeen": 17, "eighteen": 18, "nineteen": 19,
		"twenty": 20, "thirty": 30, "forty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90, "hundred": 100}
	ordinal   = regexp.MustCompile(`(?i)(\b(shot|number|no\.?|dart)\s*#?\d+\b[:.,]?|#\d+[:.]?|^\s*\d+\s*[):]\s+|^\s*\d+\.\s+)`)
	stringTag = regexp.MustCompile(`^\s*([\pL][\pL\pN _-]*?)\s*:\s*(.*)$`)
	tokens    = regexp.MustCompile(`(?i)\d+\s*[.]\s*\d+|\d+,\d\d?(?:\D|$)|\.\d+|\d+|\pL+|[,;.\n]`)
	units     = regexp.MustCompile(`(?i)\b(fps|ft/s|m/s|mps)\b`)
)

// ParseReadings reads chronograph values from a list, a pasted column or the words of
// a speech-to-text caption: "284", "two eighty four", "2 .84", "same again", "sorry,
// 287". A line that begins with a name and a colon starts that accessory's string.
// Text without numbers gives none; it never fails.
func ParseReadings(text string) []ReadingString {
	var out []ReadingString
	current := -1
	add := func(r Reading) {
		if current < 0 {
			out = append(out, ReadingString{})
			current = 0
		}
		out[current].Readings = append(out[current].Readings, r)
	}
	for i, line := range strings.Split(text, "\n") {
		if m := stringTag.FindStringSubmatch(line); m != nil && !isNumberWord(strings.Fields(strings.ToLower(m[1]))[0]) && !slices.Contains([]string{"shot", "number", "dart", "no"}, strings.ToLower(strings.Fields(m[1])[0])) {
			line = m[2]
			current = slices.IndexFunc(out, func(s ReadingString) bool { return s.Name == m[1] })
			if current < 0 {
				current = len(out)
				out = append(out, ReadingString{Name: m[1]})
			}
		}
		line = units.ReplaceAllString(ordinal.ReplaceAllString(line, " "), " , ")
		readLine(line, i+1, func(r Reading, replaces bool) {
			if current >= 0 && replaces {
				rs := out[current].Readings
				if len(rs) > 0 {
					rs[len(rs)-1].Corrected = true
				}
			}
			add(r)
		}, func() (float64, bool) {
			if current < 0 || len(out[current].Readings) == 0 {
				return 0, false
			}
			rs := out[current].Readings
			return rs[len(rs)-1].Value, true
		})
	}
	for i := range out {
		flagSlips(out[i].Readings)
	}
	return out
}

func isNumberWord(s string) bool { _, ok := wordValues[s]; return ok }

// readLine walks one line's tokens.
func readLine(line string, lineNumber int, add func(r Reading, replaces bool), last func() (float64, bool)) {
	var words []string
	replaces := false
	flush := func() {
		if v, ok := spoken(words); ok {
			add(Reading{Text: strings.Join(words, " "), Line: lineNumber, Value: v}, replaces)
			replaces = false
		}
		words = nil
	}
	for _, tok := range tokens.FindAllString(line, -1) {
		low := strings.ToLower(tok)
		switch {
		case isNumberWord(low) || low == "point":
			words = append(words, low)
		case low == "and" && len(words) > 0 && words[len(words)-1] == "hundred":
			// "two hundred and four" is one number
		case tok[0] >= '0' && tok[0] <= '9' || tok[0] == '.' && len(tok) > 1:
			flush()
			number := strings.ReplaceAll(strings.Join(strings.Fields(tok), ""), ",", ".")
			number = strings.TrimRightFunc(number, func(r rune) bool { return r < '0' || r > '9' })
			if v, err := strconv.ParseFloat(number, 64); err == nil && v > 0 && v < 1e9 {
				add(Reading{Text: strings.TrimRight(tok, " ,;"), Line: lineNumber, Value: v}, replaces)
				replaces = false
			}
		case low == "same" || low == "again" && len(words) == 0:
			flush()
			if v, ok := last(); ok && low == "same" {
				add(Reading{Text: "same again", Line: lineNumber, Value: v}, replaces)
			}
		case low == "sorry" || low == "correction":
			flush()
			replaces = true
		default:
			flush()
		}
	}
	flush()
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
			value *= 100
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

// flagSlips marks readings farther than 15% from the median of their string and looks
// for the slip that explains them.
func flagSlips(rs []Reading) {
	var values []float64
	for _, r := range rs {
		if !r.Corrected {
			values = append(values, r.Value)
		}
	}
	if len(values) < 3 {
		return
	}
	mid := Median(values)
	for i, r := range rs {
		if !r.Corrected && math.Abs(r.Value-mid) > farOff*mid {
			rs[i].Slip, rs[i].Likely = slipOf(r.Value, mid)
		}
	}
}

// slipOf names the likely slip and the values it would have been.
func slipOf(v, mid float64) (string, []float64) {
	near := func(x float64) bool { return math.Abs(x-mid) <= fitsNear*mid }
	for _, f := range []float64{10, 100, 1000, 0.1, 0.01} {
		// A whole number that is ten times too small lost a digit rather than a point.
		if x := v * f; near(x) && !(f == 10 && v == math.Trunc(v)) {
			return "decimal point", []float64{math.Round(x*1000) / 1000}
		}
	}
	digits := strconv.FormatFloat(v, 'f', -1, 64)
	if strings.Contains(digits, ".") {
		return "far from the others", nil
	}
	for cut := 1; cut < len(digits); cut++ {
		a, _ := strconv.ParseFloat(digits[:cut], 64)
		b, _ := strconv.ParseFloat(digits[cut:], 64)
		if near(a) && near(b) {
			return "two readings run together", []float64{a, b}
		}
	}
	for i := 0; i+1 < len(digits); i++ {
		swapped := digits[:i] + digits[i+1:i+2] + digits[i:i+1] + digits[i+2:]
		if x, _ := strconv.ParseFloat(swapped, 64); near(x) {
			return "swapped digits", []float64{x}
		}
	}
	for i := 0; i <= len(digits); i++ {
		for d := '0'; d <= '9'; d++ {
			if x, _ := strconv.ParseFloat(digits[:i]+string(d)+digits[i:], 64); near(x) {
				return "dropped digit", nil // which digit is a guess
			}
		}
	}
	return "far from the others", nil
}
