package picture

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
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
	p := &Page{w: w, h: h}
	c := composer{Page: p, scene: s, geometry: g, acts: acts(s.Accessories, f)}
	p.steps = len(c.acts) + 2
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
// each string in the order shot, then the verdict. Where the strings of some impacts
// are not known it is each accessory in turn. The last is the whole page.
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

// composer arranges one scene on a page.
type composer struct {
	*Page
	scene    Scene
	geometry Geometry
	acts     []act // of the reveal, in order
}

// act is one step of the reveal: the marks of one string, or all of an accessory.
type act struct {
	who  int
	str  int // Impact.String; 0 for all
	last bool
}

// acts orders the reveal. An accessory's figures come with its last act.
func acts(accessories []Accessory, f Format) []act {
	if f == Thumbnail && len(accessories) > mostOnThumbnail {
		accessories = accessories[:mostOnThumbnail]
	}
	var byString, byAccessory []act
	known := true
	for w, a := range accessories {
		byAccessory = append(byAccessory, act{w, 0, true})
		var strings []int
		for _, m := range a.Impacts {
			known = known && m.String > 0
			if !slices.Contains(strings, m.String) {
				strings = append(strings, m.String)
			}
		}
		slices.Sort(strings)
		if len(strings) == 0 {
			byString = append(byString, act{w, math.MaxInt, true})
		}
		for i, str := range strings {
			byString = append(byString, act{w, str, i == len(strings)-1})
		}
	}
	if !known {
		return byAccessory
	}
	slices.SortStableFunc(byString, func(a, b act) int { return cmp.Compare(a.str, b.str) })
	return byString
}

// revealStep returns the reveal step at which all of accessory w is shown.
func (c *composer) revealStep(w int) int {
	return 1 + slices.IndexFunc(c.acts, func(a act) bool { return a.who == w && a.last })
}

// verdictStep is the last reveal step.
func (c *composer) verdictStep() int { return c.steps - 1 }
