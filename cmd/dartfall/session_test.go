package main

import (
	"bytes"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/scoring"
)

// The demo folder with one more file that is no photo: measured in two shards,
// collected, and run again. Truth is from the table beside the demo: extreme
// spreads of 298.3, 341.2 and 746.7 mm, 15, 15 and 14 stickers, and North and Reed
// drawn from nearly the same sigma.
func TestMeasureSessionFolder(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"session.toml", "demo-0.jpg", "demo-1.jpg", "demo-2.jpg", "demo-3.jpg"} {
		b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "demo", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "bad.jpg"), []byte("not a photo"), 0o644); err != nil {
		t.Fatal(err)
	}
	before := listing(t, dir)
	measure := func(args ...string) (status int, out, errs string) {
		var o, e bytes.Buffer
		status = run(append([]string{"dartfall", "measure", dir}, args...), strings.NewReader(""), &o, &e)
		return status, o.String(), e.String()
	}
	for _, shard := range []string{"1/2", "2/2"} {
		if status, _, errs := measure("--shard", shard); status != statusDone && status != statusPartial {
			t.Fatalf("shard %s: status %d\n%s", shard, status, errs)
		}
		if _, err := os.Stat(filepath.Join(dir, "results", "summary.json")); err == nil {
			t.Fatalf("shard %s wrote a summary of its own", shard)
		}
	}
	status, out, errs := measure()
	if status != statusPartial || !strings.Contains(errs, "1 of 5 photos could not be measured:\n  bad.jpg: ") {
		t.Fatalf("status %d, want %d with bad.jpg named\n%s", status, statusPartial, errs)
	}
	if n := strings.Count(errs, "from an earlier run"); n != 4 {
		t.Errorf("%d photos taken from the shards, want 4\n%s", n, errs)
	}
	const answer = "North is clearly tighter than Slate; Reed is clearly tighter than Slate; no difference visible between North and Reed.\n"
	if !strings.HasPrefix(out, answer) {
		t.Errorf("stdout starts with %.160q, want %q", out, answer)
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
		name   string
		n      int
		es     float64
		misses int
	}{{"North", 15, 298.3, 0}, {"Reed", 15, 341.2, 0}, {"Slate", 14, 746.7, 1}} {
		g := s.Groups[i]
		if g.Accessory != want.name || g.All.N != want.n || g.Misses != want.misses ||
			!(math.Abs(float64(g.All.ExtremeSpreadMM.Value)-want.es) <= 0.5) || g.All.ExtremeSpreadMM.AtLeast != (want.misses > 0) || g.All.ExtremeSpreadMM.High.Known() == (want.misses > 0) {
			t.Errorf("group %d: %s, n %d, %d misses, extreme spread %v, want %+v", i, g.Accessory, g.All.N, g.Misses, g.All.ExtremeSpreadMM, want)
		}
	}
	// Readings of the demo: by hand, North's 15 sum to 3041.6 fps.
	if len(s.Velocities) != 3 || s.Velocities[0].N != 15 || !(math.Abs(float64(s.Velocities[0].MeanMPS.Value)-3041.6/15*0.3048) <= 1e-9) || s.Velocities[1].N != 14 || len(s.Velocities[0].Suspect) > 0 {
		t.Errorf("velocities = %+v", s.Velocities)
	}
	for _, im := range s.Impacts {
		if im.Up != "mark" {
			t.Errorf("the up of %s rests on %q, want the printed mark", im.ID, im.Up)
		}
	}
	if n := strings.Count(out, "up is the printed up mark's"); n != 4 {
		t.Errorf("the terminal says %d times where up comes from, want 4:\n%s", n, out)
	}
	table, err := os.ReadFile(filepath.Join(dir, "results", "impacts.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
	if err != nil || len(rows) != 45 {
		t.Errorf("impacts.csv has %d rows, %v, want a header and 44", len(rows), err)
	}
	if page, err := os.ReadFile(filepath.Join(dir, "results", "report.html")); err != nil || !bytes.Contains(page, []byte(strings.TrimSpace(answer))) {
		t.Errorf("report.html without the answer: %v", err)
	}
	if _, _, errs := measure(); strings.Count(errs, "from an earlier run") != 4 {
		t.Errorf("the second run measured again:\n%s", errs)
	}
	again, err := os.ReadFile(filepath.Join(dir, "results", "summary.json"))
	if err != nil || !bytes.Equal(raw, again) {
		t.Errorf("the second run wrote another summary.json (%v)", err)
	}
	if after := listing(t, dir); after != before {
		t.Errorf("files beside the photos changed from %s to %s", before, after)
	}
}

// listing is the folder's own files, results left out.
func listing(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return strings.Join(names, " ")
}

func TestMeasureShowsSessionMistakes(t *testing.T) {
	dir := photoFolder(t, 1)
	if err := os.WriteFile(filepath.Join(dir, "session.toml"), []byte("distance = 25\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, arg := range []string{dir, filepath.Join(dir, "session.toml")} {
		var out, errs bytes.Buffer
		status := run([]string{"dartfall", "measure", arg}, strings.NewReader(""), &out, &errs)
		for _, want := range []string{"line 1, column 12: distance: 25 has no unit", "    1 | distance = 25", "^^", "hint: correct the lines shown"} {
			if !strings.Contains(errs.String(), want) {
				t.Errorf("stderr lacks %q:\n%s", want, errs.String())
			}
		}
		if status != statusFailed || out.Len() > 0 {
			t.Errorf("status %d, stdout %q, want %d and nothing", status, out.String(), statusFailed)
		}
	}
}

func TestComparisonAnswer(t *testing.T) {
	pair := func(a, b, tighter, verdict string) sheet.Comparison {
		return sheet.Comparison{A: a, B: b, Tighter: tighter, Verdict: verdict}
	}
	for _, test := range []struct {
		name  string
		pairs []sheet.Comparison
		want  string
	}{
		{"nothing", nil, ""},
		{"equal", []sheet.Comparison{pair("North", "Reed", "North", sheet.NoDifference)}, "No difference visible between North and Reed."},
		{"name in small letters", []sheet.Comparison{pair("reed", "North", "reed", sheet.ClearlyTighter)}, "reed is clearly tighter than North."},
		{"second tighter", []sheet.Comparison{pair("North", "Reed", "Reed", sheet.Leaning)}, "Reed leans tighter than North, not settled."},
		{"two below one", []sheet.Comparison{pair("A", "B", "A", sheet.ClearlyTighter), pair("A", "C", "A", sheet.ClearlyTighter), pair("B", "C", "B", sheet.NoDifference)},
			"A is clearly tighter than B and C; no difference visible between B and C."},
	} {
		if got := comparisonAnswer(test.pairs); got != test.want {
			t.Errorf("%s: %q, want %q", test.name, got, test.want)
		}
	}
}

// As in chrono: as typed and put right stand side by side.
func TestSuspectReadingsAreNamedAndPutRight(t *testing.T) {
	lines, meant, slipped := suspects(session.String{Accessory: "North", Unit: "fps", Readings: []float64{203, 201, 20.2, 204, 24}})
	if len(lines) != 2 || !strings.Contains(lines[0], "reading 3: 20.2 fps is suspect (decimal point; likely 202 fps)") {
		t.Errorf("suspects = %q, want the third reading first", lines)
	}
	if mean, _ := scoring.MeanSD(meant); !slipped || len(meant) != 4 || math.Abs(mean/0.3048-202.5) > 1e-6 {
		t.Errorf("put right: %v, %v, want 203, 201, 202 and 204 fps", meant, slipped)
	}
}

// Accumulating photos without strings show the same shots again: nothing is compared.
// A copied photo is named.
func TestSessionWithoutStrings(t *testing.T) {
	mark := func(photo, colour string, x sheet.Number) sheet.Impact {
		return sheet.Impact{ID: photo + colour, Photo: photo, Colour: colour, XMM: x, YMM: x / 2, Confidence: 1, Source: sheet.Found}
	}
	var photos []sheet.Photo
	for _, name := range []string{"a.jpg", "b.jpg", "c.jpg"} {
		p := sheet.Photo{Name: name, SHA256: "one content", State: sheet.Measured, Plane: &sheet.Plane{}}
		for i := range 6 {
			x := sheet.Number(i * i)
			p.Marks = append(p.Marks, mark(name, "blue", x), mark(name, "red", 50*x))
		}
		photos = append(photos, p)
	}
	photos[2].SHA256 = "another"
	s, err := assemble(job{session: &session.Session{Title: "Saturday"}}, photos)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Groups) != 6 || len(s.Comparisons) > 0 || s.Answer != "36 impacts in 6 groups on 3 photos." || s.Session.Title != "Saturday" {
		t.Errorf("%d groups, %d comparisons, answer %q, title %q, want 6 groups and nothing compared", len(s.Groups), len(s.Comparisons), s.Answer, s.Session.Title)
	}
	said := strings.Join(s.Warnings, "\n")
	for _, want := range []string{"lists no [[string]]", "b.jpg is a copy of a.jpg"} {
		if !strings.Contains(said, want) {
			t.Errorf("warnings lack %q:\n%s", want, said)
		}
	}
	if strings.Contains(said, "c.jpg is a copy") {
		t.Errorf("another photo is called a copy:\n%s", said)
	}
}

// A photo that the session names and the folder lacks is found before anything is
// measured.
func TestMeasureMissesANamedPhoto(t *testing.T) {
	dir := photoFolder(t, 1)
	text := "[board]\nring = \"800mm\"\n[[accessory]]\nname = \"North\"\n[[string]]\naccessory = \"North\"\nphoto = \"bord-1.png\"\n"
	if err := os.WriteFile(filepath.Join(dir, "session.toml"), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	status, out, errs := call("measure", dir)
	if status != statusFailed || out != "" || !strings.Contains(errs, "names the photo bord-1.png") || !strings.Contains(errs, "board-1.png") {
		t.Errorf("status %d, stdout %q, stderr %q, want the name and what is there", status, out, errs)
	}
}
