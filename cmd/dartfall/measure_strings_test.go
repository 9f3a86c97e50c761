package main

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dartfall/calib/boardtest"
	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/sheet"
)

// writeSession makes a folder with a session file of one sticker colour and a
// rendered photo for each scene.
func writeSession(t *testing.T, file string, scenes map[string]boardtest.Scene) string {
	t.Helper()
	dir := t.TempDir()
	for name, s := range scenes {
		s.JPEG = boardtest.JPEG{Quality: 92, Focal35MM: s.Camera.Focal35MM()}
		if err := boardtest.WriteCase(dir, name, s); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(filepath.Join(dir, name+".json")); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "session.toml"), []byte(file), 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

// from returns the plain board with marks, seen from a place of its own.
func from(tilt, azimuth, roll float64, marks []boardtest.Mark) boardtest.Scene {
	s := boardtest.Plain(1400, 1050)
	s.Camera.Tilt, s.Camera.Azimuth, s.Camera.Roll, s.Camera.K1 = tilt, azimuth, roll, -0.03
	s.Marks = marks
	return s
}

const oneColour = `distance = "10m"
[board]
rings = ["100mm", "200mm", "300mm", "400mm"]
start = "start.jpg"
[marks]
sticker_size = "16mm"
[[accessory]]
name = "North"
sticker = "blue"
[[accessory]]
name = "Reed"
sticker = "blue"
[[string]]
accessory = "North"
photo = "one.jpg"
shots = 6
[[string]]
accessory = "Reed"
photo = "two.jpg"
shots = 6
`

// One board, stickers of one colour, sighters first: three photos from different
// places, the board a third of a turn round on the last, one sticker gone by then.
func TestMeasureTellsStringsApart(t *testing.T) {
	sighters := [][2]float64{{-120, 40}, {60, 130}}
	first := [][2]float64{{10, 20}, {-40, 35}, {55, -20}, {-15, -60}, {90, 60}, {30, 75}}
	second := [][2]float64{{-70, -30}, {20, -5}, {-20, 90}, {75, 25}, {14, 30}, {-110, -90}}
	stickers := func(at ...[2]float64) []boardtest.Mark { return boardtest.Stickers("blue", 16, at...) }
	dir := writeSession(t, oneColour, map[string]boardtest.Scene{
		"start": from(0.1, 0.5, 0.03, stickers(sighters...)),
		"one":   from(0.35, 2.2, -0.05, stickers(slices.Concat(sighters, first)...)),
		"two":   from(0.3, -1.2, 2.1, stickers(slices.Concat(sighters, first[1:], second)...)),
	})
	status, out, errs := call("measure", dir)
	if status != statusDone {
		t.Fatalf("status %d\n%s%s", status, out, errs)
	}
	raw, err := os.ReadFile(filepath.Join(dir, "results", "summary.json"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := sheet.Decode(raw)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		again, gone int
		at          [][2]float64
	}{{2, 0, first}, {7, 1, second}} {
		r, g := s.Strings[i], s.Groups[i]
		if r.Found != 6 || r.SeenAgain != want.again || len(r.Gone) != want.gone {
			t.Errorf("string %s: %d new, %d seen again, gone %q, want 6, %d and %d", r.Name, r.Found, r.SeenAgain, r.Gone, want.again, want.gone)
		}
		es := 0.0
		for k, a := range want.at {
			for _, b := range want.at[:k] {
				es = max(es, math.Hypot(a[0]-b[0], a[1]-b[1]))
			}
		}
		if !(math.Abs(float64(g.All.ExtremeSpreadMM.Value)-es) <= 0.5) {
			t.Errorf("%s: extreme spread %.2f mm, want %.2f", r.Name, float64(g.All.ExtremeSpreadMM.Value), es)
		}
	}
	_, clean, errs := call("measure", filepath.Join(dir, "one.jpg"), "--ring", "400mm", "--stickers", "blue", "--clean", filepath.Join(dir, "start.jpg"), "--out", t.TempDir())
	if !strings.Contains(clean, "6 impacts in 1 group") || !strings.Contains(clean, "the clean photo shows them already: 2") {
		t.Errorf("with the clean photo, want 6 impacts and 2 left out:\n%s%s", clean, errs)
	}
	for _, want := range []string{"seen again", "gone on two.jpg: blue at"} {
		if !strings.Contains(out, want) {
			t.Errorf("the terminal does not say %q:\n%s", want, out)
		}
	}
}

// Two accessories on one photo, of which one left no mark: nothing is said of a
// difference anywhere, and the run asks for a look.
func TestTooFewImpactsGetNoVerdict(t *testing.T) {
	file := strings.NewReplacer("start = \"start.jpg\"\n", "", "\"Reed\"\nsticker = \"blue\"", "\"Reed\"\nsticker = \"orange\"", "two.jpg", "one.jpg").Replace(oneColour)
	blue := boardtest.Stickers("blue", 16, [2]float64{10, 20}, [2]float64{-40, 35}, [2]float64{55, -20}, [2]float64{-15, -60}, [2]float64{90, 60}, [2]float64{30, 75})
	dir := writeSession(t, file, map[string]boardtest.Scene{"one": from(0.35, 2.2, -0.05, blue)})
	status, out, errs := call("measure", dir)
	const want = "North against Reed: too few impacts to compare (6 and 0)"
	if status != statusPartial || !strings.HasPrefix(out, want+"; string 2 Reed is not in the figures") {
		t.Errorf("status %d, %q, want %d and %q first\n%s", status, out, statusPartial, want, errs)
	}
	results := filepath.Join(dir, "results")
	for _, name := range []string{"report.html", "description.txt", "pictures/alt-texts.txt", "summary.json"} {
		text, err := os.ReadFile(filepath.Join(results, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), want) {
			t.Errorf("%s does not say %q", name, want)
		}
		for _, not := range []string{"difference visible", "at least –", "– mm", "not known mm", `at least <strong><span`} {
			if i := strings.Index(strings.ToLower(string(text)), not); i >= 0 {
				t.Errorf("%s says %q", name, text[max(0, i-60):i+len(not)])
			}
		}
	}
	_, s, err := readSummary(dir)
	if err != nil {
		t.Fatal(err)
	}
	sc := scene(s)
	if len(sc.Verdicts) != 1 || sc.Verdicts[0].Step != picture.TooFew || sc.Verdicts[0].Text != want || len(sc.InShort) != 1 || sc.InShort[0].Text != "A–B: too few impacts to compare" {
		t.Errorf("the pictures say %+v, in short %+v", sc.Verdicts, sc.InShort)
	}
}
