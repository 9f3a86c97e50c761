package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/decisions"
)

// What earlier runs and the user made outlives a run that has nothing better: results when
// no photo can be measured any more, and a description that was edited. A line of the
// decisions that cannot be read is told with what to do, and the status asks for it.
func TestNothingMadeIsLost(t *testing.T) {
	dir := t.TempDir()
	photo := filepath.Join(dir, "demo-1.jpg")
	copyFile(t, demoPhoto("demo-1.jpg"), photo)
	results := func(name string) string { return filepath.Join(dir, "results", name) }
	read := func(name string) []byte {
		t.Helper()
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	measure := func(want int) (said string) {
		t.Helper()
		status, out, errs := call("measure", "--ring", "800mm", dir)
		if status != want {
			t.Errorf("status %d, want %d\n%s%s", status, want, out, errs)
		}
		return out + errs
	}
	measure(statusDone)

	const mine = "My own words.\n"
	made := string(read(results(descriptionFile)))
	write(results(descriptionFile), mine)
	if said := measure(statusDone); string(read(results(descriptionFile))) != mine || string(read(results(newDescription))) != made || !strings.Contains(said, "was edited and is kept") {
		t.Errorf("the edited description was not kept beside the new one, or not said so:\n%s", said)
	}
	write(results(descriptionFile), made)
	if said := measure(statusDone); strings.Contains(said, "edited") {
		t.Errorf("a description as made is called edited:\n%s", said)
	}

	write(filepath.Join(dir, decisions.FileName), "{\"id\": 1, oops\n")
	if said := measure(statusPartial); !strings.Contains(said, "decisions.jsonl, line 1 cannot be read") || !strings.Contains(said, "decide again in dartfall review") {
		t.Errorf("a damaged decision is not told:\n%s", said)
	}
	if err := os.Remove(filepath.Join(dir, decisions.FileName)); err != nil {
		t.Fatal(err)
	}

	names := []string{"summary.json", "impacts.csv", "report.html", descriptionFile}
	before := map[string][]byte{}
	for _, name := range names {
		before[name] = read(results(name))
	}
	write(photo, "no photo any more")
	if said := measure(statusPartial); !strings.Contains(said, "are kept as they were") {
		t.Errorf("that earlier results are kept is not said:\n%s", said)
	}
	for _, name := range names {
		if !bytes.Equal(before[name], read(results(name))) {
			t.Errorf("%s was overwritten by a run that measured nothing", name)
		}
	}
	copyFile(t, demoPhoto("demo-2.jpg"), filepath.Join(dir, "demo-2.jpg"))
	if said := measure(statusPartial); !strings.Contains(said, "had figures of demo-1.jpg, too") {
		t.Errorf("the photo that is no longer measured is not named:\n%s", said)
	}
}
