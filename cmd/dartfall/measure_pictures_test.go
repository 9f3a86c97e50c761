package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dartfall/calib/boardtest"
)

// Two photos of one name but for its ending are measured, once more with other settings
// and again with the first: each time the results hold the pictures drawn from their
// figures, none of another run and none of the other photo. Nothing is measured again
// while they lie there, and a picture that was deleted comes back.
func TestPicturesBelongToTheFigures(t *testing.T) {
	at := [][2]float64{{-120, 40}, {60, 130}, {10, 20}, {-40, 35}}
	dir := writeSession(t, `[board]
rings = ["100mm", "200mm", "300mm", "400mm"]
[marks]
sticker_size = "16mm"
`, map[string]boardtest.Scene{
		"one": from(0.1, 0.5, 0.03, boardtest.Stickers("blue", 16, at...)),
		"two": from(0.3, 2.2, -0.05, boardtest.Stickers("blue", 16, at[1:]...)),
	})
	if err := os.Rename(filepath.Join(dir, "two.jpg"), filepath.Join(dir, "one.jpeg")); err != nil {
		t.Fatal(err)
	}
	names := []string{"one.jpg-overlay.jpg", "one.jpg-flat.jpg", "one.jpeg-overlay.jpg", "one.jpeg-flat.jpg"}
	measure := func(stored int, args ...string) (files [][]byte) {
		t.Helper()
		status, out, errs := call(append([]string{"measure", dir}, args...)...)
		if status != statusDone || strings.Count(errs, "from an earlier run") != stored {
			t.Fatalf("status %d, want both photos measured but %d\n%s%s", status, stored, out, errs)
		}
		for _, name := range names {
			b, err := os.ReadFile(filepath.Join(dir, "results", name))
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, b)
		}
		return files
	}
	first := measure(0)
	other := measure(0, "--distance", "20m")
	back := measure(0)
	if err := os.Remove(filepath.Join(dir, "results", names[1])); err != nil {
		t.Fatal(err)
	}
	mended := measure(1)
	again := measure(2)
	for i, name := range names {
		if bytes.Equal(first[i], other[i]) {
			t.Errorf("%s at 20 m is that without a distance", name)
		}
		for _, b := range [][]byte{back[i], mended[i], again[i]} {
			if !bytes.Equal(first[i], b) {
				t.Errorf("%s is not that of the first run with these settings", name)
			}
		}
	}
}
