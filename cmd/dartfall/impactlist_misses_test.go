package main

import (
	"path/filepath"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/sheet"
)

// The list that measure wrote lacks the shot of Reed that missed: read without --shots
// it says so, and as it advises the miss counts.
func TestMissesOfAMeasuredList(t *testing.T) {
	dir := t.TempDir()
	s := twoGroups() // two impacts each that count, and one miss of Reed
	if err := sheet.WriteResults(dir, s); err != nil {
		t.Fatal(err)
	}
	list := filepath.Join(dir, "impacts.csv")
	score := []string{"score", "--rings", "800mm", "--values", "5", list}
	status, out, errs := call(score...)
	if want := "1 of Reed; to count them add --shots North=2,Reed=3\n"; status != statusDone || !strings.Contains(out, "Reed: 10 of 10 points") || !strings.Contains(errs, want) {
		t.Errorf("status %d, want a note %q\n%s%s", status, want, out, errs)
	}
	status, out, errs = call(append([]string{"score", "--shots", "North=2,Reed=3"}, score[1:]...)...)
	if status != statusDone || !strings.Contains(out, "Reed: 10 of 15 points") || errs != "" {
		t.Errorf("as advised: status %d\n%s%s", status, out, errs)
	}
	s.Groups[1].Misses = 0
	if err := sheet.WriteResults(dir, s); err != nil {
		t.Fatal(err)
	}
	if _, _, errs := call("group", list); errs != "" {
		t.Errorf("nothing was missed, yet: %s", errs)
	}
	copied := filepath.Join(t.TempDir(), "list.csv")
	copyFile(t, list, copied)
	if _, _, errs := call("group", copied); !strings.Contains(errs, "as in --shots 15") {
		t.Errorf("nothing tells of misses, and that is not said: %q", errs)
	}
}
