package vision

import (
	_ "embed"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"
)

// What tells stickers from other things is learnt: the chance of a disc is a logistic
// function of the products of any two of a few observations. chance.txt holds the
// weights, fitted to rendered boards by TestFitChance.

// numSigns is the number of observations.
const numSigns = 15

// signs returns what the chance of a disc rests on: a constant; support of the
// visible rim, and of the whole; scatter of the rim in tolerances; share of the rim
// with one and the same step; that step, whole and in chroma (logarithms); unevenness
// of the inside in steps; whether it is off the face; votes; distance from the
// nearest sure sticker's colour; share of the inside that the face does not explain;
// share of the rim beyond which the disc's colour runs on; the step in scatters of what
// lies beside the disc (logarithm); and its least radius in the photo, px (logarithm).
func (s *search) signs(d *disc) [numSigns]float64 {
	off := 0.0
	if r2.Norm(d.pos) > s.outerMM+0.5*d.radius {
		off = 1
	}
	kin := 0.0
	if d.group >= 0 {
		kin = min(2, d.kin)
	}
	step := d.step.size() + 0.02
	return [numSigns]float64{
		1,
		d.support(),
		float64(d.on) / float64(max(1, d.seen())),
		min(1, d.sd/d.tol),
		d.step.closed,
		math.Log(step),
		math.Log(d.step.hue() + 0.02),
		min(2, d.uneven/step),
		off,
		min(1, d.votes),
		kin,
		d.fill,
		float64(d.runs) / float64(max(1, d.seen())),
		math.Log(step / (d.ground + 0.01)),
		math.Log(d.leastPx),
	}
}

// weights of the products of signs i <= j, by i, then j.
type weights []float64

// chance returns the chance that goes with the signs.
func (w weights) chance(signs []float64) float64 {
	z, k := 0.0, 0
	for i, a := range signs {
		for _, b := range signs[i:] {
			z += w[k] * a * b
			k++
		}
	}
	return 1 / (1 + math.Exp(-z))
}

//go:embed chance.txt
var chanceText string

// byShape judges a disc by its rim and inside alone; byColour when the colours of the
// sure stickers are known.
var byShape, byColour = readWeights(chanceText)

// readWeights reads two sets of weights; each line holds one weight of either.
func readWeights(text string) (alone, among weights) {
	for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
		first, second, _ := strings.Cut(line, " ")
		a, err := strconv.ParseFloat(first, 64)
		b, err2 := strconv.ParseFloat(second, 64)
		if err != nil || err2 != nil {
			panic("vision: weights: " + line)
		}
		alone, among = append(alone, a), append(among, b)
	}
	return alone, among
}

// chanceOf returns the chance that a disc is a sticker. Nothing speaks for one that shows
// less rim than its place takes to be fixed, nor for the face's centre mark.
func (s *search) chanceOf(d *disc) float64 {
	if !d.fitted || d.on*raysPerDisc < leastRim*len(d.rays) || s.isCentreMark(d) {
		return 0
	}
	signs := s.signs(d)
	if d.group >= 0 {
		return byColour.chance(signs[:])
	}
	return byShape.chance(signs[:])
}
