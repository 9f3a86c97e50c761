package main

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
)

// asDecided is a mark of the results as a decision would record it.
func asDecided(m sheet.Impact) decisions.Mark {
	return decisions.Mark{
		XPx: float64(m.XPx), YPx: float64(m.YPx), XMM: float64(m.XMM), YMM: float64(m.YMM), SigmaPx: 0.3,
		DiameterMM: float64(m.DiameterMM), Colour: m.Colour,
	}
}

// A folder of one photo is measured, one mark of each colour is decided on, and
// measure is run again: figures, lists and pictures follow, undo brings the first
// result back, and another photo under the same name takes no decision.
func TestMeasureHonoursDecisions(t *testing.T) {
	dir := t.TempDir()
	photo := filepath.Join(dir, "demo-3.jpg")
	copyFile(t, filepath.Join("..", "..", "testdata", "demo", "demo-3.jpg"), photo)
	rings := []string{"--rings", "200mm,400mm,600mm,800mm", "--sticker-size", "19mm"}
	measure := func(want int) sheet.Summary {
		t.Helper()
		var o, e bytes.Buffer
		status := run(append([]string{"dartfall", "measure", "--stickers", "blue,orange,purple", dir}, rings...), strings.NewReader(""), &o, &e)
		if status != want {
			t.Fatalf("status %d, want %d\n%s%s", status, want, o.String(), e.String())
		}
		_, s, err := readSummary(dir)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(s.Decisions); n > 0 && !strings.Contains(o.String(), "Decided by hand: "+plural(n, "decision")) {
			t.Errorf("the output does not count %d decisions:\n%s", n, o.String())
		}
		return s
	}
	first := measure(statusDone)
	n := map[string]int{}
	var blue, orange, purple sheet.Impact
	for _, g := range first.Groups {
		n[g.Accessory] = g.All.N
	}
	for _, m := range first.Impacts {
		switch m.Colour {
		case "blue":
			blue = m
		case "orange":
			orange = m
		case "purple":
			purple = m
		}
	}
	file, err := decisions.OpenFile(dir)
	if err != nil {
		t.Fatal(err)
	}
	decide := func(k decisions.Kind, m sheet.Impact, change func(*decisions.Mark)) {
		t.Helper()
		after := asDecided(m)
		change(&after)
		d := decisions.Decision{Time: time.Now(), Kind: k, Photo: m.Photo, SHA256: first.Photos[0].SHA256, Reason: "looked at it", After: &decisions.Side{Marks: []decisions.Mark{after}}}
		if k != decisions.Add {
			d.Mark, d.Before = m.ID, &decisions.Side{Marks: []decisions.Mark{asDecided(m)}}
		}
		if _, err := file.Append(d, len(file.Log().Decisions)); err != nil {
			t.Fatal(err)
		}
	}
	if p := first.Photos[0]; len(p.RadiiMM()) <= len(p.Rings) {
		t.Errorf("the edges of the printed lines, %v, are no more than these, %+v", p.RadiiMM(), p.Rings)
	}
	decide(decisions.Remove, blue, func(m *decisions.Mark) { m.Role = decisions.IsRemoved })
	decide(decisions.Add, orange, func(m *decisions.Mark) { m.XPx += 60 })
	decide(decisions.Flag, purple, func(m *decisions.Mark) { m.Role, m.Cause = decisions.IsFlyer, "dart jammed" })
	second := measure(statusDone)
	if len(second.Decisions) != 3 || !second.Decisions[0].Fits || second.Decisions[1].Reason != "looked at it" {
		t.Fatalf("decisions = %+v", second.Decisions)
	}
	for _, g := range second.Groups {
		want := n[g.Accessory] + map[string]int{"blue": -1, "orange": 1}[g.Accessory]
		if g.All.N != want {
			t.Errorf("%s: n = %d, want %d", g.Accessory, g.All.N, want)
		}
		if flyers := g.WithoutFlyers != nil; flyers != (g.Accessory == "purple") || (flyers && g.WithoutFlyers.N != want-1) {
			t.Errorf("%s: figures without flyers %+v", g.Accessory, g.WithoutFlyers)
		}
	}
	table, err := os.ReadFile(filepath.Join(dir, "results", "impacts.csv"))
	if err != nil || bytes.Contains(table, []byte(blue.ID+"\n")) || !bytes.Contains(table, []byte("demo-3.jpg+2")) || !bytes.Contains(table, []byte("dart jammed")) {
		t.Errorf("impacts.csv does not follow the decisions (%v):\n%s", err, table)
	}
	page, err := os.ReadFile(filepath.Join(dir, "results", "report.html"))
	if err != nil || !bytes.Contains(page, []byte("3 decisions")) || !bytes.Contains(page, []byte("dart jammed")) {
		t.Errorf("report.html does not list the decisions (%v)", err)
	}
	for _, name := range []string{second.Photos[0].OverlayAt, second.Photos[0].Flat.File} {
		if _, err := os.Stat(filepath.Join(dir, "results", name)); err != nil || !strings.Contains(name, "-decided-") {
			t.Errorf("picture %s: %v", name, err)
		}
	}

	for i := 3; i > 0; i-- {
		undo := decisions.Decision{Time: time.Now(), Kind: decisions.Undo, Of: decisions.Replay(file.Log().Decisions).Undo}
		if _, err := file.Append(undo, len(file.Log().Decisions)); err != nil {
			t.Fatal(err)
		}
	}
	third := measure(statusDone)
	if len(third.Decisions) != 0 || len(third.Impacts) != len(first.Impacts) || third.Photos[0].OverlayAt != first.Photos[0].OverlayAt {
		t.Errorf("after three undos: %d decisions, %d impacts, overlay %s", len(third.Decisions), len(third.Impacts), third.Photos[0].OverlayAt)
	}
	if _, err := os.Stat(filepath.Join(dir, "results", second.Photos[0].OverlayAt)); err == nil {
		t.Error("the picture of what was taken back is still there")
	}

	// The outermost ring given as 400 mm instead of 800: against the list it is not used,
	// aloud; against that ring alone all lengths halve.
	ring := decisions.Decision{Time: time.Now(), Kind: decisions.Ring, Photo: "demo-3.jpg", SHA256: first.Photos[0].SHA256, After: &decisions.Side{Board: &decisions.Board{RingMM: 400}}}
	if _, err := file.Append(ring, 6); err != nil {
		t.Fatal(err)
	}
	refused := measure(statusPartial)
	if d := refused.Decisions[0]; d.Fits || !strings.Contains(d.Words, "an outermost ring of 400 mm contradicts the rings given for all photos (200, 400, 600, 800 mm)") || refused.Photos[0].Rings[0] != first.Photos[0].Rings[0] {
		t.Errorf("a ring against the list: %+v, rings %+v", d, refused.Photos[0].Rings)
	}
	rings = []string{"--ring", "800mm", "--sticker-size", "9.5mm"}
	halved := measure(statusDone) // stickers too
	a, b := float64(halved.Photos[0].Rings[0].DiameterMM), float64(first.Photos[0].Rings[0].DiameterMM)
	if !(math.Abs(2*a-b) <= 0.002*b) {
		t.Errorf("the outermost ring measures %.2f mm, want half of %.2f", a, b)
	}

	// These are held against what was decided, no longer against --ring.
	for i, r := range halved.Photos[0].Rings {
		if r.Given != (i == 0) || r.Given && !(math.Abs(float64(r.ResidualMM)) < 0.5) {
			t.Errorf("ring %d: %+v", i, r)
		}
	}

	copyFile(t, filepath.Join("..", "..", "testdata", "demo", "demo-1.jpg"), photo)
	rings[3] = "19mm"
	changed := measure(statusPartial)
	if len(changed.Decisions) != 1 || changed.Decisions[0].Fits || !strings.Contains(changed.Decisions[0].Words, "another photo than it was") {
		t.Errorf("a decision on a changed photo: %+v", changed.Decisions)
	}
}

// Of several scales decided for one photo the last counts that can be; a ring that
// contradicts those given is reported only while nothing later outdoes it.
func TestScaleInForce(t *testing.T) {
	ring := func(mm float64) decisions.Decision {
		return decisions.Decision{Kind: decisions.Ring, After: &decisions.Side{Board: &decisions.Board{RingMM: mm}}}
	}
	points := decisions.Decision{Kind: decisions.Points, After: &decisions.Side{Board: &decisions.Board{Points: make([]decisions.Point, 4)}}}
	for _, c := range []struct {
		name   string
		log    []decisions.Decision
		points bool // in use
		unfit  int  // decision reported as not used, -1 for none
	}{
		{"points after a wrong ring", []decisions.Decision{ring(400), points}, true, -1},
		{"a wrong ring after points", []decisions.Decision{points, ring(400)}, true, 1},
		{"a right ring after points", []decisions.Decision{points, ring(801)}, false, -1},
		{"a wrong ring", []decisions.Decision{ring(400)}, false, 0},
	} {
		for i := range c.log {
			c.log[i].ID, c.log[i].Photo, c.log[i].SHA256 = i+1, "one.jpg", "aa11"
		}
		j := job{givenMM: []float64{400, 800}, decided: decisions.Replay(c.log)}
		s, err := assemble(j, []sheet.Photo{{Name: "one.jpg", SHA256: "aa11"}})
		if err != nil {
			t.Fatal(err)
		}
		if got := slices.IndexFunc(s.Decisions, func(d sheet.Decision) bool { return !d.Fits }); got != c.unfit {
			t.Errorf("%s: decision %d is reported, want %d: %+v", c.name, got, c.unfit, s.Decisions)
		}
		if got := len(j.optionsFor("aa11").Points) > 0; got != c.points {
			t.Errorf("%s: points in use: %v", c.name, got)
		}
	}
}

// Two strings in one colour on one photo: colour cannot tell whose a mark is, the
// person can.
func TestStringsSharedByHand(t *testing.T) {
	p := sheet.Photo{Name: "one.jpg", SHA256: "aa11", State: sheet.Measured, Plane: &sheet.Plane{Homography: [9]sheet.Number{2, 0, 500, 0, -2, 400, 0, 0, 1}, PxPerMM: 2}}
	for i := range 6 {
		x := sheet.Number(40 * i)
		p.Marks = append(p.Marks, sheet.Impact{ID: fmt.Sprintf("one.jpg#%d", i+1), Photo: p.Name, Colour: "blue", Source: sheet.Found, XMM: x, XPx: 500 + 2*x, YPx: 400, DiameterMM: 19, Confidence: 1})
	}
	j := job{session: &session.Session{
		Accessories: []session.Accessory{{Name: "North", Letter: "A", Sticker: "blue"}},
		Strings:     []session.String{{Accessory: "North", Photo: p.Name, Shots: 4}, {Accessory: "North", Photo: p.Name, Shots: 2}},
	}}
	found := func(assigned ...int) (n [2]int, warnings string) {
		t.Helper()
		var log []decisions.Decision
		for _, i := range assigned {
			before := asDecided(p.Marks[i])
			after := before
			after.String = "2 North"
			log = append(log, decisions.Decision{ID: len(log) + 1, Kind: decisions.Assign, Photo: p.Name, SHA256: p.SHA256, Mark: p.Marks[i].ID,
				Before: &decisions.Side{Marks: []decisions.Mark{before}}, After: &decisions.Side{Marks: []decisions.Mark{after}}})
		}
		j.decided = decisions.Replay(log)
		s, err := assemble(j, []sheet.Photo{p})
		if err != nil {
			t.Fatal(err)
		}
		return [2]int{s.Strings[0].Found, s.Strings[1].Found}, strings.Join(s.Warnings, "\n")
	}
	if n, warnings := found(); n != [2]int{6, 0} || !strings.Contains(warnings, "share the blue marks") {
		t.Errorf("by colour alone: %v, %q, want all six in the first and a warning", n, warnings)
	}
	if n, warnings := found(1, 4); n != [2]int{4, 2} || strings.Contains(warnings, "share the blue marks") || strings.Contains(warnings, "declared") {
		t.Errorf("two given to the second by hand: %v, %q, want 4 and 2 without a warning", n, warnings)
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, b, 0o644); err != nil {
		t.Fatal(err)
	}
}
