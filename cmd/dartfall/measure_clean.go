package main

import (
	"errors"
	"fmt"
	"path/filepath"

	"dartfall/calib/photo"
	"dartfall/vision"
)

// readClean measures the photo of the clean board, named on the command line or in
// the session: every other photo is held against it.
func (j *job) readClean(path string) error {
	if path == "" && j.session != nil && j.session.Board.Clean != "" {
		path = filepath.Join(j.dir, filepath.FromSlash(j.session.Board.Clean))
	}
	if path == "" {
		return nil
	}
	p, err := photo.Load(path, photo.Options{DecodeJPEG: vision.DecodeJPEG})
	if err != nil {
		return fmt.Errorf("the photo of the clean board cannot be used: %v", err)
	}
	opts := j.optionsFor(p.SHA256)
	opts.Lens, _ = j.lensFor(p)
	r, err := vision.Read(p, opts)
	var refusal *vision.Refusal
	if errors.As(err, &refusal) {
		return withHint(fmt.Errorf("the photo of the clean board, %s, cannot be measured: %s", p.Name, refusal.Reason), "%s; or measure without it", refusal.Advice)
	}
	if err != nil {
		return fmt.Errorf("the photo of the clean board, %s, cannot be measured: %v", p.Name, err)
	}
	j.clean, j.opts.Marks.Clean = p.Name, r
	j.note("clean board", p.SHA256)
	return nil
}
