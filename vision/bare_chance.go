package vision

import (
	_ "embed"
	"math"

	"gonum.org/v1/gonum/spatial/r2"
)

// What tells bare marks from print, texture and light is learnt, as for stickers
// (marks_chance.go): bare.txt holds the weights, fitted to rendered boards by
// TestFitBare.

// numBareSigns is the number of observations.
const numBareSigns = 19

// Scales of the signs.
const (
	usualToneLU  = 0.3  // log units by which the tones of one photo's marks differ
	usualCoreLU  = 0.5  // and their darkest parts
	usualSizeLU  = 0.25 // and their sizes
	usualSharpLU = 0.5  // and the steepness of their edges
)

// signsOf returns what the chance of disc i rests on: a constant; the evidence inside;
// the share of the ring around it that shows evidence too; roundness; contrast and the
// scatter of the ground (logarithms); the share that light would explain; by how much
// light changes there, over its tone; its tone and the tone of its darkest part; the
// steepness of its edges and its size (logarithms); what light leaves of its hue;
// whether it is off the face; how many candidates light would explain; the share that
// is print and the share that is a line; how much darker it is at a mark's width (a
// logarithm); and how far it is from the sure marks in tone, size and steepness.
func (b *bareSearch) signsOf(i int) [numBareSigns]float64 {
	d := &b.discs[i]
	off := 0.0
	if b.isOff(d) {
		off = 1
	}
	tone := math.Abs(d.tone)
	return [numBareSigns]float64{
		1,
		d.mean / bareFor,
		d.open,
		d.fill,
		math.Log(max(0.5, d.contrast)),
		math.Log(max(bareLeastSD/2, d.ground)) + 3,
		d.light,
		min(2, d.step/max(0.1, tone)),
		max(-2, min(2, d.tone)),
		max(-3, d.core),
		math.Log(max(0.02, d.steep)) + 1,
		math.Log(d.r / b.k / (bareUsualMM / 2)),
		min(1, d.hue),
		off,
		math.Log1p(float64(b.flecks)),
		d.print,
		d.line,
		math.Log1p(d.dim),
		min(2, d.kin),
	}
}

// isOff reports whether a disc lies off the face.
func (b *bareSearch) isOff(d *spot) bool {
	return r2.Norm(b.flat.ToBoard(d.at())) > b.outerMM
}

// look sets what shows inside disc i: tone, darkest part, hue, steepness, print, lines.
func (b *bareSearch) look(i int) {
	d := &b.discs[i]
	var tone, surface, hue, steep []float32
	print, line, all := 0, 0, 0
	w := b.w.w
	b.w.visit(d.x, d.y, 1.2*d.r, func(j int, _ float32) {
		all++
		if b.printed[j] {
			print++
			return
		}
		if b.ink[j] != 0 {
			line++
		}
		if j%w > 0 && j%w < w-1 && j >= w && j < len(b.e[0])-w {
			gx, gy := b.e[0][j+1]-b.e[0][j-1], b.e[0][j+w]-b.e[0][j-w]
			steep = append(steep, gx*gx+gy*gy)
		}
		if b.w.v[j] > 0 {
			t := b.e[0][j]
			tone = append(tone, t)
			surface = append(surface, t+b.m.radial[0][b.index[j]]+b.own[j])
			u, v := b.e[1][j]-t*b.lights.slope[0], b.e[2][j]-t*b.lights.slope[1]
			hue = append(hue, u*u+v*v)
		}
	})
	d.dim = b.dim.within(d.x, d.y, d.r/2)
	d.print, d.line = float64(print)/float64(max(1, all)), float64(line)/float64(max(1, all))
	d.tone, d.core, d.hue, d.steep, d.surface, d.darkest = 0, 0, 0, 0, 0, 0
	if len(tone) > 0 {
		d.darkest = float64(selectKth(surface, len(surface)/10))
		d.surface = float64(selectKth(surface, len(surface)/2))
		d.core = float64(selectKth(tone, len(tone)/10))
		d.tone = float64(selectKth(tone, len(tone)/2))
		d.hue = math.Sqrt(float64(selectKth(hue, len(hue)/2)))
	}
	if len(steep) > 0 {
		d.steep = math.Sqrt(float64(selectKth(steep, len(steep)*9/10))) / 2 * b.k
	}
}

// relate sets how far every disc is from those that are sure by themselves; it reports
// whether there are any to compare with. Marks are alike by what they do to the ground, as
// dents are, or by their own surface, as holes are on black and white zones, or by the
// darkest of it, where a bright torn rim shows on the one ground only; where print covers
// most of one, the rest tells little.
func (b *bareSearch) relate() bool {
	of := func(d *spot) [6]float64 {
		return [6]float64{d.tone / usualToneLU, d.core / usualCoreLU, d.surface / usualToneLU, d.darkest / usualCoreLU, math.Log(d.r) / usualSizeLU, math.Log(max(0.02, d.steep)) / usualSharpLU}
	}
	var v [6][]float64
	for i := range b.discs {
		if d := &b.discs[i]; d.alone > sureChance {
			for c, x := range of(d) {
				v[c] = append(v[c], x)
			}
		}
	}
	if len(v[0]) < leastSure {
		return false
	}
	var usual [6]float64
	for c := range v {
		usual[c] = medianOf(v[c])
	}
	for i := range b.discs {
		var off [6]float64
		for c, x := range of(&b.discs[i]) {
			off[c] = min(9, math.Pow(x-usual[c], 2))
		}
		b.discs[i].kin = (1 - math.Pow(b.discs[i].print, 2)) * math.Sqrt((min(off[0]+off[1], off[2]+off[3], 2*off[3])+off[4]+off[5])/4)
	}
	return true
}

// leastSure is how many sure marks tell what the others should look like.
const (
	leastSure  = 3
	sureChance = 0.6
)

// bareLeastChance is the chance below which a disc is not looked at again.
const bareLeastChance = 0.03

// setChances sets the chance of every disc, alone and then in the light of the sure
// ones.
func (b *bareSearch) setChances() {
	for i := range b.discs {
		d := &b.discs[i]
		d.kin = 0
		s := b.signsOf(i)
		d.alone = bareAlone.chance(s[:])
		d.chance = d.alone
	}
	if !b.relate() {
		return
	}
	for i := range b.discs {
		s := b.signsOf(i)
		b.discs[i].chance = bareAmong.chance(s[:])
	}
}

//go:embed bare.txt
var bareText string

// bareAlone judges a disc by itself; bareAmong when there are sure marks to compare it
// with. Each line of bare.txt holds one weight of either.
var bareAlone, bareAmong = readWeights(bareText)
