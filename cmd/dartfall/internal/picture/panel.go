package picture

import (
	"fmt"
	"math"
	"strings"
)

// still arranges the 1920 x 1080 picture: the board on the left over the full
// height, words and figures on the right.
func (c *composer) still() {
	safe := box{96, 54, 1824, 1026}
	area := box{54, 54, 1026, 1026}
	n := len(c.scene.Accessories)
	c.board(boardPlan{
		area: area, text: box{96, 62, 1018, 1018},
		glyphPx: pick(n, 13, 11.5), labelPx: pick(n, 40, 32), smallPx: 25, who: c.everyone(),
	})
	p := box{1070, safe.y0, safe.x1, safe.y1}
	p.y0 = c.title(p, 46, 2) + 10
	p.y0 = c.verdicts(p, 34)
	p.y1 = c.strip(p, 20)
	c.rows(p, 1)
}

// vertical arranges the 1080 x 1920 picture within the part that stays visible.
func (c *composer) vertical() {
	p := box{108, 384, 972, 1536}
	n := len(c.scene.Accessories)
	p.y0 = c.title(p, 46, 2) + 8
	p.y0 = c.verdicts(p, 33)
	p.y1 = c.strip(p, 21)
	columns, lines := 1, max(1, n)
	if n > 4 {
		columns, lines = 2, (n+1)/2
	}
	each := 80.0
	if columns > 1 {
		each = 68
	}
	rows := math.Min(float64(lines)*each, (p.y1-p.y0)*0.45) + rowsHeadPx + axisPx
	area := box{p.x0, p.y0, p.x1, p.y1 - rows - 12}
	c.board(boardPlan{
		area: area, text: area.grow(-8),
		glyphPx: pick(n, 11, 9.5), labelPx: pick(n, 38, 29), smallPx: 24, who: c.everyone(),
	})
	c.rows(box{p.x0, area.y1 + 10, p.x1, p.y1}, columns)
}

// mostOnThumbnail is how many accessories a thumbnail shows: more do not read at its
// size.
const mostOnThumbnail = 3

// thumbnail arranges the 1280 x 720 picture: one board, at most three shapes.
func (c *composer) thumbnail() {
	area := box{32, 32, 688, 688}
	who := c.everyone()
	if len(who) > mostOnThumbnail {
		who = who[:mostOnThumbnail]
	}
	c.board(boardPlan{
		area: area, text: box{64, 42, 678, 678},
		glyphPx: 12, labelPx: 52, smallPx: 32, who: who, bare: true,
	})
	const x0, x1, foot = 728.0, 1216.0, 616.0 // the duration lies below foot at the right
	y := c.title(box{x0, 48, x1, 200}, 46, 2) + 10
	h := math.Min(128, (foot-140-y)/math.Max(1, float64(len(who))))
	for i, w := range who {
		a := c.scene.Accessories[w]
		top := y + float64(i)*h
		c.add("figure-"+c.letter(w), c.revealStep(w), func(k *canvas) {
			r := 0.2 * h
			k.glyph(a.Identity, look{}, x0+1.6*r, top+h/2, r)
			letter, lst := k.fit(a.Letter, style{boldWeight, 0.56 * h}, 0.8*h, 0.4)
			k.text(letter, lst, x0+3.9*r, top+h/2+0.36*lst.sizePx, ink)
			text, st := k.fit(rangeText(a.All.MeanRadius), style{boldWeight, 0.62 * h}, x1-x0-1.75*h, 0.4)
			k.text(text, st, x1-k.width(text, st), top+h/2+0.36*st.sizePx, ink)
		})
	}
	y += h * float64(len(who))
	c.add("verdict", c.verdictStep(), func(k *canvas) {
		st := style{mediumWeight, 30}
		text := "mean radius"
		if lo, hi := c.counts(who); lo == hi {
			text += fmt.Sprintf(", n %d each", hi)
		} else {
			text += fmt.Sprintf(", n %d–%d", lo, hi)
		}
		text, fitted := k.fit(text, st, x1-x0, 0.7)
		k.text(text, fitted, x1-k.width(text, fitted), y+34, softInk)
		for i, v := range c.scene.InShort[:min(2, len(c.scene.InShort))] {
			top := y + 56 + 44*float64(i)
			k.stepBar(v.Step, x0, top, 54, 28)
			text, fitted := k.fit(v.Text, style{boldWeight, 36}, x1-x0-72, 0.6)
			k.text(text, fitted, x0+72, top+27, ink)
		}
	})
}

func pick(n int, few, many float64) float64 {
	if n > 4 {
		return many
	}
	return few
}

func (c *composer) everyone() []int {
	who := make([]int, len(c.scene.Accessories))
	for i := range who {
		who[i] = i
	}
	return who
}

// counts returns the smallest and the largest number of shots.
func (c *composer) counts(who []int) (lo, hi int) {
	for i, w := range who {
		n := c.scene.Accessories[w].All.N
		if i == 0 {
			lo, hi = n, n
		}
		lo, hi = min(lo, n), max(hi, n)
	}
	return lo, hi
}

// title adds the title at the top of p and returns where it ends.
func (c *composer) title(p box, sizePx float64, lines int) float64 {
	st := style{boldWeight, sizePx}
	text, st := c.set.wrapShrunk(oneLine(c.scene.Title), st, p.x1-p.x0, lines, 0.66)
	sizePx = st.sizePx
	c.add("title", 0, func(k *canvas) {
		for i, l := range text {
			k.text(l, st, p.x0, p.y0+sizePx*(0.98+1.25*float64(i)), ink)
		}
	})
	if len(text) == 0 {
		return p.y0
	}
	return p.y0 + sizePx*(1.25+1.25*float64(len(text)-1))
}

// Space above the rows for what the figures mean, and below for the axis.
const (
	rowsHeadPx = 34
	axisPx     = 34
)

// rows adds one row per accessory inside p, in columns, and the axis their
// interval bars share.
func (c *composer) rows(p box, columns int) {
	n := len(c.scene.Accessories)
	if n == 0 {
		return
	}
	c.add("figures", 0, func(k *canvas) {
		text, st := k.fit(c.caption(), style{regularWeight, 21}, p.x1-p.x0, 0.75)
		k.text(text, st, p.x0, p.y0+22, softInk)
	})
	const gapPx = 36
	lines := (n + columns - 1) / columns
	w := (p.x1 - p.x0 - gapPx*float64(columns-1)) / float64(columns)
	h := math.Min(186, (p.y1-p.y0-rowsHeadPx-axisPx)/float64(lines))
	ax := c.axis()
	small := math.Inf(1) // one size for the small text of all low rows
	for _, a := range c.scene.Accessories {
		_, st := c.set.fit(c.lowText(a, columns > 1), style{regularWeight, 20}, w-38, 0.82)
		small = math.Min(small, st.sizePx)
	}
	for i := range c.scene.Accessories {
		x := p.x0 + float64(i/lines)*(w+gapPx)
		y := p.y0 + rowsHeadPx + float64(i%lines)*h
		row := box{x, y, x + w, y + h}
		c.add("figures-"+c.letter(i), c.revealStep(i), func(k *canvas) { c.row(k, row, i, ax, small, columns > 1) })
	}
	c.add("axis", 0, func(k *canvas) {
		for col := range columns {
			x := p.x0 + float64(col)*(w+gapPx)
			from, to := barSpan(box{x, 0, x + w, h})
			ax.draw(k, from, to, p.y0+rowsHeadPx+float64(min(lines, n-col*lines))*h)
		}
	})
}

// caption says what the large figure and the bars are.
func (c *composer) caption() string {
	s := "Large: mean radius of all shots; bar: its 95% interval"
	if c.scene.KeptLabel != "" {
		s += "; hollow: " + oneLine(c.scene.KeptLabel)
	}
	return s
}

// axis is the scale of the interval bars: 0 to maxMM.
type axis struct{ maxMM, stepMM float64 }

// axis reaches over every value and interval shown, but no further than four
// times the largest value: an endless interval gets an arrow.
func (c *composer) axis() axis {
	value, hi := 0.0, 0.0
	for _, a := range c.scene.Accessories {
		for _, r := range []Range{a.All.MeanRadius, a.Kept.MeanRadius} {
			if finite(r.Value) {
				value = math.Max(value, r.Value)
			}
			if finite(r.Hi) {
				hi = math.Max(hi, r.Hi)
			}
		}
	}
	top := math.Max(value*1.1, math.Min(hi*1.03, 4*value))
	if !(top > 0) {
		top = 100
	}
	step := math.Pow(10, math.Floor(math.Log10(top)))
	for _, f := range []float64{0.2, 0.5, 1, 2, 5} {
		if top/(f*step) <= 5.2 {
			step *= f
			break
		}
	}
	return axis{top, step}
}

func (a axis) x(mm, from, to float64) float64 { return from + (to-from)*mm/a.maxMM }

func (a axis) draw(k *canvas, from, to, y float64) {
	k.line(from, y+4, to, y+4, 1.5, hair)
	st := style{regularWeight, 18}
	free := math.Inf(-1) // where the last label ended
	for mm := 0.0; mm <= a.maxMM*1.0001; mm += a.stepMM {
		x := a.x(mm, from, to)
		k.line(x, y+4, x, y+10, 1.5, hair)
		text := fmt.Sprintf("%.0f", mm)
		if mm == 0 {
			text = "0 mm"
		}
		left := math.Min(x-k.width(text, st)/2, to-k.width(text, st))
		if left < free {
			continue
		}
		k.text(text, st, left, y+27, softInk)
		free = left + k.width(text, st) + 6
	}
}

// barSpan returns where a row's interval bar lies.
func barSpan(row box) (from, to float64) {
	w := row.x1 - row.x0
	return row.x0 + 0.50*w, row.x1 - 6
}

// row draws one accessory: who, how many shots, the large figure, its interval
// and the other figures. A low row has the same in two lines.
func (c *composer) row(k *canvas, row box, i int, ax axis, smallPx float64, narrow bool) {
	a := c.scene.Accessories[i]
	k.line(row.x0, row.y0, row.x1, row.y0, 1.5, hair)
	if row.y1-row.y0 >= 140 {
		c.tallRow(k, row, a, ax)
	} else {
		c.lowRow(k, row, a, ax, smallPx, narrow)
	}
}

func (c *composer) tallRow(k *canvas, row box, a Accessory, ax axis) {
	u := math.Min(1, (row.y1-row.y0)/180)
	indent := row.x0 + 62*u
	count, cst := countText(a), style{mediumWeight, 26 * u}
	countX := row.x1 - k.width(count, cst)
	k.text(count, cst, countX, row.y0+44*u, ink)
	k.glyph(a.Identity, look{}, row.x0+27*u, row.y0+38*u, 18*u)
	letter, lst := k.fit(a.Letter, style{boldWeight, 40 * u}, 110*u, 0.5)
	k.text(letter, lst, indent, row.y0+49*u, ink)
	nameX := indent + k.width(letter, lst) + 16*u
	name, nst := k.fit(nameText(a), style{mediumWeight, 32 * u}, countX-nameX-20*u, 0.7)
	k.text(name, nst, nameX, row.y0+48*u, ink)

	from, to := barSpan(row)
	big, bst := k.fit(rangeText(a.All.MeanRadius), style{boldWeight, 64 * u}, from-indent-16*u, 0.5)
	k.text(big, bst, indent, row.y0+112*u, ink)
	c.intervals(k, a, ax, from, to, row.y0+92*u, 13*u)

	st := style{regularWeight, 22 * u}
	lines := c.smallText(a)
	for i, l := range lines {
		l, fitted := k.fit(l, st, row.x1-indent, 0.75)
		k.text(l, fitted, indent, row.y0+(144+28*float64(i))*u, softInk)
	}
}

// lowRow is a row in two lines. A narrow one has the name in its second line.
func (c *composer) lowRow(k *canvas, row box, a Accessory, ax axis, smallPx float64, narrow bool) {
	u := math.Min(1.15, (row.y1-row.y0)/76)
	from, to := barSpan(row)
	k.glyph(a.Identity, look{}, row.x0+16*u, row.y0+26*u, 11.5*u)
	letter, lst := k.fit(a.Letter, style{boldWeight, 29 * u}, 70*u, 0.5)
	x := row.x0 + 38*u
	k.text(letter, lst, x, row.y0+36*u, ink)
	x += k.width(letter, lst) + 9*u
	share := 0.52
	if narrow {
		share = 0.88
	}
	big, bst := k.fit(rangeText(a.All.MeanRadius), style{boldWeight, 34 * u}, share*(from-x), 0.5)
	bigX := from - 16*u - k.width(big, bst)
	k.text(big, bst, bigX, row.y0+38*u, ink)
	if !narrow {
		name, nst := k.fit(oneLine(a.Name), style{mediumWeight, 24 * u}, bigX-x-10*u, 0.75)
		k.text(name, nst, x, row.y0+36*u, ink)
	}
	c.intervals(k, a, ax, from, to, row.y0+21*u, 8.5*u)
	indent := 38 * math.Min(u, 1)
	text, st := k.fit(c.lowText(a, narrow), style{regularWeight, smallPx}, row.x1-row.x0-indent, 0.82)
	k.text(text, st, row.x0+indent, row.y0+66*u, softInk)
}

// lowText is the second line of a low row; a narrow one has its name here and
// leaves the other figures to the report.
func (c *composer) lowText(a Accessory, narrow bool) string {
	if narrow {
		return strings.TrimSuffix(countText(a)+" · "+oneLine(a.Name), " · ")
	}
	return strings.Join(append([]string{countText(a)}, c.smallText(a)...), " · ")
}

func nameText(a Accessory) string {
	if sticker := oneLine(a.Sticker); sticker != "" {
		return oneLine(a.Name) + " (" + sticker + ")"
	}
	return oneLine(a.Name)
}

// countText says how many shots the figures rest on and how many missed.
func countText(a Accessory) string {
	shots := "shots"
	if a.All.N == 1 {
		shots = "shot"
	}
	s := fmt.Sprintf("%d %s", a.All.N, shots)
	switch n := a.All.N; {
	case a.Declared > 0 && n > a.Declared:
		s = fmt.Sprintf("%d marks, shots stated: %d", n, a.Declared)
	case a.Declared > 0 && a.Declared != n:
		s = fmt.Sprintf("%d of %d shots", a.All.N, a.Declared)
	}
	if n := a.Misses; n > 0 && a.Declared != a.All.N+n {
		s += fmt.Sprintf(", %d missed", n)
	}
	return s
}

// smallText gives the other figure, then both without the shots set aside.
func (c *composer) smallText(a Accessory) []string {
	lines := []string{"extreme spread " + rangeText(a.All.ExtremeSpread)}
	if a.Kept.N > 0 && c.scene.KeptLabel != "" {
		lines = append(lines, fmt.Sprintf("%s: %s, spread %s", oneLine(c.scene.KeptLabel), rangeText(a.Kept.MeanRadius), rangeText(a.Kept.ExtremeSpread)))
	}
	return lines
}

// intervals draws the bar of all shots and, thinner below it, that of the shots
// kept.
func (c *composer) intervals(k *canvas, a Accessory, ax axis, from, to, y, r float64) {
	if a.Kept.N > 0 && c.scene.KeptLabel != "" {
		ax.bar(k, a.Kept.MeanRadius, a.Identity, look{hollow: true}, from, to, y+1.75*r, 0.62*r)
		y -= 0.35 * r
	}
	ax.bar(k, a.All.MeanRadius, a.Identity, look{}, from, to, y, r)
}

func (ax axis) bar(k *canvas, g Range, id Identity, lk look, from, to, y, r float64) {
	if !finite(g.Value) {
		return
	}
	x := math.Min(ax.x(g.Value, from, to), to)
	if !math.IsNaN(g.Lo) && !math.IsNaN(g.Hi) {
		lo, hi := ax.x(math.Max(0, g.Lo), from, to), ax.x(g.Hi, from, to)
		endless := !(hi <= to)
		hi = math.Min(hi, to)
		w := 0.55 * r
		if lk.hollow {
			k.line(lo, y, hi, y, 2, ink)
		} else {
			k.rect(lo, y-w/2, math.Max(0, hi-lo), w, w/2)
			k.fill(withAlpha(id.Tone, 0.55))
			k.stroke(1.3, ink)
		}
		if endless {
			k.arrow(to-0.5*r, y, 0.7*r, 1, 0)
		}
	}
	k.glyph(id, lk, x, y, 0.8*r)
}

// stepBar draws a verdict's bar: open, half filled or filled; none without a verdict.
func (c *canvas) stepBar(s Step, x, y, w, h float64) {
	if s >= TooFew {
		return
	}
	c.rect(x, y, w, h, h/4)
	c.fill(paper)
	switch s {
	case Clear:
		c.fill(ink)
	case Leaning:
		c.dc.Clip()
		c.rect(x, y, w/2, h, 0)
		c.fill(ink)
		c.dc.ResetClip()
		c.rect(x, y, w, h, h/4)
	}
	c.stroke(3, ink)
}

// verdicts adds what was settled, at most three lines of it, at the top of p and
// returns where it ends.
func (c *composer) verdicts(p box, sizePx float64) float64 {
	shown := c.scene.Verdicts[:min(3, len(c.scene.Verdicts))]
	if len(shown) == 0 {
		return p.y0
	}
	const barW, gapPx = 54.0, 18.0
	w := p.x1 - p.x0 - barW - gapPx
	lines := 2
	if len(shown) > 2 {
		lines = 1
	}
	st := style{boldWeight, sizePx}
	for _, v := range shown { // one size for all
		_, fitted := c.set.wrapShrunk(oneLine(v.Text), st, w, lines, 0.7)
		st.sizePx = math.Min(st.sizePx, fitted.sizePx)
	}
	type line struct {
		text  string
		step  Step
		first bool // of its verdict: the bar stands here
	}
	var text []line
	for _, v := range shown {
		for i, l := range c.set.wrap(oneLine(v.Text), st, w, lines) {
			text = append(text, line{l, v.Step, i == 0})
		}
	}
	lead := 1.28 * st.sizePx
	c.add("verdict", c.verdictStep(), func(k *canvas) {
		for i, l := range text {
			y := p.y0 + lead*float64(i)
			if l.first {
				k.stepBar(l.step, p.x0+2, y+0.19*st.sizePx, barW, 0.72*st.sizePx)
			}
			k.text(l.text, st, p.x0+barW+gapPx, y+0.9*st.sizePx, ink)
		}
	})
	return p.y0 + lead*float64(len(text)) + 12
}

// strip adds what the figures rest on and the caution at the foot of p and returns
// where it starts.
func (c *composer) strip(p box, sizePx float64) float64 {
	s := c.scene
	w := p.x1 - p.x0
	basisStyle, safetyStyle := style{regularWeight, sizePx}, style{mediumWeight, sizePx - 1}
	safety := s.Safety
	if safety == "" {
		safety = SafetyLine
	}
	basis := c.basis()
	if more := len(s.Verdicts) - 3; more > 0 {
		basis = append(basis, fmt.Sprintf("%d more comparisons in the report", more))
	}
	foot := c.set.wrap(strings.Join(basis, " · "), basisStyle, w, 3)
	caution := c.set.wrap(oneLine(safety), safetyStyle, w, 2)
	lead := 1.3 * sizePx
	top := p.y1 - lead*float64(len(foot)+len(caution))
	c.add("strip", 0, func(k *canvas) {
		y := top
		k.line(p.x0, y-4, p.x1, y-4, 1.5, hair)
		for _, l := range foot {
			k.text(l, basisStyle, p.x0, y+0.95*sizePx, softInk)
			y += lead
		}
		for _, l := range caution {
			k.text(l, safetyStyle, p.x0, y+0.95*sizePx, ink)
			y += lead
		}
	})
	return top - 12
}

// basis lists what the figures rest on.
func (c *composer) basis() []string {
	s := c.scene
	var n []string
	for _, a := range s.Accessories {
		n = append(n, fmt.Sprint(a.All.N))
	}
	var out []string
	if len(n) > 0 {
		out = append(out, "n "+strings.Join(n, ", "))
	}
	for _, f := range []struct{ label, text string }{{"", s.Distance}, {"rule: ", s.Rule}, {"order: ", s.Order}} {
		if t := oneLine(f.text); t != "" {
			out = append(out, f.label+t)
		}
	}
	return out
}
