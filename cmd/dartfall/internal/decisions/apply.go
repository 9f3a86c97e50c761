package decisions

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"dartfall/calib"
	"dartfall/cmd/dartfall/internal/sheet"
)

// Outcome is what a session is after its decisions.
type Outcome struct {
	Photos []sheet.Photo  // with the marks as decided
	Misses map[string]int // by string, where they were decided
	Made   []sheet.Decision
}

// Apply applies what is in force to photos as measured, which are not touched.
// misses holds the misses written for each string of the session. A decision whose
// photo changed, or whose mark or string is no longer there, changes nothing and is
// reported as not fitting, with the reason in its words.
func Apply(s State, photos []sheet.Photo, misses map[string]int) Outcome {
	a := applier{
		Outcome: Outcome{Photos: slices.Clone(photos), Misses: map[string]int{}},
		misses:  misses,
		alias:   map[string]string{},
		source:  map[string]string{},
	}
	for i := range a.Photos {
		a.Photos[i].Marks = slices.Clone(a.Photos[i].Marks)
	}
	for _, d := range s.InForce {
		why := a.one(d)
		words := d.Words()
		if why != "" {
			words += " This no longer fits: " + why + "."
		}
		a.Made = append(a.Made, sheet.Decision{
			ID: strconv.Itoa(d.ID), Time: d.Time.UTC().Format(time.RFC3339), Photo: d.Photo, Impact: d.Mark,
			Words: words, Reason: d.Reason, Fits: why == "",
		})
	}
	return a.Outcome
}

type applier struct {
	Outcome
	misses map[string]int
	alias  map[string]string // mark as the record calls it -> as this run does
	source map[string]string // of marks that were removed
}

// one applies a decision and returns why it could not be, "" when it was.
func (a *applier) one(d Decision) (why string) {
	if d.Kind == Miss {
		return a.miss(d)
	}
	p := a.photo(d)
	switch {
	case p == nil && slices.ContainsFunc(a.Photos, func(p sheet.Photo) bool { return p.Name == d.Photo }):
		return d.Photo + " is another photo than it was"
	case p == nil:
		return d.Photo + " is gone"
	case d.Kind == Ring || d.Kind == Points:
		return "" // the photo was measured by it
	case p.Plane == nil:
		return "the board was not found on " + p.Name
	}
	rect, ok := p.Plane.Rectification()
	if !ok {
		return "the board was not found on " + p.Name
	}
	for _, m := range d.After.Marks {
		if _, ok := a.misses[m.String]; m.String != "" && !ok {
			return "the session has no string " + m.String
		}
	}
	if d.Kind == Add {
		p.Marks = append(p.Marks, a.added(p, d, rect))
		return ""
	}
	i := a.find(p, d)
	if i < 0 {
		return "there is no such mark at that place"
	}
	m := &p.Marks[i]
	before, after := d.Before.Marks[0], d.After.Marks[0]
	if after.XPx != before.XPx || after.YPx != before.YPx || after.DiameterMM != before.DiameterMM {
		if m.Source == sheet.Found {
			m.Source = sheet.Moved
		}
		*m = placed(*m, after, rect)
	}
	a.decide(m, after)
	if d.Kind == Split {
		p.Marks = append(p.Marks, a.added(p, d, rect))
	}
	return ""
}

func (a *applier) miss(d Decision) string {
	n, ok := a.Misses[d.String]
	if !ok {
		n, ok = a.misses[d.String]
	}
	switch {
	case !ok:
		return "the session has no string " + d.String
	case n != *d.Before.Misses:
		return fmt.Sprintf("the session states %d misses for it", n)
	}
	a.Misses[d.String] = *d.After.Misses
	return ""
}

// photo returns the photo of that content; of copies, the one of that name.
func (a *applier) photo(d Decision) (found *sheet.Photo) {
	for i := range a.Photos {
		if p := &a.Photos[i]; p.SHA256 == d.SHA256 && (found == nil || p.Name == d.Photo) {
			found = p
		}
	}
	return found
}

// find returns the index of the decision's mark: the one of that ID when it is
// still at its place, else the nearest mark found there, or -1. The latter happens
// when another version of the program numbers the marks in another way.
func (a *applier) find(p *sheet.Photo, d Decision) int {
	id := d.Mark
	if to, ok := a.alias[id]; ok {
		id = to
	}
	was := d.Before.Marks[0]
	reachPx := max(was.DiameterMM/2*float64(p.Plane.PxPerMM), 3)
	away := func(m sheet.Impact) float64 { return math.Hypot(float64(m.XPx)-was.XPx, float64(m.YPx)-was.YPx) }
	if i := slices.IndexFunc(p.Marks, func(m sheet.Impact) bool { return m.ID == id }); i >= 0 && away(p.Marks[i]) <= reachPx {
		return i
	}
	best := -1
	for i, m := range p.Marks {
		if m.Source == sheet.Found && away(m) <= reachPx && (best < 0 || away(m) < away(p.Marks[best])) {
			best = i
		}
	}
	if best >= 0 {
		a.alias[d.Mark] = p.Marks[best].ID
	}
	return best
}

// added is the new mark of a decision; its ID cannot be one that was found.
func (a *applier) added(p *sheet.Photo, d Decision, rect *calib.Rectification) sheet.Impact {
	at := d.After.Marks[len(d.After.Marks)-1]
	m := sheet.Impact{ID: fmt.Sprintf("%s+%d", p.Name, d.ID), Photo: p.Name, Kind: "sticker", Visible: 1, Source: sheet.Added}
	if at.Colour == "" {
		m.Kind = "bare"
	}
	a.decide(&m, at)
	return placed(m, at, rect)
}

// placed puts a mark where the decision has it, by today's plane. Its uncertainty
// is that of the place in the photo and that of the plane.
func placed(m sheet.Impact, at Mark, rect *calib.Rectification) sheet.Impact {
	x := rect.ToBoard(calib.Px{X: at.XPx, Y: at.YPx})
	m.XPx, m.YPx, m.XMM, m.YMM = sheet.Number(at.XPx), sheet.Number(at.YPx), sheet.Number(x.X), sheet.Number(x.Y)
	m.DiameterMM = sheet.Number(at.DiameterMM)
	j := rect.Jacobian(x)
	// (JᵀJ)⁻¹ carries the pixels' variance to the board.
	xx, xy, yy := j[0][0]*j[0][0]+j[1][0]*j[1][0], j[0][0]*j[0][1]+j[1][0]*j[1][1], j[0][1]*j[0][1]+j[1][1]*j[1][1]
	v := at.SigmaPx * at.SigmaPx / (xx*yy - xy*xy)
	px, pxy, py := rect.PlaneCov(x)
	cov := [3]float64{v*yy + px, -v*xy + pxy, v*xx + py}
	for i, c := range cov {
		m.CovMM2[i] = sheet.Number(c)
	}
	m.SigmaMM = sheet.Number(math.Sqrt((cov[0] + cov[2]) / 2))
	return m
}

// doubts are the flags that ask a person to look.
var doubts = []string{"doubtful", "colour?", "at-least", "by-count", "over-count"}

// decide gives a mark what the decision says of it, its place apart. What a person
// looked at and kept is no longer doubtful.
func (a *applier) decide(m *sheet.Impact, to Mark) {
	if was, ok := a.source[m.ID]; ok && m.Source == sheet.Removed {
		m.Source = was
	}
	m.Colour, m.String, m.Cause, m.SetAside, m.Confidence = to.Colour, to.String, "", "", 1
	m.Flags = slices.DeleteFunc(slices.Clone(m.Flags), func(f string) bool { return slices.Contains(doubts, f) })
	switch to.Role {
	case IsFlyer:
		m.SetAside, m.Cause = sheet.Flyer, to.Cause
	case IsSighter:
		m.SetAside = sheet.Sighter
	case IsRemoved:
		a.source[m.ID], m.Source = m.Source, sheet.Removed
	}
}
