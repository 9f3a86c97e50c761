package picture

import (
	"fmt"
	"image"
	"image/draw"
)

// Page is a publication picture taken apart into layers that share one canvas, so
// that they lie on each other to the pixel. It is not safe for concurrent use.
type Page struct {
	w, h   int
	set    typesetter
	layers []layer
	steps  int
}

// layer is one part of a page. step is the reveal step at which it appears.
type layer struct {
	name string
	step int
	draw func(c *canvas)
}

// Compose lays a scene out. Nothing is drawn yet.
func Compose(s Scene, f Format, g Geometry) *Page {
	w, h := f.Size()
	p := &Page{w: w, h: h, steps: len(s.Accessories) + 2}
	c := composer{Page: p, scene: s, geometry: g}
	switch f {
	case Vertical:
		c.vertical()
	case Thumbnail:
		c.thumbnail()
	default:
		c.still()
	}
	return p
}

// add appends a layer on top of those before. Layers are numbered from below.
func (p *Page) add(name string, step int, draw func(c *canvas)) {
	p.layers = append(p.layers, layer{fmt.Sprintf("%02d-%s", len(p.layers)+1, name), step, draw})
}

// Layers returns the names of the layers from below to above, such as "01-board"
// and "05-marks-A".
func (p *Page) Layers() []string {
	names := make([]string, len(p.layers))
	for i, l := range p.layers {
		names[i] = l.name
	}
	return names
}

// Layer draws the layer of the given index alone on a transparent canvas of the
// page's size.
func (p *Page) Layer(i int) *image.RGBA {
	im := image.NewRGBA(image.Rect(0, 0, p.w, p.h))
	p.layers[i].draw(newCanvas(im, &p.set))
	return im
}

// Picture draws the whole page on its ground.
func (p *Page) Picture() Picture { return p.Step(p.steps - 1) }

// Steps returns the number of pictures in the reveal sequence: the empty board,
// each accessory in turn, then the verdict. The last is the whole page.
func (p *Page) Steps() int { return p.steps }

// Step draws picture k of the reveal sequence, from 0.
func (p *Page) Step(k int) Picture {
	c := newCanvas(blank(p.w, p.h, ground), &p.set)
	for _, l := range p.layers {
		if l.step <= k {
			l.draw(c)
		}
	}
	return Picture{Image: c.im, Boxes: c.boxes}
}

// Stack lays transparent layers over the pictures' ground: what a video editor
// does with them.
func Stack(layers ...*image.RGBA) *image.RGBA {
	out := blank(layers[0].Rect.Dx(), layers[0].Rect.Dy(), ground)
	for _, l := range layers {
		draw.Draw(out, out.Rect, l, image.Point{}, draw.Over)
	}
	return out
}

// composer arranges one scene on a page.
type composer struct {
	*Page
	scene    Scene
	geometry Geometry
}

// revealStep returns the reveal step of accessory i.
func revealStep(i int) int { return i + 1 }

// verdictStep is the last reveal step.
func (c *composer) verdictStep() int { return c.steps - 1 }
