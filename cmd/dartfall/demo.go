package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"dartfall/testdata"
)

// DemoCommand measures the bundled session.
func DemoCommand(c console) *cli.Command {
	return &cli.Command{
		Name:      "demo",
		Usage:     "measure a small bundled session and show where the results are",
		ArgsUsage: "[FOLDER]",
		Description: "Writes an invented session (four rendered photos and a session.toml) into FOLDER\n" +
			"(default: dartfall-demo) and measures it, as dartfall measure FOLDER does. Nothing\n" +
			"that is already there is overwritten.",
		Action: func(ctx *cli.Context) error {
			dir := ctx.Args().First()
			if dir == "" {
				dir = "dartfall-demo"
			}
			if err := unpackDemo(dir); err != nil {
				return err
			}
			fmt.Fprintf(c.Err, "The demo session is in %s; it is measured as by\n   dartfall measure %s\n", dir, shellWord(dir))
			return ctx.App.RunContext(ctx.Context, []string{ctx.App.Name, "measure", dir})
		},
	}
}

// unpackDemo writes the demo's files into dir, leaving alone what exists.
func unpackDemo(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return withHint(fmt.Errorf("cannot make the folder %s: %v", dir, err), "name another folder: dartfall demo FOLDER")
	}
	return fs.WalkDir(testdata.Demo, "demo", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := testdata.Demo.ReadFile(path)
		if err != nil {
			return err
		}
		f, err := os.OpenFile(filepath.Join(dir, d.Name()), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, fs.ErrExist) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("cannot write the demo: %v", err)
		}
		if _, err := f.Write(data); err != nil {
			_ = f.Close()
			return fmt.Errorf("cannot write the demo: %v", err)
		}
		return f.Close()
	})
}
