package review

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dartfall/calib"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/sheet"
)

// onePhoto is a board seen square-on from 2 px per mm, with a sure blue mark and a
// doubtful red one.
func onePhoto() sheet.Photo {
	mark := func(id, colour string, x, y, confidence float64, flags ...string) sheet.Impact {
		return sheet.Impact{
			ID: id, Photo: "one.jpg", Colour: colour, Kind: "sticker", Source: sheet.Found, Confidence: sheet.Number(confidence), Flags: flags,
			XMM: sheet.Number(x), YMM: sheet.Number(y), XPx: sheet.Number(500 + 2*x), YPx: sheet.Number(400 - 2*y), DiameterMM: 19, SigmaMM: 0.1,
		}
	}
	return sheet.Photo{
		Name: "one.jpg", SHA256: "aa11", WidthPx: 1000, HeightPx: 800, State: sheet.Measured,
		Plane: &sheet.Plane{Method: "two or more rings", Homography: [9]sheet.Number{2, 0, 500, 0, -2, 400, 0, 0, 1}, PxPerMM: 2, SigmaCentreMM: 0.1, SigmaOuterRingMM: 0.1, ResidualPx: 0.2, ResidualMM: 0.1},
		Rings: []sheet.Ring{{DiameterMM: 300, Given: true}},
		Marks: []sheet.Impact{mark("one.jpg#1", "blue", 10, 20, 1), mark("one.jpg#2", "red", -60, 0, 0.3, "doubtful")},
	}
}

// testTools stand in for measuring and figures: one group for each colour, with its
// count alone; one disc, at 700, 300 px, that a place within 20 px of it snaps to.
func testTools(dir string) Tools {
	return Tools{
		Dir: dir,
		Assemble: func(s decisions.State, photos []sheet.Photo) (sheet.Summary, error) {
			stated := map[string]int{"1 North": 0, "2 Reed": 1}
			out := decisions.Apply(s, photos, stated)
			sum := sheet.Summary{Answer: "Two groups.", Photos: out.Photos, Decisions: out.Made}
			for _, name := range []string{"1 North", "2 Reed"} {
				misses, ok := out.Misses[name]
				if !ok {
					misses = stated[name]
				}
				sum.Strings = append(sum.Strings, sheet.String{Name: name, Photo: "one.jpg", Misses: misses, Shots: 15})
			}
			for _, colour := range []string{"blue", "red", "green"} {
				g := sheet.Group{Accessory: colour}
				for _, p := range out.Photos {
					for _, m := range p.Marks {
						if m.Colour == colour && m.Counts() {
							m.Accessory = colour
							sum.Impacts = append(sum.Impacts, m)
							g.All.N++
						}
					}
				}
				sum.Groups = append(sum.Groups, g)
			}
			return sum, nil
		},
		Measure: func(_ context.Context, s decisions.State, name string) (sheet.Photo, error) {
			p := onePhoto()
			if b := s.BoardOf(p.SHA256, func(mm float64) bool { return mm != 400 }); b != nil && b.RingMM > 0 {
				p.Rings[0].DiameterMM = sheet.Number(b.RingMM)
			}
			return p, nil
		},
		CheckRing: func(mm float64) error {
			if mm == 400 {
				return errors.New("400 mm contradicts the rings given")
			}
			return nil
		},
		Snap: func(_ sheet.Photo, at calib.Px, diameterMM float64) (Snapped, bool, error) {
			disc := calib.Px{X: 700, Y: 300}
			return Snapped{disc, 0.05, diameterMM}, at.Sub(disc).Norm() < 20, nil
		},
		Taken: func(sheet.Photo) ([]byte, error) { return []byte("taken picture"), nil },
		Flat: func(sheet.Photo) (Flat, error) {
			return Flat{JPEG: []byte("flat picture"), Width: 600, Height: 600, PxPerMM: 1, Centre: calib.Px{X: 300, Y: 300}}, nil
		},
		Row: func(f sheet.Figures) Row { return Row{N: f.N, Spread: "298 (251–367)"} },
		Identities: func(s sheet.Summary) []picture.Identity {
			names := make([]string, len(s.Groups))
			for i, g := range s.Groups {
				names[i] = g.Accessory
			}
			return picture.Identities(names, names)
		},
		Pictures: []Choice{{"still-as-shot", "still"}},
		Picture:  func(_ sheet.Summary, key string) ([]byte, error) { return []byte("picture " + key), nil },
		Save:     func(_ sheet.Summary, key string) (string, error) { return "results/" + key + ".png", nil },
		Colours:  []string{"red", "blue", "green"},
	}
}

func testDesk(t *testing.T) *Desk {
	t.Helper()
	d, err := NewDesk(testTools(t.TempDir()), []sheet.Photo{onePhoto()})
	if err != nil {
		t.Fatal(err)
	}
	d.now = func() time.Time { return time.Date(2026, 5, 16, 12, 0, 0, 0, time.UTC) }
	return d
}

func px(v float64) *float64 { return &v }

// Each kind of decision as the page asks for it, and what the session then counts.
func TestDecide(t *testing.T) {
	for _, test := range []struct {
		name   string
		wish   Wish
		counts [3]int // blue, red, green
		words  string // of the decision
		record string // part of the line
	}{
		{"add, snapped", Wish{Kind: "add", View: "taken", X: px(710), Y: px(305), Colour: "green"}, [3]int{1, 1, 1}, "Added the green mark at 100, 50 mm", `"x_px":700`},
		{"add, exactly", Wish{Kind: "add", View: "taken", X: px(710), Y: px(305), Colour: "green", Exact: true}, [3]int{1, 1, 1}, "Added the green mark at 105, 48 mm", `"x_px":710`},
		{"add on the squared-up board", Wish{Kind: "add", View: "flat", X: px(400), Y: px(250), Colour: "blue"}, [3]int{2, 1, 0}, "Added the blue mark at 100, 50 mm", `"y_px":300`},
		{"move", Wish{Kind: "move", Mark: "one.jpg#1", View: "taken", X: px(530), Y: px(360), Reason: "sticker slipped"}, [3]int{1, 1, 0}, "Moved the blue mark at 10, 20 mm on one.jpg by 5.0 mm.", `"reason":"sticker slipped"`},
		{"remove", Wish{Kind: "remove", Mark: "one.jpg#2"}, [3]int{1, 0, 0}, "Removed the red mark", `"role":"removed"`},
		{"recolour", Wish{Kind: "recolour", Mark: "one.jpg#2", Colour: "blue"}, [3]int{2, 0, 0}, "Called the red mark at -60, 0 mm on one.jpg blue.", `"colour":"blue"`},
		{"assign", Wish{Kind: "assign", Mark: "one.jpg#2", String: "2 Reed"}, [3]int{1, 1, 0}, "to string 2 Reed.", `"string":"2 Reed"`},
		{"split in one place", Wish{Kind: "split", Mark: "one.jpg#1"}, [3]int{2, 1, 0}, "into two", `"kind":"split"`},
		{"split in two places", Wish{Kind: "split", Mark: "one.jpg#1", View: "taken", X: px(690), Y: px(300)}, [3]int{2, 1, 0}, "into two", `"x_px":700`},
		{"flyer", Wish{Kind: "flyer", Mark: "one.jpg#1", Cause: "dart jammed"}, [3]int{1, 1, 0}, "a flyer: dart jammed.", `"cause":"dart jammed"`},
		{"sighter", Wish{Kind: "sighter", Mark: "one.jpg#1"}, [3]int{0, 1, 0}, "a sighter.", `"role":"sighter"`},
		{"it counts", Wish{Kind: "count", Mark: "one.jpg#2"}, [3]int{1, 1, 0}, "it counts.", `"kind":"count"`},
		{"miss", Wish{Kind: "miss", String: "2 Reed", Misses: 2}, [3]int{1, 1, 0}, "from 1 to 2", `"misses":2`},
		{"ring", Wish{Kind: "ring", Ring: "80cm"}, [3]int{1, 1, 0}, "a diameter of 800 mm", `"ring_mm":800`},
		{"points", Wish{Kind: "points", Points: make([]PointWish, 4)}, [3]int{1, 1, 0}, "from 4 points", `"points":[`},
	} {
		t.Run(test.name, func(t *testing.T) {
			d := testDesk(t)
			test.wish.Photo = "one.jpg"
			if err := d.Decide(context.Background(), test.wish); err != nil {
				t.Fatal(err)
			}
			counts := func() (n [3]int) {
				for i, g := range d.Summary().Groups {
					n[i] = g.All.N
				}
				return n
			}
			if got := counts(); got != test.counts {
				t.Errorf("counts %v, want %v", got, test.counts)
			}
			v := d.Session()
			if len(v.Decisions) != 1 || !strings.Contains(v.Decisions[0].Words, test.words) || v.Undo == "" || v.Seen != 1 {
				t.Errorf("session: seen %d, undo %q, decisions %+v, want %q", v.Seen, v.Undo, v.Decisions, test.words)
			}
			line, err := os.ReadFile(filepath.Join(d.tools.Dir, decisions.FileName))
			if err != nil || !strings.Contains(string(line), test.record) || !strings.Contains(string(line), `"time":"2026-05-16T12:00:00Z"`) || !strings.Contains(string(line), `"before"`) != (test.wish.Kind == "add") {
				t.Errorf("record %s (%v), want %s", line, err, test.record)
			}
			again, err := NewDesk(d.tools, []sheet.Photo{onePhoto()})
			if err != nil {
				t.Fatal(err)
			}
			for i, g := range again.Summary().Groups {
				if g.All.N != test.counts[i] {
					t.Errorf("a later run counts %d %s, want %d", g.All.N, g.Accessory, test.counts[i])
				}
			}
			if err := d.Decide(context.Background(), Wish{Kind: "undo", Seen: 1}); err != nil {
				t.Fatal(err)
			}
			if got := counts(); got != [3]int{1, 1, 0} {
				t.Errorf("after undo: counts %v", got)
			}
			if v := d.Session(); v.Redo == "" || v.Undo != "" {
				t.Errorf("after undo: undo %q, redo %q", v.Undo, v.Redo)
			}
			if err := d.Decide(context.Background(), Wish{Kind: "redo", Seen: 2}); err != nil || counts() != test.counts {
				t.Errorf("after redo: counts %v, %v, want %v", counts(), err, test.counts)
			}
		})
	}
}

func TestDecideRefuses(t *testing.T) {
	d := testDesk(t)
	for _, test := range []struct {
		name string
		wish Wish
		text string
	}{
		{"unknown kind", Wish{Kind: "paint", Mark: "one.jpg#1"}, "no decision"},
		{"unknown photo", Wish{Kind: "remove", Photo: "../../etc/passwd", Mark: "x"}, "no photo"},
		{"unknown mark", Wish{Kind: "remove", Mark: "one.jpg#9"}, "no such mark"},
		{"unknown colour", Wish{Kind: "recolour", Mark: "one.jpg#1", Colour: "mauve"}, "no sticker colour"},
		{"unknown string", Wish{Kind: "assign", Mark: "one.jpg#1", String: "9 Slate"}, "no string"},
		{"no place", Wish{Kind: "add", Colour: "red"}, "point at a place"},
		{"outside the photo", Wish{Kind: "add", Colour: "red", View: "taken", X: px(1e9), Y: px(0)}, "outside the photo"},
		{"nowhere", Wish{Kind: "move", Mark: "one.jpg#1", View: "flat", X: px(math.Inf(1)), Y: px(0)}, "outside the photo"},
		{"flyer without a cause", Wish{Kind: "flyer", Mark: "one.jpg#1"}, "needs a cause"},
		{"misses below zero", Wish{Kind: "miss", String: "1 North", Misses: -1}, "from 0"},
		{"more misses than shots", Wish{Kind: "miss", String: "1 North", Misses: 16}, "16 misses are more than the 15 shots"},
		{"a mark where one is", Wish{Kind: "add", Colour: "green", View: "taken", X: px(524), Y: px(362)}, "a mark here already"},
		{"moved onto another", Wish{Kind: "move", Mark: "one.jpg#2", View: "taken", X: px(524), Y: px(362)}, "a mark here already"},
		{"a ring that contradicts the others", Wish{Kind: "ring", Ring: "40cm"}, "contradicts the rings"},
		{"ring without a unit", Wish{Kind: "ring", Ring: "800"}, "unit"},
		{"ring too large", Wish{Kind: "ring", Ring: "80m"}, "from 20 mm to 5 m"},
		{"three points", Wish{Kind: "points", Points: make([]PointWish, 3)}, "four points"},
		{"nothing to undo", Wish{Kind: "undo"}, "nothing to take back"},
		{"nothing to redo", Wish{Kind: "redo"}, "nothing to make again"},
		{"a story", Wish{Kind: "remove", Mark: "one.jpg#1", Reason: strings.Repeat("x", 501)}, "a sentence"},
	} {
		if test.wish.Photo == "" {
			test.wish.Photo = "one.jpg"
		}
		err := d.Decide(context.Background(), test.wish)
		if !errors.As(err, new(refusal)) || !strings.Contains(err.Error(), test.text) {
			t.Errorf("%s: %v, want a refusal with %q", test.name, err, test.text)
		}
	}
	if _, err := os.Stat(filepath.Join(d.tools.Dir, decisions.FileName)); err == nil {
		t.Error("a refused wish was written down")
	}
}

// Two tabs: the one that did not see the other's decision is told, and then sees it.
func TestTwoTabs(t *testing.T) {
	d := testDesk(t)
	if err := d.Decide(context.Background(), Wish{Kind: "remove", Photo: "one.jpg", Mark: "one.jpg#1"}); err != nil {
		t.Fatal(err)
	}
	stale := Wish{Kind: "recolour", Photo: "one.jpg", Mark: "one.jpg#2", Colour: "blue"}
	if err := d.Decide(context.Background(), stale); !errors.Is(err, decisions.ErrStale) {
		t.Fatalf("the second tab: %v, want ErrStale", err)
	}
	other, err := NewDesk(d.tools, []sheet.Photo{onePhoto()}) // and another program on the same folder
	if err != nil {
		t.Fatal(err)
	}
	stale.Seen = other.Session().Seen
	if err := other.Decide(context.Background(), stale); err != nil {
		t.Fatal(err)
	}
	stale.Seen = 1
	if err := d.Decide(context.Background(), stale); !errors.Is(err, decisions.ErrStale) || d.Session().Seen != 2 {
		t.Errorf("after another program's decision: %v, seen %d, want ErrStale and 2", err, d.Session().Seen)
	}
}

// The doubtful come first, and every mark says in words where it is and why.
func TestViews(t *testing.T) {
	d := testDesk(t)
	v, ok, err := d.Photo(0)
	if err != nil || !ok || len(v.Marks) != 2 || len(v.Pictures) != 2 {
		t.Fatalf("Photo(0) = %+v, %v, %v", v, ok, err)
	}
	first := v.Marks[0]
	if first.ID != "one.jpg#2" || !first.Doubtful || !strings.Contains(first.Words, "perhaps no mark") || first.Label != "B1" {
		t.Errorf("first mark = %+v, want the doubtful one", first)
	}
	if first.Taken.X != 380 || first.Flat.X != 240 || first.Flat.Y != 300 || len(first.Taken.Edge) != 56 {
		t.Errorf("it is drawn at %+v and %+v", first.Taken, first.Flat)
	}
	if got := v.Pictures[1].Rings[0][:2]; got[0] != 450 || got[1] != 300 {
		t.Errorf("the ring of 300 mm starts at %v, want 450, 300", got)
	}
	if !strings.HasPrefix(v.Words, "Good. The ring edges lie 0.20 px (0.10 mm)") {
		t.Errorf("words = %q", v.Words)
	}
	s := d.Session()
	if s.Photos[0].Doubtful != 1 || !strings.Contains(s.Photos[0].Words, "1 doubtful") {
		t.Errorf("photo line = %+v", s.Photos[0])
	}
	for _, i := range []int{-1, 1, 1 << 40} {
		if _, ok, err := d.Photo(i); ok || err != nil {
			t.Errorf("Photo(%d) = %v, %v", i, ok, err)
		}
	}
}

// A mark is added where another was removed, and beside another.
func TestAddNearAnother(t *testing.T) {
	d := testDesk(t)
	for i, w := range []Wish{
		{Kind: "remove", Mark: "one.jpg#1"},
		{Kind: "add", Colour: "blue", View: "taken", X: px(520), Y: px(360)},
		{Kind: "add", Colour: "blue", View: "taken", X: px(540), Y: px(360)},
	} {
		w.Photo, w.Seen = "one.jpg", i
		if err := d.Decide(context.Background(), w); err != nil {
			t.Errorf("%s: %v", w.Kind, err)
		}
	}
}

// Of two marks that a split left in one place either may be moved by any distance, but not
// onto a third.
func TestNudgeAfterSplit(t *testing.T) {
	for twin := range 2 {
		d := testDesk(t)
		decide := func(w Wish) error {
			w.Photo, w.Seen = "one.jpg", d.state.Last
			return d.Decide(context.Background(), w)
		}
		if err := decide(Wish{Kind: "split", Mark: "one.jpg#1"}); err != nil {
			t.Fatal(err)
		}
		marks := d.sum.Photos[0].Marks
		id := []string{marks[0].ID, marks[len(marks)-1].ID}[twin]
		if err := decide(Wish{Kind: "move", Mark: id, View: "taken", X: px(524), Y: px(360), Exact: true}); err != nil {
			t.Errorf("%s moved by 4 px: %v", id, err)
		}
		if err := decide(Wish{Kind: "move", Mark: id, View: "taken", X: px(382), Y: px(400), Exact: true}); err == nil || !strings.Contains(err.Error(), "“place exactly where I point”") {
			t.Errorf("%s moved onto a third: %v", id, err)
		}
	}
}

// The page offers a new mark the colour of the photo's string, tells why a mark of
// another counts for none, and what luck does to a group that loses its widest.
func TestWordsOfColourAndLuck(t *testing.T) {
	tools := testTools(t.TempDir())
	assemble := tools.Assemble
	tools.Assemble = func(s decisions.State, photos []sheet.Photo) (sheet.Summary, error) {
		sum, err := assemble(s, photos)
		sum.Impacts = sum.Impacts[1:] // the red one
		sum.Accessories = []sheet.Accessory{{Name: "North", StickerColour: "blue"}, {Name: "Reed", StickerColour: "red"}}
		sum.Strings = []sheet.String{{Name: "1 North", Accessory: "North", Photo: "other.jpg"}, {Name: "2 Reed", Accessory: "Reed", Photo: "one.jpg"}}
		for i := range sum.Groups {
			sum.Groups[i].ShrinkageByLuck, sum.Groups[i].Without = sheet.Unknown(), &sheet.Figures{}
		}
		sum.Groups[1].ShrinkageByLuck = 0.24
		return sum, err
	}
	d, err := NewDesk(tools, []sheet.Photo{onePhoto()})
	if err != nil {
		t.Fatal(err)
	}
	v, _, err := d.Photo(0)
	if err != nil || v.Colour != "red" || !strings.Contains(v.Marks[1].Words, "counts for no string of this photo, whose stickers are red") {
		t.Errorf("%v: colour %q, mark %q", err, v.Colour, v.Marks[1].Words)
	}
	for i, want := range []bool{false, true, false} {
		if of := d.Session().Groups[i].Figures[1].Of; strings.Contains(of, "luck alone shrinks a clean group's spread by 24%") != want {
			t.Errorf("group %d: %q", i, of)
		}
	}
}

// A mark that no string of its photo takes is shown as its accessory's, set apart.
func TestEarlierMarks(t *testing.T) {
	tools := testTools(t.TempDir())
	assemble := tools.Assemble
	tools.Assemble = func(s decisions.State, photos []sheet.Photo) (sheet.Summary, error) {
		sum, err := assemble(s, photos)
		sum.Impacts = sum.Impacts[:1] // the blue one
		sum.Accessories = []sheet.Accessory{{Name: "red", StickerColour: "red"}}
		return sum, err
	}
	d, err := NewDesk(tools, []sheet.Photo{onePhoto()})
	if err != nil {
		t.Fatal(err)
	}
	v, _, err := d.Photo(0)
	if err != nil {
		t.Fatal(err)
	}
	if last := v.Marks[1]; last.ID != "one.jpg#2" || last.Role != "earlier" || last.Label != "B" || last.Group != 1 || last.Doubtful {
		t.Errorf("the earlier mark = %+v", last)
	}
	if words := d.Session().Photos[0].Words; words != "2 marks, 1 of them new" {
		t.Errorf("the photo's line = %q", words)
	}
}

// A board that was not found is shown, with what to do, and takes points.
func TestUnmeasuredPhoto(t *testing.T) {
	p := onePhoto()
	p.Plane, p.Marks, p.Rings, p.State, p.Reason = nil, nil, nil, sheet.Refused, "no ringed board was found"
	d, err := NewDesk(testTools(t.TempDir()), []sheet.Photo{p})
	if err != nil {
		t.Fatal(err)
	}
	v, ok, err := d.Photo(0)
	if err != nil || !ok || len(v.Pictures) != 1 || !strings.Contains(v.Words, "no ringed board") {
		t.Fatalf("Photo(0) = %+v, %v, %v", v, ok, err)
	}
	if err := d.Decide(context.Background(), Wish{Kind: "add", Photo: "one.jpg", Colour: "red", X: px(1), Y: px(1)}); !errors.As(err, new(refusal)) {
		t.Errorf("adding a mark without a board: %v", err)
	}
	if err := d.Decide(context.Background(), Wish{Kind: "points", Photo: "one.jpg", Points: make([]PointWish, 4)}); err != nil {
		t.Fatal(err)
	}
	if v, _, _ := d.Photo(0); len(v.Pictures) != 2 {
		t.Error("the photo was not measured again by the points")
	}
}

// Views hold no null where the page expects a list of marks to draw.
func TestViewsAsJSON(t *testing.T) {
	d := testDesk(t)
	v, _, _ := d.Photo(0)
	for name, view := range map[string]any{"photo": v, "session": d.Session()} {
		b, err := json.Marshal(view)
		if err != nil || strings.Contains(string(b), "NaN") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func BenchmarkDecide(b *testing.B) {
	p := onePhoto()
	for i := range 200 {
		m := p.Marks[0]
		m.ID, m.XPx = fmt.Sprintf("one.jpg#%d", i+10), sheet.Number(100+4*i)
		p.Marks = append(p.Marks, m)
	}
	d, err := NewDesk(testTools(b.TempDir()), []sheet.Photo{p})
	if err != nil {
		b.Fatal(err)
	}
	for i := 0; b.Loop(); i++ {
		if err := d.Decide(context.Background(), Wish{Kind: "count", Photo: "one.jpg", Mark: "one.jpg#1", Seen: i}); err != nil {
			b.Fatal(err)
		}
		if _, _, err := d.Photo(0); err != nil {
			b.Fatal(err)
		}
	}
}
