package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestFaceCommand(t *testing.T) {
	out := filepath.Join(t.TempDir(), "face.pdf")
	for _, test := range []struct {
		name   string
		args   []string
		status int
		want   string // on stderr
	}{
		{"as in the help", []string{"--rings", "200mm,400mm", "--out", out}, statusDone, "100%"},
		{"never overwrites", []string{"--rings", "200mm,400mm", "--out", out}, statusFailed, "not touched"},
		{"no rings", nil, statusUsage, "how large"},
		{"no unit", []string{"--rings", "200"}, statusUsage, "--rings"},
		{"other paper", []string{"--rings", "200mm", "--paper", "A3"}, statusUsage, "A4 nor Letter"},
		{"rings too close", []string{"--rings", "200mm,201mm", "--out", out + "x"}, statusUsage, "no room"},
		{"a session's folder", []string{"--session", filepath.Join("..", "..", "testdata", "demo"), "--out", out + "2"}, statusDone, "100%"},
		{"a folder without a session", []string{"--session", t.TempDir(), "--out", out + "3"}, statusFailed, "or its folder"},
		{"no session", []string{"--session", out + ".toml"}, statusFailed, "there is no"},
	} {
		t.Run(test.name, func(t *testing.T) {
			var stdout, stderr bytes.Buffer
			status := run(append([]string{"dartfall", "face"}, test.args...), strings.NewReader(""), &stdout, &stderr)
			if status != test.status || !strings.Contains(stderr.String(), test.want) {
				t.Errorf("status %d, stderr %q, want %d and %q", status, stderr.String(), test.status, test.want)
			}
		})
	}
	if b, err := os.ReadFile(out); err != nil || !bytes.HasPrefix(b, []byte("%PDF-")) {
		t.Errorf("no PDF at %s: %v", out, err)
	}
}
