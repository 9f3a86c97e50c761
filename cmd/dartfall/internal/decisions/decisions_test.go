package decisions

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dartfall/cmd/dartfall/internal/sheet"
)

var noon = time.Date(2026, 5, 16, 12, 0, 0, 0, time.UTC)

const hash = "aa11"

// board is a photo seen from 2 px per mm, the ring centre at (500, 400).
func board(marks ...sheet.Impact) sheet.Photo {
	return sheet.Photo{
		Name: "one.jpg", SHA256: hash, State: sheet.Measured, Marks: marks,
		Plane: &sheet.Plane{Homography: [9]sheet.Number{2, 0, 500, 0, -2, 400, 0, 0, 1}, PxPerMM: 2, SigmaCentreMM: 0.3, SigmaOuterRingMM: 0.5},
		Rings: []sheet.Ring{{DiameterMM: 400}},
	}
}

// found is a blue mark found at x, y mm on that photo.
func found(id string, x, y float64) sheet.Impact {
	return sheet.Impact{
		ID: id, Photo: "one.jpg", Colour: "blue", Kind: "sticker", Source: sheet.Found, Confidence: 0.4, Flags: []string{"doubtful"},
		XMM: sheet.Number(x), YMM: sheet.Number(y), XPx: sheet.Number(500 + 2*x), YPx: sheet.Number(400 - 2*y), DiameterMM: 19, SigmaMM: 0.1,
	}
}

func at(x, y float64) Mark {
	return Mark{XMM: x, YMM: y, XPx: 500 + 2*x, YPx: 400 - 2*y, DiameterMM: 19, SigmaPx: 0.2, Colour: "blue"}
}

func (m Mark) with(change func(*Mark)) Mark { change(&m); return m }

// on is a decision about a mark of that photo.
func on(id int, k Kind, mark string, before *Mark, after ...Mark) Decision {
	d := Decision{ID: id, Time: noon, Kind: k, Photo: "one.jpg", SHA256: hash, Mark: mark, After: &Side{Marks: after}}
	if before != nil {
		d.Before = &Side{Marks: []Mark{*before}}
	}
	return d
}

func undo(id, of int) Decision { return Decision{ID: id, Time: noon, Kind: Undo, Of: of} }
func redo(id, of int) Decision { return Decision{ID: id, Time: noon, Kind: Redo, Of: of} }

func TestReplay(t *testing.T) {
	a, b, c := on(1, Add, "", nil, at(1, 1)), on(2, Add, "", nil, at(2, 2)), on(5, Add, "", nil, at(3, 3))
	for _, test := range []struct {
		name       string
		log        []Decision
		inForce    []int
		undo, redo int
	}{
		{"nothing", nil, nil, 0, 0},
		{"two", []Decision{a, b}, []int{1, 2}, 2, 0},
		{"one taken back", []Decision{a, b, undo(3, 2)}, []int{1}, 1, 2},
		{"both taken back", []Decision{a, b, undo(3, 2), undo(4, 1)}, nil, 0, 1},
		{"and one made again", []Decision{a, b, undo(3, 2), undo(4, 1), redo(5, 1)}, []int{1}, 1, 2},
		{"a new one ends redo", []Decision{a, b, undo(3, 2), undo(4, 1), c}, []int{5}, 5, 0},
		{"undo of what is not the newest", []Decision{a, b, undo(3, 1)}, []int{1, 2}, 2, 0},
		{"redo of nothing", []Decision{a, redo(3, 1)}, []int{1}, 1, 0},
	} {
		s := Replay(test.log)
		var ids []int
		for _, d := range s.InForce {
			ids = append(ids, d.ID)
		}
		if !cmp.Equal(ids, test.inForce) || s.Undo != test.undo || s.Redo != test.redo {
			t.Errorf("%s: in force %v, undo %d, redo %d, want %v, %d, %d", test.name, ids, s.Undo, s.Redo, test.inForce, test.undo, test.redo)
		}
	}
}

// Undo without end: take back a hundred decisions and make them again.
func TestUndoWithoutEnd(t *testing.T) {
	var log []Decision
	for i := range 100 {
		log = append(log, on(i+1, Add, "", nil, at(float64(i), 0)))
	}
	all := Replay(log)
	for range 100 {
		log = append(log, undo(len(log)+1, Replay(log).Undo))
	}
	if s := Replay(log); len(s.InForce) != 0 || s.Undo != 0 {
		t.Fatalf("after 100 undos %d are in force", len(s.InForce))
	}
	for range 100 {
		log = append(log, redo(len(log)+1, Replay(log).Redo))
	}
	if s := Replay(log); !cmp.Equal(s.InForce, all.InForce) {
		t.Errorf("after 100 redos %d are in force, not the same 100", len(s.InForce))
	}
}

// Each kind changes what it says, and nothing else.
func TestApply(t *testing.T) {
	was := at(10, 20)
	type mark struct {
		ID, Colour, Source, SetAside, Cause, String string
		X, Y                                        float64
		Counts                                      bool
	}
	plain := mark{"one.jpg#1", "blue", sheet.Found, "", "", "", 10, 20, true}
	with := func(change func(*mark)) mark { m := plain; change(&m); return m }
	for _, test := range []struct {
		name string
		log  []Decision
		want []mark
	}{
		{"add", []Decision{on(1, Add, "", nil, at(-50, 5))}, []mark{plain, {"one.jpg+1", "blue", sheet.Added, "", "", "", -50, 5, true}}},
		{"move", []Decision{on(1, Move, "one.jpg#1", &was, at(13, 16))}, []mark{with(func(m *mark) { m.Source, m.X, m.Y = sheet.Moved, 13, 16 })}},
		{"remove", []Decision{on(1, Remove, "one.jpg#1", &was, was.with(func(m *Mark) { m.Role = IsRemoved }))}, []mark{with(func(m *mark) { m.Source, m.Counts = sheet.Removed, false })}},
		{"recolour", []Decision{on(1, Recolour, "one.jpg#1", &was, was.with(func(m *Mark) { m.Colour = "red" }))}, []mark{with(func(m *mark) { m.Colour = "red" })}},
		{"assign", []Decision{on(1, Assign, "one.jpg#1", &was, was.with(func(m *Mark) { m.String = "2 Reed" }))}, []mark{with(func(m *mark) { m.String = "2 Reed" })}},
		{"flyer", []Decision{on(1, Flag, "one.jpg#1", &was, was.with(func(m *Mark) { m.Role, m.Cause = IsFlyer, "jam" }))}, []mark{with(func(m *mark) { m.SetAside, m.Cause = sheet.Flyer, "jam" })}},
		{"sighter", []Decision{on(1, Sight, "one.jpg#1", &was, was.with(func(m *Mark) { m.Role = IsSighter }))}, []mark{with(func(m *mark) { m.SetAside, m.Counts = sheet.Sighter, false })}},
		{"split", []Decision{on(1, Split, "one.jpg#1", &was, at(8, 20), at(12, 20))},
			[]mark{with(func(m *mark) { m.Source, m.X = sheet.Moved, 8 }), {"one.jpg+1", "blue", sheet.Added, "", "", "", 12, 20, true}}},
		{"moved, removed and counted again", func() []Decision {
			there := at(13, 16)
			gone := there.with(func(m *Mark) { m.Role = IsRemoved })
			return []Decision{on(1, Move, "one.jpg#1", &was, there), on(2, Remove, "one.jpg#1", &there, gone), on(3, Count, "one.jpg#1", &gone, there)}
		}(), []mark{with(func(m *mark) { m.Source, m.X, m.Y = sheet.Moved, 13, 16 })}},
		{"added and moved", func() []Decision {
			first := at(-50, 5)
			return []Decision{on(1, Add, "", nil, first), on(2, Move, "one.jpg+1", &first, at(-52, 6))}
		}(), []mark{plain, {"one.jpg+1", "blue", sheet.Added, "", "", "", -52, 6, true}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			for _, d := range test.log {
				if err := d.check(); err != nil {
					t.Fatalf("%s: %v", d.Kind, err)
				}
			}
			photos := []sheet.Photo{board(found("one.jpg#1", 10, 20))}
			out := Apply(Replay(test.log), photos, map[string]int{"1 North": 0, "2 Reed": 0})
			var got []mark
			for _, m := range out.Photos[0].Marks {
				got = append(got, mark{m.ID, m.Colour, m.Source, m.SetAside, m.Cause, m.String, round(m.XMM), round(m.YMM), m.Counts()})
				if m.Confidence != 1 || len(m.Flags) > 0 {
					if m.ID != "one.jpg#1" || test.log[0].Kind != Add {
						t.Errorf("%s was looked at and is still doubtful: %v %v", m.ID, m.Confidence, m.Flags)
					}
				}
			}
			if d := cmp.Diff(test.want, got); d != "" {
				t.Errorf("marks (want -, got +):\n%s", d)
			}
			for _, d := range out.Made {
				if !d.Fits || d.Words == "" || d.Time != "2026-05-16T12:00:00Z" {
					t.Errorf("decision %+v, want one that fits", d)
				}
			}
			if m := photos[0].Marks[0]; m.Colour != "blue" || m.Source != sheet.Found || float64(m.XMM) != 10 {
				t.Errorf("the measured photo was changed: %+v", m)
			}
		})
	}
}

func round(n sheet.Number) float64 { return math.Round(1e6*float64(n)) / 1e6 }

// A hand-placed mark carries the uncertainty of its pixel, 0.2 px at 2 px per mm, and
// that of the plane. Where only P, the pixels per mm to the right, is unsure, to 0.01 of
// 2, a place 100 mm to the right is to 0.5 mm, and 0.1 mm comes on top in either direction.
func TestUncertaintyOfAddedMark(t *testing.T) {
	photo := board()
	photo.Plane.Covariance[0] = 0.01 * 0.01
	out := Apply(Replay([]Decision{on(1, Add, "", nil, at(100, 0))}), []sheet.Photo{photo}, nil)
	m := out.Photos[0].Marks[0]
	want := [3]float64{0.25 + 0.01, 0, 0.01}
	for i, w := range want {
		if got := float64(m.CovMM2[i]); !(math.Abs(got-w) <= 1e-9) {
			t.Errorf("CovMM2 = %v, want %v", m.CovMM2, want)
		}
	}
	if got, w := float64(m.SigmaMM), math.Sqrt((want[0]+want[2])/2); !(math.Abs(got-w) <= 1e-9) {
		t.Errorf("SigmaMM = %v, want %v", got, w)
	}
}

// A corrected ring diameter changes the plane; what was placed by hand moves along.
func TestPlaceFollowsThePlane(t *testing.T) {
	p := board()
	p.Plane.Homography[0], p.Plane.Homography[4] = 1.9, -1.9
	out := Apply(Replay([]Decision{on(1, Add, "", nil, at(-50, 20))}), []sheet.Photo{p}, nil)
	if m := out.Photos[0].Marks[0]; !(math.Abs(float64(m.XMM)+50*2/1.9) <= 1e-9) || float64(m.XPx) != 400 {
		t.Errorf("x = %v mm at %v px, want %v at 400", m.XMM, m.XPx, -50*2/1.9)
	}
}

func TestWhatNoLongerFits(t *testing.T) {
	was := at(10, 20)
	one, two := 1, 2
	other := board(found("one.jpg#1", 10, 20))
	other.SHA256 = "bb22"
	unseen := board()
	unseen.Plane = nil
	moved := board(found("one.jpg#1", 80, 20))
	renamed := board(found("new.jpg#4", 10, 20))
	renamed.Name = "new.jpg"
	recolour := on(1, Recolour, "one.jpg#1", &was, was.with(func(m *Mark) { m.Colour = "red" }))
	miss := Decision{ID: 1, Time: noon, Kind: Miss, String: "1 North", Before: &Side{Misses: &one}, After: &Side{Misses: &two}}
	for _, test := range []struct {
		name   string
		d      Decision
		photo  sheet.Photo
		misses map[string]int
		why    string // "" when it fits
	}{
		{"photo replaced", recolour, other, nil, "one.jpg is another photo than it was"},
		{"photo gone", recolour, sheet.Photo{Name: "two.jpg"}, nil, "one.jpg is gone"},
		{"board not found any more", recolour, unseen, nil, "the board was not found"},
		{"no mark there", recolour, moved, nil, "no such mark"},
		{"photo renamed, marks numbered in another way", recolour, renamed, nil, ""},
		{"string gone", on(1, Assign, "one.jpg#1", &was, was.with(func(m *Mark) { m.String = "9 Slate" })), board(found("one.jpg#1", 10, 20)), nil, "no string 9 Slate"},
		{"misses", miss, board(), map[string]int{"1 North": 1}, ""},
		{"misses corrected in the session file", miss, board(), map[string]int{"1 North": 2}, "states 2 misses"},
		{"string of the misses gone", miss, board(), nil, "no string 1 North"},
	} {
		t.Run(test.name, func(t *testing.T) {
			out := Apply(Replay([]Decision{test.d}), []sheet.Photo{test.photo}, test.misses)
			got := out.Made[0]
			if got.Fits != (test.why == "") || !strings.Contains(got.Words, test.why) {
				t.Errorf("fits %v: %q, want %q", got.Fits, got.Words, test.why)
			}
			if test.d.Kind == Recolour && got.Fits && out.Photos[0].Marks[0].Colour != "red" {
				t.Error("it fits and changed nothing")
			}
		})
	}
}

func TestRecord(t *testing.T) {
	dir := t.TempDir()
	f, err := OpenFile(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, FileName)); err == nil {
		t.Error("opening made a file")
	}
	first, err := f.Append(on(0, Add, "", nil, at(1, 1)), 0)
	if err != nil || first.ID != 1 {
		t.Fatalf("Append = %d, %v", first.ID, err)
	}
	if _, err := f.Append(on(0, Add, "", nil, at(2, 2)), 0); !errors.Is(err, ErrStale) {
		t.Errorf("a tab that saw nothing yet: %v, want ErrStale", err)
	}
	other, err := OpenFile(dir) // another program
	if err != nil {
		t.Fatal(err)
	}
	if _, err := other.Append(on(0, Add, "", nil, at(3, 3)), 1); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Append(on(0, Add, "", nil, at(4, 4)), 1); !errors.Is(err, ErrStale) {
		t.Errorf("after another program's decision: %v, want ErrStale", err)
	}
	if n := len(f.Log().Decisions); n != 2 {
		t.Errorf("%d decisions are known after that, want 2", n)
	}
	if _, err := f.Append(Decision{Kind: "paint", Time: noon}, 2); err == nil {
		t.Error("a decision of no kind was written")
	}
	if _, err := f.Append(on(0, Flag, "one.jpg#1", &first.After.Marks[0], at(1, 1)), 2); err == nil {
		t.Error("a flyer without a cause was written")
	}
	if log, _, _ := Read(dir); len(log.Decisions) != 2 || len(log.Problems) != 0 {
		t.Errorf("the record holds %d decisions, problems %q", len(log.Decisions), log.Problems)
	}
}

// Cut the record at every byte, as a power cut could: all whole lines count, the
// torn one is told, and the next decision starts on a line of its own.
func TestTornRecord(t *testing.T) {
	dir := t.TempDir()
	f, _ := OpenFile(dir)
	for i := range 2 {
		if _, err := f.Append(on(0, Add, "", nil, at(float64(i), 1)), i); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(dir, FileName)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	firstEnd := bytes.IndexByte(whole, '\n') + 1
	for cut := firstEnd + 1; cut < len(whole)-1; cut++ {
		if err := os.WriteFile(path, whole[:cut], 0o644); err != nil {
			t.Fatal(err)
		}
		g, err := OpenFile(dir)
		if err != nil {
			t.Fatal(err)
		}
		if log := g.Log(); len(log.Decisions) != 1 || len(log.Problems) != 1 || !strings.Contains(log.Problems[0], "line 2 was cut short") {
			t.Fatalf("cut at %d: %d decisions, problems %q", cut, len(log.Decisions), log.Problems)
		}
		if d, err := g.Append(on(0, Add, "", nil, at(9, 9)), 1); err != nil || d.ID != 2 {
			t.Fatalf("cut at %d: Append = %d, %v", cut, d.ID, err)
		}
		if log, _, _ := Read(dir); len(log.Decisions) != 2 || log.Decisions[1].After.Marks[0].XMM != 9 {
			t.Fatalf("cut at %d: %d decisions after the next", cut, len(log.Decisions))
		}
		if b, _ := os.ReadFile(path); !bytes.HasPrefix(b, whole[:cut]) {
			t.Fatalf("cut at %d: the record was rewritten", cut)
		}
	}
	if err := os.WriteFile(path, whole[:len(whole)-1], 0o644); err != nil { // only the newline is lost
		t.Fatal(err)
	}
	if log, _, _ := Read(dir); len(log.Decisions) != 2 || len(log.Problems) != 0 {
		t.Errorf("without its last newline: %d decisions, problems %q", len(log.Decisions), log.Problems)
	}
}

// Ten writers at once: none is lost, none is numbered twice.
func TestManyWriters(t *testing.T) {
	dir := t.TempDir()
	var wg sync.WaitGroup
	for range 10 {
		wg.Go(func() {
			f, err := OpenFile(dir)
			if err != nil {
				t.Error(err)
				return
			}
			for done := 0; done < 5; {
				_, err := f.Append(on(0, Add, "", nil, at(1, 1)), Replay(f.Log().Decisions).Last)
				if err == nil {
					done++
				} else if !errors.Is(err, ErrStale) {
					t.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	log, _, err := Read(dir)
	if err != nil || len(log.Decisions) != 50 || len(log.Problems) != 0 {
		t.Fatalf("%d decisions, problems %q, %v, want 50 and none", len(log.Decisions), log.Problems, err)
	}
	for i, d := range log.Decisions {
		if d.ID != i+1 {
			t.Errorf("decision %d is numbered %d", i+1, d.ID)
		}
	}
}

// What is read can be written and read again, and never ends the program.
func FuzzParse(f *testing.F) {
	was := at(1, 2)
	for _, d := range []Decision{on(1, Add, "", nil, was), on(2, Move, "one.jpg#1", &was, at(3, 4)), undo(3, 2)} {
		line, err := json.Marshal(d)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(line)
	}
	f.Add([]byte("{\"id\":1,\"kind\":\"ring\",\"sha256\":\"a\",\"after\":{\"board\":{\"ring_mm\":800}}}\n{\"id\":2"))
	f.Fuzz(func(t *testing.T, data []byte) {
		log := Parse(data)
		var again bytes.Buffer
		for _, d := range log.Decisions {
			line, err := json.Marshal(d)
			if err != nil {
				t.Fatal(err)
			}
			again.Write(append(line, '\n'))
		}
		if back := Parse(again.Bytes()); len(back.Problems) > 0 || !cmp.Equal(back.Decisions, log.Decisions) {
			t.Errorf("written and read again: %q", back.Problems)
		}
		Apply(Replay(log.Decisions), []sheet.Photo{board(found("one.jpg#1", 10, 20))}, map[string]int{"1 North": 1})
		for _, d := range log.Decisions {
			if d.Words() == "" {
				t.Errorf("no words for %+v", d)
			}
		}
	})
}
