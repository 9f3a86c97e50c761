package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	page "dartfall/cmd/dartfall/internal/report"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

// shownOn makes a photo that shows marks of the board turned anticlockwise by turn.
func shownOn(name string, turn float64, up sheet.Up, marks []sheet.Impact) sheet.Photo {
	p := sheet.Photo{Name: name, State: sheet.Measured, Plane: &sheet.Plane{}, Up: up}
	for i, m := range marks {
		at := r2.Rotate(r2.Vec{X: float64(m.XMM), Y: float64(m.YMM)}, turn, r2.Vec{})
		m.ID, m.Photo, m.XMM, m.YMM = fmt.Sprintf("%s#%d", name, i+1), name, sheet.Number(at.X), sheet.Number(at.Y)
		p.Marks = append(p.Marks, m)
	}
	return p
}

// scattered draws marks of a colour.
func scattered(seed uint64, n int, colour string) (out []sheet.Impact) {
	rng := rand.New(rand.NewPCG(seed, 5))
	for range n {
		out = append(out, sheet.Impact{
			Colour: colour, XMM: sheet.Number(70 * rng.NormFloat64()), YMM: sheet.Number(70 * rng.NormFloat64()), Source: sheet.Found,
			SigmaMM: 0.2, CovMM2: [3]sheet.Number{0.04, 0, 0.04}, Confidence: 1, DiameterMM: 19,
		})
	}
	return out
}

var (
	upByPhoto = sheet.Up{Source: "photo", SigmaDeg: 2}
	upByMark  = sheet.Up{Source: "mark", SigmaDeg: 0.05}
)

// Strings of one colour on one board: each takes its own marks, in one frame,
// however the board hung; what cannot be told apart is left open, aloud.
func TestStringsOfOneColour(t *testing.T) {
	first, second, third := scattered(1, 10, "blue"), scattered(2, 10, "blue"), scattered(3, 10, "blue")
	both := slices.Concat(first, second)
	for _, c := range []struct {
		name    string
		photos  []sheet.Photo
		change  func(*session.Session)
		counted []int    // by string
		again   []int    // by string
		gone    []int    // by string
		say     []string // in the warnings
	}{
		{name: "level", photos: []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, first), shownOn("b.jpg", 0.05, upByPhoto, both), shownOn("c.jpg", -0.04, upByPhoto, slices.Concat(both, third))},
			counted: []int{10, 10, 10}, again: []int{0, 10, 20}, gone: []int{0, 0, 0}},
		{name: "turned by a quarter", photos: []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, first), shownOn("b.jpg", 1.6, upByPhoto, both), shownOn("c.jpg", 3, upByMark, slices.Concat(both, third))},
			counted: []int{10, 10, 10}, again: []int{0, 10, 20}, gone: []int{0, 0, 0}},
		{name: "one came off", photos: []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, first), shownOn("b.jpg", 0, upByPhoto, both[1:]), shownOn("c.jpg", 0, upByPhoto, slices.Concat(both[1:], third))},
			counted: []int{10, 10, 10}, again: []int{0, 9, 19}, gone: []int{0, 1, 0}},
		{name: "sighters before", photos: []sheet.Photo{shownOn("s.jpg", 0.02, upByPhoto, third[:3]), shownOn("a.jpg", 0, upByPhoto, slices.Concat(third[:3], first)), shownOn("b.jpg", 0, upByPhoto, slices.Concat(third[:3], both)), shownOn("c.jpg", 0, upByPhoto, slices.Concat(third[:3], both, third[3:]))},
			change:  func(s *session.Session) { s.Board.Start = "s.jpg" },
			counted: []int{10, 10, 7}, again: []int{3, 13, 23}, gone: []int{0, 0, 0}},
		{name: "a fresh face, declared", photos: []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, first), shownOn("b.jpg", 0, upByPhoto, second), shownOn("c.jpg", 0, upByPhoto, slices.Concat(second, third))},
			change:  func(s *session.Session) { s.Strings[1].Fresh = true },
			counted: []int{10, 10, 10}, again: []int{0, 0, 10}, gone: []int{0, 0, 0}},
		{name: "a fresh face, not declared", photos: []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, first), shownOn("b.jpg", 0, upByPhoto, second), shownOn("c.jpg", 0, upByPhoto, slices.Concat(second, third))},
			counted: []int{10, 10, 10}, again: []int{0, 0, 10}, gone: []int{0, 0, 0}, say: []string{"b.jpg: the 10 marks seen before are not on it"}},
		{name: "hardly any seen again", photos: []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, first), shownOn("b.jpg", 0, upByPhoto, slices.Concat(first[:3], second)), shownOn("c.jpg", 0, upByPhoto, slices.Concat(first[:3], second, third))},
			counted: []int{10, 0, 10}, again: []int{0, 0, 13}, gone: []int{0, 0, 0}, say: []string{"string 2 Reed is not in the figures", "fresh = true"}},
		{name: "overlooked on its own photo", photos: []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, first[1:]), shownOn("b.jpg", 0, upByPhoto, both), shownOn("c.jpg", 0, upByPhoto, slices.Concat(both, third))},
			change: func(s *session.Session) {
				for i := range s.Strings {
					s.Strings[i].Shots = 10
				}
			},
			counted: []int{9, 11, 10}, again: []int{0, 9, 20}, gone: []int{0, 0, 0}, say: []string{"string 1 North lacks 1 mark and string 2 Reed has 1 too many"}},
		{name: "a photo between lost", photos: []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, first), {Name: "b.jpg", State: sheet.Refused}, shownOn("c.jpg", 0, upByPhoto, slices.Concat(both, third))},
			counted: []int{10, 0, 0}, again: []int{0, 0, 10}, gone: []int{0, 0, 0}, say: []string{"string 2 Reed has no measured photo", "string 3 Slate is not in the figures"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			ses := session.Session{}
			for i, name := range []string{"North", "Reed", "Slate"} {
				ses.Accessories = append(ses.Accessories, session.Accessory{Name: name, Sticker: "blue"})
				ses.Strings = append(ses.Strings, session.String{Accessory: name, Photo: string(rune('a'+i)) + ".jpg"})
			}
			if c.change != nil {
				c.change(&ses)
			}
			s, err := assemble(job{session: &ses}, c.photos)
			if err != nil {
				t.Fatal(err)
			}
			for i, r := range s.Strings {
				if r.Found != c.counted[i] || r.SeenAgain != c.again[i] || len(r.Gone) != c.gone[i] {
					t.Errorf("string %s: %d new, %d seen again, gone %q, want %d, %d and %d", r.Name, r.Found, r.SeenAgain, r.Gone, c.counted[i], c.again[i], c.gone[i])
				}
				if open := r.Open != "" || r.Photo == "b.jpg" && c.photos[1].State == sheet.Refused; open != (c.counted[i] == 0) {
					t.Errorf("string %s is open: %v, %q", r.Name, open, r.Open)
				}
			}
			said := strings.Join(s.Warnings, "\n")
			for _, want := range c.say {
				if !strings.Contains(said, want) {
					t.Errorf("no warning says %q:\n%s", want, said)
				}
			}
			if len(c.say) == 0 && (strings.Contains(said, "fresh") || strings.Contains(said, "look at it")) {
				t.Errorf("warned without need:\n%s", said)
			}
			checkOneFrame(t, s, slices.Concat(first, second, third))
		})
	}
}

// checkOneFrame holds that the distances between all counted impacts of one face
// are those of the board.
func checkOneFrame(t *testing.T, s sheet.Summary, truth []sheet.Impact) {
	t.Helper()
	if s.Strings[2].SeenAgain == 0 || s.Strings[0].Found != 10 || len(s.Impacts) != len(truth) {
		return
	}
	for i := range 20 { // the first two strings, in the order put
		for k := range i {
			d := math.Hypot(float64(s.Impacts[i].XMM-s.Impacts[k].XMM), float64(s.Impacts[i].YMM-s.Impacts[k].YMM))
			want := math.Hypot(float64(truth[i].XMM-truth[k].XMM), float64(truth[i].YMM-truth[k].YMM))
			if s.Strings[1].SeenAgain > 0 && !(math.Abs(d-want) <= 0.5) {
				t.Errorf("impacts %d and %d are %.2f mm apart, want %.2f", i, k, d, want)
				return
			}
		}
	}
}

// With a colour for each string, a new mark in an earlier string's colour is an
// alarm, and a lost one is named; counts go by colour.
func TestNewMarkOfAnotherColour(t *testing.T) {
	blue, orange := scattered(1, 8, "blue"), scattered(2, 8, "orange")
	ses := session.Session{
		Accessories: []session.Accessory{{Name: "North", Sticker: "blue"}, {Name: "Reed", Sticker: "orange"}},
		Strings:     []session.String{{Accessory: "North", Photo: "a.jpg"}, {Accessory: "Reed", Photo: "b.jpg"}},
	}
	s, err := assemble(job{session: &ses}, []sheet.Photo{
		shownOn("a.jpg", 0, upByPhoto, blue),
		shownOn("b.jpg", 0.03, upByPhoto, slices.Concat(blue[1:], scattered(9, 1, "blue"), orange)),
	})
	if err != nil {
		t.Fatal(err)
	}
	said := strings.Join(s.Warnings, "\n")
	if !strings.Contains(said, "b.jpg shows a new mark that is of no string of this photo: blue at") {
		t.Errorf("no alarm about the new blue mark:\n%s", said)
	}
	if r := s.Strings[1]; r.Found != 8 || len(r.Gone) != 1 || !strings.Contains(r.Gone[0], "(a.jpg#1)") {
		t.Errorf("string 2: %d found, gone %q, want 8 and a.jpg#1", r.Found, r.Gone)
	}
}

// In other light a mark may have another name; where its colour is unsure its place tells
// that it was there before, and that is said.
func TestEarlierMarkByAnotherName(t *testing.T) {
	old := scattered(1, 8, "purple")
	later := slices.Clone(old)
	later[2].Colour, later[2].Flags = "pink", []string{string(vision.UnsureHue)}
	ses := session.Session{
		Accessories: []session.Accessory{{Name: "North"}, {Name: "Reed"}},
		Strings:     []session.String{{Accessory: "North", Photo: "a.jpg"}, {Accessory: "Reed", Photo: "b.jpg"}},
	}
	s, err := assemble(job{session: &ses}, []sheet.Photo{
		shownOn("a.jpg", 0, upByPhoto, old),
		shownOn("b.jpg", 0.03, upByPhoto, slices.Concat(later, scattered(2, 7, "orange"))),
	})
	if err != nil {
		t.Fatal(err)
	}
	if r := s.Strings[1]; r.Found != 7 || len(r.Gone) != 0 {
		t.Errorf("string 2: %d found, gone %q, want 7 and none", r.Found, r.Gone)
	}
	if said := strings.Join(s.Warnings, "\n"); !strings.Contains(said, "(a.jpg#3) as pink at") {
		t.Errorf("nothing about the name:\n%s", said)
	}
}

// What a wrong session file does is said in one plain line each.
func TestMisfiledPhotosAreSaid(t *testing.T) {
	blue, orange := scattered(1, 8, "blue"), scattered(2, 8, "orange")
	for _, c := range []struct {
		name       string
		second     string            // photo of the second string
		taken      map[string]string // by photo
		stickers   [2]string
		marks      map[string][]sheet.Impact
		want, lack string
	}{
		{"in order", "b.jpg", map[string]string{"a.jpg": "2026-06-01T10:00:00", "b.jpg": "2026-06-01T10:20:00"}, [2]string{"blue", "orange"},
			map[string][]sheet.Impact{"a.jpg": blue, "b.jpg": slices.Concat(blue, orange)}, "", "listed before"},
		{"no clock", "b.jpg", map[string]string{"b.jpg": "2026-06-01T10:20:00"}, [2]string{"blue", "orange"},
			map[string][]sheet.Impact{"a.jpg": blue, "b.jpg": slices.Concat(blue, orange)}, "", "listed before"},
		{"out of order", "b.jpg", map[string]string{"a.jpg": "2026-06-01T10:30:00", "b.jpg": "2026-06-01T10:20:00"}, [2]string{"blue", "orange"},
			map[string][]sheet.Impact{"a.jpg": slices.Concat(blue, orange), "b.jpg": orange}, "b.jpg was taken before a.jpg, whose string is listed before", ""},
		{"one photo for both", "a.jpg", nil, [2]string{"blue", "orange"},
			map[string][]sheet.Impact{"a.jpg": blue}, "string 2 Reed: no new orange mark on a.jpg, so its 8 shots are not in the figures, the photo of string 1 North too", "count nowhere"},
		{"one colour for both", "b.jpg", nil, [2]string{"blue", "blue"},
			map[string][]sheet.Impact{"a.jpg": blue, "b.jpg": blue}, "string 2 Reed: no new blue mark on b.jpg, so its 8 shots are not in the figures, and string 1 North has blue stickers too", ""},
		{"a photo of no string", "a.jpg", nil, [2]string{"blue", "orange"},
			map[string][]sheet.Impact{"a.jpg": slices.Concat(blue, orange), "b.jpg": blue}, "no string names b.jpg: its marks count nowhere", ""},
		{"no mark", "b.jpg", nil, [2]string{"blue", "orange"},
			map[string][]sheet.Impact{"a.jpg": blue, "b.jpg": blue}, "string 2 Reed: no new orange mark on b.jpg, so its 8 shots are not in the figures: look at the picture (is it an earlier board photographed again?)", ""},
	} {
		ses := session.Session{
			Accessories: []session.Accessory{{Name: "North", Sticker: c.stickers[0]}, {Name: "Reed", Sticker: c.stickers[1]}},
			Strings:     []session.String{{Accessory: "North", Photo: "a.jpg"}, {Accessory: "Reed", Photo: c.second, Shots: 8}},
		}
		var photos []sheet.Photo
		for _, name := range []string{"a.jpg", "b.jpg"} {
			p := shownOn(name, 0, upByPhoto, c.marks[name])
			p.Taken = c.taken[name]
			photos = append(photos, p)
		}
		s, err := assemble(job{session: &ses}, photos)
		if err != nil {
			t.Fatal(err)
		}
		said := strings.Join(s.Warnings, "\n")
		if !strings.Contains(said, c.want) || c.lack != "" && strings.Contains(said, c.lack) {
			t.Errorf("%s: want %q and not %q:\n%s", c.name, c.want, c.lack, said)
		}
	}
}

// Doubtful marks that count are said, with what to do; where they are many, that
// these may be bare marks.
func TestDoubtfulMarksAreSaid(t *testing.T) {
	marks := func(doubtful int) []sheet.Impact {
		list := scattered(1, 9, "blue")
		for i := range doubtful {
			list[i].Flags = []string{"doubtful"}
		}
		list[0].Source = sheet.Removed // counts nowhere, nor does its doubt
		return list
	}
	bare := job{}
	bare.opts.Marks.Bare = true
	const hint = "bare marks (holes, dents)"
	for _, c := range []struct {
		name       string
		job        job
		doubtful   int
		want, lack string
	}{
		{"none", job{}, 1, "", "doubtful"},
		{"one", job{}, 2, "1 of 8 marks doubtful, and counted (1 on a.jpg)", hint},
		{"many", job{}, 5, hint + ", and no stickers are on them, measure with --marks", ""},
		{"many in a session", job{session: &session.Session{}}, 5, `write kind = "bare" under [marks]`, "--marks"},
		{"bare already", bare, 5, "4 of 8 marks doubtful", hint},
	} {
		s, err := assemble(c.job, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, marks(c.doubtful))})
		if err != nil {
			t.Fatal(err)
		}
		said := strings.Join(s.Warnings, "\n")
		if !strings.Contains(said, c.want) || c.lack != "" && strings.Contains(said, c.lack) {
			t.Errorf("%s: want %q and not %q:\n%s", c.name, c.want, c.lack, said)
		}
	}
}

// A comparison of which a third of a side's marks is doubtful says so in the same breath.
func TestAnswerOnDoubtfulMarks(t *testing.T) {
	for _, c := range []struct {
		doubtful int // of 9
		want     bool
	}{{0, false}, {2, false}, {3, true}} {
		marks := append(scattered(1, 9, "blue"), scattered(2, 9, "red")...)
		for i := range c.doubtful {
			marks[i].Flags = []string{"doubtful"}
		}
		s, err := assemble(job{}, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, marks)})
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Comparisons) != 1 || strings.Contains(s.Answer, "but 3 of 9 marks of blue are doubtful: look at these first") != c.want {
			t.Errorf("%d doubtful: %q", c.doubtful, s.Answer)
		}
	}
}

// Shots without a mark are misses on every picture and in every text, as the figures
// count them.
func TestShotsWithoutMarkAreMisses(t *testing.T) {
	ses := session.Session{
		Accessories: []session.Accessory{{Name: "North", Sticker: "blue"}},
		Strings:     []session.String{{Accessory: "North", Photo: "a.jpg", Shots: 10, Misses: 1}},
	}
	s, err := assemble(job{session: &ses, distance: session.Length{Text: "25 m", MM: 25000}}, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, scattered(1, 7, "blue"))})
	if err != nil {
		t.Fatal(err)
	}
	if g := s.Groups[0]; g.Misses != 1 || g.Unaccounted != 2 || !g.All.MeanRadiusMM.AtLeast {
		t.Errorf("misses %d, unaccounted %d, mean radius %+v, want 1, 2 and at least", g.Misses, g.Unaccounted, g.All.MeanRadiusMM)
	}
	if n := scene(s).Accessories[0].Misses; n != 3 {
		t.Errorf("the pictures show %d misses, want 3", n)
	}
	text, err := page.Description(s)
	if err != nil || !strings.Contains(text, "missed the board: 3 (1 stated, the rest without a mark)") {
		t.Errorf("%v, description:\n%s", err, text)
	}
	var out strings.Builder
	printSummary(&out, s)
	for _, want := range []string{`extreme spread ≥ [\d.]+ mrad`, `mean radius ≥ [\d.]+ mrad`, `sigma ≥ [\d.]+ mrad`, ` all +7 +(≥ \d+ \(\d+–…\) +){3}≥ \d+ +≥ \d+ `} {
		if !regexp.MustCompile(want).MatchString(out.String()) {
			t.Errorf("no %q in the table:\n%s", want, out.String())
		}
	}
}

// Misses are counted into sigma where the session says what would show an impact, and
// advice on that is given only where there is a session.
func TestMissesAreCountedIntoSigma(t *testing.T) {
	const row, advice = " misses counted +10 +– +– +\\d+ \\(", "write backer under [board] in session.toml"
	ses := session.Session{
		Accessories: []session.Accessory{{Name: "North", Sticker: "blue"}},
		Strings:     []session.String{{Accessory: "North", Photo: "a.jpg", Shots: 10, Misses: 3}},
	}
	withBacker := ses
	withBacker.Board.Backer.DiameterMM = 600
	for _, c := range []struct {
		name             string
		job              job
		counted, advised bool
	}{
		{"backer", job{session: &withBacker}, true, false}, {"no backer", job{session: &ses}, false, true},
		{"no session", job{shots: []shotCount{{n: 10}}}, false, false},
	} {
		s, err := assemble(c.job, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, scattered(1, 7, "blue"))})
		if err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		printSummary(&out, s)
		html, err := page.HTML(s, nil)
		if err != nil {
			t.Fatal(err)
		}
		if e := s.Groups[0].SigmaOfAllMM; (e != nil) != c.counted || c.counted && !(e.Value > s.Groups[0].All.SigmaMM.Value && e.High.Known()) ||
			regexp.MustCompile(row).MatchString(out.String()) != c.counted || strings.Contains(string(html), "Sigma with the misses counted") != c.counted {
			t.Errorf("%s: %+v\n%s", c.name, e, out.String())
		}
		if strings.Contains(out.String(), advice) != c.advised || strings.Contains(out.String(), "size of the board is not given") != c.advised {
			t.Errorf("%s: advice\n%s", c.name, out.String())
		}
	}
}

// Where to give the board's size is said beside a pair as beside a group.
func TestBoardIsAskedForBesideAPair(t *testing.T) {
	const want = "the misses are not counted into sigma, since the size of the board is not given: write backer under [board] in session.toml"
	ses := session.Session{
		Accessories: []session.Accessory{{Name: "North", Sticker: "blue"}, {Name: "Reed", Sticker: "orange"}},
		Strings:     []session.String{{Accessory: "North", Photo: "a.jpg", Shots: 8}, {Accessory: "Reed", Photo: "a.jpg", Shots: 8, Misses: 1}},
	}
	for _, j := range []job{{session: &ses}, {shots: []shotCount{{n: 9}}}} {
		s, err := assemble(j, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, append(scattered(1, 8, "blue"), scattered(2, 7, "orange")...))})
		if err != nil {
			t.Fatal(err)
		}
		if w := s.Comparisons[0].Warnings; slices.Contains(w, want) != (j.session != nil) || strings.Contains(strings.Join(w, ""), "board") != (j.session != nil) {
			t.Errorf("session %v: %q", j.session != nil, w)
		}
	}
}

// Numbers of shots that cannot be right give no verdict, in no text and on no picture:
// more marks than shots, shots unaccounted for that decide. One that changes nothing, or
// that is stated as a miss, does no harm.
func TestNoVerdictOnWrongNumbersOfShots(t *testing.T) {
	wide := scattered(2, 15, "orange") // clearly wider than the others
	for i := range wide {
		wide[i].XMM, wide[i].YMM = 3*wide[i].XMM, 3*wide[i].YMM
	}
	for _, c := range []struct {
		name          string
		marks         []sheet.Impact // of Reed
		shots, misses int            // of Reed
		want, lack    string         // in the answer
	}{
		{"right", wide, 15, 0, "North is clearly tighter than Reed", "cannot"},
		{"51 for 15", scattered(2, 15, "orange"), 51, 0, "North and Reed cannot be compared yet: 36 of 51 shots of Reed are neither found nor stated as misses, and they decide", "tighter"},
		{"18 for 15", scattered(2, 15, "orange"), 18, 0, "North and Reed cannot be compared yet: 3 of 18 shots of Reed are neither found nor stated as misses, and they decide", "tighter"},
		{"all stated", scattered(2, 15, "orange"), 51, 36, "North is clearly tighter than Reed", "cannot"},
		{"they do not decide", wide, 16, 0, "North is clearly tighter than Reed", "cannot"},
		{"3 for 15", wide, 3, 0, "North and Reed cannot be compared yet: Reed has more marks (15) than shots stated (3)", "tighter"},
		{"with misses", wide, 16, 2, "Reed has more marks and misses (15 and 2) than shots stated (16)", "tighter"},
	} {
		ses := session.Session{
			Accessories: []session.Accessory{{Name: "North", Letter: "A", Sticker: "blue"}, {Name: "Reed", Letter: "B", Sticker: "orange"}},
			Strings:     []session.String{{Accessory: "North", Photo: "a.jpg", Shots: 15}, {Accessory: "Reed", Photo: "b.jpg", Shots: c.shots, Misses: c.misses}},
		}
		north := scattered(1, 15, "blue")
		s, err := assemble(job{session: &ses}, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, north), shownOn("b.jpg", 0, upByPhoto, slices.Concat(north, c.marks))})
		if err != nil {
			t.Fatal(err)
		}
		text, err := page.Description(s)
		if err != nil {
			t.Fatal(err)
		}
		sc := scene(s)
		for what, words := range map[string]string{"answer": s.Answer, "description": text, "pair": s.Comparisons[0].Words} {
			if !strings.Contains(words, c.want) || strings.Contains(words, c.lack) {
				t.Errorf("%s, %s: %q, want %q and not %q", c.name, what, words, c.want, c.lack)
			}
		}
		check := c.lack == "tighter"
		want := [2]string{"North is clearly tighter than Reed", "A tighter than B"}
		if check {
			want = [2]string{"North and Reed: no verdict, check the shots", "A–B: check the shots"}
		}
		if got := [2]string{sc.Verdicts[0].Text, sc.InShort[0].Text}; got != want || toDecide(s) != check {
			t.Errorf("%s: pictures say %q, want %q; needs a decision: %v", c.name, got, want, toDecide(s))
		}
	}
}

// A board photographed again under the name of another string: its shots are no misses.
func TestRetakeOfABoardIsNoMisses(t *testing.T) {
	north, reed := scattered(1, 15, "blue"), scattered(2, 15, "orange")
	board := slices.Concat(north, reed)
	ses := session.Session{
		Accessories: []session.Accessory{{Name: "North", Sticker: "blue"}, {Name: "Reed", Sticker: "orange"}},
		Strings: []session.String{{Accessory: "North", Photo: "a.jpg", Shots: 15}, {Accessory: "Reed", Photo: "b.jpg", Shots: 15},
			{Accessory: "Reed", Photo: "again.jpg", Shots: 15}},
	}
	s, err := assemble(job{session: &ses}, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, north), shownOn("b.jpg", 0, upByPhoto, board), shownOn("again.jpg", 0.2, upByPhoto, board)})
	if err != nil {
		t.Fatal(err)
	}
	if g := s.Groups[1]; g.Shots != 15 || g.Missed() != 0 {
		t.Errorf("%d shots and %d misses, want 15 and 0", g.Shots, g.Missed())
	}
	if want := "string 3 Reed is not in the figures, since again.jpg shows no new mark of it."; !strings.HasSuffix(s.Answer, want) || !toDecide(s) {
		t.Errorf("%q, want %q and a decision", s.Answer, want)
	}
}

// Misses that a string states count though no mark of it is found: one shot of it not
// found either makes no retake of its photo, nor does a number of shots left open.
func TestStatedMissesCountWithoutAMark(t *testing.T) {
	north, reed := scattered(1, 10, "blue"), scattered(2, 10, "orange")
	board := slices.Concat(north, reed)
	for _, c := range []struct {
		name, photo                 string // of the string without a mark
		shots, misses               int    // of it
		declared, lost, unaccounted int    // of Reed
	}{
		{"all", "c.jpg", 10, 10, 20, 10, 0}, {"all but one", "c.jpg", 10, 9, 20, 9, 1}, {"shots not stated", "c.jpg", 0, 9, 19, 9, 0},
		{"all, no photo of their own", "b.jpg", 10, 10, 20, 10, 0},
	} {
		ses := session.Session{
			Accessories: []session.Accessory{{Name: "North", Sticker: "blue"}, {Name: "Reed", Sticker: "orange"}},
			Strings: []session.String{{Accessory: "North", Photo: "a.jpg", Shots: 10}, {Accessory: "Reed", Photo: "b.jpg", Shots: 10},
				{Accessory: "Reed", Photo: c.photo, Shots: c.shots, Misses: c.misses}},
		}
		s, err := assemble(job{session: &ses}, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, north), shownOn("b.jpg", 0, upByPhoto, board), shownOn("c.jpg", 0.1, upByPhoto, board)})
		if err != nil {
			t.Fatal(err)
		}
		if g := s.Groups[1]; g.Shots != c.declared || g.Misses != c.lost || g.Unaccounted != c.unaccounted {
			t.Errorf("%s: %d shots, %d misses, %d unaccounted, want %d, %d, %d", c.name, g.Shots, g.Misses, g.Unaccounted, c.declared, c.lost, c.unaccounted)
		}
		if !strings.HasPrefix(s.Answer, "North is clearly tighter than Reed") || strings.Contains(s.Answer, "not in the figures") || toDecide(s) {
			t.Errorf("%s: %q, to decide: %v", c.name, s.Answer, toDecide(s))
		}
	}
}

// Why a string is not in the figures is said as it is.
func TestWhyAStringIsLeftOut(t *testing.T) {
	north, reed, later := scattered(1, 10, "blue"), scattered(2, 10, "orange"), scattered(3, 10, "orange")
	for photo, want := range map[string]string{
		"gone.jpg": "since gone.jpg was not measured.",
		"b.jpg":    "since the marks of b.jpg count for string 2 Reed.",
		"c.jpg":    "since c.jpg shows no new mark of it.",
		"d.jpg":    "since its new marks cannot be told from earlier ones.",
	} {
		ses := session.Session{
			Accessories: []session.Accessory{{Name: "North", Sticker: "blue"}, {Name: "Reed", Sticker: "orange"}},
			Strings:     []session.String{{Accessory: "North", Photo: "a.jpg"}, {Accessory: "Reed", Photo: "b.jpg"}},
		}
		if photo == "d.jpg" { // after one that was not measured
			ses.Strings = append(ses.Strings, session.String{Accessory: "Reed", Photo: "lost.jpg"})
		}
		ses.Strings = append(ses.Strings, session.String{Accessory: "Reed", Photo: photo})
		s, err := assemble(job{session: &ses}, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, north), shownOn("b.jpg", 0, upByPhoto, slices.Concat(north, reed)),
			shownOn("c.jpg", 0.1, upByPhoto, slices.Concat(north, reed)), shownOn("d.jpg", 0.1, upByPhoto, slices.Concat(north, reed, later))})
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasSuffix(s.Answer, " Reed is not in the figures, "+want) || !toDecide(s) {
			t.Errorf("%s: %q, want %q and a decision", photo, s.Answer, want)
		}
	}
}

// What is said of stickers is not said of bare marks.
func TestStickerNote(t *testing.T) {
	for _, kind := range []string{"sticker", "bare"} {
		marks := scattered(1, 8, "")
		for i := range marks {
			marks[i].Kind = kind
		}
		s, err := assemble(job{}, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, marks)})
		if err != nil || slices.Contains(s.Warnings, stickerPlacementNote) != (kind == "sticker") {
			t.Errorf("%s: %v, warnings %q", kind, err, s.Warnings)
		}
	}
}

// Without the widest, sigma is an estimate for all shots and may rise: said beside the
// table of measure, in the report and on the review page (the rule's words).
func TestSigmaWithoutTheWidestIsExplained(t *testing.T) {
	for _, c := range []struct {
		job  job
		want bool
	}{{job{drop: 2}, true}, {job{}, false}} {
		s, err := assemble(c.job, []sheet.Photo{shownOn("a.jpg", 0, upByPhoto, scattered(1, 12, "blue"))})
		if err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		printSummary(&out, s)
		if strings.Contains(out.String(), sigmaWithout) != c.want || strings.Contains(s.Rule.ByLuck, sigmaWithout) != c.want {
			t.Errorf("drop %d: rule %q, table:\n%s", c.job.drop, s.Rule.ByLuck, out.String())
		}
	}
}
