package picture

import (
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"
)

// boardPlan says how the board is drawn on a page.
type boardPlan struct {
	area    box // part of the canvas that shows the board
	text    box // where labels may lie: inside the safe area too
	glyphPx float64
	labelPx float64 // size of a group's letter
	smallPx float64 // size of ring labels, lengths and the bar's text
	who     []int   // accessories drawn
	bare    bool    // no text but letters and the bar's
}

// side returns the shorter side of the area: the board's scale follows it.
func (p boardPlan) side() float64 { return math.Min(p.area.x1-p.area.x0, p.area.y1-p.area.y0) }

// boardView is a plan with its scale.
type boardView struct {
	boardPlan
	placer
	cx, cy, perMM float64
	halfMM        float64 // from the middle to the nearer edges
}

func (v *boardView) at(x r2.Vec) (float64, float64) {
	return v.cx + v.perMM*x.X, v.cy - v.perMM*x.Y
}

// halfView returns half of the board to show along the area's shorter side, in mm:
// the least that holds every shot drawn, with the mark's own size, and a whole
// ring where one is near. Nothing that struck the board is ever cut off.
func (c *composer) halfView(plan boardPlan) float64 {
	side := plan.side()
	w, h := plan.area.x1-plan.area.x0, plan.area.y1-plan.area.y0
	half := 60.0
	hold := func(x r2.Vec, marginMM, marginPx float64) {
		half = math.Max(half, (math.Abs(x.X)+marginMM)/(w/side-2*marginPx/side))
		half = math.Max(half, (math.Abs(x.Y)+marginMM)/(h/side-2*marginPx/side))
	}
	radius := 0.0
	for _, w := range plan.who {
		a := c.scene.Accessories[w]
		for _, m := range a.shown(c.geometry) {
			if !finite(m.Pos.X, m.Pos.Y) {
				continue
			}
			hold(m.Pos, 0, 2.2*plan.glyphPx)
			radius = math.Max(radius, r2.Norm(m.Pos))
		}
		if ctr, r := a.centre(c.geometry), a.All.MeanRadius.Value; finite(r, ctr.X, ctr.Y) {
			hold(ctr, r, 6)
		}
	}
	if c.geometry == CommonCentre {
		return half * 1.04
	}
	rings := slices.Sorted(slices.Values(c.scene.Board.RadiiMM))
	for _, r := range rings {
		if r >= radius*1.02 && r*1.05 >= half {
			return r * 1.05
		}
	}
	if n := len(rings); n > 0 {
		half = math.Max(half, rings[n-1]*1.05)
	}
	return half
}

// board adds all layers of the board and what is on it.
func (c *composer) board(plan boardPlan) {
	half := c.halfView(plan)
	side := plan.side()
	v := &boardView{
		boardPlan: plan,
		halfMM:    half,
		perMM:     side / 2 / half,
		cx:        (plan.area.x0 + plan.area.x1) / 2,
		cy:        (plan.area.y0 + plan.area.y1) / 2,
	}
	v.placer = placer{bounds: plan.text, gapPx: 5}
	for _, w := range plan.who {
		for _, m := range c.scene.Accessories[w].shown(c.geometry) {
			x, y := v.at(m.Pos)
			v.discs = append(v.discs, disc{x, y, 1.5 * plan.glyphPx})
		}
	}

	c.add("board", 0, func(k *canvas) { c.drawBoard(k, v) })
	var note func(*canvas)
	if c.geometry == CommonCentre {
		note = c.planNote(v)
	}
	bar := c.planBar(v)
	misses := make([]func(*canvas), len(plan.who))
	for i, w := range plan.who {
		misses[i] = c.planMisses(v, w)
	}
	names := make([]func(*canvas), len(plan.who))
	for i, w := range plan.who {
		names[i] = c.planName(v, w)
	}
	lengths := make([]func(*canvas), len(plan.who))
	for i, w := range plan.who {
		lengths[i] = c.planLength(v, w)
	}
	labels := c.planRingLabels(v)

	c.add("rings-scale", 0, func(k *canvas) {
		c.drawRings(k, v)
		labels(k)
		bar(k)
		if note != nil {
			note(k)
		}
	})
	for _, w := range plan.who {
		c.add("spread-"+c.letter(w), c.revealStep(w), func(k *canvas) { c.drawSpread(k, v, w) })
	}
	for _, w := range plan.who {
		c.addMarks(v, w)
	}
	for i, w := range plan.who {
		c.add("centre-"+c.letter(w), c.revealStep(w), func(k *canvas) { c.drawCentre(k, v, w) })
		c.add("labels-"+c.letter(w), c.revealStep(w), func(k *canvas) {
			misses[i](k)
			lengths[i](k)
			names[i](k)
		})
	}
}

// letter returns an accessory's letter as a part of a file name.
func (c *composer) letter(w int) string {
	l := strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, c.scene.Accessories[w].Letter)
	if l == "" {
		return fmt.Sprint(w + 1)
	}
	return l
}

// clipped draws inside the board's area only.
func (v *boardView) clipped(k *canvas, draw func()) {
	k.rect(v.area.x0, v.area.y0, v.area.x1-v.area.x0, v.area.y1-v.area.y0, 18)
	k.dc.Clip()
	draw()
	k.dc.ResetClip()
}

func (c *composer) drawBoard(k *canvas, v *boardView) {
	v.clipped(k, func() {
		k.rect(v.area.x0, v.area.y0, v.area.x1-v.area.x0, v.area.y1-v.area.y0, 0)
		b := c.scene.Board
		switch {
		case c.geometry == CommonCentre:
			k.fill(paper)
		default:
			k.fill(backing)
			if len(b.RadiiMM) > 0 {
				k.circle(v.cx, v.cy, v.perMM*slices.Max(b.RadiiMM))
				k.fill(paper)
			}
		}
	})
}

// gridStep is the spacing of the circles that stand in for rings when groups are
// moved: rings would suggest where the shots struck.
func gridStep(halfMM float64) float64 {
	for _, s := range []float64{20, 50, 100, 200, 500, 1000} {
		if halfMM/s <= 5.5 {
			return s
		}
	}
	return 2000
}

// circles returns the radii drawn on the board, in mm.
func (c *composer) circles(v *boardView) []float64 {
	if c.geometry == AsShot {
		return slices.Sorted(slices.Values(c.scene.Board.RadiiMM))
	}
	var radii []float64
	step := gridStep(v.halfMM)
	for r := step; r < v.halfMM; r += step {
		radii = append(radii, r)
	}
	return radii
}

func (c *composer) drawRings(k *canvas, v *boardView) {
	v.clipped(k, func() {
		for _, r := range c.circles(v) {
			k.circle(v.cx, v.cy, r*v.perMM)
			if c.geometry == CommonCentre {
				k.stroke(1.5, hair, 3, 7)
			} else {
				k.stroke(2.2, ringInk)
			}
		}
	})
	for _, d := range [][2]float64{{1, 0}, {0, 1}, {-1, 0}, {0, -1}} {
		k.line(v.cx+4*d[0], v.cy+4*d[1], v.cx+11*d[0], v.cy+11*d[1], 2, ringInk)
	}
}

// planRingLabels writes each circle's size on it, where it is free.
func (c *composer) planRingLabels(v *boardView) func(*canvas) {
	if v.bare {
		return func(*canvas) {}
	}
	st := style{regularWeight, v.smallPx * 0.82}
	type label struct {
		text string
		b    box
	}
	var labels []label
	for _, r := range slices.Backward(c.circles(v)) {
		text := fmt.Sprintf("Ø %.0f mm", 2*r)
		w, h := c.set.width(text, st)+8, st.sizePx*1.1
		for _, deg := range []float64{-58, -122, 58, 122, -75, -105, -35, -145, 35, 145} {
			sin, cos := math.Sincos(deg * math.Pi / 180)
			b := boxAround(v.cx+r*v.perMM*cos, v.cy-r*v.perMM*sin, w, h)
			if !b.within(v.area.grow(-6)) || !v.free(b) || slices.ContainsFunc(v.discs, b.touches) {
				continue
			}
			v.take(b)
			labels = append(labels, label{text, b})
			break
		}
	}
	return func(k *canvas) {
		for _, l := range labels {
			k.rect(l.b.x0, l.b.y0, l.b.x1-l.b.x0, l.b.y1-l.b.y0, 3)
			k.fill(withAlpha(paper, 0.9))
			k.text(l.text, st, l.b.x0+4, (l.b.y0+l.b.y1)/2+0.35*st.sizePx, softInk)
		}
	}
}

// planBar places the 100 mm bar in the corner that covers the fewest marks, with the
// distance where that covers none.
func (c *composer) planBar(v *boardView) func(*canvas) {
	st := style{mediumWeight, v.smallPx}
	length := 100 * v.perMM
	words := []string{"100 mm"}
	if c.scene.Distance != "" {
		words = []string{"100 mm · shot from " + oneLine(c.scene.Distance), "100 mm"}
	}
	var b box
	var text string
	for _, text = range words {
		text, st = c.set.fit(text, st, v.text.x1-v.text.x0-40, 0.8)
		b = v.corner(math.Max(length, c.set.width(text, st))+24, st.sizePx*1.3+30, false)
		if !slices.ContainsFunc(v.discs, b.touches) {
			break
		}
	}
	v.take(b)
	return func(k *canvas) {
		k.rect(b.x0, b.y0, b.x1-b.x0, b.y1-b.y0, 6)
		k.fill(withAlpha(ground, 0.88))
		y := b.y0 + 18
		k.scaleBar([2]float64{b.x0 + 12, y}, [2]float64{b.x0 + 12 + length, y}, 1.2)
		k.text(text, st, b.x0+12, b.y1-10, ink)
	}
}

// corner returns the place for a box of size w x h in a corner of the board:
// the free one that covers the fewest marks, at the left first, and at the top
// first if so wished.
func (v *boardView) corner(w, h float64, top bool) box {
	in := v.area.grow(-10)
	in = box{math.Max(in.x0, v.text.x0), math.Max(in.y0, v.text.y0), math.Min(in.x1, v.text.x1), math.Min(in.y1, v.text.y1)}
	var best box
	bestCost := math.Inf(1)
	for i, b := range []box{
		{in.x0, in.y1 - h, in.x0 + w, in.y1},
		{in.x1 - w, in.y1 - h, in.x1, in.y1},
		{in.x0, in.y0, in.x0 + w, in.y0 + h},
		{in.x1 - w, in.y0, in.x1, in.y0 + h},
	} {
		cost := 0.1 * float64(i)
		if top {
			cost = 0.1 * float64((i+2)%4)
		}
		for _, d := range v.discs {
			if b.touches(d) {
				cost++
			}
		}
		if !v.free(b) {
			cost += 1000
		}
		if cost < bestCost {
			best, bestCost = b, cost
		}
	}
	return best
}

// planNote says in the picture that groups were moved, in more words where they
// cover no mark.
func (c *composer) planNote(v *boardView) func(*canvas) {
	var b box
	var text string
	var st style
	for _, words := range []string{"moved to a common centre: sizes and shapes only", "moved to a common centre"} {
		text, st = c.set.fit(words, style{mediumWeight, v.smallPx}, v.text.x1-v.text.x0-40, 0.7)
		b = v.corner(c.set.width(text, st)+24, st.sizePx*1.7, true)
		if !slices.ContainsFunc(v.discs, b.touches) {
			break
		}
	}
	v.take(b)
	return func(k *canvas) {
		k.rect(b.x0, b.y0, b.x1-b.x0, b.y1-b.y0, 6)
		k.fill(withAlpha(ground, 0.9))
		k.stroke(1.5, softInk)
		k.text(text, st, b.x0+12, (b.y0+b.y1)/2+0.35*st.sizePx, ink)
	}
}

// drawSpread draws the soft disc of the mean radius and the extreme pair's line.
func (c *composer) drawSpread(k *canvas, v *boardView, w int) {
	a := c.scene.Accessories[w]
	x, y := v.at(a.centre(c.geometry))
	if r := a.All.MeanRadius.Value * v.perMM; finite(r, x, y) && r > 0 {
		k.circle(x, y, r)
		k.fill(withAlpha(a.Tone, 0.16))
		k.stroke(3, withAlpha(a.Tone, 0.9))
	}
	if p, q, ok := c.pair(v, w); ok {
		k.polygon(false, p, q)
		k.stroke(5, withAlpha(white, 0.75))
		k.stroke(2.2, lineTone(a.Tone), dashOf(a.Identity, 1)...)
	}
}

// lineTone darkens a light tone until a thin line of it shows on paper.
func lineTone(c color.NRGBA) color.NRGBA {
	for luminance(c) > 0.30 {
		c.R, c.G, c.B = uint8(float64(c.R)*0.92), uint8(float64(c.G)*0.92), uint8(float64(c.B)*0.92)
	}
	return c
}

// pair returns the canvas points of the two shots farthest apart.
func (c *composer) pair(v *boardView, w int) (p, q [2]float64, ok bool) {
	a := c.scene.Accessories[w]
	i, j := a.All.Pair[0], a.All.Pair[1]
	if i == j || i < 0 || j < 0 || i >= len(a.Impacts) || j >= len(a.Impacts) || !finite(a.All.ExtremeSpread.Value) {
		return p, q, false
	}
	shown := a.shown(c.geometry)
	p[0], p[1] = v.at(shown[i].Pos)
	q[0], q[1] = v.at(shown[j].Pos)
	return p, q, finite(p[0], p[1], q[0], q[1])
}

// addMarks adds a layer for each act of an accessory; with several, the order in
// which its strings were shot is part of the name.
func (c *composer) addMarks(v *boardView, w int) {
	nth := 0
	for step, a := range c.acts {
		if a.who != w {
			continue
		}
		name := "marks-" + c.letter(w)
		if nth++; nth > 1 || !a.last {
			name += fmt.Sprintf("-%d", nth)
		}
		c.add(name, step+1, func(k *canvas) { c.drawMarks(k, v, a) })
	}
}

func (c *composer) drawMarks(k *canvas, v *boardView, act act) {
	a := c.scene.Accessories[act.who]
	for _, m := range a.shown(c.geometry) {
		if x, y := v.at(m.Pos); finite(x, y) && (act.str == 0 || act.str == m.String) {
			k.glyph(a.Identity, look{hollow: m.SetAside, dashed: m.Doubtful}, x, y, v.glyphPx)
		}
	}
}

func (c *composer) drawCentre(k *canvas, v *boardView, w int) {
	a := c.scene.Accessories[w]
	if x, y := v.at(a.centre(c.geometry)); finite(x, y) && len(a.Impacts) > 1 {
		k.centreDot(a.Identity, x, y, 1.15*v.glyphPx)
	}
}

// planName places an accessory's shape and letter near its group, with a leader
// to the rim of its disc.
func (c *composer) planName(v *boardView, w int) func(*canvas) {
	a := c.scene.Accessories[w]
	if len(a.Impacts) == 0 {
		return func(*canvas) {}
	}
	st := style{boldWeight, v.labelPx}
	r := 0.34 * st.sizePx
	text, st := c.set.fit(a.Letter, st, 3*st.sizePx, 0.5)
	bw, bh := c.set.width(text, st)+3.2*r+0.9*st.sizePx, 1.25*st.sizePx
	x, y := v.at(a.centre(c.geometry))
	rim := disc{x, y, math.Max(1.8*v.glyphPx, a.All.MeanRadius.Value*v.perMM)}
	if !finite(rim.r) {
		rim.r = 1.8 * v.glyphPx
	}
	if !finite(x, y) {
		return func(*canvas) {}
	}
	// Away from the mean of all groups; in a fan when all share a centre.
	var mx, my float64
	for _, o := range v.who {
		ox, oy := v.at(c.scene.Accessories[o].centre(c.geometry))
		if finite(ox, oy) {
			mx += ox / float64(len(v.who))
			my += oy / float64(len(v.who))
		}
	}
	dx, dy := x-mx, y-my
	if math.Hypot(dx, dy) < 2 || c.geometry == CommonCentre {
		turn := 2 * math.Pi * (float64(slices.Index(v.who, w)) + 0.5) / float64(len(v.who))
		dy, dx = math.Sincos(turn - math.Pi/2)
	}
	b, ok := v.near(rim, bw, bh, dx, dy, 250, 2000)
	if !ok {
		return func(*canvas) {}
	}
	return func(k *canvas) {
		if x1, y1, x2, y2, far := leader(b, rim); far {
			k.line(x1, y1, x2, y2, 5, withAlpha(white, 0.8))
			k.line(x1, y1, x2, y2, 2, ink)
		}
		k.rect(b.x0, b.y0, bw, bh, 8)
		k.fill(withAlpha(ground, 0.94))
		k.stroke(2.5, lineTone(a.Tone))
		my := (b.y0 + b.y1) / 2
		k.glyph(a.Identity, look{}, b.x0+0.3*st.sizePx+1.5*r, my, r)
		k.text(text, st, b.x0+0.5*st.sizePx+3.1*r, my+0.36*st.sizePx, ink)
	}
}

// planLength writes the extreme spread on its line, if there is room; the panel
// has it in any case.
func (c *composer) planLength(v *boardView, w int) func(*canvas) {
	p, q, ok := c.pair(v, w)
	if !ok || v.bare || len(v.who) > 4 {
		return func(*canvas) {}
	}
	var at box
	st := style{mediumWeight, v.smallPx}
	text := oneLine(c.scene.Accessories[w].Letter) + " " + rangeText(c.scene.Accessories[w].All.ExtremeSpread)
	at, ok = v.alongLine(c.set.width(text, st)+6, st.sizePx*1.15, p, q, 0)
	if !ok {
		return func(*canvas) {}
	}
	return func(k *canvas) {
		k.haloText(text, st, at.x0+3, (at.y0+at.y1)/2+0.35*st.sizePx, ink, 4)
	}
}

// planMisses notes at the top of the board's area how many of an accessory's shots missed
// it.
func (c *composer) planMisses(v *boardView, w int) func(*canvas) {
	a := c.scene.Accessories[w]
	if a.Misses == 0 {
		return func(*canvas) {}
	}
	word := "missed"
	switch {
	case a.Unstated:
		word = "without a mark"
	case len(v.who) > 4:
		word = "off"
	}
	text := fmt.Sprintf("%s %d %s", oneLine(a.Letter), a.Misses, word)
	st := style{mediumWeight, v.smallPx}
	r := 0.36 * st.sizePx
	text, fitted := c.set.fit(text, st, 12*st.sizePx, 0.7)
	bw, bh := c.set.width(text, fitted)+4*r+st.sizePx, 1.5*st.sizePx
	b, ok := v.atTop(bw, bh)
	if !ok {
		return func(*canvas) {}
	}
	return func(k *canvas) {
		k.rect(b.x0, b.y0, bw, bh, 6)
		k.fill(withAlpha(ground, 0.92))
		k.stroke(2, lineTone(a.Tone))
		my := (b.y0 + b.y1) / 2
		x := b.x0 + 0.4*st.sizePx + 1.2*r
		k.glyph(a.Identity, look{}, x, my, r)
		k.text(text, fitted, x+2.2*r, my+0.35*st.sizePx, ink)
	}
}

// atTop places a box of size w x h against the upper edge of the board's area, or along
// the edge beside that place, off all marks if possible, and reserves it.
func (v *boardView) atTop(w, h float64) (box, bool) {
	in := box{math.Max(v.area.x0, v.text.x0), math.Max(v.area.y0, v.text.y0), math.Min(v.area.x1, v.text.x1), math.Min(v.area.y1, v.text.y1)}.grow(-6)
	mx, my := (in.x0+in.x1-w)/2, (in.y0+in.y1-h)/2
	reachX, reachY := (in.x1-in.x0-w)/2, (in.y1-in.y0-h)/2
	var best box
	bestCost := math.Inf(1)
	for i := range 120 {
		turn := 0.05 * float64((i+1)/2) * float64(1-2*(i%2))
		sin, cos := math.Sincos(turn)
		ex, ey := sin, -cos
		f := 1 / math.Max(math.Abs(ex), math.Abs(ey))
		x, y := mx+f*ex*reachX, my+f*ey*reachY
		b := box{x, y, x + w, y + h}
		cost := 20 * math.Abs(turn)
		if cost >= bestCost {
			break
		}
		if !v.free(b) {
			continue
		}
		for _, d := range v.discs {
			if b.touches(d) {
				cost += 8
			}
		}
		if cost < bestCost {
			best, bestCost = b, cost
		}
	}
	if math.IsInf(bestCost, 1) {
		return best, false
	}
	v.take(best)
	return best, true
}

// arrow draws an arrow centred at (x, y) with half length r along (dx, dy).
func (c *canvas) arrow(x, y, r, dx, dy float64) {
	tx, ty := x+r*dx, y+r*dy
	c.line(x-r*dx, y-r*dy, tx-0.6*r*dx, ty-0.6*r*dy, 0.36*r, ink)
	c.polygon(true, [2]float64{tx, ty},
		[2]float64{tx - r*dx - 0.65*r*dy, ty - r*dy + 0.65*r*dx},
		[2]float64{tx - r*dx + 0.65*r*dy, ty - r*dy - 0.65*r*dx})
	c.fill(ink)
}
