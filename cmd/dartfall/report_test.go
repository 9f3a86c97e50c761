package main

import (
	"bytes"
	"image"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

func TestReportCommand(t *testing.T) {
	dir := t.TempDir()
	call := func(arg ...string) (status int, out, errs string) {
		var o, e bytes.Buffer
		status = run(append([]string{"dartfall", "report"}, arg...), strings.NewReader(""), &o, &e)
		return status, o.String(), e.String()
	}
	if status, out, errs := call(dir); status != statusFailed || out != "" || !strings.Contains(errs, "measure the folder first") {
		t.Errorf("nothing measured: status %d, %q, %q", status, out, errs)
	}
	s := sheet.Summary{Schema: sheet.SchemaID, Answer: "North: 15 impacts.", Cautions: sheet.Cautions(), Rule: sheet.OutlierRule{Kind: "none"},
		Photos: []sheet.Photo{
			{Name: "a.jpg", State: sheet.Measured, Flat: &sheet.Flat{File: "a-flat.jpg"}, Marks: make([]sheet.Impact, 1)},
			{Name: "b.jpg", State: sheet.Measured, Flat: &sheet.Flat{File: "gone.jpg"}, Marks: make([]sheet.Impact, 1)},
		}}
	results := filepath.Join(dir, "results")
	if err := sheet.WriteResults(results, s); err != nil {
		t.Fatal(err)
	}
	var pic bytes.Buffer
	if err := jpeg.Encode(&pic, image.NewGray(image.Rect(0, 0, 2400, 1200)), nil); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(results, "a-flat.jpg"), pic.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	var still bytes.Buffer
	if err := png.Encode(&still, image.NewGray(image.Rect(0, 0, 1920, 1080))); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(results, picturesDir), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(results, picturesDir, mainPicture), still.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, arg := range []string{dir, results} {
		status, out, errs := call(arg)
		if status != statusDone || !strings.HasPrefix(out, "North: 15 impacts.") || !strings.Contains(errs, "report.html") {
			t.Fatalf("status %d, stdout %q, stderr %q", status, out, errs)
		}
	}
	page, err := os.ReadFile(filepath.Join(results, "report.html"))
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(page), `src="data:image/jpeg;base64,`); n != 2 {
		t.Errorf("%d pictures in the report, want the two that are there", n)
	}
	if small, err := reduced(new(vision.JPEGDecoder), filepath.Join(results, "a-flat.jpg")); err != nil {
		t.Error(err)
	} else if c, err := jpeg.DecodeConfig(bytes.NewReader(small)); err != nil || c.Width != 1200 || c.Height != 600 {
		t.Errorf("reduced to %d x %d, %v", c.Width, c.Height, err)
	}
	if small, err := reduced(new(vision.JPEGDecoder), filepath.Join(results, picturesDir, mainPicture)); err != nil {
		t.Error(err)
	} else if c, err := jpeg.DecodeConfig(bytes.NewReader(small)); err != nil || c.Width != reportPx || c.Height != reportPx*9/16 {
		t.Errorf("the picture to publish reduced to %d x %d, %v", c.Width, c.Height, err)
	}
	if err := os.WriteFile(filepath.Join(results, "summary.json"), []byte("{}"), 0o644); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := call(dir); status != statusFailed || !strings.Contains(errs, "measure the folder again") {
		t.Errorf("foreign summary: status %d, %q", status, errs)
	}
}
