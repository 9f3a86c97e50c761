// Package follow tells which marks on a photo of a board were on it before. Photos
// of one board, taken from different places, agree on the board plane up to a turn
// about the ring centre, which rings cannot show; the marks that both show fix it.
// The package refuses to guess: where two turns explain the marks about as well, or
// too few old marks come back, it says so.
//
// Positions are millimetres in the frame of the photo they come from.
package follow

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// Mark is a mark as one photo shows it.
type Mark struct {
	Pos    r2.Vec
	CovMM2 [3]float64 // xx, xy, yy of Pos
	Colour string     // "" for bare marks; marks of sure and different colours are never the same
	// Perhaps holds the other names that its colour may have, where that is unsure: in glare
	// or coloured light a mark seen again may be called by one of these.
	Perhaps []string
}

// Prior is what is known before the marks are compared.
type Prior struct {
	// TurnSigmaRad is how far the two photos' directions of up may differ. It is not
	// trusted beyond reason: one board in twenty may be turned by any angle.
	TurnSigmaRad float64
	// LooseMM is the standard deviation, per axis, of what the covariances do not
	// hold: a board that is not flat seen from two places, marks that change shape.
	LooseMM float64
}

// Match sets the marks of a later photo against those known before.
type Match struct {
	// Same tells that the later photo shows the face that the old marks are on. When
	// it does not, no mark is paired and TurnRad is 0.
	Same bool
	// TurnRad takes a position of the later photo to the frame of the old marks,
	// anticlockwise; SigmaRad is its standard uncertainty.
	TurnRad, SigmaRad float64
	// Old holds, for each later mark, the index of the old mark that it is; -1 for a
	// new one.
	Old []int
	// Gone lists the old marks that are not seen again.
	Gone []int
}

// Errors of Find.
var (
	// ErrTurn is returned when the old marks fit the photo at more than one turn.
	ErrTurn = errors.New("the earlier marks fit this photo at more than one turn of the board")
	// ErrUnsure is returned when it cannot be told whether the photo shows the same
	// face: some of the old marks fit, but too few.
	ErrUnsure = errors.New("too few of the earlier marks are seen again to tell whether it is the same face")
)

const (
	// seenAgain is the chance that a mark that was there is found again: others may
	// cover it, it may have come off.
	seenAgain = 0.9
	// misnamed is the chance that a mark of an unsure colour has another name on another
	// photo: a guess, of which a place seen again to a millimetre leaves little.
	misnamed = 0.2
	// gateChi2 is the 0.999 quantile of chi-square with two degrees of freedom
	// (-2 ln 0.001).
	gateChi2 = 13.8155
	// decisive is the log of the odds that are asked for: 100 to 1.
	decisive = 4.605
	// sameFace is the log of the odds, before looking, that the face is the same.
	sameFace = 2.2
	// turned is the chance that a board hangs at any other angle than before.
	turned = 0.05
	// tries is how many turns are looked at, the most promising first, nearTurn how
	// far apart they are, radians.
	tries    = 20
	nearTurn = 0.015
)

// Find pairs the marks of a later photo with those known before. With no old marks
// every later one is new. The model is that of data association (Bar-Shalom and
// Li, Multitarget-Multisensor Tracking, 1995, chapter 2): each old mark is seen
// again with chance seenAgain, displaced by its covariances, among new marks spread
// like the later photo's own. The best turn is held against any other, and against
// a face that has nothing to do with the old marks, by their likelihoods.
func Find(old, later []Mark, prior Prior) (Match, error) {
	none := Match{Old: slices.Repeat([]int{-1}, len(later))}
	for i := range old {
		none.Gone = append(none.Gone, i)
	}
	if len(old) == 0 || len(later) == 0 {
		return none, nil
	}
	f := finder{old: old, later: later, prior: prior, spread: spread(later)}
	var best, second hypothesis
	best.support, second.support = math.Inf(-1), math.Inf(-1)
	for _, turn := range f.turns() {
		h := f.settle(turn)
		switch {
		case h.pairs == 0:
		case h.like(best):
			if h.support > best.support {
				best = h
			}
		case h.support > best.support:
			best, second = h, best
		case h.support > second.support:
			second = h
		}
	}
	switch {
	case best.pairs == 0 || best.support+sameFace < -decisive:
		return none, nil
	case best.support-second.support < decisive:
		return none, ErrTurn
	case best.support+sameFace < decisive:
		return none, ErrUnsure
	}
	return f.match(best), nil
}

// hypothesis is one turn with the pairs it allows.
type hypothesis struct {
	turn, sigma float64
	old         []int // by later mark, -1 for none
	pairs       int
	support     float64 // log likelihood over that of an unrelated face
}

// like reports whether two hypotheses are the same turn, up to what it is good to.
func (h hypothesis) like(o hypothesis) bool {
	return o.pairs > 0 && math.Abs(math.Remainder(h.turn-o.turn, 2*math.Pi)) <= 4*math.Hypot(h.sigma, o.sigma)
}

type finder struct {
	old, later []Mark
	prior      Prior
	spread     float64 // of the later marks, per axis, mm
}

// spread returns the standard deviation per axis of the marks about their mean, 10 mm
// at least.
func spread(marks []Mark) float64 {
	var mean r2.Vec
	for _, m := range marks {
		mean = r2.Add(mean, r2.Scale(1/float64(len(marks)), m.Pos))
	}
	sum := 0.0
	for _, m := range marks {
		sum += r2.Norm2(r2.Sub(m.Pos, mean))
	}
	return max(10, math.Sqrt(sum/float64(2*len(marks))))
}

// nameOdds returns the chance of the colours' names if the two marks are the same, over
// that if they are not, when a name never tells marks apart by itself; 0 where it does.
func nameOdds(a, b Mark) float64 {
	switch {
	case a.Colour == b.Colour:
		return 1
	case slices.Contains(a.Perhaps, b.Colour), slices.Contains(b.Perhaps, a.Colour):
		return misnamed
	}
	return 0
}

// gain returns by how much the log likelihood grows when old mark i is later mark j
// rather than gone, with the photo turned by sin and cos; 0 outside the gate.
func (f *finder) gain(i, j int, sin, cos float64) float64 {
	a, b := f.old[i], f.later[j]
	odds := nameOdds(a, b)
	if odds == 0 {
		return 0
	}
	d := r2.Vec{X: cos*b.Pos.X - sin*b.Pos.Y - a.Pos.X, Y: sin*b.Pos.X + cos*b.Pos.Y - a.Pos.Y}
	c := TurnCov(b.CovMM2, sin, cos)
	loose := f.prior.LooseMM * f.prior.LooseMM
	xx, xy, yy := a.CovMM2[0]+c[0]+loose, a.CovMM2[1]+c[1], a.CovMM2[2]+c[2]+loose
	det := xx*yy - xy*xy
	chi2 := (yy*d.X*d.X - 2*xy*d.X*d.Y + xx*d.Y*d.Y) / det
	if !(chi2 <= gateChi2) {
		return 0
	}
	// The density of later marks, at its peak, against that of this one.
	clutter := float64(len(f.later)) * math.Sqrt(det) / (f.spread * f.spread)
	return max(0, math.Log(odds*seenAgain/(1-seenAgain)/clutter)-chi2/2)
}

// turns proposes no turn at all and the turns at which most pairs of marks of like
// distance from the centre would meet, each with room about it.
func (f *finder) turns() []float64 {
	votes := []float64{}
	for _, a := range f.old {
		for _, b := range f.later {
			reach := math.Sqrt(gateChi2 * (a.CovMM2[0] + a.CovMM2[2] + b.CovMM2[0] + b.CovMM2[2] + f.prior.LooseMM*f.prior.LooseMM))
			ra, rb := r2.Norm(a.Pos), r2.Norm(b.Pos)
			if nameOdds(a, b) > 0 && math.Abs(ra-rb) <= reach && min(ra, rb) >= 2*reach {
				votes = append(votes, math.Atan2(r2.Cross(b.Pos, a.Pos), r2.Dot(b.Pos, a.Pos)))
			}
		}
	}
	slices.Sort(votes)
	type proposal struct {
		turn float64
		n    int
	}
	all := make([]proposal, len(votes))
	lo, hi := 0, 0
	for i, v := range votes {
		for v-votes[lo] > nearTurn {
			lo++
		}
		for hi < len(votes) && votes[hi]-v <= nearTurn {
			hi++
		}
		all[i] = proposal{v, hi - lo}
	}
	slices.SortStableFunc(all, func(a, b proposal) int {
		return cmp.Or(b.n-a.n, cmp.Compare(math.Abs(a.turn), math.Abs(b.turn)))
	})
	out := []float64{0}
	for _, p := range all {
		near := func(t float64) bool { return math.Abs(math.Remainder(t-p.turn, 2*math.Pi)) < nearTurn }
		if len(out) < tries && !slices.ContainsFunc(out, near) {
			out = append(out, p.turn)
		}
	}
	return out
}

// settle pairs the marks near a turn and takes the turn from the pairs, until both
// rest.
func (f *finder) settle(turn float64) hypothesis {
	h := hypothesis{turn: turn}
	var before []int
	for range 5 {
		sin, cos := math.Sincos(h.turn)
		gains := make([][]float64, len(f.old))
		for i := range gains {
			gains[i] = make([]float64, len(f.later))
			for j := range gains[i] {
				gains[i][j] = f.gain(i, j, sin, cos)
			}
		}
		h.old, h.pairs = slices.Repeat([]int{-1}, len(f.later)), 0
		h.support = float64(len(f.old)) * math.Log(1-seenAgain)
		var cross, dot, weight float64
		for i, j := range assign(gains) {
			if j < 0 {
				continue
			}
			a, b := f.old[i], f.later[j]
			h.old[j] = i
			h.pairs++
			h.support += gains[i][j]
			w := 1 / ((a.CovMM2[0]+a.CovMM2[2]+b.CovMM2[0]+b.CovMM2[2])/2 + f.prior.LooseMM*f.prior.LooseMM)
			cross += w * r2.Cross(b.Pos, a.Pos)
			dot += w * r2.Dot(b.Pos, a.Pos)
			weight += w * r2.Norm(a.Pos) * r2.Norm(b.Pos)
		}
		if h.pairs == 0 {
			return h
		}
		if slices.Equal(h.old, before) {
			break
		}
		before = h.old
		h.turn, h.sigma = math.Atan2(cross, dot), min(math.Pi, 1/math.Sqrt(weight))
	}
	h.support += f.logPrior(h.turn, h.sigma)
	return h
}

// logPrior returns the log of the prior's part in the likelihood of a turn that the
// marks fix to sigma: the integral of the prior under the marks' own bell curve.
func (f *finder) logPrior(turn, sigma float64) float64 {
	s := math.Hypot(sigma, f.prior.TurnSigmaRad)
	t := math.Remainder(turn, 2*math.Pi) / s
	return math.Log(sigma * ((1-turned)*math.Exp(-t*t/2)/s + turned/math.Sqrt(2*math.Pi)))
}

func (f *finder) match(h hypothesis) Match {
	m := Match{Same: true, TurnRad: h.turn, SigmaRad: h.sigma, Old: h.old}
	for i := range f.old {
		if !slices.Contains(h.old, i) {
			m.Gone = append(m.Gone, i)
		}
	}
	return m
}

// TurnCov turns a covariance (xx, xy, yy) by the angle with that sine and cosine.
func TurnCov(c [3]float64, sin, cos float64) [3]float64 {
	return [3]float64{
		cos*cos*c[0] - 2*sin*cos*c[1] + sin*sin*c[2],
		sin*cos*(c[0]-c[2]) + (cos*cos-sin*sin)*c[1],
		sin*sin*c[0] + 2*sin*cos*c[1] + cos*cos*c[2],
	}
}
