package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"dartfall/cmd/dartfall/internal/sheet"
)

// prepareResults makes the results folder before any work is done. It refuses a file
// of that name, a folder that cannot be written to, and one with files of another
// origin under the names that would be overwritten.
func prepareResults(dir string) error {
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return withHint(fmt.Errorf("%s is a file, and the results need a folder of that name", dir), "move it away, or give another folder with --out")
	}
	if name, foreign := foreignResult(dir); foreign {
		return withHint(fmt.Errorf("%s was not written by dartfall and is not touched", filepath.Join(dir, name)), "move it away, or give another folder with --out")
	}
	err := os.MkdirAll(dir, 0o755)
	if err == nil {
		err = probe(dir)
	}
	if err != nil {
		return withHint(fmt.Errorf("cannot write into %s: %v", dir, sheet.Cause(err)), "give a folder you may write to with --out")
	}
	return nil
}

// foreignResult names a file in dir that a run would overwrite although it is not
// from an earlier one. A summary.json vouches for the rest; a run that was cut short
// before it was written leaves its store.
func foreignResult(dir string) (name string, foreign bool) {
	b, err := os.ReadFile(filepath.Join(dir, "summary.json"))
	if err == nil {
		var head struct{ Schema string }
		ours := json.Unmarshal(b, &head) == nil && strings.HasPrefix(head.Schema, "dartfall-summary-")
		return "summary.json", !ours
	}
	if _, err := os.Stat(filepath.Join(dir, storeDir)); err == nil {
		return "", false
	}
	for _, name := range []string{"impacts.csv", "report.html", "description.txt"} {
		if _, err := os.Lstat(filepath.Join(dir, name)); !errors.Is(err, fs.ErrNotExist) {
			return name, true
		}
	}
	return "", false
}

// probe tells whether a file can be made in dir.
func probe(dir string) error {
	f, err := os.CreateTemp(dir, ".probe")
	if err != nil {
		return err
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}
