package scoring

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/stat/distuv"
)

// Options are the choices behind a group's figures. The zero value is usual.
type Options struct {
	// Level of every interval: 0.90, 0.95 or 0.99; 0 means 0.95.
	Level float64
	// Aim is the point the centre's offset is measured from, mm; the ring centre when
	// zero.
	Aim r2.Vec
	// ScaleSigma is the relative standard uncertainty of all lengths together, from
	// the tape measure and the photo; it joins MeasureSigma. 0 when unknown.
	ScaleSigma float64
	// Drop is how many of the widest shots the drop rule sets aside in every group:
	// 0 (none) to MaxDrop.
	Drop int
	// Chance is how often the robust rule may flag anything in a clean group: from
	// 0.001 to 0.20; 0 means 0.01.
	Chance float64
	// Board is where a shot leaves a mark; nil when it has no end, or when it is not
	// known. With a Board, misses enter sigma through a likelihood.
	Board Area
}

func (o Options) check() (Options, error) {
	if o.Level == 0 {
		o.Level = 0.95
	}
	if o.Chance == 0 {
		o.Chance = 0.01
	}
	if o.Level != 0.90 && o.Level != 0.95 && o.Level != 0.99 {
		return o, fmt.Errorf("the level of the intervals can be 0.90, 0.95 or 0.99, not %v", o.Level)
	}
	if !(o.Chance >= minChance && o.Chance <= maxChance) {
		return o, fmt.Errorf("the chance of a false flag can be from %v to %v, not %v", minChance, maxChance, o.Chance)
	}
	if o.Drop < 0 || o.Drop > MaxDrop {
		return o, fmt.Errorf("the number of shots to drop can be from 0 to %d, not %d", MaxDrop, o.Drop)
	}
	if !(o.ScaleSigma >= 0) {
		return o, fmt.Errorf("the relative uncertainty of the scale cannot be %v", o.ScaleSigma)
	}
	if !finite(o.Aim) {
		return o, fmt.Errorf("the aim point must be finite")
	}
	if o.Board != nil {
		if err := o.Board.check(); err != nil {
			return o, err
		}
	}
	return o, nil
}

// Summary is the figures of one group. Sizes are in mm, centre to centre. Figures
// that n shots cannot give are undefined Estimates (Value NaN); those of shots all in one
// point are 0 and have no interval.
type Summary struct {
	Accessory   string `json:"accessory"`
	N           int    `json:"n"`         // impacts the figures rest on
	SetAside    int    `json:"set_aside"` // impacts masked by a rule
	Declared    int    `json:"declared"`  // shots fired, 0 when not stated
	Misses      int    `json:"misses"`
	Unaccounted int    `json:"unaccounted"` // declared, but neither mark nor stated miss
	// AtLeast tells that shots without a mark make every size here a lower bound,
	// apart from CensoredSigma.
	AtLeast bool `json:"at_least"`

	CentreX Estimate `json:"centre_x"` // from the ring centre, right is positive
	CentreY Estimate `json:"centre_y"` // up is positive
	// CentreOffset is the distance of the centre from the aim; CentreRegion the radius
	// about the centre that holds the true centre with the level's probability.
	CentreOffset Estimate `json:"centre_offset"`
	CentreRegion Estimate `json:"centre_region"`

	ExtremeSpread Estimate `json:"extreme_spread"`
	ExtremePair   [2]int   `json:"extreme_pair"` // indices into Group.Impacts; -1 when n < 2
	MeanRadius    Estimate `json:"mean_radius"`
	Sigma         Estimate `json:"sigma"`
	R50           Estimate `json:"r50"`
	R90           Estimate `json:"r90"`
	Width         Estimate `json:"width"`
	Height        Estimate `json:"height"`

	// Ellipse is the stretched model, nil below 3 shots or when all lie in one point.
	Ellipse *Ellipse `json:"ellipse,omitempty"`
	// CensoredSigma counts the misses through a likelihood that knows where the board
	// ends; nil without misses or without a board.
	CensoredSigma *Estimate `json:"censored_sigma,omitempty"`
	// HitShare is the share of shots that left a mark, when shots were declared or
	// misses stated.
	HitShare *Estimate `json:"hit_share,omitempty"`

	Warnings []Warning `json:"warnings,omitempty"`
}

// Summarise computes the figures of a group from the impacts that mask leaves in; a
// nil mask leaves all in. dropped says how many of the masked shots went by the
// drop-the-widest rule, whose effect on a clean group is known and allowed for in
// the intervals and in sigma; more than are masked are shots without a mark. Shots set
// aside by other rules count as never fired.
//
// Impacts with a NaN or infinite position are left out and reported. The error is
// only for nonsensical options or a mask of the wrong length.
func Summarise(g Group, mask []bool, dropped int, opts Options) (Summary, error) {
	opts, err := opts.check()
	if err != nil {
		return Summary{}, err
	}
	if mask != nil && len(mask) != len(g.Impacts) {
		return Summary{}, fmt.Errorf("a mask of %d for %d impacts", len(mask), len(g.Impacts))
	}
	return summarise(g, mask, dropped, opts), nil
}

// Definitions of the figures, as published.
const (
	defCentre       = "mean of the impacts; interval of the true mean by Student's t on this axis"
	defOffset       = "distance of the centre from the aim; interval by the region of the centre, conservative"
	defRegion       = "radius about the centre that holds the true centre (circular normal)"
	defES           = "extreme spread: largest distance between two impacts, centre to centre; interval of its average over many groups of this n"
	defMR           = "mean radius: mean distance of the impacts from their centre; interval of its average over many groups of this n"
	defSigma        = "sigma: standard deviation along any one axis, both axes pooled, 2n-2 degrees of freedom, unbiased; chi-square interval"
	defSigmaDropped = "sigma of all shots, from those left after the drop, allowing for what the drop does to a clean group"
	defR50          = "radius about the true centre that holds half of the shots: 1.1774 sigma (circular normal)"
	defR90          = "radius about the true centre that holds 90% of the shots: 2.1460 sigma (circular normal)"
	defWidth        = "width: largest minus smallest x; interval of its average over many groups of this n"
	defHeight       = "height: largest minus smallest y; interval of its average over many groups of this n"
	defEllipse      = "radius about the true centre that holds %d%% of the shots (elliptical normal); interval with the degrees of freedom of the trace (Satterthwaite)"
)

var (
	perSigma50 = math.Sqrt(2 * math.Ln2)  // Rayleigh median
	perSigma90 = math.Sqrt(2 * math.Ln10) // Rayleigh 90% point
)

func summarise(g Group, mask []bool, dropped int, opts Options) Summary {
	idx := g.kept(mask)
	pts := g.points(idx)
	n := len(pts)
	s := Summary{
		Accessory: g.Accessory, N: n, Declared: g.Declared, Misses: g.Misses, Unaccounted: g.Unaccounted(),
		AtLeast: g.lost() > 0, ExtremePair: [2]int{-1, -1},
		CentreX: undefined(n, defCentre), CentreY: undefined(n, defCentre),
		CentreOffset: undefined(n, defOffset), CentreRegion: undefined(n, defRegion),
		ExtremeSpread: undefined(n, defES), MeanRadius: undefined(n, defMR), Sigma: undefined(n, defSigma),
		R50: undefined(n, defR50), R90: undefined(n, defR90), Width: undefined(n, defWidth), Height: undefined(n, defHeight),
	}
	for _, m := range mask {
		if m {
			s.SetAside++
		}
	}
	if dropped > 0 { // shots without a mark were dropped first
		s.AtLeast = g.lost() > dropped-s.SetAside
	}
	if n > 0 {
		m := momentsOf(pts)
		marks := marksOf(g, idx, m.centre)
		s.centre(m, marks, opts)
		if n > 1 {
			s.sizes(pts, idx, m, marks, dropped, opts)
			s.Ellipse = ellipseOf(m, opts.Level)
		}
	}
	s.misses(g, pts, dropped, opts)
	s.warn(g, mask, opts)
	return s
}

// marks carries what the impacts' uncertainty does to the figures.
type marks struct {
	of   []Impact // those kept
	unit []r2.Vec // from the centre to the impact, unit length or zero
}

func marksOf(g Group, idx []int, centre r2.Vec) marks {
	var m marks
	for _, i := range idx {
		d := r2.Sub(g.Impacts[i].Pos, centre)
		if r := math.Hypot(d.X, d.Y); r > 0 {
			d = r2.Scale(1/r, d)
		}
		m.of = append(m.of, g.Impacts[i])
		m.unit = append(m.unit, d)
	}
	return m
}

// variance is that of a figure which grows by slope[k] for each mm that impact k moves:
// the impacts' own errors add in square, those they share with others of a photo along
// with these others' (Criminisi, Reid, Zisserman, "A plane measuring device", 1999).
func (m marks) variance(slope []r2.Vec) float64 {
	v := 0.0
	shared := map[string][]float64{} // by photo: what each of its errors does to the figure
	for k, im := range m.of {
		v += im.SigmaMM * im.SigmaMM * r2.Norm2(slope[k])
		sum := shared[im.Photo]
		for i, e := range im.Shared {
			if i == len(sum) {
				sum = append(sum, 0)
			}
			sum[i] += r2.Dot(slope[k], e)
		}
		shared[im.Photo] = sum
	}
	for _, photo := range slices.Sorted(maps.Keys(shared)) {
		for _, d := range shared[photo] {
			v += d * d
		}
	}
	return v
}

// between is the variance of the distance between impacts i and j along a unit vector.
func (m marks) between(i, j int, along r2.Vec) float64 {
	slope := make([]r2.Vec, len(m.of))
	slope[i], slope[j] = r2.Add(slope[i], along), r2.Sub(slope[j], along)
	return m.variance(slope)
}

// direction is the unit vector along d, any for no length.
func direction(d r2.Vec) r2.Vec {
	if d == (r2.Vec{}) {
		return r2.Vec{X: 1}
	}
	return r2.Unit(d)
}

// sigmaOf combines the variance a figure has from the marks with the scale's.
func sigmaOf(variance, value, scale float64) float64 {
	return math.Sqrt(variance + scale*scale*value*value)
}

func (s *Summary) centre(m moments, marks marks, opts Options) {
	n := float64(m.n)
	d := r2.Sub(m.centre, opts.Aim)
	offset := math.Hypot(d.X, d.Y)
	moved := func(value float64, along r2.Vec) float64 { // sigma of the centre's place
		return sigmaOf(marks.variance(slices.Repeat([]r2.Vec{r2.Scale(1/n, along)}, m.n)), value, opts.ScaleSigma)
	}
	s.CentreX.Value, s.CentreX.MeasureSigma = m.centre.X, moved(m.centre.X, r2.Vec{X: 1})
	s.CentreY.Value, s.CentreY.MeasureSigma = m.centre.Y, moved(m.centre.Y, r2.Vec{Y: 1})
	s.CentreOffset.Value, s.CentreOffset.MeasureSigma = offset, moved(offset, direction(d))
	if m.n < 2 || !(m.ss() > 0) {
		return
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile((1 + opts.Level) / 2)
	hx, hy := t*math.Sqrt(m.sxx/(n-1)/n), t*math.Sqrt(m.syy/(n-1)/n)
	s.CentreX.Lo, s.CentreX.Hi, s.CentreX.Level = m.centre.X-hx, m.centre.X+hx, opts.Level
	s.CentreY.Lo, s.CentreY.Hi, s.CentreY.Level = m.centre.Y-hy, m.centre.Y+hy, opts.Level
	// Circular model: n|centre - true|²/(2 s²) is F with 2 and 2n-2 degrees.
	f := distuv.F{D1: 2, D2: 2*n - 2}.Quantile(opts.Level)
	region := math.Sqrt(2 * f * m.ss() / (2*n - 2) / n)
	s.CentreRegion.Value = region
	s.CentreOffset.Lo, s.CentreOffset.Hi, s.CentreOffset.Level = max(0, offset-region), offset+region, opts.Level
}

func (s *Summary) sizes(pts []r2.Vec, idx []int, m moments, marks marks, dropped int, opts Options) {
	n := float64(m.n)
	shots := m.n + dropped // as fired, before the drop
	size := func(e *Estimate, stat sizeStat, value, variance float64) {
		e.Value, e.MeasureSigma = value, sigmaOf(variance, value, opts.ScaleSigma)
		if lo, hi, ok := sizeInterval(stat, value, shots, dropped, opts.Level); ok && value > 0 {
			e.Lo, e.Hi, e.Level = lo, hi, opts.Level
		}
	}

	i, j, es := extremePair(pts)
	s.ExtremePair = [2]int{idx[i], idx[j]}
	size(&s.ExtremeSpread, statES, es, marks.between(i, j, direction(r2.Sub(pts[i], pts[j]))))

	var radius float64
	var drift r2.Vec // mean of the unit vectors: how the centre follows each mark
	for k, p := range pts {
		radius += math.Hypot(p.X-m.centre.X, p.Y-m.centre.Y) / n
		drift = r2.Add(drift, r2.Scale(1/n, marks.unit[k]))
	}
	slope := make([]r2.Vec, m.n)
	for k, u := range marks.unit {
		slope[k] = r2.Scale(1/n, r2.Sub(u, drift))
	}
	size(&s.MeanRadius, statMR, radius, marks.variance(slope))

	left, right, low, high := 0, 0, 0, 0
	for k, p := range pts {
		if p.X < pts[left].X {
			left = k
		}
		if p.X > pts[right].X {
			right = k
		}
		if p.Y < pts[low].Y {
			low = k
		}
		if p.Y > pts[high].Y {
			high = k
		}
	}
	size(&s.Width, statWidth, pts[right].X-pts[left].X, marks.between(right, left, r2.Vec{X: 1}))
	size(&s.Height, statWidth, pts[high].Y-pts[low].Y, marks.between(high, low, r2.Vec{Y: 1}))

	s.sigma(pts, m, marks, dropped, opts)
}

func (s *Summary) sigma(pts []r2.Vec, m moments, marks marks, dropped int, opts Options) {
	nu := 2*float64(m.n) - 2
	pooled := math.Sqrt(m.ss() / nu)
	e := &s.Sigma
	bias := chiMean(nu)
	lo, hi := sigmaFactors(nu, opts.Level)
	ok := true
	if dropped > 0 {
		row, found := sizeDistribution(statSD, m.n+dropped, dropped)
		if !found {
			return
		}
		bias = row.mean
		e.Definition = defSigmaDropped
		lo, hi, ok = sizeInterval(statSD, 1/bias, m.n+dropped, dropped, opts.Level)
	}
	if ok && pooled > 0 {
		e.Lo, e.Hi, e.Level = pooled*lo, pooled*hi, opts.Level
	}
	e.Value = pooled / bias
	if pooled > 0 {
		slope := make([]r2.Vec, m.n)
		for k, p := range pts {
			slope[k] = r2.Scale(1/(nu*pooled*bias), r2.Sub(p, m.centre))
		}
		e.MeasureSigma = sigmaOf(marks.variance(slope), e.Value, opts.ScaleSigma)
	}
	s.R50, s.R90 = RoundRadii(*e)
}

// RoundRadii returns the radii that hold half and 90% of the shots of a round group with
// this sigma.
func RoundRadii(sigma Estimate) (r50, r90 Estimate) {
	r50, r90 = sigma.Scale(perSigma50), sigma.Scale(perSigma90)
	r50.Definition, r90.Definition = defR50, defR90
	return r50, r90
}

// chiMean is c(ν) = E(s)/σ for a standard deviation s with ν degrees of freedom:
// √(2/ν) Γ((ν+1)/2)/Γ(ν/2).
func chiMean(nu float64) float64 {
	a, _ := math.Lgamma((nu + 1) / 2)
	b, _ := math.Lgamma(nu / 2)
	return math.Sqrt(2/nu) * math.Exp(a-b)
}

// sigmaFactors are what a pooled standard deviation with ν degrees of freedom is
// multiplied by for the exact interval of sigma.
func sigmaFactors(nu, level float64) (lo, hi float64) {
	chi := distuv.ChiSquared{K: nu}
	return math.Sqrt(nu / chi.Quantile((1+level)/2)), math.Sqrt(nu / chi.Quantile((1-level)/2))
}
