package picture

import (
	"encoding/binary"
	"image"
	"image/color"
	"image/draw"
	"math"

	"git.sr.ht/~sbinet/gg"
)

// canvas is one image being drawn, with the boxes of the text on it.
type canvas struct {
	*typesetter
	im    *image.RGBA
	dc    *gg.Context
	boxes []TextBox
}

func newCanvas(im *image.RGBA, t *typesetter) *canvas {
	c := &canvas{typesetter: t, im: im, dc: gg.NewContextForRGBA(im)}
	c.dc.SetLineCap(gg.LineCapButt)
	c.dc.SetLineJoin(gg.LineJoinRound)
	return c
}

// Memory is where one picture after another can be drawn: each overwrites the last.
// The zero value is ready for use; a nil one stands for memory of its own.
type Memory struct{ pix []byte }

// image returns a picture with whatever was in its pixels.
func (m *Memory) image(w, h int) *image.RGBA {
	if m == nil {
		return image.NewRGBA(image.Rect(0, 0, w, h))
	}
	n := 4 * w * h
	if cap(m.pix) < n {
		m.pix = make([]byte, n)
	}
	return &image.RGBA{Pix: m.pix[:n], Stride: 4 * w, Rect: image.Rect(0, 0, w, h)}
}

// blank returns an image filled with one colour.
func blank(w, h int, col color.NRGBA) *image.RGBA {
	im := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(im, im.Rect, image.NewUniform(col), image.Point{}, draw.Src)
	return im
}

func (c *canvas) note(s string, box image.Rectangle) {
	c.boxes = append(c.boxes, TextBox{Text: s, Rect: box})
}

func (c *canvas) stroke(widthPx float64, col color.NRGBA, dashes ...float64) {
	c.dc.SetColor(col)
	c.dc.SetLineWidth(widthPx)
	c.dc.SetDash(dashes...)
	c.dc.StrokePreserve()
}

func (c *canvas) fill(col color.NRGBA) {
	c.dc.SetColor(col)
	c.dc.FillPreserve()
}

// polygon starts a new path through the points.
func (c *canvas) polygon(closed bool, pts ...[2]float64) {
	c.dc.ClearPath()
	for i, p := range pts {
		if i == 0 {
			c.dc.MoveTo(p[0], p[1])
		} else {
			c.dc.LineTo(p[0], p[1])
		}
	}
	if closed {
		c.dc.ClosePath()
	}
}

func (c *canvas) line(x1, y1, x2, y2, widthPx float64, col color.NRGBA, dashes ...float64) {
	c.polygon(false, [2]float64{x1, y1}, [2]float64{x2, y2})
	c.stroke(widthPx, col, dashes...)
}

func (c *canvas) rect(x, y, w, h, corner float64) {
	c.dc.ClearPath()
	if corner <= 0 {
		c.dc.DrawRectangle(x, y, w, h)
		return
	}
	c.dc.DrawRoundedRectangle(x, y, w, h, corner)
}

func (c *canvas) circle(x, y, r float64) {
	c.dc.ClearPath()
	c.dc.DrawCircle(x, y, r)
}

// look is how a mark is drawn: solid by default.
type look struct{ hollow, dashed bool }

// glyph draws an accessory's shape of radius r at (x, y): light halo, dark
// outline, tone within, so that it reads on any ground.
func (c *canvas) glyph(id Identity, lk look, x, y, r float64) {
	pts := id.Shape.Outline()
	for i, p := range pts {
		pts[i] = [2]float64{x + r*p[0], y + r*p[1]}
	}
	// Begin in the middle of a side: the rasteriser joins corners, not ends.
	last := pts[len(pts)-1]
	mid := [2]float64{(last[0] + pts[0][0]) / 2, (last[1] + pts[0][1]) / 2}
	c.polygon(true, append([][2]float64{mid}, pts...)...)
	line := math.Max(1.2, r/6)
	c.stroke(3*line, white)
	switch {
	case lk.hollow:
		c.fill(white)
		if lk.dashed {
			c.stroke(2.9*line, ink, 3*line, 2*line)
			c.stroke(1.2*line, id.Tone, 3*line, 2*line)
			return
		}
		c.stroke(2.9*line, ink)
		c.stroke(1.2*line, id.Tone)
	case lk.dashed:
		c.fill(withAlpha(id.Tone, 0.55))
		c.stroke(1.4*line, ink, 2.4*line, 1.8*line)
	default:
		c.fill(id.Tone)
		c.stroke(line, ink)
	}
}

// reduce returns the image shrunk by the whole factor k (mean of k x k pixels),
// over ground where it is transparent, with extra rows below.
func (m *Memory) reduce(im *image.NRGBA, k, extraRows int, ground color.NRGBA) *image.RGBA {
	w, h := im.Rect.Dx()/k, im.Rect.Dy()/k
	out := m.image(w, h+extraRows)
	for y := range h {
		src := im.Pix[y*k*im.Stride:]
		dst := out.Pix[y*out.Stride:][:4*w]
		switch k {
		case 1:
			copyRow(dst, src[:4*w], ground)
		case 2:
			halveRow(dst, src[:8*w], src[im.Stride:][:8*w], ground)
		default:
			for x := 0; x < 4*w; x += 4 {
				mean(dst[x:], src[k*x:], im.Stride, k, ground)
			}
		}
	}
	strip := image.Rect(0, h, w, h+extraRows)
	draw.Draw(out, strip, image.NewUniform(ground), image.Point{}, draw.Src)
	return out
}

func copyRow(dst, src []byte, ground color.NRGBA) {
	copy(dst, src)
	for x := 3; x < len(src); x += 4 {
		if src[x] != 255 {
			mean(dst[x-3:], src[x-3:], 0, 1, ground)
		}
	}
}

// halveRow writes the mean of each 2 x 2 pixels of two rows, opaque ones in
// parallel: the bytes of both pixels of a row as four lanes of 16 bits.
func halveRow(dst, top, low []byte, ground color.NRGBA) {
	const (
		alphas = 0xff000000ff000000
		lanes  = 0x00ff00ff00ff00ff
		half   = 0x00020002
		keep   = 0x00ff00ff
	)
	n := len(dst) / 4
	top, low = top[:8*n], low[:8*n]
	for i := 0; i+8 <= len(top) && i+8 <= len(low); i += 8 {
		a, b := binary.LittleEndian.Uint64(top[i:i+8]), binary.LittleEndian.Uint64(low[i:i+8])
		if a&b&alphas != alphas {
			var four [16]byte
			binary.LittleEndian.PutUint64(four[:8], a)
			binary.LittleEndian.PutUint64(four[8:], b)
			mean(dst[i/2:], four[:], 8, 2, ground)
			continue
		}
		even := a&lanes + b&lanes
		odd := a>>8&lanes + b>>8&lanes
		even += even >> 32
		odd += odd >> 32
		v := (uint32(even)+half)>>2&keep | (uint32(odd)+half)>>2&keep<<8
		binary.LittleEndian.PutUint32(dst[i/2:], v)
	}
}

// mean averages k x k pixels over ground.
func mean(dst, src []byte, stride, k int, ground color.NRGBA) {
	var r, g, b, a uint32
	for y := range k {
		row := src[y*stride:][:4*k]
		for x := 0; x < len(row); x += 4 {
			pa := uint32(row[x+3])
			r += uint32(row[x]) * pa
			g += uint32(row[x+1]) * pa
			b += uint32(row[x+2]) * pa
			a += pa
		}
	}
	full := 255 * uint32(k*k)
	rest := full - a
	dst[0] = uint8((r + uint32(ground.R)*rest + full/2) / full)
	dst[1] = uint8((g + uint32(ground.G)*rest + full/2) / full)
	dst[2] = uint8((b + uint32(ground.B)*rest + full/2) / full)
	dst[3] = 255
}
