package main

import (
	"fmt"
	"slices"
	"strings"

	"dartfall/cmd/dartfall/internal/batch"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/vision"
)

// readShots reads how many shots left the stickers of each colour. In a session its
// strings say so.
func (j *job) readShots(text string) error {
	if text == "" {
		return nil
	}
	if j.hasStrings() {
		return withHint(usagef("--shots does not go with a session that lists its strings"), "write shots = 15 under each [[string]] in %s", session.FileName)
	}
	counts, err := parseShots(text)
	if err != nil {
		return err
	}
	for _, c := range counts {
		switch colours := j.opts.Marks.Colours; {
		case c.name == "":
		case j.opts.Marks.Bare:
			return usagef("--shots: bare marks have no colour: give one number")
		case !slices.Contains(session.Colours(), c.name):
			return withHint(usagef("--shots: there is no sticker colour %q", c.name), "the colours told apart are %s", strings.Join(session.Colours(), ", "))
		case len(colours) > 0 && !slices.Contains(colours, c.name):
			return usagef("--shots names %s, which is not among the --stickers", c.name)
		}
	}
	j.shots = counts
	return nil
}

// shotsOf returns the shots declared for a colour without a session; 0 for none.
func (j job) shotsOf(colour string) (n int) {
	for _, c := range j.shots {
		if c.name == "" || c.name == colour {
			n = c.n
		}
	}
	return n
}

// countsOn returns how many stickers of each colour a photo should show: those of the
// shots declared, less the stated misses. In a session these are all shots since the
// last fresh face up to the photo's own string. Colours of which that is not known are
// left out: bare marks, a string without shots, a face with marks from the start.
func (j job) countsOn(photo string) (counts []vision.ColourCount) {
	if j.opts.Marks.Bare {
		return nil
	}
	if !j.hasStrings() {
		for _, c := range session.Colours() {
			if n := j.shotsOf(c); n > 0 {
				counts = append(counts, vision.ColourCount{Colour: c, Stickers: n})
			}
		}
		return counts
	}
	strings := j.session.Strings
	last := len(strings) - 1
	for last >= 0 && strings[last].Photo != photo {
		last--
	}
	first := last
	for first > 0 && !strings[first].Fresh {
		first--
	}
	if last < 0 || (first == 0 && j.session.Board.Start != "") {
		return nil
	}
	unknown := map[string]bool{}
	for _, t := range strings[first : last+1] {
		a, _ := j.session.Accessory(t.Accessory)
		if a.Sticker == "" {
			return nil
		}
		at := slices.IndexFunc(counts, func(c vision.ColourCount) bool { return c.Colour == a.Sticker })
		if at < 0 {
			at = len(counts)
			counts = append(counts, vision.ColourCount{Colour: a.Sticker})
		}
		counts[at].Stickers += t.Shots - t.Misses
		unknown[a.Sticker] = unknown[a.Sticker] || t.Shots == 0
	}
	return slices.DeleteFunc(counts, func(c vision.ColourCount) bool { return unknown[c.Colour] })
}

// ownSettings are the settings of one photo alone, as a part of the identity of its
// result.
func (j job) ownSettings(p batch.Photo, sha256 string) string {
	own := j.stem(p.Name) + j.decidedBoard(sha256)
	if counts := j.countsOn(p.Name); len(counts) > 0 {
		own += fmt.Sprint(counts)
	}
	return own
}
