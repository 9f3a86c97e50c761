package report

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"

	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/sheet"
)

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

// glyph is an accessory's shape, letter and name; the first two stay together.
func (v view) glyph(accessory string) template.HTML {
	id, _ := v.identity(accessory)
	return template.HTML(`<span class="who"><svg class="glyph" viewBox="-2 -2 4 4" aria-hidden="true">` + polygon(id, 0, 0, 1.35, "m") + `</svg> ` +
		`<b>` + template.HTMLEscapeString(id.Letter) + `</b></span> ` + template.HTMLEscapeString(accessory))
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
	r := reach / 34
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="board" viewBox="%.1f %.1f %.1f %.1f" role="img" aria-label="%s">`, -edge, -edge, 2*edge, 2*edge+4*r,
		template.HTMLEscapeString(PictureAlt(v.Summary, false)))
	for _, ring := range rings {
		fmt.Fprintf(&b, `<circle class="ring" r="%.1f"/>`, ring)
	}
	for _, m := range v.Impacts {
		if !m.Counts() || !m.XMM.Known() || !m.YMM.Known() {
			continue
		}
		id, known := v.identity(m.Accessory)
		if m.SetAside != "" || !known {
			fmt.Fprintf(&b, `<g stroke="%s">%s</g>`, tone(id), polygon(id, float64(m.XMM), -float64(m.YMM), r, "hollow"))
			continue
		}
		b.WriteString(polygon(id, float64(m.XMM), -float64(m.YMM), r, "m"))
	}
	fmt.Fprintf(&b, `<path class="scale" d="M%.1f %.1fh100"/><text class="scale" x="%.1f" y="%.1f" font-size="%.1f">100 mm</text></svg>`,
		-edge*0.98, edge+2.2*r, -edge*0.98+110, edge+2.8*r, 2*r)
	return template.HTML(b.String())
}

// strips draws each accessory's readings as points on one axis, those that would
// cover each other stacked, the mean with its interval below, and the venue's cap.
func (v view) strips() template.HTML {
	perMPS := 1.0
	if v.unit() == "fps" {
		perMPS = 1 / metresPerFoot
	}
	in := func(n sheet.Number) float64 { return float64(n) * perMPS }
	lo, hi := v.speedRange()
	if !(hi >= lo) {
		return ""
	}
	lo, hi = lo*perMPS, hi*perMPS
	pad := max(0.5, (hi-lo)*0.06)
	lo, hi = lo-pad, hi+pad
	const left, width, row, top, foot, dotPx = 10.0, 640.0, 92.0, 26.0, 34.0, 6.5
	x := func(n sheet.Number) float64 { return left + width*(in(n)-lo)/(hi-lo) }
	height := top + row*float64(len(v.Velocities)) + foot
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="strips" viewBox="0 0 660 %.0f" role="img" aria-label="Readings of each accessory on one axis in %s; the table below holds the figures.">`, height, v.unit())
	for i, s := range v.Velocities {
		y := top + row*float64(i) + 54 // of the line; the name stands above it
		id, _ := v.identity(s.Accessory)
		var at []float64
		beyond := 0
		for _, r := range s.Readings {
			switch {
			case !r.Known():
			case in(r) < lo || in(r) > hi:
				beyond++
			default:
				at = append(at, x(r))
			}
		}
		name := template.HTMLEscapeString(id.Letter + " " + clip(s.Accessory, 28))
		if beyond > 0 {
			name += fmt.Sprintf(`<tspan class="tick" dx="12">%d beyond this axis</tspan>`, beyond)
		}
		fmt.Fprintf(&b, `<text x="0" y="%.1f">%s</text><path class="rule" d="M%.0f %.1fh%.0f"/>`, y-33, name, left, y, width)
		for k, level := range stack(at, 1.9*dotPx) {
			b.WriteString(polygon(id, at[k], y-1.9*dotPx*level, dotPx, "m"))
		}
		mean := shownMean(s)
		if mean.Low.Known() && mean.High.Known() {
			fmt.Fprintf(&b, `<path class="mean" d="M%.1f %.1fH%.1f"/>`, x(mean.Low), y+22, x(mean.High))
		}
		if m := mean.Value; m.Known() {
			fmt.Fprintf(&b, `<path class="mean" d="M%.1f %.1fv10"/>`, x(m), y+17)
		}
	}
	if limit := v.Session.CapMPS; limit.Known() {
		fmt.Fprintf(&b, `<path class="cap" d="M%.1f 2V%.1f"/><text x="%.1f" y="18" text-anchor="end">cap</text>`, x(limit), height-foot+6, x(limit)-6)
	}
	for _, tick := range ticks(lo, hi) {
		fmt.Fprintf(&b, `<text class="tick" x="%.1f" y="%.1f" text-anchor="middle">%s</text>`,
			left+width*(tick-lo)/(hi-lo), height-6, strconv.FormatFloat(tick, 'f', -1, 64))
	}
	fmt.Fprintf(&b, `<text class="tick" x="0" y="%.1f">%s</text></svg>`, height-6, v.unit())
	return template.HTML(b.String())
}

// shownMean is the mean that the strip plot shows: slips put right.
func shownMean(s sheet.Velocity) sheet.Estimate {
	if s.Without != nil {
		return s.Without.MeanMPS
	}
	return s.MeanMPS
}

// speedRange is the range, m/s, of everything the strip plot shows; upside down when
// there is nothing.
func (v view) speedRange() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	take := func(n sheet.Number) {
		if n.Known() {
			lo, hi = min(lo, float64(n)), max(hi, float64(n))
		}
	}
	for _, s := range v.Velocities {
		if s.Without != nil { // a slip must not stretch the axis
			take(s.Without.MinMPS)
			take(s.Without.MaxMPS)
		} else {
			for _, r := range s.Readings {
				take(r)
			}
		}
		take(shownMean(s).Low)
		take(shownMean(s).High)
	}
	take(v.Session.CapMPS)
	return lo, hi
}

// stack gives each place a level (0, 1, -1, 2) on which it keeps its distance from
// the others; where all are taken the dots cover each other.
func stack(at []float64, apart float64) []float64 {
	order := make([]int, len(at))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(at[a], at[b]) })
	levels := make([]float64, len(at))
	last := map[float64]float64{}
	for _, i := range order {
		for _, level := range []float64{0, 1, -1, 2} {
			if x, taken := last[level]; !taken || at[i]-x >= apart {
				levels[i], last[level] = level, at[i]
				break
			}
		}
	}
	return levels
}

// ticks are the multiples of a round step from lo to hi, eight at most.
func ticks(lo, hi float64) (out []float64) {
	step := math.Pow(10, math.Floor(math.Log10(hi-lo)))
	for _, f := range []float64{0.1, 0.2, 0.5, 1} {
		if (hi-lo)/(f*step) <= 8 {
			step *= f
			break
		}
	}
	for k := math.Ceil(lo / step); k*step <= hi; k++ {
		out = append(out, math.Round(k*step*1000)/1000+0) // nought without a sign
	}
	return out
}

func clip(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}
