package picture

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"strings"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomedium"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// weight is a cut of the one typeface in use: the Go fonts, a humanist sans with
// figures of equal width (Bigelow & Holmes, BSD licence). They hold Latin, Greek
// and Cyrillic with ± – × σ ≥ and arrows; other scripts show as boxes.
type weight uint8

const (
	regularWeight weight = iota
	mediumWeight
	boldWeight
)

var parsedFonts = sync.OnceValue(func() [3]*opentype.Font {
	var fonts [3]*opentype.Font
	for i, ttf := range [][]byte{goregular.TTF, gomedium.TTF, gobold.TTF} {
		f, err := opentype.Parse(ttf)
		if err != nil {
			panic("picture: embedded font: " + err.Error())
		}
		fonts[i] = f
	}
	return fonts
})

// style is a weight at a size in pixels per em.
type style struct {
	weight weight
	sizePx float64
}

// typesetter measures and rasterises text. Faces are not safe for concurrent use,
// so each drawing has its own.
type typesetter struct{ faces map[style]font.Face }

func (t *typesetter) face(s style) font.Face {
	if f, ok := t.faces[s]; ok {
		return f
	}
	f, err := opentype.NewFace(parsedFonts()[s.weight], &opentype.FaceOptions{Size: s.sizePx, DPI: 72})
	if err != nil {
		panic("picture: embedded font: " + err.Error())
	}
	if t.faces == nil {
		t.faces = map[style]font.Face{}
	}
	t.faces[s] = f
	return f
}

// width returns the advance of s in pixels.
func (t *typesetter) width(s string, st style) float64 {
	return float64(font.MeasureString(t.face(st), s)) / 64
}

// fit shrinks text to maxPx wide, down to least of its size, and then cuts it with
// an ellipsis. It returns "" only when not even the ellipsis fits.
func (t *typesetter) fit(s string, st style, maxPx, least float64) (string, style) {
	s = oneLine(s)
	w := t.width(s, st)
	if w <= maxPx {
		return s, st
	}
	st.sizePx = math.Floor(st.sizePx * math.Max(least, maxPx/w))
	if t.width(s, st) <= maxPx {
		return s, st
	}
	runes := []rune(s)
	lo, hi := 0, len(runes) // the longest prefix that fits with its ellipsis
	for lo < hi {
		mid := (lo + hi + 1) / 2
		if t.width(cut(runes, mid), st) <= maxPx {
			lo = mid
		} else {
			hi = mid - 1
		}
	}
	if lo == 0 && t.width("…", st) > maxPx {
		return "", st
	}
	return cut(runes, lo), st
}

func cut(runes []rune, n int) string {
	return strings.TrimRight(string(runes[:n]), " ,.;:–-") + "…"
}

// wrap breaks s into at most lines lines of maxPx; what does not fit ends in an
// ellipsis.
func (t *typesetter) wrap(s string, st style, maxPx float64, lines int) []string {
	var out []string
	words := strings.Fields(s)
	for len(words) > 0 && len(out) < lines {
		n := 1
		for n < len(words) && t.width(strings.Join(words[:n+1], " "), st) <= maxPx {
			n++
		}
		line := strings.Join(words[:n], " ")
		if len(out) == lines-1 {
			line = strings.Join(words, " ")
			n = len(words)
		}
		line, _ = t.fit(line, st, maxPx, 1)
		out = append(out, strings.TrimRight(line, " ·"))
		words = words[n:]
	}
	return out
}

// wrapShrunk wraps s like wrap at the largest size, down to least of st's, at
// which all of it fits.
func (t *typesetter) wrapShrunk(s string, st style, maxPx float64, lines int, least float64) ([]string, style) {
	full := st.sizePx
	for ; st.sizePx > least*full; st.sizePx-- {
		out := t.wrap(s, st, maxPx, lines)
		if len(out) == 0 || !strings.HasSuffix(out[len(out)-1], "…") {
			return out, st
		}
	}
	return t.wrap(s, st, maxPx, lines), st
}

// oneLine turns control characters and runs of spaces into single spaces: names
// are free text.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, s)
	return strings.Join(strings.Fields(s), " ")
}

// TextBox is where one text's ink lies on the canvas.
type TextBox struct {
	Text string
	Rect image.Rectangle
}

// text draws s with its baseline starting at (x, y) and records its box.
func (c *canvas) text(s string, st style, x, y float64, col color.NRGBA) {
	if s == "" {
		return
	}
	d := font.Drawer{Dst: c.im, Src: image.NewUniform(col), Face: c.face(st), Dot: dot(x, y)}
	c.note(s, inkBox(d, s))
	d.DrawString(s)
}

// haloText draws s over a light halo of haloPx. The text is rasterised once into a
// mask, and the halo is that mask widened: no repeated drawing.
func (c *canvas) haloText(s string, st style, x, y float64, col color.NRGBA, haloPx int) {
	if s == "" {
		return
	}
	d := font.Drawer{Face: c.face(st), Dot: dot(x, y)}
	box := inkBox(d, s)
	c.note(s, box)
	mask := image.NewAlpha(box.Inset(-haloPx))
	d.Dst, d.Src = mask, image.Opaque
	d.DrawString(s)
	wide := widen(mask, haloPx)
	draw.DrawMask(c.im, wide.Rect, image.NewUniform(withAlpha(white, 0.9)), image.Point{}, wide, wide.Rect.Min, draw.Over)
	draw.DrawMask(c.im, mask.Rect, image.NewUniform(col), image.Point{}, mask, mask.Rect.Min, draw.Over)
}

// widen returns the mask grown by r pixels: the largest value within a disc.
func widen(m *image.Alpha, r int) *image.Alpha {
	out := image.NewAlpha(m.Rect)
	w, h := m.Rect.Dx(), m.Rect.Dy()
	for dy := -r; dy <= r; dy++ {
		reach := int(math.Sqrt(float64(r*r - dy*dy)))
		for y := max(0, -dy); y < min(h, h-dy); y++ {
			src := m.Pix[(y+dy)*m.Stride:][:w]
			dst := out.Pix[y*out.Stride:][:w]
			for x, a := range src {
				if a == 0 {
					continue
				}
				for i := max(0, x-reach); i <= min(w-1, x+reach); i++ {
					dst[i] = max(dst[i], a)
				}
			}
		}
	}
	return out
}

func dot(x, y float64) fixed.Point26_6 {
	return fixed.Point26_6{X: fixed.Int26_6(math.Round(x * 64)), Y: fixed.Int26_6(math.Round(y * 64))}
}

func inkBox(d font.Drawer, s string) image.Rectangle {
	b, _ := d.BoundString(s)
	return image.Rect(b.Min.X.Floor(), b.Min.Y.Floor(), b.Max.X.Ceil(), b.Max.Y.Ceil())
}
