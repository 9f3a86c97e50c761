package main

import (
	"fmt"
	"slices"
	"strings"

	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/scoring"
	"dartfall/vision"
)

// misfiled says where photos and strings do not fit each other: photos out of the order
// of their clocks, and photos of no string.
func (j job) misfiled(photos []sheet.Photo) (warnings []string) {
	named := []string{j.session.Board.Start}
	for _, t := range j.session.Strings {
		named = append(named, t.Photo)
	}
	taken := map[string]string{} // as sheet.Photo has it: in the order of time as text too
	var loose []string
	for _, p := range photos {
		taken[p.Name] = p.Taken
		if len(p.Marks) > 0 && p.Name != j.clean && !slices.Contains(named, p.Name) {
			loose = append(loose, p.Name)
		}
	}
	last := ""
	for _, name := range named {
		if taken[name] == "" {
			continue
		}
		if taken[name] < taken[last] {
			warnings = append(warnings, fmt.Sprintf("%s was taken before %s, whose string is listed before: list the strings in the order shot", name, last))
			break
		}
		last = name
	}
	switch n := len(loose); {
	case n == 1:
		warnings = append(warnings, fmt.Sprintf("no string names %s: its marks count nowhere", loose[0]))
	case n > 1:
		warnings = append(warnings, fmt.Sprintf("no string names %s: their marks count nowhere", strings.Join(loose, ", ")))
	}
	return warnings
}

// toDecide reports whether something waits for a person: a decision that fits no photo
// any more, a string that is not in the figures, numbers of shots or speeds that cannot be
// right.
func toDecide(s sheet.Summary) bool {
	return slices.ContainsFunc(s.Decisions, func(d sheet.Decision) bool { return !d.Fits }) ||
		slices.ContainsFunc(s.Strings, func(t sheet.String) bool { return t.Open != "" || t.LeftOut != "" }) ||
		slices.ContainsFunc(s.Groups, func(g sheet.Group) bool { return moreThanShots(g.Accessory, g.All.N, g.Misses, g.Shots) != "" }) ||
		slices.ContainsFunc(s.Velocities, func(v sheet.Velocity) bool { return implausibleSpeed(v) != "" }) ||
		scoring.ImplausibleMass(float64(s.Session.DartMassG)) != "" ||
		scoring.ImplausibleSpeed(float64(s.Session.CapMPS)) != "" ||
		slices.ContainsFunc(s.Comparisons, func(p sheet.Comparison) bool { return p.Verdict == sheet.CheckShots })
}

// noMarkWords says of a string without marks what may be wrong.
func (j job) noMarkWords(t sheet.String, colour string) string {
	other := func(of func(session.String) bool) string {
		for i, o := range j.session.Strings {
			if name := stringName(i, o); name != t.Name && of(o) {
				return name
			}
		}
		return ""
	}
	words := fmt.Sprintf("string %s: no new mark on %s", t.Name, t.Photo)
	if colour != "" {
		words = fmt.Sprintf("string %s: no new %s mark on %s", t.Name, colour, t.Photo)
	}
	if t.Shots > 0 {
		words += fmt.Sprintf(", so its %s are not in the figures", plural(t.Shots, "shot"))
	}
	if o := other(func(o session.String) bool { return o.Photo == t.Photo }); o != "" {
		return words + fmt.Sprintf(", the photo of string %s too: name the photo taken after each", o)
	}
	if o := other(func(o session.String) bool {
		a, _ := j.session.Accessory(o.Accessory)
		return o.Accessory != t.Accessory && a.Sticker == colour && colour != ""
	}); o != "" {
		return words + fmt.Sprintf(", and string %s has %s stickers too: is one of the two another colour?", o, colour)
	}
	if t.SeenAgain > 0 {
		return words + ": look at the picture (is it an earlier board photographed again?) and correct what is wrong before you publish"
	}
	return words + ": look at the picture and correct what is wrong before you publish"
}

// doubts says how many of the marks that count are doubtful, where, and what to do;
// where they are many of a photo, that they may be no stickers at all.
func (j job) doubts(impacts []sheet.Impact) (warnings []string) {
	var photos []string // with a doubtful mark
	doubtful, marks := map[string]int{}, map[string]int{}
	all := 0
	for _, m := range impacts {
		if !m.Counts() {
			continue
		}
		marks[m.Photo]++
		if slices.Contains(m.Flags, string(vision.Doubtful)) {
			if doubtful[m.Photo]++; doubtful[m.Photo] == 1 {
				photos = append(photos, m.Photo)
			}
			all++
		}
	}
	if all == 0 {
		return nil
	}
	var where, many []string
	for _, p := range photos {
		where = append(where, fmt.Sprintf("%d on %s", doubtful[p], p))
		if manyDoubts(doubtful[p], marks[p]) {
			many = append(many, p)
		}
	}
	warnings = append(warnings, fmt.Sprintf("%d of %s doubtful, and counted (%s): look at the dashed ones on the overlay, and keep or remove each in dartfall review",
		all, plural(counted(impacts), "mark"), strings.Join(where, ", ")))
	if len(many) > 0 && !j.opts.Marks.Bare {
		how := "measure with --marks"
		if j.session != nil {
			how = `write kind = "bare" under [marks] in ` + session.FileName
		}
		warnings = append(warnings, fmt.Sprintf("if what struck %s left bare marks (holes, dents), and no stickers are on them, %s", strings.Join(many, ", "), how))
	}
	return warnings
}
