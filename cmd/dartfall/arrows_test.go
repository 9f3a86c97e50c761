package main

import (
	"os/exec"
	"strings"
	"testing"
)

// TestArrows holds who may import whom. Only direct imports are looked at, tests
// left out: a forbidden path has a forbidden step.
func TestArrows(t *testing.T) {
	out, err := exec.Command("go", "list", "-e", "-f", `{{.ImportPath}} {{join .Imports " "}}`, "dartfall/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	under := func(path string, roots ...string) bool {
		for _, r := range roots {
			if path == r || strings.HasPrefix(path, r+"/") {
				return true
			}
		}
		return false
	}
	// may lists what of ours the packages of each room may import.
	rooms := []struct {
		root string
		may  []string
	}{
		{"dartfall/calib", []string{"dartfall/calib"}},
		{"dartfall/scoring", []string{"dartfall/scoring"}},
		{"dartfall/vision", []string{"dartfall/calib", "dartfall/vision"}},
		{"dartfall/cmd/dartfall/internal", []string{"dartfall/calib", "dartfall/scoring", "dartfall/cmd/dartfall/internal"}},
		{"dartfall/cmd/dartfall", []string{"dartfall"}},
	}
	seen := 0
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		pkg, imports, _ := strings.Cut(line, " ")
		found := false
		for _, room := range rooms {
			if !under(pkg, room.root) {
				continue
			}
			found = true
			seen++
			for _, imp := range strings.Fields(imports) {
				if under(imp, "dartfall") && !under(imp, room.may...) {
					t.Errorf("%s imports %s; %s may import only %v", pkg, imp, room.root, room.may)
				}
				if under(imp, "gocv.io/x/gocv") && !under(pkg, "dartfall/vision") {
					t.Errorf("%s imports %s; only vision may", pkg, imp)
				}
			}
			break
		}
		if !found {
			t.Errorf("%s is in no room with known arrows", pkg)
		}
	}
	if seen < 4 {
		t.Errorf("go list named %d packages, want the whole project", seen)
	}
}
