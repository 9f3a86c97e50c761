package main

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"image/png"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/sheet"
)

// twoGroups is an invented summary of two accessories with two shots each.
func twoGroups() sheet.Summary {
	est := func(v sheet.Number) sheet.Estimate {
		return sheet.Estimate{Value: v, Low: v / 2, High: v * 2, Level: 0.95}
	}
	s := sheet.Summary{Schema: sheet.SchemaID, Session: sheet.Session{DistanceText: "25m"}, Rule: sheet.OutlierRule{Kind: "drop", Drop: 2, InForce: true, Words: "The two widest are set aside.", Decided: "before shooting"},
		Photos: []sheet.Photo{{Name: "a.jpg", State: sheet.Measured, Rings: []sheet.Ring{{DiameterMM: 194}, {DiameterMM: 400, Given: true}, {DiameterMM: 800, Given: true}}}},
		Comparisons: []sheet.Comparison{
			{A: "North", B: "Reed", Tighter: "North", Verdict: sheet.NoDifference},
			{A: "North", B: "Slate", Tighter: "North", Verdict: sheet.ClearlyTighter},
		}}
	for i, name := range []string{"North", "Reed"} {
		s.Accessories = append(s.Accessories, sheet.Accessory{Name: name, Letter: string(rune('A' + i)), StickerColour: []string{"blue", "orange"}[i]})
		for k := range 3 {
			m := sheet.Impact{ID: name + string(rune('0'+k)), Accessory: name, XMM: sheet.Number(40*k - 20), YMM: sheet.Number(30 * i), Confidence: 1, Source: sheet.Found}
			if k == 1 {
				m.Source = sheet.Removed
			}
			s.Impacts = append(s.Impacts, m)
		}
		f := sheet.Figures{N: 2, ExtremeSpreadMM: est(80), MeanRadiusMM: est(40), ExtremePair: [2]string{name + "0", name + "2"}}
		s.Groups = append(s.Groups, sheet.Group{Accessory: name, Letter: string(rune('A' + i)), Shots: 3, Misses: i, All: f})
	}
	return s
}

func TestScene(t *testing.T) {
	sc := scene(twoGroups())
	if !slices.Equal(sc.Board.RadiiMM, []float64{400, 200}) {
		t.Errorf("rings of radius %v, want the given ones, 400 and 200", sc.Board.RadiiMM)
	}
	reed := sc.Accessories[1]
	if len(reed.Impacts) != 2 || reed.All.Pair != [2]int{0, 1} || reed.Misses != 1 || reed.Letter != "B" {
		t.Errorf("Reed = %+v, want two impacts that count, their pair, and one miss", reed)
	}
	if len(sc.Verdicts) != 2 || sc.Verdicts[0].Step != picture.Clear || sc.Verdicts[1].Text != "No difference visible between North and Reed" {
		t.Errorf("verdicts %+v, want the clear one first", sc.Verdicts)
	}
	if sc.KeptLabel != "without the 2 widest" || sc.Rule != "the 2 widest of each group set aside, decided before shooting" {
		t.Errorf("label %q, rule %q", sc.KeptLabel, sc.Rule)
	}
}

// One clear pair must not speak for all on the thumbnail.
func TestInShort(t *testing.T) {
	pair := func(a, b, tighter, verdict string) sheet.Comparison {
		return sheet.Comparison{A: a, B: b, Tighter: tighter, Verdict: verdict}
	}
	const clear, leans, none = sheet.ClearlyTighter, sheet.Leaning, sheet.NoDifference
	for _, test := range []struct {
		name  string
		pairs []sheet.Comparison
		want  []picture.Verdict
	}{
		{"nothing compared", nil, nil},
		{"one settled", []sheet.Comparison{pair("North", "Reed", "Reed", clear)}, []picture.Verdict{{Step: picture.Clear, Text: "B tighter than A"}}},
		{"one not", []sheet.Comparison{pair("North", "Reed", "Reed", leans)}, []picture.Verdict{{Step: picture.Leaning, Text: "A–B: leaning, not settled"}}},
		{"two above one", []sheet.Comparison{pair("North", "Reed", "North", none), pair("North", "Slate", "North", clear), pair("Reed", "Slate", "Reed", clear)},
			[]picture.Verdict{{Step: picture.Clear, Text: "A, B tighter than C"}, {Step: picture.NoDifference, Text: "A–B: no difference visible"}}},
		{"one above two", []sheet.Comparison{pair("North", "Reed", "North", clear), pair("North", "Slate", "North", clear), pair("Reed", "Slate", "Slate", none)},
			[]picture.Verdict{{Step: picture.Clear, Text: "A tighter than B, C"}, {Step: picture.NoDifference, Text: "B–C: no difference visible"}}},
		{"one of each", []sheet.Comparison{pair("North", "Reed", "North", leans), pair("North", "Slate", "North", clear), pair("Reed", "Slate", "Slate", none)},
			[]picture.Verdict{{Step: picture.Leaning, Text: "1 of 3 pairs settled"}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := sheet.Summary{Comparisons: test.pairs, Groups: []sheet.Group{{Accessory: "North", Letter: "A"}, {Accessory: "Reed", Letter: "B"}, {Accessory: "Slate", Letter: "C"}}}
			if got := inShort(s); !slices.Equal(got, test.want) {
				t.Errorf("inShort = %+v, want %+v", got, test.want)
			}
		})
	}
}

func TestPublish(t *testing.T) {
	dir := t.TempDir()
	names, _, err := publish(dir, twoGroups(), stills)
	if err != nil {
		t.Fatal(err)
	}
	alt, err := os.ReadFile(filepath.Join(dir, picturesDir, altFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if !strings.Contains(string(alt), name+": ") {
			t.Errorf("%s lacks %s", altFile, name)
		}
	}
	if written := published(filepath.Join(dir, picturesDir)); len(written) != len(names)+1 || written[altFile] != hexSHA256(alt) {
		t.Errorf("%s lists %v, want the pictures and %s", recordFile, written, altFile)
	}
	if len(names) != 6 || names[0] != mainPicture {
		t.Errorf("pictures %q, want three sizes in two geometries, %s first", names, mainPicture)
	}
	for name, want := range map[string][2]int{mainPicture: {1920, 1080}, "vertical-common-centre.png": {1080, 1920}, "thumbnail-as-shot.png": {1280, 720}} {
		b, err := os.ReadFile(filepath.Join(dir, picturesDir, name))
		if err != nil {
			t.Fatal(err)
		}
		if c, err := png.DecodeConfig(bytes.NewReader(b)); err != nil || c.Width != want[0] || c.Height != want[1] {
			t.Errorf("%s is %d x %d, %v, want %v", name, c.Width, c.Height, err, want)
		}
	}
}

// A page's layers and reveal steps are written beside the whole picture, and a
// second run writes the same bytes.
func TestDrawPage(t *testing.T) {
	dir := t.TempDir()
	p := picture.Compose(scene(twoGroups()), picture.Thumbnail, picture.AsShot)
	names := pageFiles("thumbnail-as-shot", p, everything)
	if len(names) != 1+len(p.Layers())+p.Steps() || names[1] != "layers/thumbnail-as-shot/01-board.png" || names[len(names)-1] != "reveal/thumbnail-as-shot/04.png" {
		t.Fatalf("files %q, want the picture, %d layers and %d steps", names, len(p.Layers()), p.Steps())
	}
	draw := func() map[string][32]byte {
		hashes, err := drawPage(dir, p, names)
		if err != nil {
			t.Fatal(err)
		}
		sums := map[string][32]byte{}
		for i, name := range names {
			b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(name)))
			if err != nil {
				t.Fatal(err)
			}
			if sums[name] = sha256.Sum256(b); fmt.Sprintf("%x", sums[name]) != hashes[i] {
				t.Errorf("%s is not of the SHA-256 that was returned", name)
			}
		}
		return sums
	}
	if first, second := draw(), draw(); len(first) != len(names) || !maps.Equal(first, second) {
		t.Errorf("%d files of %d names, or a second run that wrote other bytes", len(first), len(names))
	}
}

// What was drawn earlier and is not now goes, but for what the user put there or
// changed, and for the layers of a picture that is still the same.
func TestPublishRemovesItsOwn(t *testing.T) {
	dir := filepath.Join(t.TempDir(), picturesDir)
	write := func(files ...string) map[string]string {
		t.Helper()
		hashes := map[string]string{}
		for _, f := range files {
			name, text, _ := strings.Cut(f, "=")
			if err := sheet.WriteFile(filepath.Join(dir, name), []byte(text)); err != nil {
				t.Fatal(err)
			}
			hashes[name] = hexSHA256([]byte(text))
		}
		return hashes
	}
	replaced := func(step string, now map[string]string, outdated int, want ...string) {
		t.Helper()
		n, err := replace(dir, now)
		if err != nil {
			t.Fatal(err)
		}
		var there []string
		err = filepath.WalkDir(dir, func(file string, d fs.DirEntry, err error) error {
			if name := filepath.ToSlash(strings.TrimPrefix(file, dir+string(filepath.Separator))); err == nil && name != recordFile {
				if empty, _ := filepath.Glob(filepath.Join(file, "*")); !d.IsDir() || len(empty) == 0 {
					there = append(there, name)
				}
			}
			return err
		})
		if slices.Sort(want); err != nil || n != outdated || !slices.Equal(there, want) {
			t.Errorf("%s: %d removed, there are %q (%v), want %d and %q", step, n, there, err, outdated, want)
		}
	}
	replaced("first", write("a.png=1", "b.png=1", "layers/a/1.png=1", "layers/a/2.png=1", "layers/b/1.png=1", "reveal/b/1.png=1", "reveal/b/2.png=1"), 0,
		"a.png", "b.png", "layers/a/1.png", "layers/a/2.png", "layers/b/1.png", "reveal/b/1.png", "reveal/b/2.png")
	write("mine.png=2", "layers/a/mine.png=2", "reveal/b/2.png=2")
	replaced("fewer layers", write("a.png=2", "b.png=1", "layers/a/1.png=2"), 1,
		"a.png", "b.png", "layers/a/1.png", "layers/a/mine.png", "layers/b/1.png", "mine.png", "reveal/b/1.png", "reveal/b/2.png")
	replaced("whole pictures alone", write("a.png=3", "b.png=3"), 3, "a.png", "b.png", "layers/a/mine.png", "mine.png", "reveal/b/2.png")
	replaced("none", nil, 2, "layers/a/mine.png", "mine.png", "reveal/b/2.png")
}

func TestPublishCommandRefuses(t *testing.T) {
	dir := t.TempDir()
	for _, test := range []struct {
		name, want string
		args       []string
		status     int
		prepare    func()
	}{
		{"no folder", "one folder", nil, statusUsage, func() {}},
		{"not measured", "measure the folder first", []string{dir}, statusFailed, func() {}},
		{"photos without strings", "do not belong on one picture", []string{dir}, statusFailed, func() {
			s := twoGroups()
			s.Photos = []sheet.Photo{{Name: "a.jpg", Plane: &sheet.Plane{}}, {Name: "b.jpg", Plane: &sheet.Plane{}}}
			if err := sheet.WriteResults(filepath.Join(dir, "results"), s); err != nil {
				t.Fatal(err)
			}
		}},
		{"nothing found", "no group to show", []string{dir}, statusFailed, func() {
			if err := sheet.WriteResults(filepath.Join(dir, "results"), sheet.Summary{Schema: sheet.SchemaID}); err != nil {
				t.Fatal(err)
			}
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.prepare()
			var out, errs bytes.Buffer
			status := run(append([]string{"dartfall", "publish"}, test.args...), strings.NewReader(""), &out, &errs)
			if status != test.status || !strings.Contains(errs.String(), test.want) || out.Len() > 0 {
				t.Errorf("status %d, stdout %q, stderr %q, want %d and %q", status, out.String(), errs.String(), test.status, test.want)
			}
		})
	}
}

// Alternative texts that were edited are the user's: new ones lie beside them until these
// are gone.
func TestEditedAltTextsAreKept(t *testing.T) {
	out := t.TempDir()
	file, beside := filepath.Join(out, picturesDir, altFile), filepath.Join(out, picturesDir, newAltFile)
	draw := func() (said string) {
		t.Helper()
		if _, _, err := publish(out, twoGroups(), stills); err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		sayKept(&b, out)
		return b.String()
	}
	if said := draw(); said != "" {
		t.Errorf("of nothing edited: %q", said)
	}
	made, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	said := draw()
	mine, _ := os.ReadFile(file)
	other, _ := os.ReadFile(beside)
	if string(mine) != "mine" || !bytes.Equal(other, made) || !strings.Contains(said, "alt-texts.txt was edited and is kept") {
		t.Errorf("the edited text is %q, beside it %q, said %q", mine, other, said)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if said := draw(); said != "" {
		t.Errorf("after the edited text was taken away: %q", said)
	}
}
