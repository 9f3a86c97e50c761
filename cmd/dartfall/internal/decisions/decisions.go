// Package decisions is the record of what a person decided by hand about the
// marks of a session: a file beside the photos to which lines are only ever added.
// It says what is in force after undo and redo, and applies that to measured
// photos. It refuses to measure anything, and it never rewrites the file.
//
// A decision holds to the content of its photo, not to the file's name, and to a
// place in the photo's pixels; millimetres follow from the plane of the day, so that
// a corrected ring diameter moves what was placed by hand along with all the rest.
package decisions

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"dartfall/cmd/dartfall/internal/units"
)

// FileName is the record's name beside the photos.
const FileName = "decisions.jsonl"

// Kind says what was decided.
type Kind string

// The kinds of decision.
const (
	Add      Kind = "add"      // a mark that was not found
	Move     Kind = "move"     // a mark to its true place
	Remove   Kind = "remove"   // what is no mark
	Recolour Kind = "recolour" // the sticker's colour
	Assign   Kind = "assign"   // to a string
	Split    Kind = "split"    // one mark into two
	Flag     Kind = "flyer"    // a flyer, with its cause
	Sight    Kind = "sighter"  // a shot before the counted ones
	Count    Kind = "count"    // a mark that was doubted or set aside: it counts
	Miss     Kind = "miss"     // the number of a string's shots that left no mark
	Ring     Kind = "ring"     // the diameter of the outermost ring that was found
	Points   Kind = "points"   // places of known millimetres in the photo
	Undo     Kind = "undo"
	Redo     Kind = "redo"
)

// Decision is one line of the record.
type Decision struct {
	ID     int       `json:"id"` // 1 for the first; grows along the file
	Time   time.Time `json:"time"`
	Kind   Kind      `json:"kind"`
	Photo  string    `json:"photo,omitempty"`  // its name that day, for the reader
	SHA256 string    `json:"sha256,omitempty"` // of the photo's bytes
	Mark   string    `json:"mark,omitempty"`   // the mark's ID
	String string    `json:"string,omitempty"` // the string of a miss
	Reason string    `json:"reason,omitempty"`
	Before *Side     `json:"before,omitempty"`
	After  *Side     `json:"after,omitempty"`
	Of     int       `json:"of,omitempty"` // the decision that is undone or redone
}

// Side is what was there before a decision, or after it; what a decision does not
// touch is left out.
type Side struct {
	Marks  []Mark `json:"marks,omitempty"`
	Misses *int   `json:"misses,omitempty"`
	Board  *Board `json:"board,omitempty"`
}

// Mark is a mark as the decision saw it.
type Mark struct {
	XPx        float64 `json:"x_px"` // in the upright photo
	YPx        float64 `json:"y_px"`
	SigmaPx    float64 `json:"sigma_px"` // standard uncertainty of the place, per axis
	XMM        float64 `json:"x_mm"`     // on the board, by that day's plane
	YMM        float64 `json:"y_mm"`
	DiameterMM float64 `json:"diameter_mm"`
	Colour     string  `json:"colour,omitempty"` // "" for a bare mark
	String     string  `json:"string,omitempty"` // "" follows from photo and colour
	Role       Role    `json:"role,omitempty"`
	Cause      string  `json:"cause,omitempty"` // of a flyer
}

// Role is what a mark counts for.
type Role string

// The roles of a mark.
const (
	Counts    Role = ""        // in every figure
	IsFlyer   Role = "flyer"   // in the figures of all shots, set aside in the others
	IsSighter Role = "sighter" // in no figure
	IsRemoved Role = "removed" // no mark
)

// Board is what was said about the scale of a photo.
type Board struct {
	RingMM float64 `json:"ring_mm,omitempty"` // diameter of the outermost ring found
	Points []Point `json:"points,omitempty"`
}

// Point is a place in the photo whose board coordinates are known.
type Point struct {
	XPx float64 `json:"x_px"`
	YPx float64 `json:"y_px"`
	XMM float64 `json:"x_mm"`
	YMM float64 `json:"y_mm"`
}

// The largest numbers a decision can hold: anything beyond is no photo or board.
const (
	maxPx = 1e6
	maxMM = 1e5
)

// parseLine reads one line of the record.
func parseLine(line []byte) (Decision, error) {
	var d Decision
	dec := json.NewDecoder(bytes.NewReader(line))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		return Decision{}, fmt.Errorf("not a decision of this version: %v", err)
	}
	if dec.More() {
		return Decision{}, errors.New("two decisions in one line")
	}
	return d, d.check()
}

// check reports what is wrong with a decision: what its kind needs must be there.
func (d Decision) check() error {
	if d.ID < 1 {
		return errors.New("a decision needs a number from 1 on")
	}
	var before, after Side
	if d.Before != nil {
		before = *d.Before
	}
	if d.After != nil {
		after = *d.After
	}
	for _, m := range append(before.Marks[:len(before.Marks):len(before.Marks)], after.Marks...) {
		if err := m.check(); err != nil {
			return err
		}
	}
	need := func(nBefore, nAfter int) error {
		if d.SHA256 == "" || len(before.Marks) != nBefore || len(after.Marks) != nAfter || (nBefore > 0 && d.Mark == "") {
			return fmt.Errorf("%s needs its photo, %d mark before and %d after", d.Kind, nBefore, nAfter)
		}
		return nil
	}
	switch d.Kind {
	case Undo, Redo:
		if d.Of < 1 || d.Of >= d.ID {
			return fmt.Errorf("%s of decision %d", d.Kind, d.Of)
		}
		return nil
	case Add:
		return need(0, 1)
	case Split:
		return need(1, 2)
	case Flag:
		if len(after.Marks) == 1 && (after.Marks[0].Role != IsFlyer || after.Marks[0].Cause == "") {
			return errors.New("a flyer needs a cause")
		}
		return need(1, 1)
	case Move, Remove, Recolour, Assign, Sight, Count:
		return need(1, 1)
	case Miss:
		if d.String == "" || before.Misses == nil || after.Misses == nil || *before.Misses < 0 || *after.Misses < 0 || *after.Misses > 10000 {
			return errors.New("a miss needs its string and the number before and after")
		}
		return nil
	case Ring, Points:
		if d.SHA256 == "" || after.Board == nil {
			return fmt.Errorf("%s needs its photo and the board after", d.Kind)
		}
		return after.Board.check(d.Kind)
	}
	return fmt.Errorf("there is no decision %q", d.Kind)
}

func (m Mark) check() error {
	if !within(maxPx, m.XPx, m.YPx) || !within(maxMM, m.XMM, m.YMM) || !(m.DiameterMM >= 0 && m.DiameterMM <= 1000) || !(m.SigmaPx >= 0 && m.SigmaPx <= 1000) {
		return errors.New("a mark lies beyond any photo or board")
	}
	switch m.Role {
	case Counts, IsFlyer, IsSighter, IsRemoved:
		return nil
	}
	return fmt.Errorf("a mark cannot be %q", m.Role)
}

func (b Board) check(k Kind) error {
	if k == Ring {
		if !(b.RingMM >= 20 && b.RingMM <= 5000) {
			return errors.New("a ring has a diameter from 20 mm to 5 m")
		}
		return nil
	}
	if len(b.Points) < 4 || len(b.Points) > 100 {
		return errors.New("four points or more fix a plane")
	}
	for _, p := range b.Points {
		if !within(maxPx, p.XPx, p.YPx) || !within(maxMM, p.XMM, p.YMM) {
			return errors.New("a point lies beyond any photo or board")
		}
	}
	return nil
}

// within reports whether every value lies between -limit and limit.
func within(limit float64, values ...float64) bool {
	for _, v := range values {
		if !(math.Abs(v) <= limit) {
			return false
		}
	}
	return true
}

// Words says in a plain sentence what was decided.
func (d Decision) Words() string {
	var before, after Mark
	if d.Before != nil && len(d.Before.Marks) > 0 {
		before = d.Before.Marks[0]
	}
	if d.After != nil && len(d.After.Marks) > 0 {
		after = d.After.Marks[0]
	}
	switch d.Kind {
	case Add:
		return fmt.Sprintf("Added %s on %s.", after.words(), d.Photo)
	case Move:
		return fmt.Sprintf("Moved %s on %s by %.1f mm.", before.words(), d.Photo, math.Hypot(after.XMM-before.XMM, after.YMM-before.YMM))
	case Remove:
		return fmt.Sprintf("Removed %s on %s.", before.words(), d.Photo)
	case Recolour:
		return fmt.Sprintf("Called %s on %s %s.", before.words(), d.Photo, after.Colour)
	case Assign:
		return fmt.Sprintf("Gave %s on %s to string %s.", before.words(), d.Photo, after.String)
	case Split:
		return fmt.Sprintf("Split %s on %s into two.", before.words(), d.Photo)
	case Flag:
		return fmt.Sprintf("Declared %s on %s a flyer: %s.", before.words(), d.Photo, after.Cause)
	case Sight:
		return fmt.Sprintf("Declared %s on %s a sighter.", before.words(), d.Photo)
	case Count:
		return fmt.Sprintf("Looked at %s on %s: it counts.", before.words(), d.Photo)
	case Miss:
		return fmt.Sprintf("Set the misses of string %s from %d to %d.", d.String, *d.Before.Misses, *d.After.Misses)
	case Ring:
		return fmt.Sprintf("Gave the outermost ring on %s a diameter of %s.", d.Photo, units.Size(d.After.Board.RingMM))
	case Points:
		return fmt.Sprintf("Squared up %s from %d points set by hand.", d.Photo, len(d.After.Board.Points))
	case Undo:
		return fmt.Sprintf("Took back decision %d.", d.Of)
	case Redo:
		return fmt.Sprintf("Made decision %d again.", d.Of)
	}
	return string(d.Kind)
}

// words names a mark by its colour and place.
func (m Mark) words() string {
	colour := m.Colour
	if colour == "" {
		colour = "bare"
	}
	return fmt.Sprintf("the %s mark at %.0f, %.0f mm", colour, m.XMM, m.YMM)
}
