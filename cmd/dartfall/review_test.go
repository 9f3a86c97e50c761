package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/sheet"
)

// The command prints the page's address, serves it until its tab is closed, and
// leaves the results with what was decided in them.
func TestReviewCommand(t *testing.T) {
	dir := oneBoard(t)
	reader, out := io.Pipe()
	var errs bytes.Buffer
	status := make(chan int, 1)
	go func() {
		status <- run([]string{"dartfall", "review", "--no-browser", dir}, strings.NewReader(""), out, &errs)
		out.Close()
	}()
	lines := bufio.NewScanner(reader)
	url := ""
	for url == "" && lines.Scan() {
		if text := strings.TrimSpace(lines.Text()); strings.HasPrefix(text, "http://127.0.0.1:") {
			url = text
		}
	}
	if url == "" {
		t.Fatalf("no address was printed; status %d\n%s", <-status, errs.String())
	}
	rest := make(chan string, 1)
	go func() {
		var b strings.Builder
		for lines.Scan() {
			b.WriteString(lines.Text() + "\n")
		}
		rest <- b.String()
	}()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := http.Client{Jar: jar}
	origin := strings.TrimSuffix(url[:strings.Index(url, "?")], "/")
	page, err := browser.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	page.Body.Close()
	tab, err := browser.Get(origin + "/api/tab")
	if err != nil {
		t.Fatal(err)
	}
	wish, err := http.NewRequest("POST", origin+"/api/decide", strings.NewReader(`{"kind":"remove","photo":"demo-3.jpg","mark":"demo-3.jpg#1","reason":"a leaf"}`))
	if err != nil {
		t.Fatal(err)
	}
	wish.Header.Set("Origin", origin)
	wish.Header.Set("Content-Type", "application/json")
	made, err := browser.Do(wish)
	if err != nil {
		t.Fatal(err)
	}
	made.Body.Close()
	if made.StatusCode != http.StatusOK {
		t.Fatalf("the decision: status %d", made.StatusCode)
	}
	save, err := http.NewRequest("POST", origin+"/api/save/thumbnail-as-shot", strings.NewReader("{}"))
	if err != nil {
		t.Fatal(err)
	}
	save.Header.Set("Origin", origin)
	saved, err := browser.Do(save)
	if err != nil {
		t.Fatal(err)
	}
	saved.Body.Close()
	record, err := os.ReadFile(filepath.Join(dir, decisions.FileName))
	if err != nil {
		t.Fatal(err)
	}
	_, onSave, err := readSummary(dir)
	if err != nil || !slices.Contains(onSave.Provenance.Files, sheet.File{Name: decisions.FileName, SHA256: fmt.Sprintf("%x", sha256.Sum256(record))}) {
		t.Errorf("what the page saved does not name the record it rests on: %v, %+v", err, onSave.Provenance.Files)
	}
	tab.Body.Close()
	select {
	case got := <-status:
		if got != statusPartial { // the shot whose mark was removed is neither found nor stated as a miss, and decides
			t.Fatalf("status %d, want %d\n%s", got, statusPartial, errs.String())
		}
	case <-time.After(2 * time.Minute):
		t.Fatal("the command outlives its last tab")
	}
	if text := <-rest; !strings.Contains(text, "Decided by hand: 1 decision.") || !strings.Contains(text, "neither found nor stated as misses, and they decide") {
		t.Errorf("the closing table does not count the decision, or not the shot that it leaves open:\n%s", text)
	}
	_, s, err := readSummary(dir)
	if err != nil || len(s.Decisions) != 1 || s.Decisions[0].Reason != "a leaf" || !strings.Contains(s.Photos[0].OverlayAt, "-decided-") {
		t.Errorf("summary: %v, decisions %+v", err, s.Decisions)
	}
}

func TestReviewRefuses(t *testing.T) {
	empty := t.TempDir()
	bare := t.TempDir()
	copyFile(t, filepath.Join("..", "..", "testdata", "demo", "demo-3.jpg"), filepath.Join(bare, "demo-3.jpg"))
	for _, test := range []struct {
		name, dir, text string
	}{
		{"no photo", empty, "there is no photo"},
		{"no ring size", bare, "the size of the rings is not known"},
	} {
		var out, errs bytes.Buffer
		status := run([]string{"dartfall", "review", "--no-browser", test.dir}, strings.NewReader(""), &out, &errs)
		if status != statusUsage || out.Len() > 0 || !strings.Contains(errs.String(), test.text) || !strings.Contains(errs.String(), "hint:") {
			t.Errorf("%s: status %d, %q, %q", test.name, status, out.String(), errs.String())
		}
	}
	if entries, err := os.ReadDir(empty); err != nil || len(entries) > 0 {
		t.Errorf("a refused review left %v (%v)", entries, err)
	}
}

// A folder whose results are another's is refused before its page opens, not when what
// was decided is to be written.
func TestReviewRefusesResultsOfAnother(t *testing.T) {
	dir := photoFolder(t, 1)
	if err := sheet.WriteFile(filepath.Join(dir, "results", "summary.json"), []byte(`{"schema": 1}`)); err != nil {
		t.Fatal(err)
	}
	j := job{dir: dir, out: filepath.Join(dir, "results")}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	opened := false
	err := reviewJob(ctx, console{strings.NewReader(""), io.Discard, io.Discard}, j, func(string) error {
		opened = true
		cancel()
		return nil
	})
	if opened || err == nil || !strings.Contains(err.Error(), "was not written by dartfall") {
		t.Errorf("page opened: %v; error %v, want a refusal before", opened, err)
	}
	if os.Geteuid() == 0 {
		return // may write anywhere
	}
	j.out = t.TempDir()
	if err := os.Chmod(dir, 0o555); err != nil {
		t.Fatal(err)
	}
	defer os.Chmod(dir, 0o755)
	if err := reviewJob(ctx, console{strings.NewReader(""), io.Discard, io.Discard}, j, func(string) error { cancel(); return nil }); err == nil || !strings.Contains(err.Error(), "cannot write into") {
		t.Errorf("a folder that cannot be written to: %v", err)
	}
}
