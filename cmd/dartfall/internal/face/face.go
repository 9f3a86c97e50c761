// Package face draws a ringed face as a PDF to be printed at true size, over as
// many sheets as it takes. It refuses to know any published face: rings have the
// diameters they are given.
//
// Canvas frame: millimetres, origin at the ring centre, x right, y up, as on the
// board.
package face

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
)

// Paper is a sheet, upright, in mm.
type Paper struct {
	Name              string
	WidthMM, HeightMM float64
}

// The papers offered: ISO 216 and ANSI Y14.1 size A.
var (
	A4     = Paper{"A4", 210, 297}
	Letter = Paper{"Letter", 215.9, 279.4}
)

// Key is one line of the sticker key.
type Key struct{ Letter, Name, Colour string }

// Face is what to print.
type Face struct {
	RingsMM  []float64 // diameters of the lines' outer edges
	LineMM   float64   // width of the lines, inside the diameter; 0 means 2
	Paper    Paper     // zero means A4
	Code     string    // session code, printed on every sheet; may be ""
	Stickers []Key     // for the cover sheet; may be empty
	// StickerMM is the stickers' diameter; 0 leaves discs out of the key.
	StickerMM float64
}

const (
	marginMM  = 12.0 // of a sheet, kept clear by most home printers with room for the check bars
	overlapMM = 12.0 // strip that neighbouring sheets share, for glue
	dotMM     = 6.0  // diameter of the centre mark
	// The up mark is a filled triangle above the outer ring.
	upHeightMM, upWidthMM = 24.0, 26.0
	edgeMM                = 6.0 // white beyond the outer ring

	maxRings      = 40
	maxDiameterMM = 2500.0
)

func (f *Face) check() error {
	if f.LineMM == 0 {
		f.LineMM = 2
	}
	if f.Paper == (Paper{}) {
		f.Paper = A4
	}
	f.RingsMM = slices.Clone(f.RingsMM)
	slices.Sort(f.RingsMM)
	if len(f.RingsMM) == 0 || len(f.RingsMM) > maxRings {
		return fmt.Errorf("a face has 1 to %d rings, not %d", maxRings, len(f.RingsMM))
	}
	if !(f.LineMM > 0) {
		return errors.New("the line's width must be above zero")
	}
	inner := dotMM
	for _, d := range f.RingsMM {
		if !(d-2*f.LineMM > inner) {
			return fmt.Errorf("there is no room for a ring of %g mm with lines of %g mm outside %g mm", d, f.LineMM, inner)
		}
		inner = d
	}
	if inner > maxDiameterMM {
		return fmt.Errorf("a ring of %g mm is larger than the %g mm that can be printed here", inner, maxDiameterMM)
	}
	return nil
}

func (f *Face) outerMM() float64 { return f.RingsMM[len(f.RingsMM)-1] / 2 }

// upGapMM is how far above the outer ring the up mark begins: more on a large face, of
// which a photo shows less detail.
func (f *Face) upGapMM() float64 { return max(10, 0.025*f.outerMM()) }

// sheet is one printed page: which part of the canvas it shows.
type sheet struct {
	row, column   int     // from 1, top left
	leftMM, topMM float64 // canvas position of the printed area's top left corner
}

// layout divides the canvas evenly into sheets, upright or sideways, whichever
// takes fewer, and leaves out sheets that would stay empty.
func (f *Face) layout() (w, h float64, sheets []sheet) {
	r := f.outerMM()
	width, bottom, top := 2*(r+edgeMM), -r-edgeMM-8, r+f.upGapMM()+upHeightMM+edgeMM
	grid := func(pw, ph float64) (columns, rows int) {
		n := func(length, page float64) int {
			page -= 2 * marginMM
			if length <= page {
				return 1
			}
			return int(math.Ceil((length - overlapMM) / (page - overlapMM)))
		}
		return n(width, pw), n(top-bottom, ph)
	}
	w, h = f.Paper.WidthMM, f.Paper.HeightMM
	columns, rows := grid(w, h)
	if c, r := grid(h, w); c*r < columns*rows {
		w, h, columns, rows = h, w, c, r
	}
	stepX, stepY := w-2*marginMM-overlapMM, h-2*marginMM-overlapMM
	left := -(float64(columns)*stepX + overlapMM) / 2
	high := (top+bottom)/2 + (float64(rows)*stepY+overlapMM)/2
	for i := range rows {
		for j := range columns {
			s := sheet{i + 1, j + 1, left + float64(j)*stepX, high - float64(i)*stepY}
			if f.inked(s, w-2*marginMM, h-2*marginMM) {
				sheets = append(sheets, s)
			}
		}
	}
	return w, h, sheets
}

// inked reports whether the sheet shows any part of the face.
func (f *Face) inked(s sheet, w, h float64) bool {
	nearest := func(lo, hi float64) float64 { return max(lo, min(0, hi)) }
	x, y := nearest(s.leftMM, s.leftMM+w), nearest(s.topMM-h, s.topMM)
	r := f.outerMM()
	up := s.leftMM < upWidthMM && s.leftMM+w > -upWidthMM && s.topMM > r && s.topMM-h < r+f.upGapMM()+upHeightMM
	return math.Hypot(x, y) < r || up
}

// PDF writes the cover sheet and the face. The same Face gives the same bytes.
func (f Face) PDF(out io.Writer) error {
	if err := f.check(); err != nil {
		return err
	}
	w, h, sheets := f.layout()
	p := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: w, Ht: h}})
	epoch := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	p.SetCreationDate(epoch)
	p.SetModificationDate(epoch)
	p.SetCatalogSort(true)
	p.SetProducer("dartfall", true)
	p.SetTitle("Ringed face", true)
	p.SetAutoPageBreak(false, 0)
	p.SetCompression(false) // a test reads the drawing back
	p.AddUTF8FontFromBytes("sans", "", liberationsansregular.TTF)
	p.AddUTF8FontFromBytes("sans", "B", liberationsansbold.TTF)
	d := drawing{p, w, h}
	d.cover(&f, sheets)
	for _, s := range sheets {
		d.page(&f, s, sheets)
	}
	if err := p.Output(out); err != nil {
		return fmt.Errorf("cannot write the face: %v", err)
	}
	return nil
}

type drawing struct {
	*fpdf.Fpdf
	w, h float64
}

func (d drawing) page(f *Face, s sheet, sheets []sheet) {
	d.AddPage()
	x := func(mm float64) float64 { return marginMM + mm - s.leftMM }
	y := func(mm float64) float64 { return marginMM + s.topMM - mm }
	d.ClipRect(marginMM, marginMM, d.w-2*marginMM, d.h-2*marginMM, false)
	d.SetDrawColor(0, 0, 0)
	d.SetFillColor(0, 0, 0)
	d.SetLineWidth(f.LineMM)
	for _, ring := range f.RingsMM {
		d.circle(x(0), y(0), ring/2-f.LineMM/2, "D")
	}
	d.circle(x(0), y(0), dotMM/2, "F")
	base := f.outerMM() + f.upGapMM()
	d.Polygon([]fpdf.PointType{
		{X: x(-upWidthMM / 2), Y: y(base)}, {X: x(upWidthMM / 2), Y: y(base)}, {X: x(0), Y: y(base + upHeightMM)},
	}, "F")
	d.SetFont("sans", "", 9)
	words := strings.TrimSpace(fmt.Sprintf("outer ring %g mm   %s", 2*f.outerMM(), f.Code))
	d.Text(x(0)-d.GetStringWidth(words)/2, y(-f.outerMM()-edgeMM), words)
	d.ClipEnd()
	d.registration()
	d.bars()
	d.SetFont("sans", "", 8)
	label := fmt.Sprintf("sheet row %d, column %d (%d sheets)   print at 100%%, not \"fit to page\"   %s", s.row, s.column, len(sheets), f.Code)
	d.Text(marginMM+110, d.h-4, strings.TrimSpace(label))
}

// circle draws with sixteen cubic arcs: the usual four are off by 0.03% of the
// radius, a tenth of a millimetre on a large ring; sixteen by under a micrometre.
func (d drawing) circle(cx, cy, r float64, style string) {
	const n = 16
	k := 4. / 3 * math.Tan(math.Pi/2/n) * r
	at := func(i int) (sin, cos float64) { return math.Sincos(2 * math.Pi * float64(i) / n) }
	d.MoveTo(cx+r, cy)
	for i := range n {
		s0, c0 := at(i)
		s1, c1 := at(i + 1)
		d.CurveBezierCubicTo(cx+r*c0-k*s0, cy+r*s0+k*c0, cx+r*c1+k*s1, cy+r*s1-k*c1, cx+r*c1, cy+r*s1)
	}
	d.ClosePath()
	d.DrawPath(style)
}

// registration draws a cross at each corner, in the middle of the strip that
// neighbouring sheets share: laid on each other, the crosses coincide.
func (d drawing) registration() {
	d.SetDrawColor(110, 110, 110)
	d.SetLineWidth(0.2)
	const arm = 4.0
	for _, x := range []float64{marginMM + overlapMM/2, d.w - marginMM - overlapMM/2} {
		for _, y := range []float64{marginMM + overlapMM/2, d.h - marginMM - overlapMM/2} {
			d.Line(x-arm, y, x+arm, y)
			d.Line(x, y-arm, x, y+arm)
		}
	}
	d.SetDrawColor(0, 0, 0)
}

// bars draws a 100 mm bar in both directions: prints stretch.
func (d drawing) bars() {
	const length, tick = 100.0, 2.0
	d.SetLineWidth(0.3)
	y, x := d.h-7.5, 7.5
	d.Line(marginMM, y, marginMM+length, y)
	d.Line(marginMM, y-tick, marginMM, y+tick)
	d.Line(marginMM+length, y-tick, marginMM+length, y+tick)
	d.Line(x, marginMM, x, marginMM+length)
	d.Line(x-tick, marginMM, x+tick, marginMM)
	d.Line(x-tick, marginMM+length, x+tick, marginMM+length)
	d.SetFont("sans", "", 8)
	d.Text(marginMM+38, d.h-4, "check bar: 100 mm")
}

// tones are printed swatches for the colour names of stickers.
var tones = map[string][3]int{
	"red": {200, 40, 40}, "blue": {30, 90, 200}, "purple": {120, 50, 160}, "green": {30, 140, 70},
	"orange": {240, 130, 30}, "yellow": {245, 210, 40}, "pink": {240, 120, 170}, "black": {25, 25, 25}, "white": {255, 255, 255},
}

// cover explains how to put the sheets together. The sticker key stands here and
// not on the face, where its discs would be taken for impacts.
func (d drawing) cover(f *Face, sheets []sheet) {
	d.AddPage()
	y := 24.0
	line := func(style string, size, gap float64, text string) {
		d.SetFont("sans", style, size)
		d.SetXY(marginMM+6, y)
		d.MultiCell(d.w-2*marginMM-12, size*0.45, text, "", "L", false)
		y = d.GetY() + gap
	}
	line("B", 20, 4, "Ringed face, "+list(f.RingsMM)+" mm")
	if f.Code != "" {
		line("B", 12, 3, "Session "+f.Code)
	}
	columns, rows := 0, 0
	for _, s := range sheets {
		columns, rows = max(columns, s.column), max(rows, s.row)
	}
	if len(sheets) == 1 {
		line("", 11, 3, "1. Print at 100%, not \"fit to page\". The check bars must measure 100 mm in both directions.")
	} else {
		line("", 11, 3, fmt.Sprintf("1. Print at 100%%, not \"fit to page\". %d sheets, %d rows and %d columns; empty corners are left out. The check bars must measure 100 mm in both directions on every sheet.", len(sheets), rows, columns))
		line("", 11, 3, "2. Cut one of two neighbouring edges along the crosses and glue it onto the other so that the crosses meet.")
	}
	line("", 11, 3, "Then measure the outermost ring with a tape, left to right and top to bottom, over the outer edge of the line, and write both into the session file (across, down).")
	line("", 11, 3, "Fix the face flat, triangle up, on a backer at least one and a half times as wide.")
	line("", 11, 6, "Foam darts can injure eyes: rated eye protection for everybody near, the helper at the board included; a backstop behind; local rules and the field's marshals have the last word.")
	if len(f.Stickers) > 0 {
		line("B", 12, 3, "Stickers")
		for _, k := range f.Stickers {
			d.key(f, k, marginMM+6, y)
			y += max(10, f.StickerMM+3)
		}
	}
	d.bars()
}

func (d drawing) key(f *Face, k Key, x, y float64) {
	size := f.StickerMM
	if tone, ok := tones[k.Colour]; ok && size > 0 {
		d.SetFillColor(tone[0], tone[1], tone[2])
		d.SetLineWidth(0.2)
		d.circle(x+size/2, y+size/2, size/2, "FD")
		d.SetFillColor(0, 0, 0)
	}
	d.SetFont("sans", "", 11)
	d.Text(x+size+5, y+max(size/2, 4)+1.5, strings.TrimSpace(k.Letter+"   "+k.Name+"   "+k.Colour))
}

func list(mm []float64) string {
	words := make([]string, len(mm))
	for i, v := range mm {
		words[i] = fmt.Sprintf("%g", v)
	}
	return strings.Join(words, ", ")
}
