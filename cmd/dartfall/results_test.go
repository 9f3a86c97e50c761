package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/sheet"
)

func TestPrepareResults(t *testing.T) {
	write := func(t *testing.T, path, text string) {
		t.Helper()
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, test := range []struct {
		name    string
		prepare func(t *testing.T, dir string)
		want    string // in the error; "" for none
	}{
		{"nothing there", func(*testing.T, string) {}, ""},
		{"a file", func(t *testing.T, dir string) { write(t, dir, "x") }, "is a file"},
		{"other files", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "notes.txt"), "x") }, ""},
		{"an earlier run", func(t *testing.T, dir string) {
			if err := sheet.WriteResults(dir, sheet.Summary{Schema: sheet.SchemaID}); err != nil {
				t.Fatal(err)
			}
		}, ""},
		{"a run cut short", func(t *testing.T, dir string) {
			write(t, filepath.Join(dir, "impacts.csv"), "photo\n")
			write(t, filepath.Join(dir, storeDir, "a.json"), "{}")
		}, ""},
		{"someone's summary", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "summary.json"), `{"schema": 1}`) }, "summary.json was not written by dartfall"},
		{"someone's table", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "impacts.csv"), "x,y\n") }, "impacts.csv was not written by dartfall"},
		{"someone's page", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "report.html"), "<p>") }, "report.html was not written by dartfall"},
	} {
		t.Run(test.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "results")
			test.prepare(t, dir)
			err := prepareResults(dir)
			if test.want == "" {
				if info, statErr := os.Stat(dir); err != nil || statErr != nil || !info.IsDir() {
					t.Errorf("prepareResults = %v, folder %v, want a folder", err, statErr)
				}
				return
			}
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("prepareResults = %v, want %q", err, test.want)
			}
		})
	}
}
