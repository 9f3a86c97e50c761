package session

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/pelletier/go-toml/v2/unstable"
)

// stretchLimit is the difference between the two tape values above which a
// print counts as stretched: 0.5% (common practice, no source).
const stretchLimit = 0.005

// check tests what no single key can show, fills in what follows from the rest
// (letters, order, units) and notes warnings.
func (d *document) check(root *node, s *Session) {
	d.checkBoard(root, s)
	d.checkOutliers(root, s)
	d.checkAccessories(root, s)
	d.checkStrings(root, s)
}

func (s *Session) warnf(format string, args ...any) {
	s.Warnings = append(s.Warnings, fmt.Sprintf(format, args...))
}

// place returns the place of a key of section n; the section's own when absent.
func (n *node) place(key string) unstable.Range {
	if n == nil {
		return unstable.Range{}
	}
	if c := n.child(key); c != nil {
		return c.at
	}
	return n.at
}

func (d *document) checkBoard(root *node, s *Session) {
	b, n := &s.Board, root.child("board")
	for i := 1; i < len(b.Rings); i++ {
		if b.Rings[i].MM == b.Rings[i-1].MM {
			d.fail(n.place("rings"), "board, rings", b.Rings[i].Text+" is there twice", "every ring once")
		}
	}
	if k := len(b.Rings); k > 0 {
		outer := b.Rings[k-1]
		if b.Ring.Given() && math.Abs(b.Ring.MM-outer.MM) > max(b.Ring.TolMM, outer.TolMM) {
			d.fail(n.place("ring"), "board, ring", fmt.Sprintf("%s is not the largest of the rings, %s", b.Ring.Text, outer.Text),
				"the outermost ring, or leave this line out")
		}
		if !b.Ring.Given() {
			b.Ring = outer
		}
	}
	if b.RingEdge == "" {
		b.RingEdge = "outer"
	}
	if s.Marks.Kind == "" {
		s.Marks.Kind = "stickers"
	}
	d.checkTape(n, s)
}

// What is no print but a slip of the pen (own choice): the two tape values further apart
// than stretchMost, or one further than tapeMost from the ring.
const (
	stretchMost = 0.05
	tapeMost    = 0.2
)

// checkTape compares the two tape values with each other and with the ring's
// nominal diameter. n is the section of the board.
func (d *document) checkTape(n *node, s *Session) {
	b := &s.Board
	for _, t := range []struct {
		key string
		Length
	}{{"across", b.Across}, {"down", b.Down}} {
		if t.Given() && b.Ring.Given() && math.Abs(t.MM/b.Ring.MM-1) > tapeMost {
			d.fail(n.place(t.key), join("board", t.key), fmt.Sprintf("%s is not the outermost ring, %s", t.Text, b.Ring.Text),
				"what the tape says of that ring, and the rings within a fifth of it")
			return
		}
	}
	if b.Across.Given() && b.Down.Given() && math.Abs(b.Across.MM/b.Down.MM-1) > stretchMost {
		d.fail(n.place("down"), "board, down", fmt.Sprintf("%s down and %s across are no circle", b.Down.Text, b.Across.Text),
			"the outermost ring by tape in both directions")
		return
	}
	if b.Across.Given() && b.Down.Given() {
		if r := b.Across.MM/b.Down.MM - 1; math.Abs(r) > stretchLimit {
			s.warnf("the outer ring measures %s across and %s down, %.1f%% apart: the print is stretched, so widths and heights differ in scale",
				b.Across.Text, b.Down.Text, 100*math.Abs(r))
		}
	}
	if mm := b.TapeMM(); mm > 0 && b.Ring.Given() {
		if r := mm/b.Ring.MM - 1; math.Abs(r) > stretchLimit {
			s.warnf("the outer ring is called %s but measures %.1f mm by tape (%+.1f%%): the tape value is used", b.Ring.Text, mm, 100*r)
		}
	}
}

// TapeMM returns the outermost ring's diameter by tape, the mean of both
// directions when both were measured; 0 when none was.
func (b Board) TapeMM() float64 {
	switch {
	case b.Across.Given() && b.Down.Given():
		return (b.Across.MM + b.Down.MM) / 2
	case b.Across.Given():
		return b.Across.MM
	}
	return b.Down.MM
}

func (d *document) checkOutliers(root *node, s *Session) {
	o, n := &s.Outliers, root.child("outliers")
	has := func(key string) bool { return n != nil && n.child(key) != nil }
	switch {
	case o.Rule == "drop" && o.Drop == 0:
		d.fail(n.place("rule"), "outliers", "the rule drop needs to know how many", "a line such as drop = 2")
	case o.Rule != "drop" && has("drop"):
		d.fail(n.place("drop"), "outliers, drop", "this goes with rule = \"drop\" alone", `rule = "drop", or leave this line out`)
	case o.Rule != "test" && has("chance"):
		d.fail(n.place("chance"), "outliers, chance", "this goes with rule = \"test\" alone", `rule = "test", or leave this line out`)
	}
	if o.Rule == "test" && o.Chance == 0 {
		o.Chance = 0.01
	}
	if o.Rule != "" && o.Rule != "none" && o.Decided == "" {
		s.warnf("the session does not say when the outlier rule was decided")
	}
}

// nth returns the i-th section of an array, for its places.
func nth(root *node, key string, i int) *node {
	return root.child(key).children[i]
}

func (d *document) checkAccessories(root *node, s *Session) {
	used := map[string]bool{}
	for _, a := range s.Accessories {
		used[a.Letter] = true
	}
	next := 'A'
	names, letters := map[string]bool{}, map[string]bool{}
	baselines := 0
	for i := range s.Accessories {
		a, n := &s.Accessories[i], nth(root, "accessory", i)
		label := fmt.Sprintf("accessory %d", i+1)
		if a.Name == "" {
			d.fail(n.at, label, "it has no name", `a line such as name = "North"`)
		} else if names[a.Name] {
			d.fail(n.place("name"), join(label, "name"), fmt.Sprintf("%q is there twice", a.Name), "a name of its own")
		}
		names[a.Name] = true
		if a.Letter != "" && letters[a.Letter] {
			d.fail(n.place("letter"), join(label, "letter"), fmt.Sprintf("%q is there twice", a.Letter), "a letter of its own")
		}
		letters[a.Letter] = true
		if a.Letter == "" {
			for used[string(next)] {
				next++
			}
			if next > 'Z' {
				d.fail(n.at, label, "there are more accessories than letters", "26 accessories at most")
				return
			}
			a.Letter = string(next)
			used[a.Letter] = true
		}
		if a.Baseline {
			if baselines++; baselines == 2 {
				d.fail(n.place("baseline"), join(label, "baseline"), "another accessory is the baseline already", "one baseline at most")
			}
		}
		if a.HasPrice && (a.Currency == "" || a.PriceDate == "") {
			d.fail(n.place("price"), join(label, "price"), "a price means nothing without its currency and day",
				`lines such as currency = "EUR" and price_date = 2026-05-20`)
		}
	}
}

func (d *document) checkStrings(root *node, s *Session) {
	names := make([]string, len(s.Accessories))
	for i, a := range s.Accessories {
		names[i] = a.Name
	}
	ordered := 0
	for i := range s.Strings {
		t, n := &s.Strings[i], nth(root, "string", i)
		label := fmt.Sprintf("string %d", i+1)
		if t.Accessory == "" {
			d.fail(n.at, label, "it names no accessory", "a line such as accessory = "+strconv.Quote(first(names, "North")))
		} else if !slices.Contains(names, t.Accessory) {
			expected := "one of the accessories in this file"
			if near := nearest(t.Accessory, names); near != "" {
				expected = strconv.Quote(near)
			} else if len(names) == 0 {
				expected = "an [[accessory]] section of that name above"
			}
			d.fail(n.place("accessory"), join(label, "accessory"), fmt.Sprintf("no accessory is called %q", t.Accessory), expected)
		}
		if t.Photo == "" {
			d.fail(n.at, label, "it names no photo", `a line such as photo = "board-1.jpg"`)
		}
		if t.Photo != "" && t.Photo == s.Board.Start {
			d.fail(n.place("photo"), join(label, "photo"), "this photo was taken before the first counted shot (board, start)", "the photo taken after this string")
		}
		if t.Shots == 0 {
			s.warnf("string %d (%s) does not say how many shots were fired: a lost mark cannot be noticed", i+1, t.Accessory)
		}
		if t.Shots > 0 && t.Misses > t.Shots {
			d.fail(n.place("misses"), join(label, "misses"), fmt.Sprintf("%d misses of %d shots", t.Misses, t.Shots), "no more misses than shots")
		}
		d.checkReadings(n, label, s, t)
		if t.Order > 0 {
			ordered++
		}
	}
	d.checkOrder(root, s, ordered)
	d.checkColours(root, s)
}

func first(list []string, otherwise string) string {
	if len(list) > 0 && list[0] != "" {
		return list[0]
	}
	return otherwise
}

func (d *document) checkReadings(n *node, label string, s *Session, t *String) {
	if len(t.Readings) == 0 {
		return
	}
	if t.Unit == "" {
		t.Unit = s.Velocity.Unit
	}
	factor := 1.0
	switch t.Unit {
	case "fps":
		factor = 0.3048
	case "":
		d.fail(n.place("readings"), join(label, "readings"), "nothing says whether these are feet or metres per second",
			`unit = "fps" or unit = "m/s", here or once in [velocity]`)
	}
	for _, r := range t.Readings {
		t.ReadingsMPS = append(t.ReadingsMPS, r*factor)
	}
	if t.Shots > 0 && len(t.Readings) > t.Shots {
		s.warnf("%s (%s) has %d readings of %d shots: one may be from another shot", label, t.Accessory, len(t.Readings), t.Shots)
	}
}

// checkOrder wants every string's order or none; without, the file's order is
// the order shot.
func (d *document) checkOrder(root *node, s *Session, ordered int) {
	seen := map[int]bool{}
	for i := range s.Strings {
		t, n := &s.Strings[i], nth(root, "string", i)
		label := fmt.Sprintf("string %d", i+1)
		switch {
		case ordered == 0:
			t.Order = i + 1
		case t.Order == 0:
			d.fail(n.at, label, "it has no order, but others have", "an order for every string, or for none (then they were shot as listed)")
		case seen[t.Order]:
			d.fail(n.place("order"), join(label, "order"), fmt.Sprintf("%d is there twice", t.Order), "every order once")
		}
		seen[t.Order] = true
	}
	slices.SortStableFunc(s.Strings, func(a, b String) int { return a.Order - b.Order })
}

// checkColours wants the accessories of one photo to be told apart by sticker
// colour. It runs after checkOrder, so places come from the accessory.
func (d *document) checkColours(root *node, s *Session) {
	for i, a := range s.Accessories {
		k := slices.IndexFunc(s.Accessories[:i], func(o Accessory) bool { return o.Sticker == a.Sticker })
		if k >= 0 && a.Sticker != "" {
			s.warnf("%s and %s both have %s stickers: a mark counts for the string whose photo shows it first", s.Accessories[k].Name, a.Name, a.Sticker)
		}
	}
	seated := map[string][]Accessory{} // by photo
	for _, t := range s.Strings {
		i := slices.IndexFunc(s.Accessories, func(a Accessory) bool { return a.Name == t.Accessory })
		if i < 0 || t.Photo == "" {
			continue
		}
		a := s.Accessories[i]
		for _, o := range seated[t.Photo] {
			colour := a.Sticker
			if o.Sticker == "" || a.Sticker == "" {
				colour = "no"
			}
			if o.Name != a.Name && (o.Sticker == a.Sticker || colour == "no") {
				d.fail(nth(root, "accessory", i).place("sticker"), fmt.Sprintf("accessory %d", i+1),
					fmt.Sprintf("%s and %s share the photo %s and %s sticker colour: their marks cannot be told apart", o.Name, a.Name, t.Photo, colour),
					"a sticker colour for each, or a photo after each string")
				break
			}
		}
		seated[t.Photo] = append(seated[t.Photo], a)
	}
}
