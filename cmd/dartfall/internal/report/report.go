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
		"fig": v.figure, "est": v.estimate, "path": fmt.Sprintf, "board": v.board, "strips": v.strips,
		"glyph": v.glyph, "description": func() (string, error) { return Description(s) }, "boardAlt": func() string { return BoardAlt(s) },
		"settled": v.settled, "bytime": bytime, "heights": v.heights, "flyers": v.flyers, "hasFlight": func() bool { return s.Flight != nil },
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

// figure shows the number at path, rounded to a number of decimals; unknown is a
// dash. The exact number and its path stay in the element.
func (v view) figure(path string, decimals int) (template.HTML, error) {
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
	return template.HTML(fmt.Sprintf(`<data value="%s" data-path="%s">%s</data>`,
		template.HTMLEscapeString(n.String()), template.HTMLEscapeString(path), round(f, decimals))), nil
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
func (v view) estimate(path string, decimals int) (template.HTML, error) {
	value, err := v.figure(path+".value", decimals)
	if err != nil {
		return "", err
	}
	low, err := v.figure(path+".low", decimals)
	if err != nil {
		return "", err
	}
	high, err := v.figure(path+".high", decimals)
	if err != nil {
		return "", err
	}
	out := "<strong>" + value + "</strong>"
	if at, err := lookup(v.doc, path+".at_least"); err == nil && at == true {
		out = "at least " + out
	}
	if strings.Contains(string(low), "<data") || strings.Contains(string(high), "<data") {
		out += ` <span class="iv">` + low + " to " + high + "</span>"
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

func tone(id picture.Identity) string {
	return fmt.Sprintf("#%02x%02x%02x", id.Tone.R, id.Tone.G, id.Tone.B)
}

// polygon is the accessory's shape about (x, y).
func polygon(id picture.Identity, x, y, r float64, class string) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<polygon class="%s" fill="%s" points="`, class, tone(id))
	for i, p := range id.Shape.Outline() {
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%.2f,%.2f", x+r*p[0], y+r*p[1])
	}
	b.WriteString(`"/>`)
	return b.String()
}

// glyph is the small shape beside an accessory's name.
func (v view) glyph(accessory string) template.HTML {
	id, _ := v.identity(accessory)
	return template.HTML(`<svg class="glyph" viewBox="-2 -2 4 4" aria-hidden="true">` + polygon(id, 0, 0, 1, "m") + `</svg> ` +
		`<b>` + template.HTMLEscapeString(id.Letter) + `</b> ` + template.HTMLEscapeString(accessory))
}

// board draws the impacts that count at true scale, with the rings.
func (v view) board() template.HTML {
	reach := 100.0
	rings := v.FaceRadiiMM()
	for _, r := range rings {
		reach = max(reach, r)
	}
	for _, m := range v.Impacts {
		if m.XMM.Known() && m.YMM.Known() {
			reach = max(reach, math.Abs(float64(m.XMM)), math.Abs(float64(m.YMM)))
		}
	}
	edge := reach * 1.06
	r := reach / 40
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="board" viewBox="%.1f %.1f %.1f %.1f" role="img" aria-label="%s">`, -edge, -edge, 2*edge, 2*edge+4*r,
		template.HTMLEscapeString(BoardAlt(v.Summary)))
	for _, ring := range rings {
		fmt.Fprintf(&b, `<circle class="ring" r="%.1f"/>`, ring)
	}
	for _, m := range v.Impacts {
		if !m.Counts() || !m.XMM.Known() || !m.YMM.Known() {
			continue
		}
		id, known := v.identity(m.Accessory)
		class := "m"
		if m.SetAside != "" || !known {
			class = "m hollow"
		}
		b.WriteString(polygon(id, float64(m.XMM), -float64(m.YMM), r, class))
	}
	fmt.Fprintf(&b, `<path class="scale" d="M%.1f %.1fh100"/><text class="scale" x="%.1f" y="%.1f" font-size="%.1f">100 mm</text></svg>`,
		-edge*0.98, edge+2.2*r, -edge*0.98+110, edge+2.8*r, 2*r)
	return template.HTML(b.String())
}

// strips draws each accessory's readings as points on one axis in m/s, the mean
// with its interval below, and the venue's cap.
func (v view) strips() template.HTML {
	lo, hi := math.Inf(1), math.Inf(-1)
	take := func(n sheet.Number) {
		if n.Known() {
			lo, hi = min(lo, float64(n)), max(hi, float64(n))
		}
	}
	for _, s := range v.Velocities {
		for _, r := range s.Readings {
			take(r)
		}
		take(s.MeanMPS.Low)
		take(s.MeanMPS.High)
	}
	limit := v.Session.CapMPS
	if limit.Known() && limit > 0 {
		take(limit)
	}
	if !(hi > lo) {
		lo, hi = lo-1, hi+1
	}
	if math.IsInf(lo, 0) || math.IsNaN(lo) {
		return ""
	}
	const left, width, row = 150.0, 480.0, 46.0
	pad := (hi - lo) * 0.06
	lo, hi = lo-pad, hi+pad
	x := func(n sheet.Number) float64 { return left + width*(float64(n)-lo)/(hi-lo) }
	height := row*float64(len(v.Velocities)) + 34
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="strips" viewBox="0 0 660 %.0f" role="img" aria-label="Readings of each accessory on one axis in metres per second; the table below holds the figures.">`, height)
	for i, s := range v.Velocities {
		y := row*float64(i) + 18
		id, _ := v.identity(s.Accessory)
		fmt.Fprintf(&b, `<text x="0" y="%.1f">%s %s</text><path class="rule" d="M%.0f %.1fh%.0f"/>`, y+5,
			template.HTMLEscapeString(id.Letter), template.HTMLEscapeString(clip(s.Accessory, 16)), left, y, width)
		for _, r := range s.Readings {
			if r.Known() {
				b.WriteString(polygon(id, x(r), y, 5, "m"))
			}
		}
		if m := s.MeanMPS; m.Low.Known() && m.High.Known() {
			fmt.Fprintf(&b, `<path class="mean" d="M%.1f %.1fH%.1f"/>`, x(m.Low), y+14, x(m.High))
		}
		if m := s.MeanMPS.Value; m.Known() {
			fmt.Fprintf(&b, `<path class="mean" d="M%.1f %.1fv10"/>`, x(m), y+9)
		}
	}
	if limit.Known() && limit > 0 {
		fmt.Fprintf(&b, `<path class="cap" d="M%.1f 2V%.1f"/><text x="%.1f" y="%.1f" text-anchor="middle">cap</text>`, x(limit), height-30, x(limit), height-17)
	}
	for i := range 5 {
		n := sheet.Number(lo + (hi-lo)*float64(i)/4)
		fmt.Fprintf(&b, `<text class="tick" x="%.1f" y="%.1f" text-anchor="middle">%.1f</text>`, x(n), height-2, float64(n))
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

func clip(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
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

// flyers reports whether any group has shots with a stated cause.
func (v view) flyers() bool {
	return slices.ContainsFunc(v.Groups, func(g sheet.Group) bool { return g.WithoutFlyers != nil })
}

// deal is a settled difference with both prices.
type deal struct {
	Words           string
	Tighter, Other  string
	PathT, PathO    string // of the prices in summary.json
	CurrencyT, Curr string
	DateT, DateO    string
}

// settled returns the settled differences between accessories that both have a
// price. Beside anything else a price would suggest what the shots do not show.
func (v view) settled() (deals []deal) {
	index := func(name string) int {
		for i, a := range v.Accessories {
			if a.Name == name && a.Price != nil {
				return i
			}
		}
		return -1
	}
	for _, c := range v.Comparisons {
		if c.Verdict != sheet.ClearlyTighter {
			continue
		}
		other := c.B
		if c.Tighter == c.B {
			other = c.A
		}
		i, j := index(c.Tighter), index(other)
		if i < 0 || j < 0 {
			continue
		}
		a, b := v.Accessories[i].Price, v.Accessories[j].Price
		deals = append(deals, deal{c.Words, c.Tighter, other,
			fmt.Sprintf("accessories.%d.price", i), fmt.Sprintf("accessories.%d.price", j), a.Currency, b.Currency, a.Date, b.Date})
	}
	return deals
}

// bytime is a photo's clock without its date's "T".
func bytime(taken string) string { return strings.Replace(taken, "T", " ", 1) }
