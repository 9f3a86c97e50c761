// Package units reads and writes quantities the way people type them: a number
// with a decimal point or comma, a space or none, and a unit. It owns the door
// between a hobbyist's "39 3/8 in" and the millimetres inside; it refuses a
// number without a unit, since a wrong guess there is a factor of 25.
//
// Lengths become millimetres, speeds metres per second, masses grams,
// temperatures degrees Celsius. The inch is 25.4 mm, the foot
// 0.3048 m, the yard 0.9144 m, the grain 64.79891 mg and the ounce
// 28.349523125 g, exactly (international yard and pound agreement, 1959).
package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// unit is one spelling of a unit: value = number*factor + offset.
type unit struct {
	name   string
	factor float64
	offset float64
}

// quantity is what a text should hold, with the words for its errors.
type quantity struct {
	what    string // "a length"
	example string
	units   []unit
	signed  bool // zero and below make sense
}

var (
	lengths = quantity{what: "a length", example: "800mm, 80 cm or 31.5 in", units: []unit{
		{"mm", 1, 0}, {"millimetre", 1, 0}, {"millimetres", 1, 0}, {"millimeter", 1, 0}, {"millimeters", 1, 0},
		{"cm", 10, 0}, {"centimetre", 10, 0}, {"centimetres", 10, 0}, {"centimeter", 10, 0}, {"centimeters", 10, 0},
		{"m", 1000, 0}, {"metre", 1000, 0}, {"metres", 1000, 0}, {"meter", 1000, 0}, {"meters", 1000, 0},
		{"in", 25.4, 0}, {"inch", 25.4, 0}, {"inches", 25.4, 0}, {`"`, 25.4, 0},
		{"ft", 304.8, 0}, {"foot", 304.8, 0}, {"feet", 304.8, 0}, {"'", 304.8, 0},
		{"yd", 914.4, 0}, {"yds", 914.4, 0}, {"yard", 914.4, 0}, {"yards", 914.4, 0},
	}}
	altitudes = quantity{what: "an altitude", example: "300m or 1000 ft", units: lengths.units, signed: true}
	speeds    = quantity{what: "a speed", example: "150fps or 45.7 m/s", units: []unit{
		{"fps", 0.3048, 0}, {"ft/s", 0.3048, 0}, {"feet per second", 0.3048, 0},
		{"m/s", 1, 0}, {"mps", 1, 0}, {"metres per second", 1, 0}, {"meters per second", 1, 0},
		{"km/h", 1 / 3.6, 0}, {"kph", 1 / 3.6, 0}, {"mph", 0.44704, 0},
	}}
	winds  = quantity{what: "a wind speed", example: "2 m/s or 5mph", units: speeds.units, signed: true}
	masses = quantity{what: "a mass", example: "1.1g", units: []unit{
		{"g", 1, 0}, {"gram", 1, 0}, {"grams", 1, 0}, {"gramme", 1, 0}, {"grammes", 1, 0},
		{"mg", 0.001, 0}, {"kg", 1000, 0}, {"oz", 28.349523125, 0},
		{"gr", 0.06479891, 0}, {"grain", 0.06479891, 0}, {"grains", 0.06479891, 0},
	}}
	temperatures = quantity{what: "a temperature", example: "20 C or 68 F", signed: true, units: []unit{
		{"c", 1, 0}, {"°c", 1, 0}, {"celsius", 1, 0},
		{"f", 5. / 9, -160. / 9}, {"°f", 5. / 9, -160. / 9}, {"fahrenheit", 5. / 9, -160. / 9},
		{"k", 1, -273.15}, {"kelvin", 1, -273.15},
	}}
)

// Length reads one length above zero, such as "800mm", "80 cm", "0,8 m", `39"`,
// "39 3/8 in" or "2 ft 6 in", and returns millimetres.
func Length(s string) (mm float64, err error) {
	mm, tol, err := lengths.measured(s)
	if err == nil && tol != 0 {
		return 0, fmt.Errorf("%q: no ± is expected here, only a length such as %s", s, lengths.example)
	}
	return mm, err
}

// LengthTolerance reads one length that may carry a tolerance: "800±1mm",
// "800mm +- 1mm", "80cm +/- 0.5mm". Without one, tolMM is 0.
func LengthTolerance(s string) (mm, tolMM float64, err error) { return lengths.measured(s) }

// Lengths reads a list in which every item has its own unit, parted by commas,
// semicolons or blanks: "200mm,400mm". A comma between digits is a decimal comma:
// "0,2m, 0,4m".
func Lengths(s string) (mm []float64, err error) {
	for _, item := range list(s) {
		v, err := Length(item)
		if err != nil {
			return nil, err
		}
		mm = append(mm, v)
	}
	return mm, nil
}

// LengthsTolerance is Lengths with a tolerance allowed on every item; the two
// results have the same length.
func LengthsTolerance(s string) (mm, tolMM []float64, err error) {
	for _, item := range list(s) {
		v, tol, err := LengthTolerance(item)
		if err != nil {
			return nil, nil, err
		}
		mm, tolMM = append(mm, v), append(tolMM, tol)
	}
	return mm, tolMM, nil
}

// Altitude reads a height above sea level, below zero allowed, in metres.
func Altitude(s string) (m float64, err error) {
	mm, err := altitudes.plain(s)
	return mm / 1000, err
}

// Speed reads a speed above zero, such as "150fps" or "45,7 m/s", in metres per
// second.
func Speed(s string) (mps float64, err error) { return speeds.plain(s) }

// Wind reads a wind speed, which may be zero or (from the other side) negative,
// in metres per second.
func Wind(s string) (mps float64, err error) { return winds.plain(s) }

// Mass reads a mass above zero, such as "1.1g" or "17 gr", in grams.
func Mass(s string) (grams float64, err error) { return masses.plain(s) }

// Temperature reads "20 C", "-5°C" or "68F" and returns degrees Celsius. Below
// absolute zero is an error.
func Temperature(s string) (celsius float64, err error) {
	c, err := temperatures.plain(s)
	if err == nil && c < -273.15 {
		return 0, fmt.Errorf("%q is below absolute zero", s)
	}
	return c, err
}

// plain reads one value without tolerance.
func (q quantity) plain(s string) (float64, error) {
	v, err := q.value(tidy(s), "")
	if err != nil {
		return 0, fmt.Errorf("%q: %v", s, err)
	}
	return v, nil
}

// measured reads a value with an optional tolerance; a unit after the tolerance
// serves both when the value has none.
func (q quantity) measured(s string) (value, tol float64, err error) {
	text := tidy(s)
	for _, sign := range []string{"+/-", "+-"} {
		text = strings.ReplaceAll(text, sign, "±")
	}
	left, right, has := strings.Cut(text, "±")
	if !has {
		value, err = q.plain(s)
		return value, 0, err
	}
	_, unit := splitNumber(strings.TrimSpace(right))
	if unit == "" {
		_, unit = splitNumber(strings.TrimSpace(left))
	}
	if value, err = q.value(strings.TrimSpace(left), unit); err != nil {
		return 0, 0, fmt.Errorf("%q: %v", s, err)
	}
	tolerance := quantity{q.what, q.example, q.units, true} // a tolerance of 0 is fine
	if tol, err = tolerance.value(strings.TrimSpace(right), unit); err != nil {
		return 0, 0, fmt.Errorf("%q: after the ±: %v", s, err)
	}
	if tol < 0 || !(tol < value) {
		return 0, 0, fmt.Errorf("%q: the tolerance must be at least zero and smaller than the value", s)
	}
	return value, tol, nil
}

// value reads "39 3/8 in", "800mm" or "2 ft 6 in"; fallback is the unit of a bare
// number, "" when it must have its own.
func (q quantity) value(text, fallback string) (float64, error) {
	if text == "" {
		return 0, fmt.Errorf("nothing here; write %s such as %s", q.what, q.example)
	}
	first, rest := splitNumber(text)
	if first == "" {
		return 0, fmt.Errorf("no number found; write %s such as %s", q.what, q.example)
	}
	number, err := parseNumber(first)
	if err != nil {
		return 0, err
	}
	name := rest
	inches := 0.0
	if feet, more, ok := cutFeet(rest); ok {
		name = feet
		if inches, err = q.inchesAfterFeet(more); err != nil {
			return 0, err
		}
	}
	if name == "" {
		name = fallback
	}
	if name == "" {
		return 0, fmt.Errorf("the unit is missing; write %s such as %s", q.what, q.example)
	}
	u, ok := q.find(name)
	if !ok {
		return 0, fmt.Errorf("unknown unit %q; write %s such as %s", name, q.what, q.example)
	}
	v := number*u.factor + u.offset + inches
	switch {
	case math.IsInf(v, 0) || math.Abs(v) > 1e12:
		return 0, fmt.Errorf("the number is too large")
	case !q.signed && !(v > 0):
		return 0, fmt.Errorf("%s must be more than zero", q.what)
	}
	return v, nil
}

// cutFeet splits "ft 6 in" or `'6"` into the foot's unit and the inches.
func cutFeet(rest string) (feet, inches string, ok bool) {
	for _, name := range []string{"ft", "feet", "foot", "'"} {
		if more, cut := strings.CutPrefix(rest, name); cut {
			more = strings.TrimSpace(more)
			if more != "" && more[0] >= '0' && more[0] <= '9' {
				return name, more, true
			}
		}
	}
	return "", "", false
}

func (q quantity) inchesAfterFeet(text string) (mm float64, err error) {
	number, name := splitNumber(text)
	u, ok := q.find(name)
	if !ok || u.factor != 25.4 {
		return 0, fmt.Errorf("after feet only inches may follow, as in 2 ft 6 in")
	}
	inches, err := parseNumber(number)
	if err != nil {
		return 0, err
	}
	return inches * u.factor, nil
}

func (q quantity) find(name string) (unit, bool) {
	for _, u := range q.units {
		if u.name == name {
			return u, true
		}
	}
	return unit{}, false
}

// tidy lowers the case, makes every kind of space one space, and gives minus,
// quote and degree signs their plain form.
func tidy(s string) string {
	s = strings.NewReplacer("−", "-", "–", "-", "″", `"`, "”", `"`, "“", `"`, "''", `"`, "′", "'", "’", "'", "º", "°", "° ", "°").Replace(strings.ToLower(s))
	return strings.Join(strings.FieldsFunc(s, unicode.IsSpace), " ")
}

// splitNumber cuts the leading number, which may hold a fraction such as "39 3/8",
// from the unit after it.
func splitNumber(text string) (number, rest string) {
	i := 0
	for i < len(text) && (strings.IndexByte("0123456789.,/+- ", text[i]) >= 0) {
		i++
	}
	if i+1 < len(text) && text[i] == 'e' && strings.IndexByte("0123456789+-", text[i+1]) >= 0 {
		for i++; i < len(text) && strings.IndexByte("0123456789+-", text[i]) >= 0; i++ {
		}
	}
	return strings.TrimSpace(text[:i]), strings.TrimSpace(text[i:])
}

// parseNumber reads "800", "0.8", "0,8", "-5", "3/8" and "39 3/8".
func parseNumber(text string) (float64, error) {
	if whole, fraction, ok := strings.Cut(text, " "); ok && strings.Contains(fraction, "/") {
		w, err := strconv.ParseUint(whole, 10, 32)
		if err != nil {
			return 0, fmt.Errorf("cannot read the number %q", text)
		}
		f, err := parseFraction(fraction)
		if err != nil || f >= 1 {
			return 0, fmt.Errorf("cannot read the number %q", text)
		}
		return float64(w) + f, nil
	}
	if strings.Contains(text, "/") {
		return parseFraction(text)
	}
	if whole, digits, ok := strings.Cut(text, ","); ok {
		if len(digits) == 3 && strings.TrimLeft(whole, "+-") != "" && strings.TrimLeft(whole, "+-0") != "" && len(whole) <= 3 {
			return 0, fmt.Errorf("%s could mean %s%s or %s.%s; write it without the comma, and give each item of a list its unit",
				text, whole, digits, whole, digits)
		}
		text = whole + "." + digits
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("cannot read the number %q", text)
	}
	return v, nil
}

func parseFraction(text string) (float64, error) {
	top, bottom, _ := strings.Cut(text, "/")
	a, errA := strconv.ParseUint(strings.TrimSpace(top), 10, 16)
	b, errB := strconv.ParseUint(strings.TrimSpace(bottom), 10, 16)
	if errA != nil || errB != nil || b == 0 {
		return 0, fmt.Errorf("cannot read the fraction %q", text)
	}
	return float64(a) / float64(b), nil
}

// list splits at semicolons, at commas that are not between two digits, and at blanks
// between a unit and a digit, but after feet, whose inches follow.
func list(s string) []string {
	var items []string
	r := []rune(s)
	start := 0
	for i, c := range r {
		beforeDigit := i+1 < len(r) && isDigit(r[i+1])
		decimal := c == ',' && i > 0 && isDigit(r[i-1]) && beforeDigit
		if c == ';' || c == ',' && !decimal || unicode.IsSpace(c) && beforeDigit && endsInUnit(string(r[start:i])) {
			items = append(items, string(r[start:i]))
			start = i + 1
		}
	}
	return append(items, string(r[start:]))
}

// endsInUnit reports whether an item ends in a unit of length other than feet.
func endsInUnit(item string) bool {
	text := tidy(item)
	name := text[strings.LastIndexFunc(text, func(r rune) bool { return isDigit(r) || r == ' ' || r == '.' })+1:]
	u, ok := lengths.find(name)
	return ok && u.factor != 304.8
}

func isDigit(r rune) bool { return r >= '0' && r <= '9' }

// Exact writes a length so that Length reads the same float64 back: "800mm".
func Exact(mm float64) string { return strconv.FormatFloat(mm, 'f', -1, 64) + "mm" }

// Spaced writes a quantity as typed with a space before its unit: "25m" is "25 m".
func Spaced(s string) string {
	number := strings.TrimRight(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")
	if number == "" || number == s || !isDigit(rune(number[len(number)-1])) {
		return s
	}
	return number + " " + s[len(number):]
}

// Size writes a size on the board for people: "7.4 mm" below 10 mm, "384 mm" below
// a metre, then "112.3 cm". A missing value (NaN) is "–".
func Size(mm float64) string {
	switch a := math.Abs(mm); {
	case math.IsNaN(mm):
		return "–"
	case a < 9.95:
		return fmt.Sprintf("%.1f mm", mm)
	case a < 999.5:
		return fmt.Sprintf("%.0f mm", mm)
	default:
		return fmt.Sprintf("%.1f cm", mm/10)
	}
}

// Distance writes a distance to the board for people: "30 m", "30.48 m".
func Distance(mm float64) string {
	return strconv.FormatFloat(math.Round(mm/10)/100, 'f', -1, 64) + " m"
}

// FPS converts metres per second to feet per second (1 ft = 0.3048 m exactly).
func FPS(mps float64) float64 { return mps / 0.3048 }
