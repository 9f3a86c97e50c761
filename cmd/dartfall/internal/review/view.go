package review

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/sheet"
)

// sessionView is what the page shows of the session. All figures are words made by
// the server: the page computes none.
type sessionView struct {
	Title       string           `json:"title"`
	Seen        int              `json:"seen"`
	Undo        string           `json:"undo"` // what an undo takes back; ""
	Redo        string           `json:"redo"`
	Answer      string           `json:"answer"`
	Rule        string           `json:"rule"`
	Photos      []photoLine      `json:"photos"` // what needs a look first
	Groups      []groupView      `json:"groups"`
	Comparisons []string         `json:"comparisons"`
	Strings     []stringView     `json:"strings"`
	Decisions   []sheet.Decision `json:"decisions"` // newest first
	Warnings    []string         `json:"warnings"`
	Cautions    []string         `json:"cautions"`
	Colours     []string         `json:"colours"`
	Stickers    []string         `json:"stickers"` // of the accessories
	Pictures    []Choice         `json:"pictures"`
}

type photoLine struct {
	Index    int    `json:"index"`
	Name     string `json:"name"`
	Words    string `json:"words"`
	Doubtful int    `json:"doubtful"`
	Measured bool   `json:"measured"`
}

type identityView struct {
	Letter  string       `json:"letter"`
	Name    string       `json:"name"`
	Shape   string       `json:"shape"`
	Outline [][2]float64 `json:"outline"` // of radius about 1, y down
	Tone    string       `json:"tone"`
}

type groupView struct {
	identityView
	Shots   string    `json:"shots"`
	Figures []rowView `json:"figures"`
}

type rowView struct {
	Of string `json:"of"`
	Row
}

type stringView struct {
	Name     string `json:"name"`
	Photo    string `json:"photo"`
	Shots    int    `json:"shots"`
	Misses   int    `json:"misses"`
	Found    int    `json:"found"`
	Mismatch bool   `json:"mismatch"`
}

// Session is what the page shows of the session.
func (d *Desk) Session() sessionView {
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.sum
	v := sessionView{
		Title: cmp.Or(s.Session.Title, "Session"), Seen: d.state.Last, Answer: s.Answer, Rule: strings.TrimSpace(s.Rule.Words + " " + s.Rule.ByLuck),
		Decisions: slices.Clone(s.Decisions), Warnings: s.Warnings, Cautions: s.Cautions,
		Colours: d.tools.Colours, Pictures: d.tools.Pictures,
	}
	slices.Reverse(v.Decisions)
	if n := len(d.state.InForce); n > 0 {
		v.Undo = d.state.InForce[n-1].Words()
	}
	if i := slices.IndexFunc(d.file.Log().Decisions, func(x decisions.Decision) bool { return x.ID == d.state.Redo }); i >= 0 {
		v.Redo = d.file.Log().Decisions[i].Words()
	}
	own := d.groupsByMark()
	for i, p := range s.Photos {
		v.Photos = append(v.Photos, lineOf(i, p, own))
	}
	slices.SortStableFunc(v.Photos, func(a, b photoLine) int {
		return cmp.Compare(urgency(b), urgency(a))
	})
	ids := d.tools.Identities(s)
	for i, g := range s.Groups {
		v.Groups = append(v.Groups, d.groupView(g, ids[i]))
	}
	for _, a := range s.Accessories {
		if a.StickerColour != "" {
			v.Stickers = append(v.Stickers, a.StickerColour)
		}
	}
	for _, c := range s.Comparisons {
		v.Comparisons = append(v.Comparisons, c.Words)
	}
	for _, t := range s.Strings {
		v.Strings = append(v.Strings, stringView{t.Name, t.Photo, t.Shots, t.Misses, t.Found, t.Shots > 0 && t.Found+t.Misses != t.Shots})
	}
	return v
}

// urgency orders photos: not measured, then with doubtful marks, then the rest.
func urgency(p photoLine) int {
	switch {
	case !p.Measured:
		return 2
	case p.Doubtful > 0:
		return 1
	}
	return 0
}

// lineOf is a photo in one line; own are the marks that count for a group.
func lineOf(i int, p sheet.Photo, own map[string]counted) photoLine {
	l := photoLine{Index: i, Name: p.Name, Measured: p.Plane != nil}
	if !l.Measured {
		l.Words = "not measured: " + p.Reason
		return l
	}
	n, earlier := 0, 0
	for _, m := range p.Marks {
		if !m.Counts() {
			continue
		}
		n++
		if _, ok := own[m.ID]; !ok {
			earlier++
		} else if len(doubts(m)) > 0 {
			l.Doubtful++
		}
	}
	l.Words = fmt.Sprintf("%d marks", n)
	if earlier > 0 {
		l.Words = fmt.Sprintf("%d marks, %d of them new", n, n-earlier)
	}
	if l.Doubtful > 0 {
		l.Words += fmt.Sprintf(", %d doubtful", l.Doubtful)
	}
	return l
}

func identityOf(id picture.Identity) identityView {
	return identityView{
		Letter: id.Letter, Name: id.Name, Shape: id.Shape.String(), Outline: id.Shape.Outline(),
		Tone: fmt.Sprintf("#%02x%02x%02x", id.Tone.R, id.Tone.G, id.Tone.B),
	}
}

func (d *Desk) groupView(g sheet.Group, id picture.Identity) groupView {
	v := groupView{identityView: identityOf(id), Figures: []rowView{{"all shots", d.tools.Row(g.All)}}}
	v.Name = g.Accessory
	v.Shots = fmt.Sprintf("%d marks", g.All.N)
	if g.Shots > 0 {
		v.Shots = fmt.Sprintf("%d of %d shots", g.All.N, g.Shots)
	}
	if g.Misses > 0 {
		v.Shots += fmt.Sprintf(", %d missed the board", g.Misses)
	}
	if g.Unaccounted > 0 {
		v.Shots += fmt.Sprintf(", %d without a mark counted as missing it", g.Unaccounted)
	}
	if g.Without != nil {
		of := "by the outlier rule"
		if g.ShrinkageByLuck.Known() {
			of += fmt.Sprintf(" (luck alone shrinks a clean group's spread by %.0f%%)", 100*float64(g.ShrinkageByLuck))
		}
		v.Figures = append(v.Figures, rowView{of, d.tools.Row(*g.Without)})
	}
	if g.WithoutFlyers != nil {
		v.Figures = append(v.Figures, rowView{"without flyers", d.tools.Row(*g.WithoutFlyers)})
	}
	return v
}

// photoView is what the page shows of one photo.
type photoView struct {
	Index    int          `json:"index"`
	Name     string       `json:"name"`
	Plane    string       `json:"plane"`  // changes when the photo is squared up in another way
	Words    string       `json:"words"`  // state, residual and what follows from it
	Advice   string       `json:"advice"` // ""
	Checks   []checkView  `json:"checks"`
	Warnings []string     `json:"warnings"`
	Pictures []pictureOf  `json:"pictures"` // taken, then flat when the board was found
	Marks    []markView   `json:"marks"`    // doubtful first
	Ring     string       `json:"ring"`     // diameter of the outermost ring found; ""
	Strings  []string     `json:"strings"`
	Colour   string       `json:"colour"`  // of the stickers of its string; ""
	Unknown  identityView `json:"unknown"` // how a mark of no group is drawn
}

type checkView struct {
	Words  string `json:"words"`
	Level  string `json:"level"`
	Advice string `json:"advice"`
}

type pictureOf struct {
	View   string      `json:"view"` // taken or flat
	Width  int         `json:"width"`
	Height int         `json:"height"`
	Rings  [][]float64 `json:"rings"` // x, y, x, y, …
}

type markView struct {
	ID       string     `json:"id"`
	Label    string     `json:"label"` // A7
	Group    int        `json:"group"` // index of the group; -1 for none
	Colour   string     `json:"colour"`
	String   string     `json:"string"`
	Role     string     `json:"role"` // "", outlier, flyer, sighter, earlier (not of this photo's strings) or removed
	Doubtful bool       `json:"doubtful"`
	Words    string     `json:"words"`
	Taken    markPlace  `json:"taken"`
	Flat     *markPlace `json:"flat"`
}

type markPlace struct {
	X    float64   `json:"x"`
	Y    float64   `json:"y"`
	Edge []float64 `json:"edge"` // x, y, x, y, … of the outline; empty beyond the horizon
}

// Photo is what the page shows of photo i; false when there is none.
func (d *Desk) Photo(i int) (photoView, bool, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if i < 0 || i >= len(d.sum.Photos) {
		return photoView{}, false, nil
	}
	p := d.sum.Photos[i]
	v := photoView{
		Index: i, Name: p.Name, Advice: p.Advice, Warnings: p.Warnings,
		Words:    stateWords(p),
		Pictures: []pictureOf{{View: "taken", Width: p.WidthPx, Height: p.HeightPx}},
		Unknown:  identityView{Letter: "?", Name: "no group", Shape: "circle", Outline: picture.Circle.Outline(), Tone: "#8a8f96"},
	}
	for _, g := range p.Grade {
		v.Checks = append(v.Checks, checkView{g.Words, g.Level, g.Advice})
	}
	v.Strings = d.stringsOf(p)
	colours := d.coloursOf(p)
	if len(colours) > 0 {
		v.Colour = colours[0]
	}
	if p.Plane == nil {
		return v, true, nil
	}
	rect, ok := p.Plane.Rectification()
	if !ok {
		return v, true, nil
	}
	v.Plane = fmt.Sprint(p.Plane.Homography)
	flat, err := d.flat(p)
	if err != nil {
		return v, true, err
	}
	onFlat := func(x r2.Vec) calib.Px {
		return calib.Px{X: flat.Centre.X + flat.PxPerMM*x.X, Y: flat.Centre.Y - flat.PxPerMM*x.Y}
	}
	v.Pictures = append(v.Pictures, pictureOf{View: "flat", Width: flat.Width, Height: flat.Height})
	for _, r := range p.Rings {
		radius := float64(r.DiameterMM) / 2
		v.Pictures[0].Rings = append(v.Pictures[0].Rings, circle(rect, rect.ToPhoto, r2.Vec{}, radius, 120))
		v.Pictures[1].Rings = append(v.Pictures[1].Rings, circle(rect, onFlat, r2.Vec{}, radius, 120))
	}
	if len(p.Rings) > 0 {
		v.Ring = fmt.Sprintf("%.1f mm", float64(p.Rings[0].DiameterMM))
	}
	own, ofColour := d.groupsByMark(), d.groupsByColour()
	ids := d.tools.Identities(d.sum)
	count := map[int]int{}
	for _, m := range p.Marks {
		g, counted := own[m.ID]
		k := markView{ID: m.ID, Group: -1, Colour: m.Colour, String: cmp.Or(m.String, g.impact.String), Doubtful: counted && len(doubts(m)) > 0}
		switch {
		case m.Source == sheet.Removed:
			k.Label, k.Role = "–", "removed"
		case m.SetAside == sheet.Sighter:
			k.Label, k.Role = "S", sheet.Sighter
		case !counted:
			k.Label, k.Role = "?", "earlier"
			if i, ok := ofColour[m.Colour]; ok {
				k.Label, k.Group = ids[i].Letter, i
			}
		default:
			count[g.group]++
			k.Label, k.Role, k.Group = fmt.Sprintf("%s%d", ids[g.group].Letter, count[g.group]), g.impact.SetAside, g.group
		}
		k.Words = markWords(m, k.Role, colours)
		x := r2.Vec{X: float64(m.XMM), Y: float64(m.YMM)}
		k.Taken = markPlace{float64(m.XPx), float64(m.YPx), circle(rect, rect.ToPhoto, x, float64(m.DiameterMM)/2, 28)}
		at := onFlat(x)
		k.Flat = &markPlace{at.X, at.Y, circle(rect, onFlat, x, float64(m.DiameterMM)/2, 28)}
		v.Marks = append(v.Marks, k)
	}
	slices.SortStableFunc(v.Marks, func(a, b markView) int {
		return cmp.Compare(rank(a), rank(b))
	})
	return v, true, nil
}

// rank orders marks: doubtful, ordinary, of earlier strings, removed.
func rank(m markView) int {
	switch {
	case m.Role == "removed":
		return 3
	case m.Doubtful:
		return 0
	case m.Role == "earlier":
		return 2
	}
	return 1
}

type counted struct {
	group  int
	impact sheet.Impact
}

// groupsByMark says which group each mark that counts belongs to.
func (d *Desk) groupsByMark() map[string]counted {
	index := map[string]int{}
	for i, g := range d.sum.Groups {
		index[g.Accessory] = i
	}
	out := map[string]counted{}
	for _, m := range d.sum.Impacts {
		if g, ok := index[m.Accessory]; ok && m.Counts() {
			out[m.ID] = counted{g, m}
		}
	}
	return out
}

// groupsByColour says which group has a sticker colour, for marks of earlier strings.
func (d *Desk) groupsByColour() map[string]int {
	out := map[string]int{}
	for _, a := range d.sum.Accessories {
		if i := slices.IndexFunc(d.sum.Groups, func(g sheet.Group) bool { return g.Accessory == a.Name }); i >= 0 && a.StickerColour != "" {
			out[a.StickerColour] = i
		}
	}
	return out
}

// circle is a circle on the board as it looks in a picture, to a tenth of a pixel;
// empty when a part of it lies beyond the horizon.
func circle(rect *calib.Rectification, to func(r2.Vec) calib.Px, c r2.Vec, radiusMM float64, n int) []float64 {
	out := make([]float64, 0, 2*n)
	for k := range n {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(n))
		x := r2.Vec{X: c.X + radiusMM*cos, Y: c.Y + radiusMM*sin}
		if !rect.InFront(x) {
			return nil
		}
		p := to(x)
		out = append(out, math.Round(10*p.X)/10, math.Round(10*p.Y)/10)
	}
	return out
}

// stateWords says how far a photo can be trusted.
func stateWords(p sheet.Photo) string {
	if p.Plane == nil {
		return "Not measured: " + p.Reason + "."
	}
	seen := "The ring edges"
	if p.Plane.ByPoints() {
		seen = "The points"
	}
	fit := fmt.Sprintf("%s lie %.2f px (%.2f mm) from the fit; the plane rests on %s and places a mark on the outermost ring to %.2f mm.",
		seen, float64(p.Plane.ResidualPx), float64(p.Plane.ResidualMM), p.Plane.Method, float64(p.Plane.SigmaOuterRingMM))
	if p.State == sheet.Rough {
		return "Rough: " + p.Reason + ". " + fit
	}
	return "Good. " + fit
}

// doubtWords are the flags that ask for a look.
var doubtWords = []struct{ flag, words string }{
	{"doubtful", "perhaps no mark"},
	{"colour?", "the colour is unsure"},
	{"at-least", "more marks may be hidden here"},
	{"by-count", "faint: taken because fewer were found than declared"},
	{"over-count", "among the least certain where more were found than declared"},
}

// flagWords are the flags that are good to know.
var flagWords = []struct{ flag, words string }{
	{"touching", "touches another"},
	{"hidden", "partly under another"},
	{"off-face", "outside the outer ring"},
	{"edge", "cut by the photo's edge"},
}

func doubts(m sheet.Impact) (words []string) {
	for _, f := range doubtWords {
		if slices.Contains(m.Flags, f.flag) {
			words = append(words, f.words)
		}
	}
	return words
}

// coloursOf are the sticker colours of the strings that a photo shows, in order.
func (d *Desk) coloursOf(p sheet.Photo) (colours []string) {
	for _, t := range d.sum.Strings {
		for _, a := range d.sum.Accessories {
			if t.Photo == p.Name && a.Name == t.Accessory && a.StickerColour != "" && !slices.Contains(colours, a.StickerColour) {
				colours = append(colours, a.StickerColour)
			}
		}
	}
	return colours
}

// markWords is a mark in one line: where, how sure, and what is unusual. colours are
// those of the photo's strings.
func markWords(m sheet.Impact, role string, colours []string) string {
	half := sheet.Normal95 * float64(m.SigmaMM)
	parts := []string{cmp.Or(m.Colour, "bare"), fmt.Sprintf("%+.1f right, %+.1f up, ±%.*f mm (95%%)", float64(m.XMM), float64(m.YMM), sheet.UncertaintyDecimals(half), half)}
	parts = append(parts, doubts(m)...)
	for _, f := range flagWords {
		if slices.Contains(m.Flags, f.flag) {
			parts = append(parts, f.words)
		}
	}
	if m.Source == sheet.Added || m.Source == sheet.Moved {
		parts = append(parts, m.Source+" by hand")
	}
	switch role {
	case sheet.Outlier:
		parts = append(parts, "set aside by the outlier rule")
	case sheet.Flyer:
		parts = append(parts, "flyer: "+m.Cause)
	case sheet.Sighter:
		parts = append(parts, "sighter, not counted")
	case "earlier":
		if len(colours) > 0 && !slices.Contains(colours, m.Colour) {
			parts = append(parts, "counts for no string of this photo, whose stickers are "+strings.Join(colours, " and "))
		} else {
			parts = append(parts, "counts for no string of this photo: seen before, or its string is not in the figures")
		}
	case "removed":
		parts = append(parts, "removed by hand")
	}
	return strings.Join(parts, " · ")
}
