package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dartfall/calib/photo"
	"dartfall/cmd/dartfall/internal/lens"
	"dartfall/vision"
)

func TestLensWrongUse(t *testing.T) {
	dir := t.TempDir()
	taken := filepath.Join(dir, "taken.toml")
	if err := os.WriteFile(taken, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "new.toml")
	for _, c := range []struct {
		name   string
		args   []string
		status int
		say    string
	}{
		{"no photo", []string{"--chessboard", "9x6"}, statusUsage, "no photo"},
		{"nothing said of them", []string{demoPhoto("demo-1.jpg")}, statusUsage, "--chessboard or --rings"},
		{"no size of board", []string{"--chessboard", "nine", demoPhoto("demo-1.jpg")}, statusUsage, "10 by 7 squares has 9x6"},
		{"a file that exists", []string{"--chessboard", "9x6", "--out", taken, demoPhoto("demo-1.jpg")}, statusFailed, "exists and is not touched"},
		{"no chessboard on them", []string{"--chessboard", "9x6", "--out", out, demoPhoto("demo-1.jpg")}, statusFailed, "not all of 9 x 6 inner corners are seen"},
	} {
		if status, _, errs := call(append([]string{"lens"}, c.args...)...); status != c.status || !strings.Contains(errs, c.say) {
			t.Errorf("%s: status %d, want %d and a word about %q:\n%s", c.name, status, c.status, c.say, errs)
		}
	}
	if b, err := os.ReadFile(taken); err != nil || string(b) != "mine" {
		t.Errorf("the file that was there holds %q, %v", b, err)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a profile was written without a fit")
	}
}

// OpenCV's thirteen photos (see vision/chessboards_test.go for what is published of
// them) make a profile; it is not lent to photos of another camera.
func TestLensOfChessboardPhotos(t *testing.T) {
	photos, err := filepath.Glob("/usr/share/doc/opencv-doc/examples/data/left[0-9][0-9].jpg")
	if err != nil || len(photos) != 13 {
		t.Skip("Debian's opencv-doc is not installed; CI installs it")
	}
	file := filepath.Join(t.TempDir(), "lens.toml")
	status, out, errs := call(append([]string{"lens", "--chessboard", "9x6", "--square", "25mm", "--out", file}, photos...)...)
	if status != statusDone || !strings.Contains(out, "from 13 photos") || !strings.Contains(out, "0.81 mm from a plane as photographed, 0.13 mm") {
		t.Fatalf("status %d\n%s%s", status, out, errs)
	}
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := lens.Parse(b); err != nil {
		t.Errorf("%v\n%s", err, b)
	}
	_, out, _ = call("measure", "--ring", "800mm", "--stickers", "blue", "--lens", file, "--out", t.TempDir(), demoPhoto("demo-1.jpg"))
	if !strings.Contains(out, "the lens profile lens.toml is not used: it is") {
		t.Errorf("nothing says that the profile is of another camera:\n%s", out)
	}
}

// A profile of the photo's own camera is used, and that is said.
func TestMeasureUsesItsLens(t *testing.T) {
	p, err := photo.Load(demoPhoto("demo-1.jpg"), photo.Options{DecodeJPEG: vision.DecodeJPEG})
	if err != nil {
		t.Fatal(err)
	}
	profile := lens.Of(p.Camera, p.Image.Rect.Dx(), p.Image.Rect.Dy())
	profile.K1Sigma = 0.01
	text, err := profile.Text()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "own.toml")
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
	_, out, errs := call("measure", "--ring", "800mm", "--stickers", "blue", "--lens", file, "--out", t.TempDir(), demoPhoto("demo-1.jpg"))
	if !strings.Contains(out, "the lens profile own.toml is used") || !strings.Contains(out, "15 impacts") {
		t.Errorf("want 15 impacts with the profile:\n%s%s", out, errs)
	}
	if status, _, errs := call("measure", "--ring", "800mm", "--lens", demoPhoto("session.toml"), demoPhoto("demo-1.jpg")); status != statusFailed || !strings.Contains(errs, "not a lens profile") {
		t.Errorf("status %d for a file that is no profile:\n%s", status, errs)
	}
}
