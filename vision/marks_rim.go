package vision

import "math"

// rimStep is the change of colour across the rim of a disc, from outside to inside,
// in log-linear opponent colour.
type rimStep struct {
	median [3]float32 // over the visible rim
	closed float64    // share of the visible rim whose step agrees with the median in sign and in at least half its size
}

// stepOf returns the step across the rim that the rays cross; zero for none.
func stepOf(rim []ray) (out rimStep) {
	if len(rim) == 0 {
		return out
	}
	steps := make([][3]float32, len(rim))
	for i, r := range rim {
		in, ex := opponentOf(r.in), opponentOf(r.ex)
		steps[i] = [3]float32{in[0] - ex[0], in[1] - ex[1], in[2] - ex[2]}
	}
	v := make([]float32, len(steps))
	for c := range 3 {
		for k := range steps {
			v[k] = steps[k][c]
		}
		out.median[c] = selectKth(v, len(v)/2)
	}
	m := rgb(out.median)
	for _, t := range steps {
		if m.dot(t) > 0.5*m.dot(m) {
			out.closed += 1 / float64(len(steps))
		}
	}
	return out
}

// opponentOf converts linear light to log-linear opponent colour.
func opponentOf(c rgb) [3]float32 { return opponent(logOf(c[0]), logOf(c[1]), logOf(c[2])) }

// logOf is the logarithm of linear light above logFloor.
func logOf(l float32) float32 { return float32(math.Log(float64(l) + logFloor)) }

// hue returns the change of log-chroma across the rim.
func (r rimStep) hue() float64 { return math.Hypot(float64(r.median[1]), float64(r.median[2])) }

// size returns the whole change.
func (r rimStep) size() float64 { return math.Hypot(float64(r.median[0]), r.hue()) }
