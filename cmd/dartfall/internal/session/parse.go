package session

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2/unstable"

	"dartfall/cmd/dartfall/internal/units"
)

// FileName is what the session file of a folder is called.
const FileName = "session.toml"

// maxBytes is far above any session written by hand; a larger file is a mistake.
const maxBytes = 1 << 20

// maxCount bounds every whole number, so that a slip is caught and nothing
// allocates by it.
const maxCount = 10000

// Load reads and checks a session file, or the one in a folder. The error is an Errors when the file
// could be read but holds mistakes; errors.Is(err, fs.ErrNotExist) when there is
// none.
func Load(file string) (Session, error) {
	if info, err := os.Stat(file); err == nil && info.IsDir() {
		file = filepath.Join(file, FileName)
	}
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return Session{}, fmt.Errorf("there is no %s: %w", file, fs.ErrNotExist)
	}
	if err != nil {
		return Session{}, fmt.Errorf("cannot read %s: %v", file, err)
	}
	return Parse(file, b)
}

// Parse checks the text of a session file; name is used in messages. All
// mistakes are reported together, as Errors.
func Parse(name string, text []byte) (Session, error) {
	d := &document{file: name, text: text}
	if len(text) > maxBytes {
		d.text = text[:0]
		d.failAt(0, 1, "", "the file is larger than a megabyte", "a session written by hand; is this another file?")
		return Session{}, d.errs
	}
	// Windows editors may start the file with a byte order mark.
	d.text = []byte(strings.TrimPrefix(string(text), "\uFEFF"))
	var s Session
	root := d.read()
	if d.errs == nil {
		d.table(root, "", s.fields(d))
		d.check(root, &s)
	}
	if d.errs != nil {
		slices.SortStableFunc(d.errs, func(a, b Error) int {
			if a.Line != b.Line {
				return a.Line - b.Line
			}
			return a.Column - b.Column
		})
		return Session{}, d.errs
	}
	return s, nil
}

// field is one key: what may stand there, and how it is taken.
type field struct {
	key      string
	expected string
	set      func(n *node) error
}

// table reads every key of n by its field; label names the table in messages.
func (d *document) table(n *node, label string, fields []field) {
	known := make([]string, len(fields))
	for i, f := range fields {
		known[i] = f.key
	}
	for i, key := range n.keys {
		j := slices.Index(known, key)
		if j < 0 {
			expected := "one of " + strings.Join(known, ", ")
			if near := nearest(key, known); near != "" {
				expected = near
			}
			d.fail(n.keysAt[i], label, fmt.Sprintf("there is no key %q here", key), expected)
			continue
		}
		if err := fields[j].set(n.children[i]); err != nil {
			d.fail(n.children[i].at, join(label, key), err.Error(), fields[j].expected)
		}
	}
}

func join(label, key string) string {
	if label == "" {
		return key
	}
	return label + ", " + key
}

func (s *Session) fields(d *document) []field {
	return []field{
		{"title", "text in quotes", str(&s.Title)},
		{"date", "a day such as 2026-06-01", date(&s.Date)},
		{"place", "text in quotes", str(&s.Place)},
		{"distance", `a length in quotes, such as "25m" or "82 ft"`, length(&s.Distance)},
		{"distance_how", `"tape", "laser" or "paced"`, oneOf(&s.DistanceHow, "tape", "laser", "paced")},
		{"notes", "text in quotes", str(&s.Notes)},
		{"board", "a section [board]", d.section("board", s.Board.fields())},
		{"marks", "a section [marks]", d.section("marks", s.Marks.fields())},
		{"darts", "a section [darts]", d.section("darts", s.Darts.fields())},
		{"conditions", "a section [conditions]", d.section("conditions", s.Conditions.fields())},
		{"velocity", "a section [velocity]", d.section("velocity", s.Velocity.fields())},
		{"outliers", "a section [outliers]", d.section("outliers", s.Outliers.fields())},
		{"accessory", "sections that start with [[accessory]]", sections(d, "accessory", &s.Accessories, (*Accessory).fields)},
		{"string", "sections that start with [[string]]", sections(d, "string", &s.Strings, (*String).fields)},
	}
}

func (b *Board) fields() []field {
	return []field{
		{"rings", `lengths with units, such as ["200mm", "400mm"]`, lengths(&b.Rings)},
		{"ring", `the outermost ring's diameter, such as "800mm" or "800±1mm"`, length(&b.Ring)},
		{"ring_edge", `"outer", "middle" or "inner"`, oneOf(&b.RingEdge, "outer", "middle", "inner")},
		{"across", `a length in quotes, such as "799mm"`, length(&b.Across)},
		{"down", `a length in quotes, such as "801mm"`, length(&b.Down)},
		{"up", `"mark" (an up mark is on the face) or "photo" (the photos are held level)`, oneOf(&b.Up, "mark", "photo")},
		{"side", `"left", "right", "top" or "bottom": which board is meant where photos show two`, oneOf(&b.Side, "left", "right", "top", "bottom")},
		{"backer", `a size such as "1180mm x 1180mm", or one diameter of a round one`, backer(&b.Backer)},
		{"clean", "the name of a photo in this folder", photo(&b.Clean)},
		{"start", "the name of a photo in this folder", photo(&b.Start)},
	}
}

func (m *Marks) fields() []field {
	return []field{
		{"kind", `"stickers" or "bare"`, oneOf(&m.Kind, "stickers", "bare")},
		{"sticker_size", `a length in quotes, such as "19mm"`, length(&m.StickerSize)},
	}
}

func (r *Darts) fields() []field {
	return []field{
		{"batch", "text in quotes", str(&r.Batch)},
		{"mass", `a mass in quotes, such as "1.1g"`, quantity(&r.MassG, &r.MassText, units.Mass)},
		{"diameter", `a length in quotes, such as "12.7mm"`, length(&r.Diameter)},
		{"size", "text in quotes", str(&r.Size)},
		{"count", "a whole number", count(&r.Count, 1)},
	}
}

func (c *Conditions) fields() []field {
	return []field{
		{"wind", "text in quotes", str(&c.Wind)},
		{"crosswind", `a speed in quotes, such as "1.5 m/s"; negative from the right`, quantity(&c.CrosswindMPS, &c.CrosswindText, units.Wind)},
		{"temperature", `a temperature in quotes, such as "18 C" or "64 F"`, quantity(&c.TemperatureC, &c.TemperatureText, units.Temperature)},
		{"altitude", `a height above the sea in quotes, such as "300m"`, quantity(&c.AltitudeM, &c.AltitudeText, units.Altitude)},
		{"light", "text in quotes", str(&c.Light)},
	}
}

func (v *Velocity) fields() []field {
	return []field{
		{"unit", `"fps" or "m/s"`, oneOf(&v.Unit, "fps", "m/s")},
		{"cap", `a speed in quotes, such as "150 fps"`, quantity(&v.CapMPS, &v.CapText, units.Speed)},
		{"how", "text in quotes", str(&v.How)},
	}
}

func (o *Outliers) fields() []field {
	return []field{
		{"rule", `"none", "drop" or "test"`, oneOf(&o.Rule, "none", "drop", "test")},
		{"drop", "how many shots to leave out of each group, 0 to 5", upTo(&o.Drop, 0, 5)},
		{"chance", `a share such as "1%" or 0.01`, share(&o.Chance)},
		{"decided", `"before shooting", "before photos" or "after photos"`, oneOf(&o.Decided, "before shooting", "before photos", "after photos")},
	}
}

func (a *Accessory) fields() []field {
	return []field{
		{"name", "text in quotes", str(&a.Name)},
		{"letter", "one capital letter", letter(&a.Letter)},
		{"sticker", "one of " + strings.Join(Colours(), ", "), oneOf(&a.Sticker, Colours()...)},
		{"baseline", "true or false", boolean(&a.Baseline)},
		{"obtained", `"bought", "gift" or "loan"`, oneOf(&a.Obtained, "bought", "gift", "loan")},
		{"price", "a number such as 12.50", func(n *node) error { a.HasPrice = true; return money(&a.Price)(n) }},
		{"delivery", "a number such as 3.90", money(&a.Delivery)},
		{"currency", `the three letters of a currency, such as "EUR" (ISO 4217)`, currency(&a.Currency)},
		{"price_date", "a day such as 2026-05-20", date(&a.PriceDate)},
		{"where", "text in quotes", str(&a.Where)},
		{"notes", "text in quotes", str(&a.Notes)},
	}
}

func (s *String) fields() []field {
	return []field{
		{"accessory", "the name of an accessory above", str(&s.Accessory)},
		{"photo", "the name of a photo in this folder", photo(&s.Photo)},
		{"fresh", "true when a new face was put up before this string", boolean(&s.Fresh)},
		{"order", "a whole number, 1 for the string shot first", count(&s.Order, 1)},
		{"shots", "a whole number of shots fired", count(&s.Shots, 1)},
		{"misses", "a whole number of shots that left no mark on the board", count(&s.Misses, 0)},
		{"readings", "numbers as the chronograph showed them, such as [148.2, 147.5]", numbers(&s.Readings)},
		{"unit", `"fps" or "m/s"`, oneOf(&s.Unit, "fps", "m/s")},
		{"notes", "text in quotes", str(&s.Notes)},
	}
}

// section reads a table by its fields.
func (d *document) section(label string, fields []field) func(*node) error {
	return func(n *node) error {
		if n.kind != unstable.Table {
			return fmt.Errorf("%s is a section, not a value", label)
		}
		d.table(n, label, fields)
		return nil
	}
}

// sections reads an array of tables, one element each.
func sections[T any](d *document, label string, to *[]T, fields func(*T) []field) func(*node) error {
	return func(n *node) error {
		if n.kind == unstable.Table {
			return fmt.Errorf("write [[%s]] with two brackets: there can be several", label)
		}
		if n.kind != unstable.Array {
			return fmt.Errorf("%s is a section, not a value", label)
		}
		for i, c := range n.children {
			if c.kind != unstable.Table {
				return fmt.Errorf("%s is a section, not a value", label)
			}
			*to = append(*to, *new(T))
			d.table(c, fmt.Sprintf("%s %d", label, i+1), fields(&(*to)[i]))
		}
		return nil
	}
}

func describe(n *node) string {
	switch n.kind {
	case unstable.String:
		return fmt.Sprintf("the text %q", n.text)
	case unstable.Array:
		return "a list"
	case unstable.Table:
		return "a section"
	case unstable.Bool, unstable.Integer, unstable.Float:
		return n.text
	}
	return "a date or time"
}

func str(to *string) func(*node) error {
	return func(n *node) error {
		if n.kind != unstable.String {
			return fmt.Errorf("%s is not text", describe(n))
		}
		if strings.ContainsFunc(n.text, func(r rune) bool { return r < ' ' && r != '\n' && r != '\t' && r != '\r' || r == 0x7f }) {
			return errors.New("it holds a control character")
		}
		*to = strings.TrimSpace(n.text)
		return nil
	}
}

func quoted(n *node, read func(string) error) error {
	if n.kind == unstable.Integer || n.kind == unstable.Float {
		return fmt.Errorf("%s has no unit", n.text)
	}
	if n.kind != unstable.String {
		return fmt.Errorf("%s is not a number with a unit in quotes", describe(n))
	}
	return read(strings.TrimSpace(n.text))
}

func length(to *Length) func(*node) error {
	return func(n *node) error {
		return quoted(n, func(s string) error {
			mm, tol, err := units.LengthTolerance(s)
			*to = Length{s, mm, tol}
			return err
		})
	}
}

// lengths takes a list of lengths, or one text with several ("200mm, 400mm").
func lengths(to *[]Length) func(*node) error {
	return func(n *node) error {
		items := n.children
		if n.kind != unstable.Array {
			items = []*node{n}
		}
		for _, c := range items {
			err := quoted(c, func(s string) error {
				mm, tol, err := units.LengthsTolerance(s)
				for i := range mm {
					*to = append(*to, Length{strconv.FormatFloat(mm[i], 'g', -1, 64) + "mm", mm[i], tol[i]})
				}
				return err
			})
			if err != nil {
				return err
			}
		}
		slices.SortFunc(*to, func(a, b Length) int {
			if a.MM < b.MM {
				return -1
			}
			return 1
		})
		return nil
	}
}

func quantity(to *float64, text *string, read func(string) (float64, error)) func(*node) error {
	return func(n *node) error {
		return quoted(n, func(s string) (err error) {
			*text = s
			*to, err = read(s)
			return err
		})
	}
}

func backer(to *Backer) func(*node) error {
	return func(n *node) error {
		return quoted(n, func(s string) (err error) {
			*to, err = ParseBacker(s)
			return err
		})
	}
}

// ParseBacker reads the size of a backer: "1180mm x 1180mm", or one diameter.
func ParseBacker(s string) (b Backer, err error) {
	b.Text = s
	w, h, two := strings.Cut(strings.ReplaceAll(s, "×", "x"), "x")
	if !two {
		b.DiameterMM, err = units.Length(s)
		return b, err
	}
	if b.WidthMM, err = units.Length(strings.TrimSpace(w)); err != nil {
		return b, err
	}
	b.HeightMM, err = units.Length(strings.TrimSpace(h))
	return b, err
}

func oneOf(to *string, words ...string) func(*node) error {
	return func(n *node) error {
		if n.kind == unstable.String {
			for _, w := range words {
				if strings.EqualFold(strings.TrimSpace(n.text), w) {
					*to = w
					return nil
				}
			}
			if near := nearest(n.text, words); near != "" {
				return fmt.Errorf("%q is not known; did you mean %q?", n.text, near)
			}
			return fmt.Errorf("%q is not known", n.text)
		}
		return fmt.Errorf("%s is not one of the words", describe(n))
	}
}

func boolean(to *bool) func(*node) error {
	return func(n *node) error {
		if n.kind != unstable.Bool {
			return fmt.Errorf("%s is not true or false", describe(n))
		}
		*to = n.text == "true"
		return nil
	}
}

func integer(n *node) (int, error) {
	if n.kind != unstable.Integer {
		return 0, fmt.Errorf("%s is not a whole number", describe(n))
	}
	v, err := strconv.ParseInt(strings.ReplaceAll(n.text, "_", ""), 0, 64)
	if err != nil || v > maxCount || v < -maxCount {
		return 0, fmt.Errorf("%s is far too large", n.text)
	}
	return int(v), nil
}

func upTo(to *int, lo, hi int) func(*node) error {
	return func(n *node) error {
		v, err := integer(n)
		if err != nil {
			return err
		}
		if v < lo || v > hi {
			return fmt.Errorf("%d is not between %d and %d", v, lo, hi)
		}
		*to = v
		return nil
	}
}

func count(to *int, lo int) func(*node) error { return upTo(to, lo, maxCount) }

func number(n *node) (float64, error) {
	if n.kind != unstable.Integer && n.kind != unstable.Float {
		return 0, fmt.Errorf("%s is not a number", describe(n))
	}
	if n.kind == unstable.Integer {
		v, err := integer(n)
		return float64(v), err
	}
	v, err := strconv.ParseFloat(strings.ReplaceAll(n.text, "_", ""), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || math.Abs(v) > 1e9 {
		return 0, fmt.Errorf("%s is not a usable number", n.text)
	}
	return v, nil
}

func numbers(to *[]float64) func(*node) error {
	return func(n *node) error {
		if n.kind != unstable.Array {
			return fmt.Errorf("%s is not a list of numbers", describe(n))
		}
		for _, c := range n.children {
			v, err := number(c)
			if err != nil {
				return err
			}
			if v <= 0 {
				return fmt.Errorf("a reading of %s cannot be", c.text)
			}
			*to = append(*to, v)
		}
		return nil
	}
}

func money(to *float64) func(*node) error {
	return func(n *node) error {
		v, err := number(n)
		if err == nil && v < 0 {
			return fmt.Errorf("%s is below zero", n.text)
		}
		*to = v
		return err
	}
}

func share(to *float64) func(*node) error {
	return func(n *node) (err error) {
		v := 0.0
		if n.kind == unstable.String {
			text, percent := strings.CutSuffix(strings.TrimSpace(n.text), "%")
			v, err = strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
			if err != nil {
				return fmt.Errorf("%q is not a share", n.text)
			}
			if percent {
				v /= 100
			}
		} else if v, err = number(n); err != nil {
			return err
		}
		if !(v > 0 && v < 1) {
			return errors.New("a chance lies between 0 and 1")
		}
		*to = v
		return nil
	}
}

// date takes a TOML date or the same in quotes.
func date(to *string) func(*node) error {
	return func(n *node) error {
		if n.kind != unstable.LocalDate && n.kind != unstable.String {
			return fmt.Errorf("%s is not a day", describe(n))
		}
		t, err := time.Parse(time.DateOnly, strings.TrimSpace(n.text))
		if err != nil {
			return fmt.Errorf("%s is not a day of the calendar written year-month-day", n.text)
		}
		*to = t.Format(time.DateOnly)
		return nil
	}
}

func letter(to *string) func(*node) error {
	return func(n *node) error {
		if n.kind != unstable.String || len(n.text) != 1 || n.text < "A" || n.text > "Z" {
			return fmt.Errorf("%s is not one capital letter", describe(n))
		}
		*to = n.text
		return nil
	}
}

func currency(to *string) func(*node) error {
	return func(n *node) error {
		if n.kind != unstable.String || len(n.text) != 3 || strings.Trim(n.text, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
			return fmt.Errorf("%s is not a currency's three capital letters", describe(n))
		}
		*to = n.text
		return nil
	}
}

// photo takes a file name that stays inside the session's folder.
func photo(to *string) func(*node) error {
	return func(n *node) error {
		if err := str(to)(n); err != nil {
			return err
		}
		p := strings.ReplaceAll(*to, `\`, "/")
		if p == "" {
			return errors.New("the name is empty")
		}
		if path.IsAbs(p) || strings.Contains(p, ":") || slices.Contains(strings.Split(p, "/"), "..") {
			return fmt.Errorf("%q is not inside this folder", *to)
		}
		*to = path.Clean(p)
		return nil
	}
}
