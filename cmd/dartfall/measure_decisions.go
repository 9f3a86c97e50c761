package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"dartfall/calib"
	"dartfall/calib/photo"
	"dartfall/cmd/dartfall/internal/batch"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

// readDecisions reads what was decided by hand about the folder's photos.
func (j *job) readDecisions() error {
	log, data, err := decisions.Read(j.dir)
	if err != nil {
		return err
	}
	j.decided, j.unread, j.record = decisions.Replay(log.Decisions), log.Problems, nil
	if data != nil {
		j.record = &sheet.File{Name: decisions.FileName, SHA256: hexSHA256(data)}
	}
	return nil
}

// stringName is what the results call string i of the session.
func stringName(i int, t session.String) string { return fmt.Sprintf("%d %s", i+1, t.Accessory) }

// statedMisses are the misses of the session's strings, by name.
func (j job) statedMisses() map[string]int {
	misses := map[string]int{}
	if j.session != nil {
		for i, t := range j.session.Strings {
			misses[stringName(i, t)] = t.Misses
		}
	}
	return misses
}

// ringContradicts says why the outermost ring cannot have a diameter given by hand, ""
// when it may: several rings were given, and the outermost of these has another.
func (j job) ringContradicts(mm float64) string {
	n := len(j.givenMM)
	if n < 2 || math.Abs(mm-j.givenMM[n-1]) <= otherRing*j.givenMM[n-1] {
		return ""
	}
	given := make([]string, n)
	for i, g := range j.givenMM {
		given[i] = fmt.Sprintf("%.5g", g)
	}
	return fmt.Sprintf("an outermost ring of %.5g mm contradicts the rings given for all photos (%s mm): correct these instead, in %s or with --rings", mm, strings.Join(given, ", "), session.FileName)
}

// unfitRings says of diameters decided by hand that contradict the rings given, and
// so are not used; not of those that a later decision has outdone.
func (j job) unfitRings(made []sheet.Decision) {
	for i, d := range j.decided.InForce {
		if d.Kind != decisions.Ring || d.After.Board != j.decided.BoardOf(d.SHA256, func(float64) bool { return true }) {
			continue
		}
		if why := j.ringContradicts(d.After.Board.RingMM); why != "" && made[i].Fits {
			made[i].Fits = false
			made[i].Words += " This is not used: " + why + "."
		}
	}
}

// boardOf is what was decided by hand about the scale of the photo of that content.
func (j job) boardOf(sha256 string) *decisions.Board {
	return j.decided.BoardOf(sha256, func(mm float64) bool { return j.ringContradicts(mm) == "" })
}

// optionsFor are the options for the photo of that content: the scale that was
// given for it by hand outranks the rest, but may not contradict several rings.
func (j job) optionsFor(sha256 string) vision.Options {
	opts := j.opts
	b := j.boardOf(sha256)
	switch {
	case b == nil:
	case len(b.Points) > 0:
		opts.Points = nil
		for _, p := range b.Points {
			t := calib.Tie{At: calib.Px{X: p.XPx, Y: p.YPx}, SigmaPx: 1}
			t.Board.X, t.Board.Y = p.XMM, p.YMM
			opts.Points = append(opts.Points, t)
		}
	default:
		opts.Points = nil
		opts.Rings.OuterMM, opts.Rings.ListMM = b.RingMM, []float64{b.RingMM}
	}
	return opts
}

// decidedBoard is what was given by hand about the photo's scale, as a part of the
// identity of its result.
func (j job) decidedBoard(sha256 string) string {
	if b := j.boardOf(sha256); b != nil {
		return fmt.Sprintf("%+v", *b)
	}
	return ""
}

// redraw draws the pictures of the photos whose marks were decided on, beside those
// of what was found, and removes such pictures where nothing is decided any more.
func (m measurer) redraw(photos []sheet.Photo, made []sheet.Decision) error {
	for i := range photos {
		p := &photos[i]
		stem := m.job.stem(p.Name) + "-decided"
		if !slices.ContainsFunc(made, func(d sheet.Decision) bool { return d.Fits && d.Photo == p.Name && d.Impact != "" }) {
			for _, old := range []string{stem + "-overlay.jpg", stem + "-flat.jpg"} {
				if err := os.Remove(filepath.Join(m.job.out, old)); err != nil && !errors.Is(err, fs.ErrNotExist) {
					return fmt.Errorf("cannot remove a picture that no longer holds: %v", err)
				}
			}
			continue
		}
		if err := m.redrawOne(p, stem); err != nil {
			return err
		}
	}
	return nil
}

func (m measurer) redrawOne(out *sheet.Photo, stem string) error {
	at := slices.IndexFunc(m.job.photos, func(p batch.Photo) bool { return p.Name == out.Name })
	rect, ok := out.Plane.Rectification()
	if at < 0 || !ok || out.Flat == nil {
		return nil
	}
	p, err := photo.Load(m.job.photos[at].Path, photo.Options{DecodeJPEG: vision.DecodeJPEG})
	if err != nil {
		return err
	}
	return m.draw(new(picture.Memory), p, rect, stem, out)
}
