package scoring

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// Student's sleep data (Student 1908; data and R output read): Welch t
// −1.8608134674868526, dof 17.776473516, p 0.07939414.
func TestWelch(t *testing.T) {
	a := []float64{0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0}
	b := []float64{1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4}
	_, tt, dof, p, err := Welch(a, b, 0.95)
	if err != nil || !near(tt, -1.8608134674868526, 1e-12) || !near(dof, 17.776473516, 1e-8) || !near(p, 0.07939414, 1e-8) {
		t.Errorf("Welch = %v, %v, %v, %v", tt, dof, p, err)
	}
}

// NIST/SEMATECH e-Handbook 1.3.5.10, GEAR.DAT: W 1.705910 published in single
// precision, 1.705917693 and p 0.0990829756 recomputed.
func TestBrownForsytheGear(t *testing.T) {
	gear := [][]float64{
		{1.006, 0.996, 0.998, 1.000, 0.992, 0.993, 1.002, 0.999, 0.994, 1.000}, {0.998, 1.006, 1.000, 1.002, 0.997, 0.998, 0.996, 1.000, 1.006, 0.988},
		{0.991, 0.987, 0.997, 0.999, 0.995, 0.994, 1.000, 0.999, 0.996, 0.996}, {1.005, 1.002, 0.994, 1.000, 0.995, 0.994, 0.998, 0.996, 1.002, 0.996},
		{0.998, 0.998, 0.982, 0.990, 1.002, 0.984, 0.996, 0.993, 0.980, 0.996}, {1.009, 1.013, 1.009, 0.997, 0.988, 1.002, 0.995, 0.998, 0.981, 0.996},
		{0.990, 1.004, 0.996, 1.001, 0.998, 1.000, 1.018, 1.010, 0.996, 1.002}, {0.998, 1.000, 1.006, 1.000, 1.002, 0.996, 0.998, 0.996, 1.002, 1.006},
		{1.002, 0.998, 0.996, 0.995, 0.996, 1.004, 1.004, 0.998, 0.999, 0.991}, {0.991, 0.995, 0.984, 0.994, 0.997, 0.997, 0.991, 0.998, 1.004, 0.997},
	}
	w, p, err := BrownForsythe(gear...)
	if err != nil || !near(w, 1.705917693000894, 1e-9) || !near(p, 0.0990829756, 1e-9) {
		t.Errorf("BrownForsythe = %v, %v, %v", w, p, err)
	}
}

// NIST/SEMATECH e-Handbook 7.2.6.3: the exact one-sided tolerance factor for N = 43,
// coverage 0.90, confidence 0.99 is 1.8739536 (computed outside this project): with a
// cap 1.8739536 s above the mean the share above it is at most 0.10, with 99%.
func TestShareAbove(t *testing.T) {
	if e := shareAbove(0, 1, 43, 1.8739536, 0.98); !near(e.Hi, 0.10, 1e-6) {
		t.Errorf("shareAbove = %+v, want Hi 0.10", e)
	}
}

// Far from all readings δ is too large for the series. δ/√n was computed outside this
// project with mpmath 1.3, from P(T ≤ t) as an integral over s.
func TestShareFarAbove(t *testing.T) {
	for _, tt := range []struct {
		n, k      float64
		low, high float64
	}{
		{12, -20, -11.75756867, -28.25040665}, {15, -20, -12.66216682, -27.33367354}, {15, -10, -6.302244917, -13.69073916}, {15, 10, 13.69073916, 6.302244917},
		{50, -20, -16.0394148, -23.95179017}, {50, -10, -8.004446442, -11.98974366}, {50, 10, 11.98974366, 8.004446442},
	} {
		root := math.Sqrt(tt.n)
		low, high := nonCentrality(root*tt.k, tt.n-1, 0.025)/root, nonCentrality(root*tt.k, tt.n-1, 0.975)/root
		if !near(low, tt.low, 1e-7) || !near(high, tt.high, 1e-7) {
			t.Errorf("n = %v, k = %v: %.10g, %.10g, want %v, %v", tt.n, tt.k, low, high, tt.low, tt.high)
		}
	}
	for _, at := range []float64{20, 29, 35, -35} { // where the two ways meet
		for _, delta := range []float64{math.Nextafter(30, 0), -math.Nextafter(30, 0)} {
			if series, sum := noncentralT(at, 14, delta), noncentralT(at, 14, math.Copysign(30, delta)); !near(series, sum, 1e-9) {
				t.Errorf("P(T ≤ %v) = %v and %v", at, series, sum)
			}
		}
	}
	if e := shareAbove(320, 1, 12, 250, 0.95); !(e.Lo > 0.999) {
		t.Errorf("12 readings of 320±1 above 250: %+v", e)
	}
}

// Exact energies: 1.0 g at 100 ft/s 0.46452 J, 1.3 g at 250 ft/s 3.77419 J (computed).
func TestStringSummary(t *testing.T) {
	if e := EnergyJ(1, 30.48); !near(e, 0.46452, 1e-5) {
		t.Errorf("EnergyJ = %v", e)
	}
	if e := EnergyJ(1.3, 76.2); !near(e, 3.77419, 1e-5) {
		t.Errorf("EnergyJ = %v", e)
	}
	s := SummariseString([]float64{44, 45, 46, 47, 45}, 46.5, 0.95)
	if s.N != 5 || !near(s.Mean.Value, 45.4, 1e-12) || !near(s.ES.Value, 3, 1e-12) || !slices.Equal(s.Over, []int{3}) ||
		!near(s.SD.Lo/s.SD.Value, 0.5991, 6e-5) || !near(s.SD.Hi/s.SD.Value, 2.8736, 6e-5) || !(s.ShareOver.Lo < s.ShareOver.Value && s.ShareOver.Value < s.ShareOver.Hi) {
		t.Errorf("%+v", s)
	}
}

// Two or three readings have figures without intervals.
func TestFewReadingsHaveNoIntervals(t *testing.T) {
	for n := 2; n <= 4; n++ {
		s := SummariseString([]float64{86, 87, 86.5, 86.2}[:n], 90, 0.95)
		for _, e := range []Estimate{s.Mean, s.SD, s.ES} {
			if math.IsNaN(e.Value) || e.HasInterval() != (n > 3) {
				t.Errorf("%d readings: %+v", n, e)
			}
		}
		if (s.ShareOver != nil) != (n > 3) {
			t.Errorf("%d readings: share above the cap %v", n, s.ShareOver)
		}
	}
}

func TestParseReadings(t *testing.T) {
	tests := []struct {
		name, text string
		want       []float64
	}{
		{"list", "284, 287; 281\n279", []float64{284, 287, 281, 279}},
		{"words", "two eighty four, two hundred and seven, two oh four, two fourteen, two eight one", []float64{284, 207, 204, 214, 281}},
		{"caption point", "2.84\n2 .84", []float64{2.84, 2.84}},
		{"same again", "284 same again 285", []float64{284, 284, 285}},
		{"sorry", "284, 278 sorry, 287", []float64{284, 287}},
		{"units and chatter", "shot 1: 284 fps, nice. shot 2: 285 fps", []float64{284, 285}},
		{"enumerated", "1) 284\n2) 285", []float64{284, 285}},
		{"decimals", "86.5 87,2 86.9", []float64{86.5, 87.2, 86.9}},
		{"nothing", "no numbers here", nil},
		{"counted lines", "1. 284\n\n2. 285", []float64{284, 285}},
		{"shot and a reading", "shot 284, dart 2: 285", []float64{284, 285}},
		{"sentences", "284. 285. And 286.", []float64{284, 285, 286}},
		{"numbered column", "1,284\n2,285\n3,287\n", []float64{284, 285, 287}},
		{"numbered table", "shot,fps\n1,284\n2,285\n3,287\n", []float64{284, 285, 287}},
		{"table with semicolons", "shot;speed;remark\n1;86,2;windy at 3\n2;87;\n", []float64{86.2, 87}},
		{"asides", "wind 3 m/s? no, 20 degrees. shot five two eighty one, 284 at 30 metres", []float64{281, 284}},
		{"make that", "284, 278, make that 287", []float64{284, 287}},
		{"glued units", "284fps 285fps", []float64{284, 285}},
		{"other unit", "86.868 m/s, 285", []float64{285, 285}},
	}
	for _, tt := range tests {
		var got []float64
		for _, s := range ParseReadings(tt.text, FeetPerSecond).Strings {
			for _, r := range s.Readings {
				if !r.Corrected {
					got = append(got, r.Value)
				}
			}
		}
		if !slices.EqualFunc(got, tt.want, func(a, b float64) bool { return near(a, b, 1e-9) }) {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
	two := ParseReadings("North: 284, 285\nReed: 290\nNorth: 283", FeetPerSecond).Strings
	if len(two) != 2 || two[0].Name != "North" || len(two[0].Readings) != 3 || two[1].Name != "Reed" {
		t.Errorf("named strings: %+v", two)
	}
}

// Shots without a reading are told of, never padded.
func TestUnread(t *testing.T) {
	s := ParseReadings("284 skip 283, jam\n285 no reading, didn't register", FeetPerSecond).Strings[0]
	want := []Unread{{"skip", 1}, {"jam", 1}, {"no reading", 2}, {"didn't register", 2}}
	if len(s.Readings) != 3 || !slices.Equal(s.Unread, want) {
		t.Errorf("%d readings, unread %v, want 3 and %v", len(s.Readings), s.Unread, want)
	}
}

func TestTableOfStrings(t *testing.T) {
	got := ParseReadings("accessory,m/s\nNorth,86\nReed,88\nNorth,87\n", FeetPerSecond).Strings
	if len(got) != 2 || got[0].Name != "North" || len(got[0].Readings) != 2 || got[0].Readings[0].Unit != MetresPerSecond || !near(got[1].Readings[0].Value, 88/0.3048, 1e-9) {
		t.Errorf("%+v", got)
	}
}

// Lines are counted as an editor does, blank ones too.
func TestLinesOfTable(t *testing.T) {
	rs := ParseReadings("\nshot,fps\n1,284\n\n2,285\n", FeetPerSecond).Strings[0].Readings
	if len(rs) != 2 || rs[0].Line != 3 || rs[1].Line != 5 {
		t.Errorf("%+v, want lines 3 and 5", rs)
	}
}

// A reading split over two captions or lines is put together, and when most readings
// have slips the few good ones still tell what is usual.
func TestSplitReadings(t *testing.T) {
	rs := ParseReadings("28 4\n2 85\n286\n283\n2 8 8", FeetPerSecond).Strings[0].Readings
	for i, want := range []struct {
		slip   string
		likely []float64
	}{{slipSplit, []float64{284}}, {slipRest, nil}, {slipSplit, []float64{285}}, {slipRest, nil}, {"", nil}, {"", nil}, {slipSplit, []float64{288}}, {slipRest, nil}, {slipRest, nil}} {
		if rs[i].Slip != want.slip || !slices.Equal(rs[i].Likely, want.likely) {
			t.Errorf("%q: %q, likely %v, want %q, %v", rs[i].Text, rs[i].Slip, rs[i].Likely, want.slip, want.likely)
		}
	}
}

func TestSlips(t *testing.T) {
	tests := []struct {
		text, slip string
		likely     []float64
	}{
		{"2840", slipPoint, []float64{284}}, {"86.4", slipMPS, []float64{283.5}}, {"84", slipDropped + " or " + slipMPS, nil}, {"3", slipUnknown, nil},
		{"2.84", "decimal point", []float64{284}}, {"24", "dropped digit", nil}, {"824", "swapped digits", []float64{284}},
		{"284287", "two readings run together", []float64{284, 287}}, {"431", "far from the others", nil}, {"279", "", nil},
	}
	for _, tt := range tests {
		rs := ParseReadings("284 285 286 283 "+tt.text, FeetPerSecond).Strings[0].Readings
		r := rs[4]
		if r.Slip != tt.slip || !slices.Equal(r.Likely, tt.likely) {
			t.Errorf("%q: slip %q, likely %v, want %q, %v", tt.text, r.Slip, r.Likely, tt.slip, tt.likely)
		}
	}
}

func FuzzParseReadings(f *testing.F) {
	for _, s := range []string{"two eighty four", "2 .84", "sorry, 287 same again", "North: 1) 284", "9,9,9", ":", "point point", "m/s 84", "a,b\n1 m/s,2", "84 m/s 280", "North (m/s): 84"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, str := range ParseReadings(s, FeetPerSecond).Strings {
			for _, r := range str.Readings {
				if !(r.Value > 0 && r.Value < 1e9) || r.Line < 1 {
					t.Fatalf("%q gives %+v", s, r)
				}
			}
		}
	})
}

// What people say and paste (common practice, no source): readings taken back are in
// round brackets, figures of the whole string in braces, a shot without a reading is "?".
func TestParseReadingsAsSaidAndPasted(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"no pause between readings", "two eighty four two eighty seven", "284 287"},
		{"no pause, one way to cut", "one fifty one forty nine", "150 149"},
		{"no pause after tenths", "two eighty four point five two ninety", "284.5 290"},
		{"no pause after a hundred", "three hundred two ninety", "300 290"},
		{"hundreds", "one hundred one hundred one hundred", "100 100 100"},
		{"a hundred", "a hundred and fifty", "150"},
		{"fillers", "uh two uh eighty um four", "284"},
		{"ditto", "284 ditto ditto", "284 284 284"},
		{"same as nothing", "same again, 284", "? 284"},
		{"no before a number", "284, no, 285", "(284) 285"},
		{"sorry, no", "284\nsorry, no, 287", "(284) 287"},
		{"sorry at the end of a line", "284, sorry\n287 285", "(284) 287 285"},
		{"sorry at the end of a string", "North: 284 285 sorry\nReed: 270", "North: 284 285; Reed: 270"},
		{"sorry on a line of its own", "284\nsorry, uh,\n\n287", "(284) 287"},
		{"sorry for something else", "284\nsorry about the noise\n285 286", "284 285 286"},
		{"sorry, then a total", "284, sorry\naverage 285\n286", "284 {285} 286"},
		{"sorry, then no reading", "284\nsorry\nskip\n286", "? 284 286"},
		{"sorry for the wind", "284 285\nwe are sorry for the wind today\nsame again", "284 285 285"},
		{"no before no number", "284, no more", "284"},
		{"scratched", "287, scratch that\n278", "(287) 278"},
		{"a caption file", "1\n00:00:01,000 --> 00:00:03,000\ntwo eighty four\n\n2\n00:00:04,000 --> 00:00:06,000\ntwo ninety one", "284 291"},
		{"times of a log", "2026-11-25 14:03:59 284\n2026-11-25 14:04:10 287", "284 287"},
		{"times of a recording", "0:15 two eighty four\n0:21 two ninety", "284 290"},
		{"a caption's 245 is no time", "2:45", "2 45"},
		{"totals are no readings", "284 286\naverage 285\nmin 284 max 286 SD 1.4", "284 286 {285} {284} {286} {1.4}"},
		{"names before numbers", "North 284 287\nReed, 270, 272", "North: 284 287; Reed: 270 272"},
		{"no name before one number", "okay 284\nnice 285", "284 285"},
		{"first shot, second shot", "first shot two eighty four, second shot two ninety", "284 290"},
		{"shot numbers in words", "shot one two eighty four shot two two ninety, shot three, two eighty", "284 290 280"},
		{"counts with noughts", "01 284\n02 287", "284 287"},
		{"a list with units is no table", "North: 284 fps, 287\nReed: 270 fps, 272", "North: 284 287; Reed: 270 272"},
		{"a table", "string,V1 fps\nNorth,284\nReed,270", "North: 284; Reed: 270"},
		{"names above columns", "North\n284\n287\nReed\n270 fps\n", "North: 284 287; Reed: 270"},
		{"a name in a sentence", "the North: 284, 287\nand now the Reed: 270\nthen North: 286", "North: 284 287 286; Reed: 270"},
		{"a heading is no name", "reading\n284\n287", "284 287"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := written(ParseReadings(tt.text, FeetPerSecond).Strings); got != tt.want {
				t.Errorf("ParseReadings(%q) = %s, want %s", tt.text, got, tt.want)
			}
		})
	}
}

// Readings in m/s have two digits.
func TestParseReadingsInMetresPerSecond(t *testing.T) {
	for text, want := range map[string]string{"seventy one seventy three seventy two": "71 73 72", "eighty six point five eighty seven": "86.5 87"} {
		if got := written(ParseReadings(text, MetresPerSecond).Strings); got != want {
			t.Errorf("ParseReadings(%q) = %s, want %s", text, got, want)
		}
	}
}

// A comma without a space separates readings or begins decimals (common practice, no
// source): the list tells which, or the reading is held to be suspect, in angle brackets.
func TestCommas(t *testing.T) {
	for text, want := range map[string]string{
		"98,99,97,96": "98 99 97 96", "86,85,87": "86 85 87", "86,85,87\n88,87": "86 85 87 88 87", "98,97.5": "98 97.5",
		"98,4; 97,9": "98.4 97.9", "98,4 97,9": "98.4 97.9", "98,4\n97,9": "98.4 97.9", "98,4,97,9": "98.4 97.9", "98,05": "98.05",
		"98,99; 97,96": "98.99 97.96", "98,99\n97,12": "98.99 97.12", "98,99\n97,4 86,85,87": "<98.99> 97.4 86 85 87",
		"98,04,97,96": "98.04 97.96", "98,04,97": "98.04 97", "98,99\nno wind; bright": "<98.99>", "98,99 m/s; 97,98 m/s": "98.99 97.98",
		"98,99": "<98.99>", "98,99 97,96": "<98.99> <97.96>", "speed;remark\n98,99;\n97,98;\n": "98.99 97.98",
	} {
		if got := written(ParseReadings(text, MetresPerSecond).Strings); got != want {
			t.Errorf("ParseReadings(%q) = %s, want %s", text, got, want)
		}
	}
	if got := written(ParseReadings("284,28 285,99 284,287", FeetPerSecond).Strings); got != "284.28 285.99 284 287" {
		t.Errorf("in fps: %s", got)
	}
}

// written puts strings of readings on one line.
func written(all []ReadingString) string {
	var strs []string
	for _, s := range all {
		var words []string
		for range s.Unread {
			words = append(words, "?")
		}
		for _, r := range s.Readings {
			word := digitsOf(r.Value)
			if r.Corrected {
				word = "(" + word + ")"
			}
			if r.Slip == slipComma {
				word = "<" + word + ">"
			}
			if r.Slip == slipTotal {
				word = "{" + word + "}"
			}
			words = append(words, word)
		}
		text := strings.Join(words, " ")
		if s.Name != "" {
			text = s.Name + ": " + text
		}
		strs = append(strs, text)
	}
	return strings.Join(strs, "; ")
}

// A speed that no dart can have is looked at even when it stands alone or all readings
// have the same slip.
func TestImpossibleSpeeds(t *testing.T) {
	for _, tt := range []struct {
		text, slip string
		likely     []float64
	}{
		{"2.84", slipPoint, []float64{284}}, {"2.84 2.87 2.90", slipPoint, []float64{284}}, {"28.4, 28.7", slipPoint, []float64{284}},
		{"284287", slipTogether, []float64{284, 287}}, {"two eighty for, two ninety", slipMisheard, []float64{284}},
		{"284", "", nil}, {"two eighty for the first, two ninety for the next", "", nil},
	} {
		r := ParseReadings(tt.text, FeetPerSecond).Strings[0].Readings[0]
		if r.Slip != tt.slip || !slices.Equal(r.Likely, tt.likely) {
			t.Errorf("%q: slip %q, likely %v, want %q, %v", tt.text, r.Slip, r.Likely, tt.slip, tt.likely)
		}
	}
}

// A unit that stands once, before or behind a string, in brackets, in a heading or with
// other strings, is that of all readings that are as large; where it cannot be, that is said.
func TestUnitWrittenOnce(t *testing.T) {
	const north = "North: 283.5 285.1 286.1"
	for _, tt := range []struct{ text, want, note string }{
		{"North: 86.4 86.9 87.2 m/s", north, "stands with 1 of 3 readings"},
		{"North: 86.4, 86.9, 87.2, m/s", north, "stands with 1 of 3 readings"},
		{"North: 86.4 m/s 86.9 87.2", north, "stands with 1 of 3 readings"},
		{"North\n86.4\n86.9\n87.2 (in m/s)", north, "stands with 1 of 3 readings"},
		{"North: m/s 86.4 86.9 87.2", north, ""},
		{"North (m/s): 86.4 86.9 87.2", north, ""},
		{"North in metres per second: 86.4 86.9 87.2", north, ""},
		{"North [m/s]\n86.4\n86.9\n87.2", north, ""},
		{"North m/s 86.4 86.9 87.2", north, ""},
		{"in m/s\nNorth: 86.4 86.9 87.2", north, ""},
		{"Speeds in m/s:\nNorth: 86.4 86.9 87.2\nReed: 86.4", north + "; Reed: 283.5", ""},
		{"North: 86.4 86.9 87.2\nall in m/s", north, "stands behind the readings"},
		{"North: 86.4 86.9 87.2\nReed: 86.4 m/s", north + "; Reed: 283.5", "stands with other strings alone"},
		{"North (m/s): 86.4 86.9 87.2\nReed: 284 285", north + "; Reed: 284 285", ""},
		{"North (m/s)\n86.4\n86.9\n87.2\nReed\n284\n285", north + "; Reed: 284 285", ""},
		{"North: 283.5 285.1 87.2 m/s", north, ""},
		{"wind 3 m/s\nNorth: 283.5 285.1 286.1", north, ""},
		{"m/s: 86.4 86.9", "283.5 285.1", ""},
		{"North: 283.5 fps (86.4 m/s)\nNorth: 285.1 fps = 86.9 m/s, 286.1 fps", north, "2 readings written in both units counted once"},
		{"184 185 100 m/s", "184 185 328.1", "is not clear"},
	} {
		list := ParseReadings(tt.text, FeetPerSecond)
		for _, s := range list.Strings {
			for k := range s.Readings {
				s.Readings[k].Value = math.Round(10*s.Readings[k].Value) / 10
			}
		}
		if got := written(list.Strings); got != tt.want {
			t.Errorf("%q: %s, want %s", tt.text, got, tt.want)
		}
		var notes []string
		for _, s := range list.Strings {
			notes = append(notes, s.Notes...)
		}
		if got := strings.Join(notes, "; "); (got == "") != (tt.note == "") || !strings.Contains(got, tt.note) {
			t.Errorf("%q: notes %q, want %q", tt.text, got, tt.note)
		}
	}
}

// What a spreadsheet or an editor adds is understood, or said to be passed over.
func TestTablesAndNamesAsPasted(t *testing.T) {
	for _, tt := range []struct{ text, want, note string }{
		{"\ufeffaccessory,fps\nNorth,284\nReed,270", "North: 284; Reed: 270", ""},
		{"\ufeffNorth: 284 285", "North: 284 285", ""},
		{"part,fps,remark\nNorth,284,windy\nReed,285,", "284 285", "columns passed over: part, remark"},
		{"accessory,fps,m/s\nNorth,284,86.6", "North: 284", "columns passed over: m/s"},
		{"North,Reed\n284,270\n285,271", "North: 284 285; Reed: 270 271", ""},
		{"shot\tNorth\tReed\n1\t284\t\n2\t285\t270", "North: 284 285; Reed: 270", ""},
		{"North fps,Reed fps\n284,270\n285,271", "North: 284 285; Reed: 270 271", ""},
		{"North,284\nNorth,285\nReed,270", "North: 284 285; Reed: 270", ""},
		{"North 284\nNorth 285\nReed 270 fps\nReed 271", "North: 284 285; Reed: 270 271", ""},
		{"V 2\n284\nV 3\n290", "V 2: 284; V 3: 290", ""},
		{"North windy 284\nReed 290", "284 290", "passed over: North, windy, Reed"},
		{"nice, 284, wow, 285 ms at 30 m", "284 285", "passed over: nice, wow, ms, 30 m"},
		{"cap 300 fps\n284", "284", ""},
		{"# North, 3 June\n284\n#2 285", "284 285", ""},
	} {
		list := ParseReadings(tt.text, FeetPerSecond)
		if got := written(list.Strings); got != tt.want {
			t.Errorf("%q: %s, want %s", tt.text, got, tt.want)
		}
		if got := strings.Join(list.Notes, "; "); (got == "") != (tt.note == "") || !strings.HasPrefix(got, tt.note) {
			t.Errorf("%q: notes %q, want %q", tt.text, got, tt.note)
		}
	}
}
