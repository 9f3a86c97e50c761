package vision

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// A disc of the sure stickers' colour explains a sticker, and neither the bare face nor one
// of another colour; what other discs cover tells nothing.
func TestLeftShare(t *testing.T) {
	s := boardtest.Plain(1000, 1000)
	s.Imaging.ShotSD = 0.02
	s.Marks = slices.Concat(boardtest.Stickers("red", 14, [2]float64{40, 30}, [2]float64{-70, 20}, [2]float64{75, -90}), boardtest.Stickers("blue", 14, [2]float64{-20, -65}))
	img, truth := boardtest.Render(s)
	f, _, warnings := newSearch(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{SizeMM: 14})
	if f == nil {
		t.Fatal(warnings)
	}
	found := f.choose(f.candidates(), 0.8)
	f.groupColours(found)
	red := f.groups[found[slices.IndexFunc(found, func(d *disc) bool { return r2.Norm(r2.Sub(d.pos, r2.Vec{X: 40, Y: 30})) < 2 })].group]
	for _, c := range []struct {
		name     string
		x, y     float64
		from, to float64
	}{
		{"sticker", -70, 20, 0, 0.1},
		{"bare", -20, 65, 2, math.Inf(1)},
		{"another colour", -20, -65, 0.7, math.Inf(1)},
		{"half aside", 47, 30, 0.4, 2},
	} {
		d := &disc{pos: r2.Vec{X: c.x, Y: c.y}, radius: 7}
		if share, ok := f.leftShare(f.shownAbout(d, nil), red.mean); !ok || share < c.from || share > c.to {
			t.Errorf("%s: %.2f left (%v), want %.1f to %.1f", c.name, share, ok, c.from, c.to)
		}
		if _, ok := f.leftShare(f.shownAbout(d, []*disc{{pos: d.pos, radius: 9}}), red.mean); ok {
			t.Errorf("%s: told although a disc covers it", c.name)
		}
	}
}

// What lies within a disc outweighs what its rim says, either way.
func TestByShare(t *testing.T) {
	s := boardtest.Plain(1000, 1000)
	s.Marks = boardtest.Stickers("red", 14, [2]float64{40, 30}, [2]float64{-70, 20}, [2]float64{75, -90}, [2]float64{-20, -65})
	img, truth := boardtest.Render(s)
	f, _, _ := newSearch(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{SizeMM: 14})
	found := f.choose(f.candidates(), 0.8)
	f.groupColours(found)
	sticker := found[0]
	sticker.chance = 0.2
	fleck := &disc{pos: r2.Vec{X: -20, Y: 65}, radius: 7, chance: 0.9, group: sticker.group}
	more, rest := f.byShare(append(slices.Clone(found[1:]), fleck), []*disc{sticker})
	if !slices.Contains(more, sticker) || sticker.chance < 0.8 {
		t.Errorf("a sticker of chance 0.2 by its rim is not taken (%.2f)", sticker.chance)
	}
	if !slices.Contains(rest, fleck) || len(more) != 4 {
		t.Errorf("bare face with a chance of 0.9 is taken (%.2f)", fleck.chance)
	}
}

// White light over a sticker on a zone of a like colour pales it to less than half its
// contrast; that does not speak against it, nor for bare face.
func TestVeiledSticker(t *testing.T) {
	s := boardtest.Plain(1000, 1000)
	img, truth := boardtest.Render(s)
	f, _, _ := newSearch(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{SizeMM: 14})
	d := &disc{pos: r2.Vec{X: 40, Y: 30}, radius: 7, chance: 0.9}
	red := &group{name: "red", mean: opponentOf(rgb{0.4, 0.02, 0.02}), discs: []*disc{{chance: 1}, {chance: 1}}}
	f.groups = []*group{red}
	face := opponentOf(rgb{0.5, 0.06, 0.06})
	for c := range face {
		for r := range f.m.radial[c] {
			f.m.radial[c][r], f.m.spread[c][r] = face[c], 0.05
		}
	}
	paint := func(colour [3]float32) {
		for c := range face {
			clear(f.m.residual.ch[c])
			f.visit(d.pos, d.radius, func(i int) { f.m.residual.ch[c][i] = colour[c] - face[c] })
		}
	}
	for _, c := range []struct {
		name   string
		colour [3]float32
		from   float64
		to     float64
	}{
		{"as the others", red.mean, 1, math.Inf(1)},
		{"paled", veiled(red.mean, 0.025), 0.5, math.Inf(1)},
		{"bare", face, 0, 0.1},
	} {
		paint(c.colour)
		if odds := f.areaOdds(d, nil); odds < c.from || odds > c.to {
			t.Errorf("%s: odds %.2f, want %.1f to %.1f", c.name, odds, c.from, c.to)
		}
	}
}
