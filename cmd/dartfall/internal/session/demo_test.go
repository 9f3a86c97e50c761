package session

import (
	"path/filepath"
	"slices"
	"testing"
)

// The demo's session says what the invented shooting was: 15 shots of each
// accessory, one of Slate past the backer.
func TestDemoSession(t *testing.T) {
	s, err := Load(filepath.Join("..", "..", "..", "..", "testdata", "demo", FileName))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range s.Strings {
		got = append(got, x.Accessory, x.Photo)
		misses := 0
		if x.Accessory == "Slate" {
			misses = 1
		}
		if x.Shots != 15 || x.Misses != misses || len(x.ReadingsMPS) < 14 {
			t.Errorf("%s: %d shots, %d misses, %d readings", x.Accessory, x.Shots, x.Misses, len(x.ReadingsMPS))
		}
	}
	if want := []string{"North", "demo-1.jpg", "Reed", "demo-2.jpg", "Slate", "demo-3.jpg"}; !slices.Equal(got, want) {
		t.Errorf("strings %q, want %q", got, want)
	}
	if len(s.Warnings) > 0 || s.Board.Start != "demo-0.jpg" || s.Board.Ring.MM != 800 {
		t.Errorf("warnings %q, start %q, ring %v", s.Warnings, s.Board.Start, s.Board.Ring)
	}
}
