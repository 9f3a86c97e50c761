package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/cmd/dartfall/internal/follow"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

// sighting is one photo of the board, set against those before it.
type sighting struct {
	photo  sheet.Photo
	fresh  bool     // the first photo of a face
	before []string // IDs of its marks that were on the board already
	gone   []string // marks not seen again, in words
	// unsure says why new marks cannot be told from earlier ones of their colour.
	unsure string
	// turn takes its frame, anticlockwise, to that of the photo of the same face whose
	// up is surest; up is that photo's.
	turn float64
	up   sheet.Up
	face int // by which sighting the face begins
}

// How far apart two photos may show a mark beyond their stated uncertainty, mm per
// axis: a board 5 mm out of flat moves a mark by 0.9 mm at 10 degrees of tilt and
// 2.9 mm at 30 (geometry of a lifted point), and the shading of bare marks moves
// their centres.
const (
	looseStickerMM = 1.0
	looseBareMM    = 1.5
)

// follow goes through the session's photos in the order shot and tells on each the
// marks that were there before.
func (j job) follow(s *sheet.Summary, photos map[string]sheet.Photo) map[string]*sighting {
	out := map[string]*sighting{}
	w := board{out: &s.Warnings, loose: looseStickerMM}
	if j.opts.Marks.Bare {
		w.loose = looseBareMM
	}
	if start := j.session.Board.Start; start != "" && start != j.clean { // what the clean photo shows is left out already
		if p, ok := photos[start]; ok && p.Plane != nil {
			w.look(p, true, nil)
		} else {
			w.warnf("the photo before the first shot (%s) was not measured: marks that were there already count for the first string", start)
		}
	}
	for _, t := range j.session.Strings {
		if out[t.Photo] != nil {
			continue
		}
		colours := j.coloursOn(t.Photo)
		p, ok := photos[t.Photo]
		if !ok || p.Plane == nil {
			w.lost = append(w.lost, colours...)
			continue
		}
		out[t.Photo] = w.look(p, t.Fresh, colours)
	}
	w.chooseFrames()
	return out
}

// coloursOn returns the sticker colours of the strings of a photo; "" when one of
// them takes marks of every colour.
func (j job) coloursOn(photo string) (colours []string) {
	for _, t := range j.session.Strings {
		if a, _ := j.session.Accessory(t.Accessory); t.Photo == photo {
			colours = append(colours, a.Sticker)
		}
	}
	return colours
}

// board is what is known of the face as photo after photo is looked at.
type board struct {
	out       *[]string // warnings
	loose     float64
	sightings []*sighting
	face      int             // the sighting in whose frame known is
	known     []follow.Mark   // every mark seen on this face
	names     []string        // where each was first seen, in words
	gone      map[string]bool // by name
	lost      []string        // colours of strings whose photo was not measured
}

func (b *board) warnf(format string, args ...any) {
	*b.out = append(*b.out, fmt.Sprintf(format, args...))
}

// clashes reports whether strings of these colours could be confused with marks of
// those.
func clashes(colours, those []string) bool {
	return slices.ContainsFunc(colours, func(c string) bool {
		return c == "" && len(those) > 0 || slices.Contains(those, c) || slices.Contains(those, "")
	})
}

// look sets the next photo against what is known. colours are those of the strings
// that it belongs to.
func (b *board) look(p sheet.Photo, fresh bool, colours []string) *sighting {
	si := &sighting{photo: p, fresh: fresh || len(b.sightings) == 0}
	b.sightings = append(b.sightings, si)
	marks, ids, names := followed(p)
	if fresh {
		b.lost = nil
	}
	if clashes(colours, b.lost) {
		si.unsure = fmt.Sprintf("%s also shows the marks of a string before it whose photo could not be measured", p.Name)
	}
	b.lost = nil
	if si.fresh {
		b.begin(marks, names)
		return si
	}
	m, err := follow.Find(b.known, marks, follow.Prior{TurnSigmaRad: upSpread(b.sightings[b.face].photo.Up, p.Up), LooseMM: b.loose})
	switch {
	case err != nil:
		si.fresh = true
		if clashes(colours, coloursOf(b.known)) {
			si.unsure = fmt.Sprintf("%s: %v", p.Name, err)
			if errors.Is(err, follow.ErrTurn) {
				si.unsure += "; rings cannot show a turn, an up mark on the board can"
			}
		}
	case !m.Same && len(b.known) > 0:
		si.fresh = true
		b.warnf("%s: the %s seen before are not on it, so it is taken for a fresh face and all its marks count; look at both pictures if no new face was put up", p.Name, plural(len(b.known), "mark"))
	}
	if si.fresh {
		b.begin(marks, names)
		return si
	}
	si.turn = m.TurnRad
	b.merge(si, m, marks, ids, names)
	b.alarm(si, m, marks, names, colours)
	return si
}

// begin starts a face with the marks of the latest photo.
func (b *board) begin(marks []follow.Mark, names []string) {
	b.face = len(b.sightings) - 1
	b.sightings[b.face].face = b.face
	b.known, b.names, b.gone = marks, names, map[string]bool{}
}

// merge adds the new marks of a photo to what is known and names those gone.
func (b *board) merge(si *sighting, m follow.Match, marks []follow.Mark, ids, names []string) {
	si.face = b.face
	sin, cos := math.Sincos(m.TurnRad)
	var added []follow.Mark
	var renamed []string
	for k, old := range m.Old {
		if old >= 0 {
			si.before = append(si.before, ids[k])
			delete(b.gone, b.names[old])
			if marks[k].Colour != b.known[old].Colour {
				renamed = append(renamed, fmt.Sprintf("%s as %s", b.names[old], names[k]))
			}
			continue
		}
		n := marks[k]
		n.Pos, n.CovMM2 = r2.Rotate(n.Pos, m.TurnRad, r2.Vec{}), follow.TurnCov(n.CovMM2, sin, cos)
		added = append(added, n)
	}
	if len(renamed) > 0 {
		b.warnf("on %s the colour of earlier marks looks different, they are taken for the same by their place: %s", si.photo.Name, strings.Join(renamed, "; "))
	}
	for _, i := range m.Gone {
		if b.gone[b.names[i]] {
			continue
		}
		b.gone[b.names[i]] = true
		words := b.names[i]
		if slices.ContainsFunc(added, func(n follow.Mark) bool { return r2.Norm(r2.Sub(n.Pos, b.known[i].Pos)) < coverMM }) {
			words += ", likely under a newer mark"
		}
		si.gone = append(si.gone, words)
	}
	for k, old := range m.Old {
		if old < 0 {
			b.names = append(b.names, names[k])
		}
	}
	b.known = append(b.known, added...)
}

// coverMM is how close a new mark must be to have covered an old one: most of a
// sticker.
const coverMM = 16.0

// alarm warns of new marks in a colour that no string of the photo has.
func (b *board) alarm(si *sighting, m follow.Match, marks []follow.Mark, names, colours []string) {
	if slices.Contains(colours, "") {
		return
	}
	for k, old := range m.Old {
		if old < 0 && !slices.Contains(colours, marks[k].Colour) {
			b.warnf("%s shows a new mark that is of no string of this photo: %s; look at it", si.photo.Name, names[k])
		}
	}
}

// chooseFrames gives all sightings of a face the frame of the one whose up is
// surest.
func (b *board) chooseFrames() {
	best := map[int]*sighting{}
	for _, si := range b.sightings {
		if k := best[si.face]; k == nil || si.photo.Up.SigmaDeg < k.photo.Up.SigmaDeg {
			best[si.face] = si
		}
	}
	turns := map[int]float64{}
	for face, si := range best {
		turns[face] = si.turn
	}
	for _, si := range b.sightings {
		si.turn -= turns[si.face]
		si.up = best[si.face].photo.Up
	}
}

// upSpread is how far two photos' directions of up may differ, radians: twice their
// stated uncertainties, and a third of a degree for how a face hangs.
func upSpread(a, b sheet.Up) float64 {
	return math.Hypot(0.3, 2*math.Hypot(float64(a.SigmaDeg), float64(b.SigmaDeg))) * math.Pi / 180
}

// followed returns the marks that are really on a photo, their IDs, and their
// colours and places in words.
func followed(p sheet.Photo) (marks []follow.Mark, ids, names []string) {
	for _, im := range p.Marks {
		if im.Source == sheet.Removed {
			continue
		}
		var perhaps []string
		if slices.Contains(im.Flags, string(vision.UnsureHue)) {
			perhaps = vision.ColoursNear(im.Colour)
		}
		marks = append(marks, follow.Mark{
			Pos: r2.Vec{X: float64(im.XMM), Y: float64(im.YMM)}, Colour: im.Colour,
			CovMM2:  [3]float64{float64(im.CovMM2[0]), float64(im.CovMM2[1]), float64(im.CovMM2[2])},
			Perhaps: perhaps,
		})
		ids = append(ids, im.ID)
		colour := im.Colour
		if colour == "" {
			colour = "mark"
		}
		names = append(names, fmt.Sprintf("%s at %+.0f, %+.0f mm (%s)", colour, float64(im.XMM), float64(im.YMM), im.ID))
	}
	return marks, ids, names
}

func coloursOf(marks []follow.Mark) (colours []string) {
	for _, m := range marks {
		if !slices.Contains(colours, m.Colour) {
			colours = append(colours, m.Colour)
		}
	}
	return colours
}

// inFrame turns an impact to the frame of the photo whose up is surest.
func (si *sighting) inFrame(im sheet.Impact) sheet.Impact {
	if si.turn == 0 {
		return im
	}
	p := r2.Rotate(r2.Vec{X: float64(im.XMM), Y: float64(im.YMM)}, si.turn, r2.Vec{})
	sin, cos := math.Sincos(si.turn)
	c := follow.TurnCov([3]float64{float64(im.CovMM2[0]), float64(im.CovMM2[1]), float64(im.CovMM2[2])}, sin, cos)
	im.XMM, im.YMM = sheet.Number(p.X), sheet.Number(p.Y)
	im.CovMM2 = [3]sheet.Number{sheet.Number(c[0]), sheet.Number(c[1]), sheet.Number(c[2])}
	im.Up = si.up.Source
	return im
}

// warnOfLateMarks names strings that are short of marks where the next has too many:
// a mark that was overlooked on its own photo counts for the string after it.
func warnOfLateMarks(s *sheet.Summary) {
	for i := 1; i < len(s.Strings); i++ {
		a, b := s.Strings[i-1], s.Strings[i]
		short, over := a.Shots-a.Misses-a.Found, b.Found+b.Misses-b.Shots
		if a.Shots > 0 && b.Shots > 0 && b.SeenAgain > 0 && a.Open == "" && short > 0 && over > 0 {
			s.Warnings = append(s.Warnings, fmt.Sprintf("string %s lacks %s and string %s has %d too many: what was overlooked on %s may count for the wrong string; add it there by hand (dartfall review)",
				a.Name, plural(short, "mark"), b.Name, over, a.Photo))
		}
	}
}
