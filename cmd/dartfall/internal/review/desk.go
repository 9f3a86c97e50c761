package review

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
)

// Desk is a measured session with its decisions. Its methods may be called from
// any goroutine.
type Desk struct {
	tools Tools
	now   func() time.Time

	mu       sync.Mutex
	file     *decisions.File
	measured []sheet.Photo
	boards   []*decisions.Board // by which each photo was measured
	state    decisions.State
	sum      sheet.Summary
	flats    map[string]Flat // without their pictures, by photo
}

// NewDesk lays out photos that were measured under the folder's decisions.
func NewDesk(t Tools, measured []sheet.Photo) (*Desk, error) {
	d := &Desk{tools: t, now: time.Now, measured: slices.Clone(measured), flats: map[string]Flat{}}
	var err error
	if d.file, err = decisions.OpenFile(t.Dir); err != nil {
		return nil, err
	}
	d.state = decisions.Replay(d.file.Log().Decisions)
	for _, p := range measured {
		d.boards = append(d.boards, d.boardOf(p.SHA256))
	}
	d.sum, err = t.Assemble(d.state, d.measured)
	return d, err
}

// settle follows the record after it has grown: photos whose scale was decided on
// are measured again, then all figures are made anew.
func (d *Desk) settle(ctx context.Context) error {
	d.state = decisions.Replay(d.file.Log().Decisions)
	for i, p := range d.measured {
		b := d.boardOf(p.SHA256)
		if sameBoard(b, d.boards[i]) {
			continue
		}
		again, err := d.tools.Measure(ctx, d.state, p.Name)
		if err != nil {
			return err
		}
		d.measured[i], d.boards[i] = again, b
		delete(d.flats, p.Name)
	}
	var err error
	d.sum, err = d.tools.Assemble(d.state, d.measured)
	return err
}

func (d *Desk) boardOf(sha256 string) *decisions.Board {
	return d.state.BoardOf(sha256, func(mm float64) bool { return d.tools.CheckRing(mm) == nil })
}

func sameBoard(a, b *decisions.Board) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.RingMM == b.RingMM && slices.Equal(a.Points, b.Points)
}

// Summary is the document as it stands.
func (d *Desk) Summary() sheet.Summary {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.sum
}

// Wish is what a person asks for on the page.
type Wish struct {
	Seen   int            `json:"seen"` // number of the last decision the page shows
	Kind   decisions.Kind `json:"kind"`
	Photo  string         `json:"photo"`
	Mark   string         `json:"mark"`
	View   string         `json:"view"` // taken or flat: the picture that X and Y are pixels of
	X      *float64       `json:"x"`
	Y      *float64       `json:"y"`
	Exact  bool           `json:"exact"` // the place as given, without looking for a disc
	Colour string         `json:"colour"`
	String string         `json:"string"`
	Cause  string         `json:"cause"`
	Reason string         `json:"reason"`
	Misses int            `json:"misses"`
	Ring   string         `json:"ring"` // a diameter with its unit
	Points []PointWish    `json:"points"`
}

// PointWish is a place in the taken photo and where on the board it is, with units.
type PointWish struct {
	XPx   float64 `json:"x_px"`
	YPx   float64 `json:"y_px"`
	Right float64 `json:"right_mm"` // of the ring centre
	Up    float64 `json:"up_mm"`
}

// longestText is the most that a cause or a reason may hold, in bytes.
const longestText = 500

// refusal is wrong use of the page: its text is shown to the person.
type refusal struct{ error }

func refuse(format string, args ...any) error { return refusal{fmt.Errorf(format, args...)} }

// Decide writes a decision and makes all figures anew. An error that is a refusal or
// decisions.ErrStale left everything as it was.
func (d *Desk) Decide(ctx context.Context, w Wish) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(w.Reason) > longestText || len(w.Cause) > longestText {
		return refuse("a reason is a sentence, not a story: %d letters at most", longestText)
	}
	made, err := d.decision(w)
	if err != nil {
		return err
	}
	made.Time, made.Kind, made.Reason = d.now().UTC().Truncate(time.Second), w.Kind, w.Reason
	if _, err := d.file.Append(made, w.Seen); err != nil {
		if errors.Is(err, decisions.ErrStale) {
			return errors.Join(err, d.settle(ctx))
		}
		return err
	}
	return d.settle(ctx)
}

// decision turns a wish into what would be written, its time apart.
func (d *Desk) decision(w Wish) (decisions.Decision, error) {
	switch w.Kind {
	case decisions.Undo:
		if d.state.Undo == 0 {
			return decisions.Decision{}, refuse("there is nothing to take back")
		}
		return decisions.Decision{Of: d.state.Undo}, nil
	case decisions.Redo:
		if d.state.Redo == 0 {
			return decisions.Decision{}, refuse("there is nothing to make again")
		}
		return decisions.Decision{Of: d.state.Redo}, nil
	case decisions.Miss:
		return d.missDecision(w)
	}
	p, err := d.photo(w.Photo)
	if err != nil {
		return decisions.Decision{}, err
	}
	made := decisions.Decision{Photo: p.Name, SHA256: p.SHA256}
	if w.Kind == decisions.Ring || w.Kind == decisions.Points {
		made.Before, made.After, err = d.boardSides(p, w)
		return made, err
	}
	if p.Plane == nil {
		return made, refuse("the board was not found on %s: give points first", p.Name)
	}
	if w.Kind == decisions.Add {
		m, err := d.newMark(p, w)
		made.After = &decisions.Side{Marks: []decisions.Mark{m}}
		return made, err
	}
	i := slices.IndexFunc(p.Marks, func(m sheet.Impact) bool { return m.ID == w.Mark })
	if i < 0 {
		return made, refuse("there is no such mark on %s", p.Name)
	}
	before := asDecided(p.Marks[i], p)
	after, err := d.changed(p, before, w)
	made.Mark, made.Before, made.After = w.Mark, &decisions.Side{Marks: []decisions.Mark{before}}, &decisions.Side{Marks: after}
	return made, err
}

func (d *Desk) missDecision(w Wish) (decisions.Decision, error) {
	i := slices.IndexFunc(d.sum.Strings, func(s sheet.String) bool { return s.Name == w.String })
	if i < 0 {
		return decisions.Decision{}, refuse("there is no string %q", w.String)
	}
	if w.Misses < 0 || w.Misses > 1000 {
		return decisions.Decision{}, refuse("misses are a number from 0 to 1000")
	}
	if shots := d.sum.Strings[i].Shots; shots > 0 && w.Misses > shots {
		return decisions.Decision{}, refuse("%d misses are more than the %d shots of string %s", w.Misses, shots, w.String)
	}
	before, after := d.sum.Strings[i].Misses, w.Misses
	return decisions.Decision{String: w.String, Before: &decisions.Side{Misses: &before}, After: &decisions.Side{Misses: &after}}, nil
}

func (d *Desk) photo(name string) (sheet.Photo, error) {
	for _, p := range d.sum.Photos {
		if p.Name == name && p.SHA256 != "" {
			return p, nil
		}
	}
	return sheet.Photo{}, refuse("there is no photo %q that can be read", name)
}

// boardSides are the scale of a photo before and after.
func (d *Desk) boardSides(p sheet.Photo, w Wish) (before, after *decisions.Side, err error) {
	if len(p.Rings) > 0 {
		before = &decisions.Side{Board: &decisions.Board{RingMM: float64(p.Rings[0].DiameterMM)}}
	}
	var b decisions.Board
	if w.Kind == decisions.Ring {
		if b.RingMM, err = units.Length(w.Ring); err != nil {
			return nil, nil, refusal{err}
		}
		if !(b.RingMM >= 20 && b.RingMM <= 5000) {
			return nil, nil, refuse("a ring has a diameter from 20 mm to 5 m, not %s", units.Size(b.RingMM))
		}
		if err := d.tools.CheckRing(b.RingMM); err != nil {
			return nil, nil, refusal{err}
		}
		return before, &decisions.Side{Board: &b}, nil
	}
	if len(w.Points) < 4 || len(w.Points) > 100 {
		return nil, nil, refuse("four points or more fix a plane, there are %d", len(w.Points))
	}
	for _, q := range w.Points {
		b.Points = append(b.Points, decisions.Point{XPx: q.XPx, YPx: q.YPx, XMM: q.Right, YMM: q.Up})
	}
	return before, &decisions.Side{Board: &b}, nil
}

// changed is a mark after what the wish asks for; a split gives two.
func (d *Desk) changed(p sheet.Photo, before decisions.Mark, w Wish) ([]decisions.Mark, error) {
	after := before
	switch w.Kind {
	case decisions.Move:
		m, err := d.placed(p, w, before)
		return []decisions.Mark{m}, err
	case decisions.Remove:
		after.Role, after.Cause = decisions.IsRemoved, ""
	case decisions.Recolour:
		if !slices.Contains(d.tools.Colours, w.Colour) {
			return nil, refuse("there is no sticker colour %q", w.Colour)
		}
		after.Colour = w.Colour
	case decisions.Assign:
		if !slices.Contains(d.stringsOf(p), w.String) {
			return nil, refuse("there is no string %q on %s", w.String, p.Name)
		}
		after.String = w.String
	case decisions.Split:
		second := before
		if w.X != nil {
			var err error
			if second, err = d.placed(p, w, before); err != nil {
				return nil, err
			}
		}
		return []decisions.Mark{before, second}, nil
	case decisions.Flag:
		if w.Cause == "" {
			return nil, refuse("a flyer needs a cause that is not its place: what went wrong at the shot?")
		}
		after.Role, after.Cause = decisions.IsFlyer, w.Cause
	case decisions.Sight:
		after.Role, after.Cause = decisions.IsSighter, ""
	case decisions.Count:
		after.Role, after.Cause = decisions.Counts, ""
	default:
		return nil, refuse("there is no decision %q", w.Kind)
	}
	return []decisions.Mark{after}, nil
}

// stringsOf names the strings that a photo shows.
func (d *Desk) stringsOf(p sheet.Photo) (names []string) {
	for _, s := range d.sum.Strings {
		if s.Photo == p.Name {
			names = append(names, s.Name)
		}
	}
	return names
}

// newMark is a mark where the person pointed, as large as its like.
func (d *Desk) newMark(p sheet.Photo, w Wish) (decisions.Mark, error) {
	if w.Colour != "" && !slices.Contains(d.tools.Colours, w.Colour) {
		return decisions.Mark{}, refuse("there is no sticker colour %q", w.Colour)
	}
	if w.String != "" && !slices.Contains(d.stringsOf(p), w.String) {
		return decisions.Mark{}, refuse("there is no string %q on %s", w.String, p.Name)
	}
	return d.placed(p, w, decisions.Mark{Colour: w.Colour, String: w.String, DiameterMM: usualDiameter(p, w.Colour)})
}

// samePlace is the share of a mark's diameter within which two are taken for one: of
// two that lie so, hardly a rim of the lower one shows.
const samePlace = 0.25

// officeStickerMM is the sticker assumed on a photo without any.
const officeStickerMM = 19

// usualDiameter is the median diameter of the marks of that colour, else of all.
func usualDiameter(p sheet.Photo, colour string) float64 {
	var same, all []float64
	for _, m := range p.Marks {
		if v := float64(m.DiameterMM); m.Counts() && v > 0 {
			all = append(all, v)
			if m.Colour == colour {
				same = append(same, v)
			}
		}
	}
	if len(same) == 0 {
		same = all
	}
	if len(same) == 0 {
		return officeStickerMM
	}
	slices.Sort(same)
	return same[len(same)/2]
}

// pointingSigmaPx is how well a person points at a mark's centre on an enlarged
// photo, per axis (own choice).
const pointingSigmaPx = 1.5

// placed puts a mark at the centre of the disc that the person pointed at, or at the
// very place when there is no disc or none is to be looked for; not where another
// mark is, but for those that it lay on before.
func (d *Desk) placed(p sheet.Photo, w Wish, m decisions.Mark) (decisions.Mark, error) {
	at, err := d.pointed(p, w)
	if err != nil {
		return m, err
	}
	rect, ok := p.Plane.Rectification()
	if !ok {
		return m, refuse("the board's plane on %s cannot be used", p.Name)
	}
	s := Snapped{At: at, SigmaPx: pointingSigmaPx, DiameterMM: m.DiameterMM}
	if !w.Exact {
		snapped, found, err := d.tools.Snap(p, at, m.DiameterMM)
		if err != nil {
			return m, err
		}
		if found {
			s = snapped
		}
	}
	x := rect.ToBoard(s.At)
	if !rect.InFront(x) || !(r2.Norm(x) <= 20000) {
		return m, refuse("that place is not on the board's plane")
	}
	was := r2.Vec{X: m.XMM, Y: m.YMM}
	m.XPx, m.YPx, m.SigmaPx, m.XMM, m.YMM, m.DiameterMM = s.At.X, s.At.Y, s.SigmaPx, x.X, x.Y, s.DiameterMM
	for _, o := range p.Marks {
		on := func(at r2.Vec) bool {
			return math.Hypot(at.X-float64(o.XMM), at.Y-float64(o.YMM)) < samePlace*m.DiameterMM
		}
		if o.ID != w.Mark && o.Source != sheet.Removed && on(x) && (w.Mark == "" || !on(was)) {
			return m, refuse("there is a mark here already: choose it, and split it if two lie in one place; to place one beside it, tick “place exactly where I point”")
		}
	}
	return m, nil
}

// pointed is the wish's place in the photo.
func (d *Desk) pointed(p sheet.Photo, w Wish) (calib.Px, error) {
	if w.X == nil || w.Y == nil {
		return calib.Px{}, refuse("point at a place first")
	}
	at := calib.Px{X: *w.X, Y: *w.Y}
	if w.View == "flat" {
		f, err := d.flat(p)
		if err != nil {
			return at, err
		}
		rect, ok := p.Plane.Rectification()
		if !ok {
			return at, refuse("the board's plane on %s cannot be used", p.Name)
		}
		at = rect.ToPhoto(r2.Vec{X: (at.X - f.Centre.X) / f.PxPerMM, Y: (f.Centre.Y - at.Y) / f.PxPerMM})
	}
	if !(at.X >= -0.5 && at.Y >= -0.5 && at.X <= float64(p.WidthPx)-0.5 && at.Y <= float64(p.HeightPx)-0.5) {
		return at, refuse("that place is outside the photo")
	}
	return at, nil
}

// flat is how the squared-up picture of a photo maps to the board.
func (d *Desk) flat(p sheet.Photo) (Flat, error) {
	if f, ok := d.flats[p.Name]; ok {
		return f, nil
	}
	f, err := d.tools.Flat(p)
	if err != nil {
		return f, err
	}
	f.JPEG = nil
	d.flats[p.Name] = f
	return f, nil
}

// asDecided is a mark of the document as the record holds it.
func asDecided(m sheet.Impact, p sheet.Photo) decisions.Mark {
	out := decisions.Mark{
		XPx: float64(m.XPx), YPx: float64(m.YPx), XMM: float64(m.XMM), YMM: float64(m.YMM),
		SigmaPx: float64(m.SigmaMM) * float64(p.Plane.PxPerMM), DiameterMM: float64(m.DiameterMM),
		Colour: m.Colour, String: m.String, Cause: m.Cause,
	}
	if !(out.SigmaPx >= 0) || math.IsInf(out.SigmaPx, 0) {
		out.SigmaPx = 0
	}
	switch {
	case m.Source == sheet.Removed:
		out.Role = decisions.IsRemoved
	case m.SetAside == sheet.Flyer:
		out.Role = decisions.IsFlyer
	case m.SetAside == sheet.Sighter:
		out.Role = decisions.IsSighter
	}
	return out
}

// index is the place of a photo in the session, -1 when it is not there.
func (d *Desk) index(name string) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.IndexFunc(d.sum.Photos, func(p sheet.Photo) bool { return p.Name == name })
}

// picture is photo i as taken or flat; nil when there is no such picture.
func (d *Desk) picture(i int, view string) ([]byte, error) {
	d.mu.Lock()
	if i < 0 || i >= len(d.sum.Photos) {
		d.mu.Unlock()
		return nil, nil
	}
	p := d.sum.Photos[i]
	d.mu.Unlock()
	switch {
	case view == "taken" && p.SHA256 != "":
		return d.tools.Taken(p)
	case view == "flat" && p.Plane != nil:
		f, err := d.tools.Flat(p)
		return f.JPEG, err
	}
	return nil, nil
}

// warm makes the pictures of the photo that is shown first, so that they are there
// when the page asks. What fails shows when it does.
func (d *Desk) warm() {
	if photos := d.Session().Photos; len(photos) > 0 {
		for _, view := range []string{"flat", "taken"} {
			d.picture(photos[0].Index, view)
		}
	}
}

func (d *Desk) choice(key string) error {
	if !slices.ContainsFunc(d.tools.Pictures, func(c Choice) bool { return c.Key == key }) {
		return refuse("there is no picture %q", key)
	}
	return nil
}

// publicPicture draws a picture to publish.
func (d *Desk) publicPicture(key string) ([]byte, error) {
	if err := d.choice(key); err != nil {
		return nil, err
	}
	return d.tools.Picture(d.Summary(), key)
}

// save writes a picture and all results.
func (d *Desk) save(key string) (file string, err error) {
	if err := d.choice(key); err != nil {
		return "", err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.tools.Save(d.sum, key)
}
