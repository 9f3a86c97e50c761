package main

import (
	"bytes"
	"encoding/base64"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/sheet"
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
	var pic bytes.Buffer
	if err := jpeg.Encode(&pic, image.NewGray(image.Rect(0, 0, 2400, 1200)), nil); err != nil {
		t.Fatal(err)
	}
	s := twoGroups()
	s.Answer, s.Cautions, s.Photos = "North: 15 impacts.", sheet.Cautions(), []sheet.Photo{
		{Name: "a.jpg", State: sheet.Measured, Flat: &sheet.Flat{File: "a-flat.jpg", SHA256: hexSHA256(pic.Bytes())}, Marks: make([]sheet.Impact, 1)},
		{Name: "b.jpg", State: sheet.Measured, Flat: &sheet.Flat{File: "gone.jpg"}, Marks: make([]sheet.Impact, 1)},
		{Name: "c.jpg", State: sheet.Measured, Flat: &sheet.Flat{File: "c-flat.jpg", SHA256: hexSHA256([]byte("another picture"))}, Marks: make([]sheet.Impact, 1)},
	}
	results := filepath.Join(dir, "results")
	if err := sheet.WriteResults(results, s); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"a-flat.jpg", "c-flat.jpg", picturesDir + "/" + mainPicture} {
		if err := sheet.WriteFile(filepath.Join(results, name), pic.Bytes()); err != nil {
			t.Fatal(err)
		}
	}
	for _, arg := range []string{dir, results} {
		status, out, errs := call(arg)
		if status != statusDone || !strings.HasPrefix(out, "North: 15 impacts.") || !strings.Contains(errs, "report.html") || !strings.Contains(errs, "not drawn from these figures (measure draws them anew): c-flat.jpg\n") {
			t.Fatalf("status %d, stdout %q, stderr %q", status, out, errs)
		}
	}
	page, err := os.ReadFile(filepath.Join(results, "report.html"))
	if err != nil {
		t.Fatal(err)
	}
	// The picture to publish as it is drawn, whatever its file holds, and the photo,
	// both reduced; not the picture of other figures.
	shown := regexp.MustCompile(`src="data:image/jpeg;base64,([^"]*)"`).FindAllSubmatch(page, -1)
	want := []image.Point{{reportPx, reportPx * 9 / 16}, {1200, 600}}
	if len(shown) != len(want) {
		t.Fatalf("%d pictures in the report, want %d", len(shown), len(want))
	}
	for i, m := range shown {
		c, err := jpeg.DecodeConfig(base64.NewDecoder(base64.StdEncoding, bytes.NewReader(m[1])))
		if err != nil || c.Width != want[i].X || c.Height != want[i].Y {
			t.Errorf("picture %d is %d x %d, %v, want %v", i+1, c.Width, c.Height, err, want[i])
		}
	}
	if err := os.WriteFile(filepath.Join(results, "summary.json"), []byte("{}"), 0o644); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := call(dir); status != statusFailed || !strings.Contains(errs, "measure the folder again") {
		t.Errorf("foreign summary: status %d, %q", status, errs)
	}
}
