package session

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

const full = `# a whole session
title = "Three attachments at 25 m"
date = 2026-06-01
place = "the long meadow"
distance = "25m"
distance_how = "tape"
notes = "one unit of each"

[board]
rings = ["200mm", "400mm", "800mm", "60cm"]
ring_edge = "outer"
across = "799mm"
down = "801 mm"
up = "mark"
side = "left"
clean = "demo-00.jpg"
backer = "1180mm x 118cm"
start = "demo-0.jpg"

[marks]
kind = "stickers"
sticker_size = "19mm"

[darts]
batch = "7, new"
mass = "1.1g"
diameter = "12.7mm"
count = 45

[conditions]
wind = "light, from the left"
crosswind = "1 m/s"
temperature = "18 C"
altitude = "120m"

[velocity]
unit = "fps"
cap = "250fps"

[outliers]
rule = "drop"
drop = 2
decided = "before shooting"

[[accessory]]
name = "North"
sticker = "blue"
price = 12
currency = "EUR"
price_date = 2026-05-20
delivery = 3.90
obtained = "bought"

[[accessory]]
name = "Reed"
letter = "A"
sticker = "orange"
baseline = true

[[string]]
accessory = "Reed"
photo = "demo-2.jpg"
shots = 15
order = 2

[[string]]
accessory = "North"
photo = "demo-1.jpg"
shots = 15
misses = 1
fresh = true
readings = [200, 201.5]
order = 1
`

func TestParseFull(t *testing.T) {
	s, err := Parse("session.toml", []byte(full))
	if err != nil {
		t.Fatal(err)
	}
	want := Session{
		Title: "Three attachments at 25 m", Date: "2026-06-01", Place: "the long meadow",
		Distance: Length{"25m", 25000, 0}, DistanceHow: "tape", Notes: "one unit of each",
		Board: Board{
			Rings: []Length{{"200mm", 200, 0}, {"400mm", 400, 0}, {"600mm", 600, 0}, {"800mm", 800, 0}},
			Ring:  Length{"800mm", 800, 0}, RingEdge: "outer",
			Across: Length{"799mm", 799, 0}, Down: Length{"801 mm", 801, 0}, Up: "mark", Side: "left", Clean: "demo-00.jpg",
			Backer: Backer{Text: "1180mm x 118cm", WidthMM: 1180, HeightMM: 1180}, Start: "demo-0.jpg",
		},
		Marks:      Marks{"stickers", Length{"19mm", 19, 0}},
		Darts:      Darts{Batch: "7, new", MassG: 1.1, MassText: "1.1g", Diameter: Length{"12.7mm", 12.7, 0}, Count: 45},
		Conditions: Conditions{Wind: "light, from the left", CrosswindMPS: 1, CrosswindText: "1 m/s", TemperatureC: 18, TemperatureText: "18 C", AltitudeM: 120, AltitudeText: "120m"},
		Velocity:   Velocity{Unit: "fps", CapMPS: 76.2, CapText: "250fps"}, // 250 ft is 76.2 m
		Outliers:   Outliers{Rule: "drop", Drop: 2, Decided: "before shooting"},
		Accessories: []Accessory{
			{Name: "North", Letter: "B", Sticker: "blue", Obtained: "bought", Price: 12, HasPrice: true, Delivery: 3.9, Currency: "EUR", PriceDate: "2026-05-20"},
			{Name: "Reed", Letter: "A", Sticker: "orange", Baseline: true},
		},
		Strings: []String{
			{Accessory: "North", Photo: "demo-1.jpg", Order: 1, Shots: 15, Misses: 1, Fresh: true, Readings: []float64{200, 201.5}, Unit: "fps", ReadingsMPS: []float64{60.96, 61.4172}},
			{Accessory: "Reed", Photo: "demo-2.jpg", Order: 2, Shots: 15},
		},
	}
	near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-9 })
	if d := cmp.Diff(want, s, near); d != "" {
		t.Error(d)
	}
}

// Each mistake is shown with its line, its column, the line itself and what was
// expected.
func TestMistakes(t *testing.T) {
	accessories := "[[accessory]]\nname = \"North\"\nsticker = \"blue\"\n[[accessory]]\nname = \"Reed\"\nsticker = \"blue\"\n"
	for _, test := range []struct {
		name, in string
		want     string // start of the message
		expected string // part of the line "expected"
	}{
		{"no unit", "distance = 25", "s.toml, line 1, column 12: distance: 25 has no unit\n    1 | distance = 25\n      |            ^^\n", `"25m"`},
		{"no unit in quotes", "\ndistance = \"25\"", "s.toml, line 2, column 12: distance: ", `"25m"`},
		{"no quotes", "distance = 25m", "s.toml, line 1, column 14: ", "in quotes"},
		{"quote left open", "title = \"x\nplace = 3", "s.toml, line 1, column ", "in quotes"},
		{"repeated key", "title = \"a\"\ntitle = \"b\"", "s.toml, line 2, column 1: ", "key = value"},
		{"unknown key", "distnace = \"25m\"", "s.toml, line 1, column 1: there is no key \"distnace\" here\n    1 | distnace = \"25m\"\n      | ^^^^^^^^", "expected distance"},
		{"unknown key in a section", "[board]\nring_edeg = \"outer\"", "s.toml, line 2, column 1: board: there is no key", "expected ring_edge"},
		{"unknown key, none near", "[board]\nmaterial = \"cork\"", "s.toml, line 2, column 1: board: there is no key", "one of rings, ring"},
		{"unknown section", "[bord]\n", "s.toml, line 1, column 2: there is no key \"bord\"", "expected board"},
		{"section as value", "board = 3", "s.toml, line 1, column 9: board: board is a section", "[board]"},
		{"single bracket", "[accessory]\nname = \"x\"", "s.toml, line 1, column 2: accessory: write [[accessory]]", "[[accessory]]"},
		{"colour", "[[accessory]]\nname = \"N\"\nsticker = \"bleu\"", "s.toml, line 3, column 11: accessory 1, sticker: \"bleu\" is not known; did you mean \"blue\"?", "red, blue"},
		{"tabs and wide letters", "title = \"Ä\"\n[[accessory]]\n\tname =\t\"Ñ\"\n\tsticker = 3", "s.toml, line 4, column 12: accessory 1, sticker: 3 is not one of the words\n    4 | \tsticker = 3\n      | \t          ^", "red"},
		{"letter twice", "[[accessory]]\nname = \"a\"\nletter = \"A\"\n[[accessory]]\nname = \"b\"\nletter = \"A\"", "s.toml, line 6, column 10: accessory 2, letter: \"A\" is there twice", "of its own"},
		{"name missing", "[[accessory]]\nsticker = \"blue\"", "s.toml, line 1, column 3: accessory 1: it has no name", "name = \"North\""},
		{"name twice", "[[accessory]]\nname = \"a\"\n[[accessory]]\nname = \"a\"", "s.toml, line 4, column 8: accessory 2, name: \"a\" is there twice", "of its own"},
		{"string of nobody", accessories + "[[string]]\naccessory = \"Read\"\nphoto = \"a.jpg\"\nshots = 1", "s.toml, line 8, column 13: string 1, accessory: no accessory is called \"Read\"", "\"Reed\""},
		{"string without photo", accessories + "[[string]]\naccessory = \"Reed\"\nshots = 1", "s.toml, line 7, column 3: string 1: it names no photo", "photo = "},
		{"shots as text", "[[string]]\nshots = \"fifteen\"", "s.toml, line 2, column 9: string 1, shots: the text \"fifteen\" is not a whole number", "whole number of shots"},
		{"shots absurd", "[[string]]\nshots = 1000000000000000000000", "s.toml, line 2, column 9: ", ""},
		{"more misses than shots", "[[string]]\nshots = 3\nmisses = 4", "s.toml, line 3, column 10: string 1, misses: 4 misses of 3 shots", "no more misses"},
		{"reading without unit", "[[string]]\nreadings = [200.5]", "s.toml, line 2, column 1: string 1, readings: nothing says", "unit = \"fps\""},
		{"reading of zero", "[[string]]\nunit = \"fps\"\nreadings = [200.5, 0]", "s.toml, line 3, column 1: string 1, readings: a reading of 0 cannot be", "chronograph"},
		{"photo outside", "[[string]]\nphoto = \"../a.jpg\"", "s.toml, line 2, column 9: string 1, photo: \"../a.jpg\" is not inside this folder", "photo in this folder"},
		{"photo absolute", "[[string]]\nphoto = \"C:\\\\a.jpg\"", "s.toml, line 2, column 9: string 1, photo: ", "photo in this folder"},
		{"order for some", accessories + "[[string]]\naccessory = \"Reed\"\nphoto = \"a\"\norder = 1\n[[string]]\naccessory = \"Reed\"\nphoto = \"b\"", "s.toml, line 11, column 3: string 2: it has no order", "for none"},
		{"order twice", accessories + "[[string]]\naccessory = \"Reed\"\nphoto = \"a\"\norder = 1\n[[string]]\naccessory = \"Reed\"\nphoto = \"b\"\norder = 1", "s.toml, line 14, column 9: string 2, order: 1 is there twice", "once"},
		{"no colour beside one", strings.Replace(accessories, "sticker = \"blue\"\n", "", 1) + "[[string]]\naccessory = \"Reed\"\nphoto = \"a\"\n[[string]]\naccessory = \"North\"\nphoto = \"a\"", "s.toml, line 1, column 3: accessory 1: Reed and North share the photo a and no sticker colour", "photo after each string"},
		{"one colour for two", accessories + "[[string]]\naccessory = \"Reed\"\nphoto = \"a\"\n[[string]]\naccessory = \"North\"\nphoto = \"a\"", "s.toml, line 3, column 11: accessory 1: Reed and North share the photo a and blue sticker colour", "photo after each string"},
		{"drop without number", "[outliers]\nrule = \"drop\"", "s.toml, line 2, column 8: outliers: the rule drop needs", "drop = 2"},
		{"drop with another rule", "[outliers]\nrule = \"test\"\ndrop = 2", "s.toml, line 3, column 8: outliers, drop: ", "leave this line out"},
		{"drop too many", "[outliers]\nrule = \"drop\"\ndrop = 9", "s.toml, line 3, column 8: outliers, drop: 9 is not between 0 and 5", "0 to 5"},
		{"chance above one", "[outliers]\nrule = \"test\"\nchance = \"150%\"", "s.toml, line 3, column 10: ", "1%"},
		{"day that is none", "date = \"2026-02-30\"", "s.toml, line 1, column 8: date: 2026-02-30 is not a day of the calendar", "2026-06-01"},
		{"day with a time", "date = 2026-06-01T10:00:00", "s.toml, line 1, column 8: date: a date or time is not a day", "2026-06-01"},
		{"price alone", "[[accessory]]\nname = \"N\"\nprice = 3", "s.toml, line 3, column 9: accessory 1, price: a price means nothing", "price_date"},
		{"currency", "[[accessory]]\nname = \"N\"\ncurrency = \"euro\"", "s.toml, line 3, column 12: accessory 1, currency: ", "ISO 4217"},
		{"ring twice", "[board]\nrings = [\"200mm\", \"20cm\"]", "s.toml, line 2, column 1: board, rings: ", "every ring once"},
		{"ring not the outermost", "[board]\nrings = \"200mm, 400mm\"\nring = \"300mm\"", "s.toml, line 3, column 8: board, ring: 300mm is not the largest", "outermost"},
		{"tape of ten rings", "[board]\nring = \"800mm\"\nacross = \"8000mm\"", "s.toml, line 3, column 10: board, across: 8000mm is not the outermost ring, 800mm\n    3 | across = \"8000mm\"\n", "within a fifth"},
		{"tape of no circle", "[board]\nacross = \"890mm\"\ndown = \"980mm\"", "s.toml, line 3, column 8: board, down: 980mm down and 890mm across are no circle", "both directions"},
		{"backer", "[board]\nbacker = \"1m x\"", "s.toml, line 2, column 10: board, backer: ", "1180mm x 1180mm"},
		{"control character", "title = \"a\\u0007\"", "s.toml, line 1, column 9: title: it holds a control character", "text"},
		{"two baselines", "[[accessory]]\nname=\"a\"\nbaseline=true\n[[accessory]]\nname=\"b\"\nbaseline=true", "s.toml, line 6, column 10: accessory 2, baseline: ", "one baseline"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := Parse("s.toml", []byte(test.in))
			var errs Errors
			if !errors.As(err, &errs) {
				t.Fatalf("Parse error = %v, want Errors", err)
			}
			// A section cut short has other mistakes too: look for this one.
			ok := slices.ContainsFunc(errs, func(e Error) bool {
				_, expected, _ := strings.Cut(e.Error(), "\n        expected")
				return strings.HasPrefix(e.Error(), test.want) && strings.Contains("expected"+expected, test.expected)
			})
			if !ok {
				t.Errorf("Parse error:\n%v\nwant\n%s… expected … %s", err, test.want, test.expected)
			}
		})
	}
}

func TestAllMistakesTogetherInOrder(t *testing.T) {
	_, err := Parse("s.toml", []byte("distance = 25\ntitel = \"x\"\n[[string]]\nshots = 0\n"))
	var errs Errors
	if !errors.As(err, &errs) {
		t.Fatal(err)
	}
	var lines []int
	for _, e := range errs {
		lines = append(lines, e.Line)
	}
	if !slices.IsSorted(lines) || len(lines) < 4 {
		t.Errorf("mistakes on lines %v, want at least 1, 2, 3 and 4 in order", lines)
	}
}

func TestWarnings(t *testing.T) {
	for _, test := range []struct{ name, in, want string }{
		{"stretched print", "[board]\nacross = \"790mm\"\ndown = \"801mm\"", "1.4% apart"}, // 790/801 = 0.98627
		{"small print", "[board]\nring = \"800mm\"\nacross = \"776mm\"", "-3.0%"},
		{"shots unknown", "[[accessory]]\nname = \"N\"\n[[string]]\naccessory = \"N\"\nphoto = \"a\"", "how many shots"},
		{"more readings than shots", "[[accessory]]\nname = \"N\"\n[[string]]\naccessory = \"N\"\nphoto = \"a\"\nshots = 1\nunit = \"m/s\"\nreadings = [50, 51]", "2 readings of 1 shots"},
		{"rule undated", "[outliers]\nrule = \"test\"", "when the outlier rule was decided"},
		{"one colour for two accessories", "[[accessory]]\nname = \"N\"\nsticker = \"blue\"\n[[accessory]]\nname = \"R\"\nsticker = \"blue\"", "N and R both have blue stickers"},
	} {
		t.Run(test.name, func(t *testing.T) {
			s, err := Parse("s.toml", []byte(test.in))
			if err != nil {
				t.Fatal(err)
			}
			if len(s.Warnings) != 1 || !strings.Contains(s.Warnings[0], test.want) {
				t.Errorf("warnings = %q, want one with %q", s.Warnings, test.want)
			}
		})
	}
}

func TestOddButRight(t *testing.T) {
	for _, test := range []struct{ name, in string }{
		{"empty", ""},
		{"byte order mark and CRLF", "\uFEFFtitle = \"x\"\r\ndistance = \"25 m\"\r\n"},
		{"dotted and inline", "board.rings = \"200mm\"\nmarks = {kind = \"bare\"}\naccessory = [{name = \"N\"}]"},
		{"comment inside a list", "[board]\nrings = [\n  \"200mm\", # inner\n  \"400mm\",\n]"},
		{"share as number", "[outliers]\nrule = \"test\"\nchance = 0.02\ndecided = \"before photos\""},
		{"photo in a folder", "[board]\nstart = 'day1\\a.jpg'"},
	} {
		t.Run(test.name, func(t *testing.T) {
			if s, err := Parse("s.toml", []byte(test.in)); err != nil || len(s.Warnings) > 0 {
				t.Errorf("Parse error = %v, warnings %q, want neither", err, s.Warnings)
			}
		})
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	if _, err := Load(filepath.Join(dir, FileName)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Load of nothing = %v, want fs.ErrNotExist", err)
	}
	if _, err := Load(dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Load of a folder without one = %v, want fs.ErrNotExist", err)
	}
	file := filepath.Join(dir, FileName)
	if err := os.WriteFile(file, []byte(full), 0o644); err != nil {
		t.Fatal(err)
	}
	if s, err := Load(dir); err != nil || s.Distance.Text != "25m" {
		t.Errorf("Load of its folder = %q, %v", s.Distance.Text, err)
	}
	if s, err := Load(file); err != nil || len(s.Strings) != 2 {
		t.Errorf("Load = %d strings, %v, want 2 and no error", len(s.Strings), err)
	}
	if _, err := Parse("big", make([]byte, maxBytes+1)); err == nil {
		t.Error("Parse of more than a megabyte = nil, want an error")
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(full))
	f.Add([]byte("[[string]]\n\n[string.x]\n[[accessory]]"))
	f.Add([]byte("accessory = [[]]\nboard.rings = [\"1mm\", \"NaN m\"]\nboard = {}"))
	f.Add([]byte("a.b.c = 1\n[a]\nb.d = 2\n\"\u00e4\" = 'x'\n\xff"))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := Parse("f", b)
		if err == nil {
			for _, x := range s.Strings {
				if x.Order < 1 || x.Misses < 0 || x.Accessory == "" {
					t.Fatalf("accepted string %+v", x)
				}
			}
			return
		}
		var errs Errors
		if !errors.As(err, &errs) || len(errs) == 0 {
			t.Fatalf("error %v of type %T", err, err)
		}
		for _, e := range errs {
			if e.Line < 1 || e.Column < 1 || e.Width < 1 || !utf8.ValidString(e.Error()) {
				t.Fatalf("bad place: %+v", e)
			}
		}
	})
}

// What an editor made of straight quotation marks is named, at its place.
func TestCurlyQuotes(t *testing.T) {
	for _, text := range []string{"title = “Saturday”\n", "title = ‘Saturday’\n", "[board]\nring = „800mm“\n", "[board]\nrings = [“200mm”, “400mm”]\n"} {
		_, err := Parse("session.toml", []byte(text))
		if err == nil || !strings.Contains(err.Error(), "is not a straight one: the editor replaced it") || !strings.Contains(err.Error(), "straight quotation marks") {
			t.Errorf("%q: %v", text, err)
		}
	}
}
