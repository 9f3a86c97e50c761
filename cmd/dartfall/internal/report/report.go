// Package report words a summary for people: one HTML file that opens offline, a
// text for a video's description and an alternative text for each picture. It
// refuses to compute figures: every number is taken from summary.json's own text
// by its path and only rounded, so that the two cannot differ.
package report

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"

	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/sheet"
)

// Picture is one picture to show inside the report.
type Picture struct {
	Title string
	Alt   string
	Type  string // image/png or image/jpeg
	Data  []byte
	First bool // stands at the top; others beside the photos' table
}

//go:embed report.gohtml
var page string

// HTML returns the report: one file without scripts or outside resources. The
// same summary and pictures give the same bytes.
func HTML(s sheet.Summary, pictures []Picture) ([]byte, error) {
	doc, err := tree(s)
	if err != nil {
		return nil, err
	}
	v := view{Summary: s, doc: doc, ids: identities(s)}
	for _, p := range pictures {
		if p.Type != "image/png" && p.Type != "image/jpeg" {
			return nil, fmt.Errorf("a report cannot show a picture of type %q", p.Type)
		}
		v.Pictures = append(v.Pictures, shown{p.First, p.Title, p.Alt,
			template.URL("data:" + p.Type + ";base64," + base64.StdEncoding.EncodeToString(p.Data))})
	}
	t, err := template.New("report").Funcs(template.FuncMap{
		"fig":   func(path string, decimals int) (template.HTML, error) { return v.figure(path, decimals, "") },
		"est":   func(path string, decimals int) (template.HTML, error) { return v.estimate(path, decimals, "") },
		"speed": func(path string, decimals int) (template.HTML, error) { return v.figure(path, decimals, v.unit()) },
		"speeds": func(path string, decimals int) (template.HTML, error) {
			return v.estimate(path, decimals, v.unit())
		},
		"path": fmt.Sprintf, "unit": v.unit, "sizes": func() []size { return sizes }, "keptSizes": func() []size { return sizes[:3] },
		"main": v.main, "board": v.board, "strips": v.strips, "glyph": v.glyph,
		"description": func() (string, error) { return Description(s) }, "alt": func(moved bool) string { return PictureAlt(s, moved) },
		"settled": v.settled, "heights": v.heights, "slips": v.slips, "flyers": v.flyers, "unaccounted": v.unaccounted, "counted": v.counted, "variant": v.variant, "obtained": obtained,
		"bytime": bytime, "photoWords": photoWords, "sentence": sentence, "methods": v.methods,
		"many":     func() bool { return len(s.Groups) > mostColumns },
		"distance": func() bool { return s.Session.DistanceMM.Known() },
		"capped":   func() bool { return s.Session.CapMPS.Known() },
		"flight":   func() bool { return s.Flight != nil && len(s.Flight.Rows) > 0 },
		"drift":    func() bool { return s.Flight.Rows[0].DriftMM.Value.Known() },
	}).Parse(page)
	if err != nil {
		return nil, fmt.Errorf("report template: %v", err)
	}
	var b bytes.Buffer
	if err := t.Execute(&b, v); err != nil {
		return nil, fmt.Errorf("cannot write the report: %v", err)
	}
	return b.Bytes(), nil
}

// size is a row of the tables of group sizes: what it is called and its key in
// sheet.Figures.
type size struct{ Label, Key string }

// sizes are all rows; the first three are shown without outliers too.
var sizes = []size{
	{"Mean radius", "mean_radius_mm"}, {"Extreme spread", "extreme_spread_mm"}, {"Sigma", "sigma_mm"},
	{"Half within a radius of", "radius_50_mm"}, {"90% within a radius of", "radius_90_mm"},
	{"Width", "width_mm"}, {"Height", "height_mm"}, {"Centre from the rings’ centre", "offset_mm"},
}

// mostColumns is how many groups stand side by side; an archive's are listed below
// each other.
const mostColumns = 8

// variant is a table of group sizes without some shots: Key is their place in
// sheet.Group.
type variant struct {
	Groups       []sheet.Group
	Key, Caption string
	Luck         bool // show what the drop rule does to a clean group
}

// Of returns the figures of a group in this variant, nil when it has none.
func (t variant) Of(g sheet.Group) *sheet.Figures {
	if t.Key == "without_flyers" {
		return g.WithoutFlyers
	}
	return g.Without
}

func (v view) variant(key, caption string) variant {
	return variant{v.Groups, key, caption, key == "without" && v.Rule.Kind == "drop"}
}

type shown struct {
	First      bool
	Title, Alt string
	URL        template.URL
}

type view struct {
	sheet.Summary
	Pictures []shown
	doc      any
	ids      []picture.Identity // of the accessories, same order
}

// tree is the summary as it stands in summary.json, numbers as written.
func tree(s sheet.Summary) (doc any, err error) {
	b, err := sheet.Encode(s)
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	if err := d.Decode(&doc); err != nil {
		return nil, fmt.Errorf("cannot read the summary back: %v", err)
	}
	return doc, nil
}

// lookup follows a path such as groups.0.all.sigma_mm.value.
func lookup(doc any, path string) (any, error) {
	for _, key := range strings.Split(path, ".") {
		switch d := doc.(type) {
		case map[string]any:
			v, ok := d[key]
			if !ok {
				return nil, fmt.Errorf("summary.json has no %s", path)
			}
			doc = v
		case []any:
			i, err := strconv.Atoi(key)
			if err != nil || i < 0 || i >= len(d) {
				return nil, fmt.Errorf("summary.json has no %s", path)
			}
			doc = d[i]
		default:
			return nil, fmt.Errorf("summary.json has no %s", path)
		}
	}
	return doc, nil
}

// metresPerFoot is exact (international yard and pound agreement of 1959).
const metresPerFoot = 0.3048

// figure shows the number at path, rounded to a number of decimals; unknown is a
// dash. The exact number and its path stay in the element. With the unit fps a
// number in m/s is shown in feet per second, and the element says so.
func (v view) figure(path string, decimals int, unit string) (template.HTML, error) {
	at, err := lookup(v.doc, path)
	if err != nil {
		return "", err
	}
	if at == nil {
		return `<span title="cannot be given">–</span>`, nil
	}
	n, ok := at.(json.Number)
	if !ok {
		return "", fmt.Errorf("%s of summary.json is no number", path)
	}
	f, err := n.Float64()
	if err != nil {
		return "", err
	}
	shownIn := ""
	if unit == "fps" {
		f /= metresPerFoot
		shownIn = ` data-unit="fps"`
	}
	return template.HTML(fmt.Sprintf(`<data value="%s" data-path="%s"%s>%s</data>`,
		template.HTMLEscapeString(n.String()), template.HTMLEscapeString(path), shownIn, round(f, decimals))), nil
}

// round writes f with a number of decimals and a proper minus sign; a value that
// rounds to zero has no sign. Decimals below zero ask for that many significant
// digits instead, six decimals at most: a small chance must not look like none.
func round(f float64, decimals int) string {
	if decimals < 0 {
		digits := -decimals
		decimals = 0
		if f != 0 {
			decimals = max(0, min(6, digits-1-int(math.Floor(math.Log10(math.Abs(f))))))
		}
	}
	s := strconv.FormatFloat(f, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// estimate shows an Estimate: value and interval, with "at least" for misses.
func (v view) estimate(path string, decimals int, unit string) (template.HTML, error) {
	value, err := v.figure(path+".value", decimals, unit)
	if err != nil {
		return "", err
	}
	low, err := v.figure(path+".low", decimals, unit)
	if err != nil {
		return "", err
	}
	high, err := v.figure(path+".high", decimals, unit)
	if err != nil {
		return "", err
	}
	out := "<strong>" + value + "</strong>"
	if at, err := lookup(v.doc, path+".at_least"); err == nil && at == true {
		out = "at least " + out
	}
	hasLow, hasHigh := strings.Contains(string(low), "<data"), strings.Contains(string(high), "<data")
	switch {
	case hasLow && hasHigh:
		out += ` <span class="iv">` + low + " to " + high + "</span>"
	case hasLow:
		out += ` <span class="iv">from ` + low + "</span>"
	case hasHigh:
		out += ` <span class="iv">up to ` + high + "</span>"
	}
	if to, err := lookup(v.doc, path+".measured_to"); err == nil && to != nil {
		decimals := 1
		if n, ok := to.(json.Number); ok {
			f, _ := n.Float64() // figure says what is wrong with it
			decimals = sheet.UncertaintyDecimals(f)
		}
		plusMinus, err := v.figure(path+".measured_to", decimals, unit)
		if err != nil {
			return "", err
		}
		out += ` <span class="iv">read to ±` + plusMinus + "</span>"
	}
	return out, nil
}

func identities(s sheet.Summary) []picture.Identity {
	names, stickers := make([]string, len(s.Accessories)), make([]string, len(s.Accessories))
	for i, a := range s.Accessories {
		names[i], stickers[i] = a.Name, a.StickerColour
	}
	ids := picture.Identities(names, stickers)
	for i, a := range s.Accessories {
		if a.Letter != "" {
			ids[i].Letter = a.Letter
		}
	}
	return ids
}

func (v view) identity(accessory string) (picture.Identity, bool) {
	for _, id := range v.ids {
		if id.Name == accessory {
			return id, true
		}
	}
	return picture.Identity{Letter: "?", Name: accessory}, false
}

// slips reports whether any accessory has readings that a slip explains.
func (v view) slips() bool {
	return slices.ContainsFunc(v.Velocities, func(s sheet.Velocity) bool { return s.Without != nil })
}

// heights reports whether any velocity says how much height scatter it explains.
func (v view) heights() bool {
	for _, s := range v.Velocities {
		if s.HeightMM.Value.Known() {
			return true
		}
	}
	return false
}

// unaccounted reports whether any group has shots that the figures count as misses
// though no miss was stated.
func (v view) unaccounted() bool {
	return slices.ContainsFunc(v.Groups, func(g sheet.Group) bool { return g.Unaccounted > 0 })
}

// counted reports whether any group has a sigma that counts its misses.
func (v view) counted() bool {
	return slices.ContainsFunc(v.Groups, func(g sheet.Group) bool { return g.SigmaOfAllMM != nil })
}

// flyers reports whether any group has shots with a stated cause.
func (v view) flyers() bool {
	return slices.ContainsFunc(v.Groups, func(g sheet.Group) bool { return g.WithoutFlyers != nil })
}

// deal is a settled difference between two accessories that both have a price.
type deal struct{ Tighter, Other offer }

// offer is an accessory's price with its path in summary.json.
type offer struct {
	sheet.Price
	Name, Path string
}

// settled returns the settled differences between accessories that both have a
// price. Beside anything else a price would suggest what the shots do not show.
func (v view) settled() (deals []deal) {
	find := func(name string) (offer, bool) {
		for i, a := range v.Accessories {
			if a.Name == name && a.Price != nil {
				return offer{*a.Price, name, fmt.Sprintf("accessories.%d.price", i)}, true
			}
		}
		return offer{}, false
	}
	for _, c := range v.Comparisons {
		if c.Verdict != sheet.ClearlyTighter {
			continue
		}
		tighter, okT := find(c.Tighter)
		other, okO := find(c.Wider())
		if okT && okO {
			deals = append(deals, deal{tighter, other})
		}
	}
	return deals
}

// main is the picture at the top, nil when there is none.
func (v view) main() *shown {
	for i := range v.Pictures {
		if v.Pictures[i].First {
			return &v.Pictures[i]
		}
	}
	return nil
}

// unit is what velocities are shown in: as they were typed.
func (v view) unit() string {
	if v.Session.SpeedUnit == "fps" {
		return "fps"
	}
	return "m/s"
}

// photoWords says why a photo is not simply good, or that it is, and where its
// "up" comes from, one sentence each.
func photoWords(p sheet.Photo) []string {
	var out []string
	add := func(s string) {
		if s = sentence(s); s != "" && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	add(p.Reason)
	add(p.Advice)
	for _, g := range p.Grade {
		if g.Level != "good" {
			add(g.Words)
			add(g.Advice)
		}
	}
	for _, w := range p.Warnings {
		add(w)
	}
	if len(out) == 0 {
		out = []string{"Good in every check."}
	}
	add(p.Up.Words)
	return out
}

// sentence gives s a capital and a full stop.
func sentence(s string) string {
	s = strings.TrimSuffix(strings.TrimSpace(s), ".")
	if s == "" {
		return ""
	}
	r := []rune(s)
	return strings.ToUpper(string(r[:1])) + string(r[1:]) + "."
}

// methods lists how the pairs were compared, each method once.
func (v view) methods() []string {
	var out []string
	for _, c := range v.Comparisons {
		if s := sentence(c.Method); s != "" && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// bytime is a photo's clock without its date's "T".
func bytime(taken string) string { return strings.Replace(taken, "T", " ", 1) }
