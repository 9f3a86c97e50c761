package vision

import (
	"math"

	"gonum.org/v1/gonum/spatial/r2"
)

// numFeatures is the length of what featuresOf returns.
const numFeatures = 12

// featuresOf returns what the chance of a disc rests on: a constant; support of the
// visible rim and of the whole; scatter of the rim in tolerances; share of the rim
// with one and the same step; that step, whole and in chroma (logarithms); unevenness
// of the inside in steps; off the face; votes; support off the face; and distance
// from the nearest sure sticker's colour.
func (s *search) featuresOf(d *disc) [numFeatures]float64 {
	n := float64(max(1, d.seen()))
	off := 0.0
	if r2.Norm(d.pos) > s.outerMM+0.5*d.radius {
		off = 1
	}
	kin := 0.0
	if d.group >= 0 {
		kin = min(2, d.kin)
	}
	size := d.step.size() + 0.02
	return [numFeatures]float64{
		1,
		d.support(),
		float64(d.on) / n,
		min(1, d.sd/d.tol),
		d.step.closed,
		math.Log(size),
		math.Log(d.step.hue() + 0.02),
		min(2, d.uneven/size),
		off,
		min(1, d.votes),
		off * float64(d.on) / n,
		kin,
	}
}

// byShape and byColour are the weights of a logistic model of the chance that a disc
// is a sticker: from its rim alone, and when the colours of the sure stickers are
// known.
var (
	byShape  = [numFeatures]float64{-3.416, 7.073, -2.738, -9.464, 4.500, -0.292, 1.720, -1.821, -4.097, 2.014, -0.601, 0}
	byColour = [numFeatures]float64{1.615, 5.399, -2.244, -6.196, 0.774, -0.153, 1.575, 1.140, -3.797, 2.865, -0.056, -9.476}
)

// chanceOf returns the chance that a disc is a sticker.
func (s *search) chanceOf(d *disc) float64 {
	if !d.fitted {
		return 0
	}
	w := byShape
	if d.group >= 0 {
		w = byColour
	}
	z := 0.0
	for i, f := range s.featuresOf(d) {
		z += w[i] * f
	}
	return 1 / (1 + math.Exp(-z))
}
