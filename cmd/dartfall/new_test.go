package main

import (
	"bufio"
	"bytes"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/session"
)

// photoFolder makes a folder with n tiny photos, board-1.png and so on.
func photoFolder(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 4, 4))); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		if err := os.WriteFile(filepath.Join(dir, "board-"+string(rune('1'+i))+".png"), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestNewWritesBlanksWithoutATerminal(t *testing.T) {
	dir := photoFolder(t, 3)
	var out, errs bytes.Buffer
	if status := run([]string{"dartfall", "new", dir}, strings.NewReader(""), &out, &errs); status != statusDone {
		t.Fatalf("status %d\n%s", status, errs.String())
	}
	file := filepath.Join(dir, session.FileName)
	if want := file + " written for 3 photos.\n"; out.String() != want {
		t.Errorf("stdout = %q, want %q", out.String(), want)
	}
	if want := "no time from the camera in 3 of 3 photos, so all are listed by name"; !strings.Contains(errs.String(), want) {
		t.Errorf("stderr lacks %q:\n%s", want, errs.String())
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`#photo = "board-1.png"`, `#photo = "board-3.png"`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("session file lacks %q:\n%s", want, text)
		}
	}
	if _, err := session.Load(file); err != nil {
		t.Error(err)
	}
	// A second time it refuses and changes nothing.
	out.Reset()
	errs.Reset()
	if status := run([]string{"dartfall", "new", dir}, strings.NewReader(""), &out, &errs); status != statusFailed || out.Len() > 0 {
		t.Errorf("second time: status %d, stdout %q, want %d and nothing", status, out.String(), statusFailed)
	}
	if again, _ := os.ReadFile(file); !bytes.Equal(text, again) || !strings.Contains(errs.String(), "not touched") {
		t.Errorf("second time: file changed or no word of it: %s", errs.String())
	}
}

// Demo photos with times, and one without, in a folder whose name a shell would take
// apart.
func TestNewSaysWhichPhotoHasNoTime(t *testing.T) {
	dir := filepath.Join(photoFolder(t, 1), `Höfe & "Sam's"`)
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	new := func() string {
		t.Helper()
		status, out, errs := call("new", dir)
		if status != statusDone {
			t.Fatalf("status %d\n%s%s", status, out, errs)
		}
		os.Remove(filepath.Join(dir, session.FileName))
		return errs
	}
	for _, name := range []string{"demo-1.jpg", "demo-2.jpg"} {
		copyFile(t, demoPhoto(name), filepath.Join(dir, name))
	}
	said := new()
	if strings.Contains(said, "no time") {
		t.Errorf("both have a time:\n%s", said)
	}
	if want := "dartfall measure '" + strings.ReplaceAll(dir, "'", `'\''`) + "'\n"; !strings.Contains(said, want) {
		t.Errorf("the next step is not %s:\n%s", want, said)
	}
	copyFile(t, filepath.Join(filepath.Dir(dir), "board-1.png"), filepath.Join(dir, "board-1.png"))
	if said = new(); !strings.Contains(said, "no time from the camera in board-1.png, so all are listed by name") {
		t.Errorf("board-1.png has no time:\n%s", said)
	}
}

func TestNewAsks(t *testing.T) {
	answers := strings.Join([]string{
		"Saturday", "25", "25m", "tap", "tape", "200mm,400 mm", "", "399mm", "1m x", "1m x 90cm", "19mm", "1.1g", "fps",
		"North", "bleu", "blue", "Reed", "Orange", "Reed", "",
		"2", "before shooting",
		"start", "North", "15", "1", "none", "203.1, 210, sorry, two oh one, 204, average 203", "", // the third photo is left open
	}, "\n") + "\n"
	var asked bytes.Buffer
	var s session.Session
	q := &asker{in: bufio.NewScanner(strings.NewReader(answers)), out: &asked}
	q.session(&s, []session.Shot{{Photo: "board-1.png"}, {Photo: "board-2.png"}, {Photo: "board-3.png"}})
	got, err := session.Parse("s", session.Format(s, []session.Shot{{Photo: "board-3.png"}}))
	if err != nil {
		t.Fatal(err)
	}
	if got.Title != "Saturday" || got.Distance.MM != 25000 || got.DistanceHow != "tape" || got.Board.Ring.MM != 400 ||
		got.Board.Across.Given() || got.Board.Down.MM != 399 || got.Board.Start != "board-1.png" || len(got.Accessories) != 2 ||
		got.Accessories[1].Sticker != "orange" || got.Outliers.Drop != 2 || len(got.Strings) != 1 ||
		got.Board.Backer.HeightMM != 900 || got.Darts.MassG != 1.1 || got.Velocity.Unit != "fps" || !slices.Equal(got.Strings[0].Readings, []float64{203.1, 201, 204}) ||
		got.Strings[0].Shots != 15 || got.Strings[0].Misses != 1 || got.Strings[0].Photo != "board-2.png" {
		t.Errorf("session from the answers = %+v\n%s", got, asked.String())
	}
	for _, want := range []string{"one of: tape, laser, paced", "that name is there already", "one of: red, blue", "no number was found", `"average 203" is suspect`} {
		if !strings.Contains(asked.String(), want) {
			t.Errorf("the questions lack %q:\n%s", want, asked.String())
		}
	}
	// Input that ends at once asks everything once and leaves everything open.
	end := &asker{in: bufio.NewScanner(strings.NewReader("")), out: &bytes.Buffer{}}
	var none session.Session
	end.session(&none, nil)
	if none.Title != "" || len(none.Accessories) != 0 {
		t.Errorf("no answers gave %+v", none)
	}
}

// What becomes of a reading that looks like a slip is said where it was typed.
func TestNewSaysWhatItMakesOfReadings(t *testing.T) {
	for answer, want := range map[string][]string{
		"284 285 28 286":          {`"28" is suspect`, "left out of session.toml"},
		"284 285 2860 287":        {`"2860" is suspect`, "written as 286 fps"},
		"284 285 400 287":         {`"400" is suspect`, "written as it is"},
		"284 285 287 average 286": {`"average 286" is suspect`, "left out of session.toml"},
		"284 285 287, 10 m":       {"passed over"},
		"284 285 287":             nil,
	} {
		var asked bytes.Buffer
		s := session.Session{Velocity: session.Velocity{Unit: "fps"}}
		q := &asker{in: bufio.NewScanner(strings.NewReader("15\n0\n" + answer + "\n")), out: &asked}
		q.run(&s, "North", "a.jpg")
		for _, w := range want {
			if !strings.Contains(asked.String(), w) {
				t.Errorf("%s: no %q in\n%s", answer, w, asked.String())
			}
		}
		if (want != nil) != regexp.MustCompile("suspect|passed over").MatchString(asked.String()) {
			t.Errorf("%s: %s", answer, asked.String())
		}
	}
}

func TestNewRefuses(t *testing.T) {
	dir := photoFolder(t, 1)
	for _, test := range []struct {
		name, want string
		args       []string
		status     int
	}{
		{"no folder", "one folder", nil, statusUsage},
		{"missing folder", "there is no folder", []string{filepath.Join(dir, "x")}, statusFailed},
		{"a file", "is a file", []string{filepath.Join(dir, "board-1.png")}, statusFailed},
	} {
		t.Run(test.name, func(t *testing.T) {
			var out, errs bytes.Buffer
			status := run(append([]string{"dartfall", "new"}, test.args...), strings.NewReader(""), &out, &errs)
			if status != test.status || !strings.Contains(errs.String(), test.want) || out.Len() > 0 {
				t.Errorf("status %d, stdout %q, stderr %q, want %d and %q", status, out.String(), errs.String(), test.status, test.want)
			}
		})
	}
}
