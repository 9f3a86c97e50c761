package picture

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// longSidePx is the most that an overlay or a flat picture measures on its long
// side: enough to judge a mark, small enough to send.
const longSidePx = 2400

// Mark is one mark as drawn on an overlay or a flat picture.
type Mark struct {
	Pos        r2.Vec  // centre on the board, mm
	DiameterMM float64 // of the outline to draw
	Who        int     // index into Identities; any other value: not assigned
	Number     int     // shown after the letter; 0 for no label
	SetAside   bool    // by the outlier rule: drawn thin
	Doubtful   bool    // drawn dashed, its label ends in "?"
}

// Facts are what the strip under an overlay or a flat picture says.
type Facts struct {
	Photo      string  // name of the file
	PxPerMM    float64 // sampling of the photo at the ring centre; 0 unknown
	ResidualMM float64 // of the ring fit; 0 unknown
	Distance   string  // to the board as the user wrote it; "" unknown
	Note       string  // one short remark, such as "rough"; "" none
}

// OverlayInput is a photo with what was measured on it.
type OverlayInput struct {
	Photo      *image.NRGBA // upright and opaque, Min at (0, 0)
	Half       *image.NRGBA // the same at half its size; may be nil
	Rect       *calib.Rectification
	RadiiMM    []float64 // fitted circles: each outer edge, and inner edge if wanted
	Marks      []Mark
	Identities []Identity
	Facts      Facts
	Memory     *Memory
}

// FlatInput is the squared-up board with what was measured on it. The frame is
// that of vision.Flat.
type FlatInput struct {
	Image      *image.NRGBA // alpha 0 where the photo does not reach
	PxPerMM    float64
	Centre     calib.Px // pixel of the board's origin
	Marks      []Mark
	Identities []Identity
	Facts      Facts
	Memory     *Memory
}

// Picture is a drawn image with the boxes of all text on it.
type Picture struct {
	Image *image.RGBA // opaque
	Boxes []TextBox
	// Unlabelled counts the marks whose number found no free place.
	Unlabelled int
}

// Overlay draws the fitted rings and every mark over the photo, reduced by a
// whole factor to at most 2400 px on its long side, with a strip below. Rings are
// thin lines of alternating light and dark through the fitted edge itself, so that
// the fit can be judged on any face. The 100 mm bar lies in the board's plane and
// is foreshortened as the board is.
func Overlay(in OverlayInput) Picture {
	k := reduction(in.Photo.Rect)
	from, by := in.Photo, k
	if k%2 == 0 && in.Half != nil {
		from, by = in.Half, k/2
	}
	s := newSheet(in.Memory, from, by)
	s.project = func(x r2.Vec) (px [2]float64, ok bool) {
		if !in.Rect.InFront(x) {
			return px, false
		}
		p := in.Rect.ToPhoto(x)
		return [2]float64{(p.X + 0.5) / float64(k), (p.Y + 0.5) / float64(k)}, true
	}
	for _, r := range in.RadiiMM {
		s.ring(r)
	}
	s.centreMark()
	s.marks(in.Marks, in.Identities)
	outer := 0.0
	for _, r := range in.RadiiMM {
		outer = math.Max(outer, r)
	}
	s.bar(outer)
	s.numbers(in.Marks, in.Identities)
	s.strip(in.Facts, in.Marks, in.Identities)
	return s.picture()
}

// FlatPicture draws every mark on the squared-up board, reduced by a whole factor to at
// most 2400 px on its long side, with a strip below.
func FlatPicture(in FlatInput) Picture {
	k := reduction(in.Image.Rect)
	s := newSheet(in.Memory, in.Image, k)
	perMM := in.PxPerMM / float64(k)
	cx, cy := (in.Centre.X+0.5)/float64(k), (in.Centre.Y+0.5)/float64(k)
	s.project = func(x r2.Vec) ([2]float64, bool) { return [2]float64{cx + perMM*x.X, cy - perMM*x.Y}, true }
	s.marks(in.Marks, in.Identities)
	s.bar(0)
	s.numbers(in.Marks, in.Identities)
	s.strip(in.Facts, in.Marks, in.Identities)
	return s.picture()
}

func reduction(r image.Rectangle) int {
	return max(1, (max(r.Dx(), r.Dy())+longSidePx-1)/longSidePx)
}

// sheet is a picture of one photo being drawn: the image above, the strip below.
type sheet struct {
	*canvas
	placer
	project    func(r2.Vec) ([2]float64, bool)
	w, h       float64 // of the image without the strip
	unit       float64 // 1 at 1800 px, so that text keeps its share of the picture
	unlabelled int
}

func newSheet(m *Memory, im *image.NRGBA, k int) *sheet {
	long := float64(max(im.Rect.Dx(), im.Rect.Dy())) / float64(k)
	unit := math.Max(0.45, long/1800)
	s := &sheet{unit: unit}
	s.canvas = newCanvas(m.reduce(im, k, int(56*unit), ground), &typesetter{})
	s.w, s.h = float64(im.Rect.Dx()/k), float64(im.Rect.Dy()/k)
	s.placer = placer{bounds: box{4, 4, s.w - 4, s.h - 4}, gapPx: 3 * unit}
	return s
}

func (s *sheet) picture() Picture {
	return Picture{Image: s.im, Boxes: s.boxes, Unlabelled: s.unlabelled}
}

// visible returns the runs of a board curve that lie on the image.
func (s *sheet) visible(n int, at func(i int) r2.Vec) [][][2]float64 {
	var runs [][][2]float64
	var run [][2]float64
	for i := range n {
		p, ok := s.project(at(i))
		if ok && p[0] > -20 && p[0] < s.w+20 && p[1] > -20 && p[1] < s.h+20 {
			run = append(run, p)
			continue
		}
		if len(run) > 1 {
			runs = append(runs, run)
		}
		run = nil
	}
	if len(run) > 1 {
		runs = append(runs, run)
	}
	return runs
}

func circleAt(c r2.Vec, r float64, n int) func(i int) r2.Vec {
	return func(i int) r2.Vec {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		return r2.Vec{X: c.X + r*cos, Y: c.Y + r*sin}
	}
}

func (s *sheet) ring(radiusMM float64) {
	const n = 180
	for _, run := range s.visible(n+1, circleAt(r2.Vec{}, radiusMM, n)) {
		s.polygon(false, run...)
		s.stroke(1.5, withAlpha(white, 0.95))
		s.stroke(1.5, fitLine, 7, 7)
	}
}

// centreMark shows where the ring centre was fitted: four short ticks around it.
func (s *sheet) centreMark() {
	p, ok := s.project(r2.Vec{})
	if !ok {
		return
	}
	for _, d := range [4][2]float64{{1, 0}, {0, 1}, {-1, 0}, {0, -1}} {
		a, b := 5*s.unit, 12*s.unit
		s.polygon(false, [2]float64{p[0] + a*d[0], p[1] + a*d[1]}, [2]float64{p[0] + b*d[0], p[1] + b*d[1]})
		s.stroke(3, withAlpha(white, 0.9))
		s.stroke(1.5, fitLine)
	}
}

// marks outlines each mark by its projected circle: a light line under one in the
// accessory's tone with dark rims.
func (s *sheet) marks(marks []Mark, ids []Identity) {
	s.discs = make([]disc, len(marks))
	for i, m := range marks {
		const n = 40
		r := m.DiameterMM / 2
		c, ok := s.project(m.Pos)
		var edge [][2]float64
		if runs := s.visible(n, circleAt(m.Pos, r, n)); ok && len(runs) == 1 && len(runs[0]) == n {
			edge = runs[0]
		} else {
			continue
		}
		out := 0.0
		for _, p := range edge {
			out = math.Max(out, math.Hypot(p[0]-c[0], p[1]-c[1]))
		}
		s.discs[i] = disc{c[0], c[1], out + 2}
		id := identity(ids, m.Who)
		wide := 1.25 * s.unit
		if m.SetAside {
			wide = 0.7 * s.unit
		}
		s.polygon(true, edge...)
		s.stroke(4*wide, withAlpha(white, 0.9))
		if m.Doubtful {
			d := math.Max(4, math.Pi*out/8)
			s.stroke(2.4*wide, ink, d, 0.8*d)
			s.stroke(1.4*wide, id.Tone, d, 0.8*d)
		} else {
			s.stroke(2.4*wide, ink)
			s.stroke(1.4*wide, id.Tone)
		}
	}
}

// numbers writes each mark's shape, letter and number beside it.
func (s *sheet) numbers(marks []Mark, ids []Identity) {
	st := style{mediumWeight, math.Round(19 * s.unit)}
	pad, r := 4*s.unit, 5*s.unit
	h := st.sizePx * 1.12
	for i, m := range marks {
		d := s.discs[i]
		if m.Number <= 0 || d.r == 0 {
			continue
		}
		id := identity(ids, m.Who)
		label := fmt.Sprintf("%s%d", id.Letter, m.Number)
		if m.Doubtful {
			label += "?"
		}
		w := s.width(label, st) + 3*pad + 2.6*r
		dx, dy := s.outward(d, 90*s.unit)
		b, ok := s.near(d, w, h, dx, dy, 160*s.unit, 500*s.unit)
		if !ok {
			s.unlabelled++
			continue
		}
		if x1, y1, x2, y2, far := leader(b, d); far {
			s.line(x1, y1, x2, y2, 3.4*s.unit, withAlpha(white, 0.85))
			s.line(x1, y1, x2, y2, 1.4*s.unit, ink)
		}
		s.chip(b, id, look{hollow: m.SetAside, dashed: m.Doubtful}, label, st, pad, r)
	}
}

// chip draws a label: light plate, shape, text.
func (s *sheet) chip(b box, id Identity, lk look, label string, st style, pad, r float64) {
	s.rect(b.x0, b.y0, b.x1-b.x0, b.y1-b.y0, 4*s.unit)
	s.fill(withAlpha(ground, 0.88))
	s.glyph(id, lk, b.x0+pad+1.3*r, (b.y0+b.y1)/2, r)
	s.text(label, st, b.x0+2*pad+2.6*r, (b.y0+b.y1)/2+0.36*st.sizePx, ink)
}

// bar draws the 100 mm bar in the board's plane, at the first of a few places
// that is on the picture and off every mark: below, above, left or right of the
// outer ring, else along the lower edge.
func (s *sheet) bar(outerMM float64) {
	const halfMM = 50
	st := style{mediumWeight, math.Round(21 * s.unit)}
	try := func(c r2.Vec) bool {
		a, okA := s.project(r2.Vec{X: c.X - halfMM, Y: c.Y})
		b, okB := s.project(r2.Vec{X: c.X + halfMM, Y: c.Y})
		if !okA || !okB {
			return false
		}
		tw, mx := s.width("100 mm", st), (a[0]+b[0])/2
		area := box{math.Min(a[0], b[0]), math.Min(a[1], b[1]) - 6*s.unit, math.Max(a[0], b[0]), math.Max(a[1], b[1]) + st.sizePx*1.5}
		area.x0 = math.Min(area.x0, mx-tw/2)
		area.x1 = math.Max(area.x1, mx+tw/2)
		area = area.grow(4 * s.unit)
		if !s.free(area) {
			return false
		}
		for _, d := range s.discs {
			if area.touches(d) {
				return false
			}
		}
		s.take(area)
		s.scaleBar(a, b, s.unit)
		s.haloText("100 mm", st, mx-tw/2, math.Max(a[1], b[1])+st.sizePx*1.2, ink, int(math.Ceil(2.5*s.unit)))
		return true
	}
	if outerMM > 0 {
		for _, gap := range []float64{40, 60, 25, 90, -40} {
			for _, c := range []r2.Vec{{Y: -outerMM - gap}, {Y: outerMM + gap}, {X: outerMM + gap + halfMM}, {X: -outerMM - gap - halfMM}} {
				if try(c) {
					return
				}
			}
		}
	}
	s.barAlongEdge(try)
}

// barAlongEdge tries places along the lower and the upper edge of the image.
func (s *sheet) barAlongEdge(try func(r2.Vec) bool) {
	o, ok := s.project(r2.Vec{})
	e, ok2 := s.project(r2.Vec{X: 1})
	if !ok || !ok2 {
		return
	}
	perMM := math.Hypot(e[0]-o[0], e[1]-o[1])
	if !(perMM > 0) {
		return
	}
	for _, y := range []float64{0.955, 0.05, 0.9, 0.1, 0.8, 0.2} {
		for _, x := range []float64{0.08, 0.92, 0.2, 0.8, 0.35, 0.65, 0.5} {
			if try(r2.Vec{X: (x*s.w - o[0]) / perMM, Y: (o[1] - y*s.h) / perMM}) {
				return
			}
		}
	}
}

// scaleBar draws a bar with end ticks from a to b: dark over light.
func (c *canvas) scaleBar(a, b [2]float64, unit float64) {
	tick := 6 * unit
	for _, pass := range []struct {
		widthPx float64
		light   bool
	}{{6.5 * unit, true}, {3 * unit, false}} {
		col, out := ink, 0.0
		if pass.light {
			col, out = withAlpha(white, 0.9), 1.7*unit
		}
		c.line(a[0]-out, a[1], b[0]+out, b[1], pass.widthPx, col)
		c.line(a[0], a[1]-tick-out, a[0], a[1]+tick+out, pass.widthPx, col)
		c.line(b[0], b[1]-tick-out, b[0], b[1]+tick+out, pass.widthPx, col)
	}
}

// dashOf is an accessory's own dash, a third cue beside shape and colour.
func dashOf(id Identity, unit float64) []float64 {
	dashes := [numShapes][]float64{nil, {14, 6}, {3, 5}, {14, 5, 3, 5}, {24, 8}, {8, 5}, {14, 5, 3, 5, 3, 5}, {3, 9}}
	out := make([]float64, len(dashes[id.Shape%numShapes]))
	for i, d := range dashes[id.Shape%numShapes] {
		out[i] = d * unit
	}
	return out
}

// centreDot marks a group's centre: a plus in the tone with dark and light rims.
func (c *canvas) centreDot(id Identity, x, y, r float64) {
	arms := func(w, reach float64, col color.NRGBA) {
		c.line(x-reach, y, x+reach, y, w, col)
		c.line(x, y-reach, x, y+reach, w, col)
	}
	arms(0.85*r, 1.25*r, white)
	arms(0.55*r, 1.1*r, ink)
	arms(0.28*r, r, id.Tone)
}

// strip writes the line below the image: the photo and how well it measures on
// the left, who is who on the right.
func (s *sheet) strip(f Facts, marks []Mark, ids []Identity) {
	s.rect(0, s.h, s.w, float64(s.im.Rect.Dy())-s.h, 0)
	s.fill(ground)
	s.line(0, s.h, s.w, s.h, 1.5*s.unit, hair)
	st := style{regularWeight, math.Round(23 * s.unit)}
	bold := style{mediumWeight, st.sizePx}
	y := s.h + 37*s.unit
	margin := 20 * s.unit
	room := s.w - 2*margin

	right := s.key(marks, ids, st, s.w-margin, y, room*0.5)
	facts := f.list(len(marks), doubtful(marks))
	left := margin
	text, fitted := s.fit(strings.Join(facts, "  ·  "), st, (right-margin)*0.68, 0.7)
	fw := s.width(text, fitted)
	name, nst := s.fit(f.Photo, bold, right-margin-fw-2*margin, 0.7)
	s.text(name, nst, left, y, ink)
	left += s.width(name, nst) + margin
	s.text(text, fitted, left, y, softInk)
}

// list returns the facts as short texts.
func (f Facts) list(n, doubtful int) []string {
	var out []string
	if f.PxPerMM > 0 {
		out = append(out, fmt.Sprintf("%.2f px/mm", f.PxPerMM))
	}
	if f.ResidualMM > 0 {
		out = append(out, "ring fit ±"+strconv.FormatFloat(f.ResidualMM, 'f', residualDigits(f.ResidualMM), 64)+" mm")
	}
	marks := fmt.Sprintf("n = %d", n)
	if doubtful > 0 {
		marks += fmt.Sprintf(" (%d doubtful)", doubtful)
	}
	out = append(out, marks)
	if f.Distance != "" {
		out = append(out, f.Distance)
	}
	if f.Note != "" {
		out = append(out, f.Note)
	}
	return out
}

// residualDigits keeps two significant digits below 1 mm and one decimal above.
func residualDigits(mm float64) int {
	return max(1, min(6, 1-int(math.Floor(math.Log10(mm)))))
}

func doubtful(marks []Mark) int {
	n := 0
	for _, m := range marks {
		if m.Doubtful {
			n++
		}
	}
	return n
}

// key writes shape, letter, name and count of each accessory that has marks,
// ending at right, and returns where it starts.
func (s *sheet) key(marks []Mark, ids []Identity, st style, right, y, room float64) float64 {
	counts := make([]int, len(ids))
	shown := 0
	for _, m := range marks {
		if m.Who >= 0 && m.Who < len(ids) {
			if counts[m.Who]++; counts[m.Who] == 1 {
				shown++
			}
		}
	}
	if shown == 0 {
		return right
	}
	r, gap := 8*s.unit, 22*s.unit
	each := room/float64(shown) - gap - 3.7*r
	x := right
	for i := len(ids) - 1; i >= 0; i-- {
		if counts[i] == 0 {
			continue
		}
		label := ids[i].Letter
		if ids[i].Name != "" {
			label += " " + ids[i].Name
		}
		count := fmt.Sprintf(" %d", counts[i])
		label, lst := s.fit(label, st, each-s.width(count, st), 0.75)
		label += count
		x -= s.width(label, lst)
		s.text(label, lst, x, y, ink)
		x -= 2.2 * r
		s.glyph(ids[i], look{}, x, y-0.36*st.sizePx, r)
		x -= 1.5*r + gap
	}
	return x + gap
}
