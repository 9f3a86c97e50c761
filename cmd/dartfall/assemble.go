package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/scoring"
	"dartfall/vision"
)

// stickerPlacementNote says what the photo cannot know.
const stickerPlacementNote = "The stated uncertainty is the photo's. A sticker placed by hand is good to 5 to 10 mm (common practice, no source), which comes on top."

// assemble makes the session's document from its photos as measured and from what
// was decided by hand.
func assemble(j job, measured []sheet.Photo) (sheet.Summary, error) {
	decided := decisions.Apply(j.decided, measured, j.statedMisses())
	j.unfitRings(decided.Made)
	photos := decided.Photos
	s := sheet.Summary{
		Schema: sheet.SchemaID, Photos: photos, Decisions: decided.Made, Cautions: sheet.Cautions(),
		Session:    sheet.Session{DistanceMM: sheet.Unknown(), DartMassG: sheet.Unknown(), CapMPS: sheet.Unknown()},
		Provenance: sheet.Provenance{Program: "dartfall", Version: version, Settings: j.settings},
		Rule:       j.rule(),
		Warnings:   slices.Clone(j.unread),
	}
	if j.distance.MM > 0 {
		s.Session.DistanceMM, s.Session.DistanceText = sheet.Number(j.distance.MM), j.distance.Text
	}
	for _, p := range photos {
		s.Provenance.Files = append(s.Provenance.Files, sheet.File{Name: p.Name, SHA256: p.SHA256})
	}
	s.Provenance.Files = append(s.Provenance.Files, j.files...)
	if j.record != nil {
		s.Provenance.Files = append(s.Provenance.Files, *j.record)
	}
	if j.session != nil {
		j.sessionFacts(&s)
	}
	s.Warnings = append(s.Warnings, repeated(photos)...)
	groups := j.groups(&s, photos, decided.Misses)
	s.Warnings = append(s.Warnings, j.doubts(s.Impacts)...)
	if s.Stickers() {
		s.Warnings = slices.Insert(s.Warnings, 0, stickerPlacementNote)
	}
	for _, g := range groups {
		a, err := scoring.Assess(g.group, scoring.Options{Drop: j.drop, Chance: j.chance, ScaleSigma: g.scaleSigma, Board: j.board()})
		if err != nil {
			return s, err
		}
		out := sheet.Group{Accessory: g.group.Accessory, Letter: g.letter, Shots: g.group.Declared, Misses: g.group.Misses, Unaccounted: max(0, a.All.Unaccounted), ShrinkageByLuck: sheet.Unknown()}
		out.All = j.figures(a.All, g.group)
		if e := a.All.CensoredSigma; e != nil {
			all := estimate(*e, false)
			out.SigmaOfAllMM = &all
		}
		for _, w := range append(a.All.Warnings, a.Warnings...) {
			if text := j.warningText(w); text != "" && !slices.Contains(out.Warnings, text) {
				out.Warnings = append(out.Warnings, text)
			}
		}
		without, mask := a.Dropped, []bool(nil)
		switch {
		case j.chance > 0 && a.Flagged != nil:
			without, mask = a.Flagged, a.Robust.Mask
		case a.Dropped != nil:
			mask = a.Drop.Mask
			out.ShrinkageByLuck, out.MissesDropped = sheet.Number(a.Drop.Luck.Value), a.Drop.Misses
		}
		if without != nil {
			f := j.figures(*without, g.group)
			out.Without = &f
		}
		for i, aside := range mask {
			if im := &s.Impacts[g.rows[i]]; aside && im.SetAside == "" {
				im.SetAside = sheet.Outlier
			}
		}
		if a.WithoutFlyers != nil {
			f := j.figures(*a.WithoutFlyers, g.group)
			out.WithoutFlyers = &f
		}
		s.Groups = append(s.Groups, out)
	}
	if err := j.compare(&s, groups); err != nil {
		return s, err
	}
	if err := j.velocities(&s); err != nil {
		return s, err
	}
	s.Answer = answer(s)
	if s.Answer == noMark {
		s.Warnings = append(s.Warnings, "no mark was found: check the rings' diameters, the colours of the stickers and their size")
	}
	return s, nil
}

// warningText is a warning with where to change what it speaks of, "" where that is nowhere.
func (j job) warningText(w scoring.Warning) string {
	switch {
	case w.Code == "no-robust" && j.chance == 0, w.Code == scoring.NoBoard && j.session == nil:
		return ""
	case w.Code == scoring.NoBoard:
		return w.Text + ": write backer under [board] in " + session.FileName
	}
	return w.Text
}

// measuredGroup is one accessory's impacts with their rows in the document.
type measuredGroup struct {
	group      scoring.Group
	letter     string
	rows       []int
	scaleSigma float64
}

// groups sorts the marks into impacts: with a session by its strings, else one
// group for each colour on each photo.
func (j job) groups(s *sheet.Summary, photos []sheet.Photo, misses map[string]int) []measuredGroup {
	var out []measuredGroup
	index := map[string]int{}
	add := func(name, letter string) *measuredGroup {
		i, ok := index[name]
		if !ok {
			i = len(out)
			index[name] = i
			out = append(out, measuredGroup{group: scoring.Group{Accessory: name}, letter: letter})
		}
		return &out[i]
	}
	planes := map[string]*plane{} // by photo
	for _, p := range photos {
		planes[p.Name] = planeOf(p)
	}
	put := func(g *measuredGroup, p sheet.Photo, im sheet.Impact, str string, turnRad float64) (counts bool) {
		im.Accessory, im.String = g.group.Accessory, str
		s.Impacts = append(s.Impacts, im)
		if !im.Counts() {
			return false
		}
		g.rows = append(g.rows, len(s.Impacts)-1)
		shot := scoring.Impact{
			ID: im.ID, Pos: r2.Vec{X: float64(im.XMM), Y: float64(im.YMM)}, Accessory: g.group.Accessory, Block: str, Flyer: im.Cause, Photo: p.Name,
		}
		shot.SigmaMM, shot.Shared = planes[p.Name].split(shot.Pos, float64(im.SigmaMM), turnRad)
		g.group.Impacts = append(g.group.Impacts, shot)
		if p.Plane != nil {
			g.scaleSigma = math.Max(g.scaleSigma, float64(p.Plane.ScaleSigma))
		}
		return true
	}
	if j.hasStrings() {
		j.sessionGroups(s, photos, misses, add, put)
		for _, g := range out {
			numberRounds(g.group.Impacts)
		}
		return out
	}
	for _, p := range photos {
		for _, im := range p.Marks {
			if !im.Counts() {
				s.Impacts = append(s.Impacts, im)
				continue
			}
			name := im.Colour
			if name == "" {
				name = "marks"
			}
			if len(photos) > 1 {
				name = p.Name + " " + name
			}
			put(add(name, ""), p, im, "", 0)
		}
	}
	for i := range out {
		out[i].letter = string(rune('A' + i%26))
		out[i].group.Declared = j.shotsOf(s.Impacts[out[i].rows[0]].Colour)
		s.Accessories = append(s.Accessories, sheet.Accessory{Name: out[i].group.Accessory, Letter: out[i].letter, StickerColour: s.Impacts[out[i].rows[0]].Colour})
	}
	return out
}

// plane is what the impacts of one photo share: how its errors move them.
type plane struct {
	rect   *calib.Rectification
	errors func(r2.Vec) []r2.Vec
}

// planeOf is nil for a photo without a plane.
func planeOf(p sheet.Photo) *plane {
	if p.Plane == nil {
		return nil
	}
	rect, ok := p.Plane.Rectification()
	if !ok {
		return nil
	}
	return &plane{rect, rect.PlaneErrors()}
}

// split takes what the plane and the scale add out of an impact's standard uncertainty
// and returns what is its own, and the moves that it shares with the photo's others.
// at is its position in the frame turned by turnRad.
func (p *plane) split(at r2.Vec, sigmaMM, turnRad float64) (ownMM float64, shared []r2.Vec) {
	if p == nil {
		return sigmaMM, nil
	}
	x := r2.Rotate(at, -turnRad, r2.Vec{})
	for _, e := range p.errors(x) {
		shared = append(shared, r2.Rotate(e, turnRad, r2.Vec{}))
	}
	xx, _, yy := p.rect.PlaneCov(x)
	return math.Sqrt(math.Max(0, sigmaMM*sigmaMM-(xx+yy)/2)), shared
}

// hasStrings reports whether a session file says what was shot.
func (j job) hasStrings() bool { return j.session != nil && len(j.session.Strings) > 0 }

// sessionFacts copies what the session file says about the day.
func (j job) sessionFacts(s *sheet.Summary) {
	ses := j.session
	s.Session.Title, s.Session.Date, s.Session.Place, s.Session.DistanceHow = ses.Title, ses.Date, ses.Place, ses.DistanceHow
	s.Session.WindText, s.Session.TemperatureText = ses.Conditions.Wind, ses.Conditions.TemperatureText
	s.Session.DartText, s.Session.LightText = ses.Darts.Batch, ses.Conditions.Light
	s.Session.SpeedUnit, s.Session.SpeedHow = ses.Velocity.Unit, ses.Velocity.How
	if ses.Notes != "" {
		s.Session.Notes = []string{ses.Notes}
	}
	if ses.Darts.MassG > 0 {
		s.Session.DartMassG = sheet.Number(ses.Darts.MassG)
	}
	if ses.Velocity.CapMPS > 0 {
		s.Session.CapMPS = sheet.Number(ses.Velocity.CapMPS)
	}
	s.Warnings = append(s.Warnings, ses.Warnings...)
	if ses.Outliers.Rule != "" {
		s.Rule.Decided, s.Rule.Stated = ses.Outliers.Decided, true
	}
	if len(ses.Strings) == 0 {
		s.Warnings = append(s.Warnings, "the session file lists no [[string]]: each photo is shown by itself, and nothing is compared")
	}
}

// repeated names photos that are copies of one another.
func repeated(photos []sheet.Photo) (warnings []string) {
	first := map[string]string{} // by content
	for _, p := range photos {
		if p.SHA256 == "" {
			continue
		}
		if name, again := first[p.SHA256]; again {
			warnings = append(warnings, fmt.Sprintf("%s is a copy of %s: its marks are the same shots", p.Name, name))
			continue
		}
		first[p.SHA256] = p.Name
	}
	return warnings
}

// sessionGroups takes, of each string's photo, the marks in its accessory's colour
// that were not on the board before.
func (j job) sessionGroups(s *sheet.Summary, photos []sheet.Photo, misses map[string]int, add func(name, letter string) *measuredGroup, put func(*measuredGroup, sheet.Photo, sheet.Impact, string, float64) bool) {
	ses := j.session
	byName := map[string]sheet.Photo{}
	for _, p := range photos {
		byName[p.Name] = p
	}
	for _, a := range ses.Accessories {
		acc := sheet.Accessory{Name: a.Name, Letter: a.Letter, StickerColour: a.Sticker, Baseline: a.Baseline, Obtained: a.Obtained}
		if a.HasPrice {
			acc.Price = &sheet.Price{Amount: sheet.Number(a.Price), Delivery: sheet.Number(a.Delivery), Delivered: sheet.Number(a.Price + a.Delivery), Currency: a.Currency, Date: a.PriceDate, Where: a.Where}
		}
		s.Accessories = append(s.Accessories, acc)
		add(a.Name, a.Letter)
	}
	s.Warnings = append(s.Warnings, j.misfiled(photos)...)
	sightings := j.follow(s, byName)
	taken := map[string]string{} // photo and colour -> string, to catch a board read twice
	for i, t := range ses.Strings {
		a, _ := ses.Accessory(t.Accessory)
		g := add(t.Accessory, a.Letter)
		name := stringName(i, t)
		if n, ok := misses[name]; ok {
			t.Misses = n
		}
		row := sheet.String{Name: name, Accessory: t.Accessory, Photo: t.Photo, Order: t.Order, Shots: t.Shots, Misses: t.Misses, Notes: t.Notes}
		for _, v := range t.ReadingsMPS {
			row.Readings = append(row.Readings, sheet.Number(v))
		}
		p, si := byName[t.Photo], sightings[t.Photo]
		if si != nil {
			row.SeenAgain, row.Gone, row.Open = len(si.before), si.gone, si.unsure
		}
		key := t.Photo + "|" + a.Sticker
		byHand := slices.ContainsFunc(p.Marks, func(im sheet.Impact) bool { return im.String == name })
		switch {
		case si == nil:
			row.LeftOut = t.Photo + " was not measured"
			s.Warnings = append(s.Warnings, fmt.Sprintf("string %s has no measured photo (%s): its shots are not in the figures", name, t.Photo))
		case taken[key] != "" && !byHand && (t.Shots == 0 || t.Misses < t.Shots): // one without a hit needs no marks
			row.LeftOut = fmt.Sprintf("the marks of %s count for string %s", t.Photo, taken[key])
			s.Warnings = append(s.Warnings, fmt.Sprintf("strings %s and %s share the %s marks of %s: they are counted once, for the first; give each its marks in dartfall review", taken[key], name, a.Sticker, t.Photo))
		case si.unsure != "" && !byHand:
			row.LeftOut = "its new marks cannot be told from earlier ones"
			s.Warnings = append(s.Warnings, fmt.Sprintf("string %s is not in the figures, since its new marks cannot be told from earlier ones: %s; if a new face was up, write fresh = true under its [[string]]", name, si.unsure))
		default:
			colourTells := taken[key] == "" && si.unsure == "" // else only what was given to it by hand is its own
			if colourTells {
				taken[key] = name
			}
			for _, im := range p.Marks {
				byColour := colourTells && im.String == "" && !slices.Contains(si.before, im.ID) && (a.Sticker == "" || im.Colour == a.Sticker)
				if (byColour || im.String == name) && put(g, p, si.inFrame(im), name, si.turn) {
					row.Found++
				}
			}
			if row.Found == 0 && t.Misses == 0 { // a photo taken again, or of another string, says nothing of misses
				row.LeftOut = t.Photo + " shows no new mark of it"
				s.Warnings = append(s.Warnings, j.noMarkWords(row, a.Sticker))
				break
			}
			g.group.Declared += t.Shots
			g.group.Misses += t.Misses
			if t.Shots > 0 && row.Found+t.Misses != t.Shots {
				s.Warnings = append(s.Warnings, fmt.Sprintf("string %s: %s and %s declared, %s found: look at the picture and correct what is wrong before you publish", name, plural(t.Shots, "shot"), plural(t.Misses, "miss"), plural(row.Found, "mark")))
			}
		}
		s.Strings = append(s.Strings, row)
	}
	for _, row := range s.Strings { // beside a string that states its shots, one that does not has those known of
		if g := add(row.Accessory, ""); row.Shots == 0 && row.LeftOut == "" && g.group.Declared > 0 {
			g.group.Declared += row.Found + row.Misses
		}
	}
	warnOfLateMarks(s)
}

func estimate(e scoring.Estimate, atLeast bool) sheet.Estimate {
	atLeast = atLeast && !math.IsNaN(e.Value)
	out := sheet.Estimate{Value: sheet.Number(e.Value), Low: sheet.Number(e.Lo), High: sheet.Number(e.Hi), Level: sheet.Number(e.Level), AtLeast: atLeast, MeasuredTo: sheet.Unknown()}
	if atLeast {
		out.High = sheet.Unknown()
	}
	if e.MeasureSigma > 0 {
		out.MeasuredTo = sheet.Number(sheet.Normal95 * e.MeasureSigma)
	}
	return out
}

// figures copies a summary into the document.
func (j job) figures(s scoring.Summary, g scoring.Group) sheet.Figures {
	e := func(v scoring.Estimate) sheet.Estimate { return estimate(v, s.AtLeast) }
	f := sheet.Figures{
		N: s.N, CentreMM: sheet.Point{XMM: sheet.Number(s.CentreX.Value), YMM: sheet.Number(s.CentreY.Value)},
		OffsetMM: estimate(s.CentreOffset, false), ExtremeSpreadMM: e(s.ExtremeSpread), MeanRadiusMM: e(s.MeanRadius), SigmaMM: e(s.Sigma),
		SigmaXMM: sheet.NoEstimate(), SigmaYMM: sheet.NoEstimate(),
		Radius50MM: e(s.R50), Radius90MM: e(s.R90), WidthMM: e(s.Width), HeightMM: e(s.Height),
		ExtremeSpreadMrad: sheet.Unknown(), ExtremeSpreadMOA: sheet.Unknown(), MeanRadiusMrad: sheet.Unknown(), MeanRadiusMOA: sheet.Unknown(),
		SigmaMrad: sheet.Unknown(), SigmaMOA: sheet.Unknown(),
	}
	if s.Ellipse != nil {
		f.SigmaXMM.Value, f.SigmaYMM.Value = sheet.Number(s.Ellipse.SigmaXMM), sheet.Number(s.Ellipse.SigmaYMM)
	}
	for i, k := range s.ExtremePair {
		if k >= 0 {
			f.ExtremePair[i] = g.Impacts[k].ID
		}
	}
	if d := j.distance.MM; d > 0 {
		mrad := func(v scoring.Estimate) sheet.Number { return sheet.Number(v.Mrad(d).Value) }
		moa := func(v scoring.Estimate) sheet.Number { return sheet.Number(v.Mrad(d).Value / 1000 / scoring.MOA) }
		f.ExtremeSpreadMrad, f.ExtremeSpreadMOA = mrad(s.ExtremeSpread), moa(s.ExtremeSpread)
		f.MeanRadiusMrad, f.MeanRadiusMOA = mrad(s.MeanRadius), moa(s.MeanRadius)
		f.SigmaMrad, f.SigmaMOA = mrad(s.Sigma), moa(s.Sigma)
	}
	return f
}

const noMark = "The board was found, but no mark on it."

// answer is the document's first line.
func answer(s sheet.Summary) string {
	n := 0
	for _, p := range s.Photos {
		if p.Plane != nil {
			n++
		}
	}
	switch {
	case n == 0:
		return "No photo could be measured."
	case counted(s.Impacts) == 0:
		return noMark
	}
	if words := comparisonAnswer(s.Comparisons); words != "" {
		words = strings.TrimSuffix(words, ".")
		var doubts, out []string
		for _, t := range s.Strings {
			if t.LeftOut != "" {
				out = append(out, fmt.Sprintf("string %s is not in the figures, since %s", t.Name, t.LeftOut))
			}
		}
		for _, g := range s.Groups {
			own := slices.DeleteFunc(slices.Clone(s.Impacts), func(m sheet.Impact) bool { return m.Accessory != g.Accessory })
			if d, n := doubtful(own), counted(own); n > 0 && manyDoubts(d, n) {
				doubts = append(doubts, fmt.Sprintf("%d of %s of %s", d, plural(n, "mark"), g.Accessory))
			}
		}
		if len(doubts) > 0 {
			words += fmt.Sprintf("; but %s are doubtful: look at these first, in dartfall review", strings.Join(doubts, " and "))
		}
		return strings.Join(append([]string{words}, out...), "; ") + "."
	}
	words := fmt.Sprintf("%s in %s on %s", plural(counted(s.Impacts), "impact"), plural(len(s.Groups), "group"), plural(n, "photo"))
	for _, g := range s.Groups {
		if extra := moreThanShots(g.Accessory, g.All.N, g.Misses, g.Shots); extra != "" {
			words += "; but " + extra
		}
	}
	return words + "."
}

// doubtful is how many of the impacts are in a figure and doubtful.
func doubtful(impacts []sheet.Impact) (n int) {
	for _, m := range impacts {
		if m.Counts() && slices.Contains(m.Flags, string(vision.Doubtful)) {
			n++
		}
	}
	return n
}

// manyDoubts reports whether too many of so many marks are doubtful to rest a figure on.
func manyDoubts(doubtful, marks int) bool { return 3*doubtful >= marks }

// counted is how many of the impacts are in a figure.
func counted(impacts []sheet.Impact) (n int) {
	for _, m := range impacts {
		if m.Counts() {
			n++
		}
	}
	return n
}
