package session

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestFormatReadsBack(t *testing.T) {
	s, err := Parse("session.toml", []byte(full))
	if err != nil {
		t.Fatal(err)
	}
	photos := []Shot{{Photo: "demo-0.jpg"}, {"demo-1.jpg", time.Date(2026, 6, 1, 10, 16, 40, 0, time.UTC)}, {Photo: "extra.jpg"}}
	text := Format(s, photos)
	got, err := Parse("formatted", text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if d := cmp.Diff(s, got, cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-9 })); d != "" {
		t.Errorf("%s\n%s", d, text)
	}
	for _, want := range []string{"# taken 2026-06-01 10:16:40", "#photo = \"extra.jpg\"", "#place = "} {
		if has := strings.Contains(string(text), want); has != (want != "#place = ") {
			t.Errorf("text has %q: %v\n%s", want, has, text)
		}
	}
	if strings.Contains(string(text), "#photo = \"demo-0.jpg\"") {
		t.Errorf("the start photo is offered as a string:\n%s", text)
	}
}

// What is left blank stays a remark, so the file is usable at once.
func TestFormatBlankIsValid(t *testing.T) {
	for _, photos := range [][]Shot{nil, {{Photo: "a.jpg"}, {Photo: "b.jpg"}}} {
		text := Format(Session{}, photos)
		got, err := Parse("blank", text)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if len(got.Strings)+len(got.Accessories) != 0 || got.Title != "" || got.Board.Ring.Given() {
			t.Errorf("blank file holds %+v", got)
		}
	}
	// Every remark that looks like a key must be a good line once uncommented.
	var on strings.Builder
	for _, l := range strings.Split(string(Format(Session{}, []Shot{{Photo: "a.jpg"}})), "\n") {
		if rest, ok := strings.CutPrefix(l, "#"); ok && !strings.HasPrefix(rest, " ") &&
			!strings.HasPrefix(rest, "chance") { // goes with the other rule
			l = rest
		}
		on.WriteString(l + "\n")
	}
	s, err := Parse("all on", []byte(on.String()))
	if err != nil {
		t.Fatalf("%v\n%s", err, on.String())
	}
	if len(s.Strings) != 1 || len(s.Accessories) != 1 {
		t.Errorf("with every remark taken away: %d strings, %d accessories, want 1 and 1", len(s.Strings), len(s.Accessories))
	}
}

func TestFormatQuotesAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[ -~äß"\\\t\n]{1,20}`).Draw(t, "name")
		if strings.TrimSpace(name) == "" {
			return
		}
		text := Format(Session{Title: name, Accessories: []Accessory{{Name: name}}}, nil)
		s, err := Parse("quoted", text)
		if err != nil {
			t.Fatalf("%v", err)
		}
		if want := strings.TrimSpace(name); s.Title != want || s.Accessories[0].Name != want {
			t.Fatalf("title %q, name %q, want %q", s.Title, s.Accessories[0].Name, want)
		}
	})
}
