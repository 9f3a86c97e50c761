package scoring

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// MaxDrop is the largest number of shots DropWidest removes.
const MaxDrop = 5

// extremePair returns the two points farthest apart and their distance. With ties
// it is the first pair in index order. n must be at least 2.
func extremePair(pts []r2.Vec) (i, j int, distance float64) {
	worst := -1.0
	for a := range pts {
		for b := a + 1; b < len(pts); b++ {
			if d := r2.Norm2(r2.Sub(pts[a], pts[b])); d > worst {
				i, j, worst = a, b, d
			}
		}
	}
	return i, j, math.Hypot(pts[i].X-pts[j].X, pts[i].Y-pts[j].Y)
}

// DropWidest finds the k points whose removal leaves the smallest extreme spread,
// and returns their mask. It is exact: of the pair that is widest now at least one
// must go, so two branches at each of k levels cover every set worth trying. When
// several sets leave the same spread (they often do: of two far points on opposite
// sides either may go), the one that leaves the smaller scatter is taken.
//
// k is from 0 to MaxDrop, and at least two points must stay.
func DropWidest(pts []r2.Vec, k int) (mask []bool, err error) {
	if k < 0 || k > MaxDrop {
		return nil, fmt.Errorf("cannot drop %d shots: from 0 to %d", k, MaxDrop)
	}
	if len(pts)-k < 2 && k > 0 {
		return nil, fmt.Errorf("cannot drop %d of %d shots: at least two must stay", k, len(pts))
	}
	s := search{pts: pts, mask: make([]bool, len(pts)), bestES: math.Inf(1), bestSS: math.Inf(1)}
	if k == 0 {
		return s.mask, nil
	}
	s.descend(k)
	return s.best, nil
}

// search is one run of DropWidest.
type search struct {
	pts            []r2.Vec
	mask           []bool
	best           []bool
	bestES, bestSS float64 // squared spread and sum of squares of the rest
}

func (s *search) descend(k int) {
	i, j, es := s.widest()
	if k == 0 {
		if ss := s.scatter(); es < s.bestES || es == s.bestES && ss < s.bestSS {
			s.bestES, s.bestSS = es, ss
			s.best = append(s.best[:0:0], s.mask...)
		}
		return
	}
	for _, out := range [2]int{i, j} {
		s.mask[out] = true
		s.descend(k - 1)
		s.mask[out] = false
	}
}

func (s *search) widest() (i, j int, squared float64) {
	squared = -1
	for a := range s.pts {
		if s.mask[a] {
			continue
		}
		for b := a + 1; b < len(s.pts); b++ {
			if s.mask[b] {
				continue
			}
			dx, dy := s.pts[a].X-s.pts[b].X, s.pts[a].Y-s.pts[b].Y
			if d := dx*dx + dy*dy; d > squared {
				i, j, squared = a, b, d
			}
		}
	}
	return i, j, squared
}

func (s *search) scatter() float64 {
	var rest []r2.Vec
	for i, p := range s.pts {
		if !s.mask[i] {
			rest = append(rest, p)
		}
	}
	return momentsOf(rest).ss()
}

// Drop is the outcome of the drop-the-widest rule.
type Drop struct {
	K int `json:"k"`
	// Misses are the shots without a mark among the K: they lie widest of all.
	Misses int    `json:"misses"`
	Mask   []bool `json:"mask"` // of the impacts among the K
	// Shrink is 1 - extreme spread after / before. Luck is what the same drop does to a
	// clean round group of this n: Value on average, Lo to Hi in Level of them. With
	// misses the spread before is not known: Shrink is nil, and Luck undefined.
	Shrink *float64 `json:"shrink"`
	Luck   Estimate `json:"luck"`
}

const defLuck = "share by which dropping the widest shrinks the extreme spread of a clean round group; range that holds the level's share of such groups"

// dropRule leaves out the k widest shots, first of all those without a mark, lost of
// them, then by DropWidest, and says what luck alone would do.
func dropRule(pts []r2.Vec, lost, k int, level float64) (Drop, error) {
	misses := min(lost, k)
	mask, err := DropWidest(pts, k-misses)
	if err != nil {
		return Drop{}, err
	}
	n := len(pts) + lost
	d := Drop{K: k, Misses: misses, Mask: mask, Luck: undefined(n, defLuck)}
	if misses > 0 {
		return d, nil
	}
	_, _, before := extremePair(pts)
	var rest []r2.Vec
	for i, p := range pts {
		if !mask[i] {
			rest = append(rest, p)
		}
	}
	if _, _, after := extremePair(rest); before > 0 {
		shrink := 1 - after/before
		d.Shrink = &shrink
	}
	if row, ok := sizeDistribution(statShrink, n, k); ok {
		d.Luck.Value = row.mean
		lo, okLo := row.at((1 - level) / 2)
		hi, okHi := row.at((1 + level) / 2)
		if okLo && okHi {
			d.Luck.Lo, d.Luck.Hi, d.Luck.Level = lo, hi, level
		}
	}
	return d, nil
}

// Assessment is one group with and without its outliers, by every rule side by side.
// Nothing is ever deleted: the masks say what each rule sets aside.
type Assessment struct {
	All Summary `json:"all"`
	// Drop and Dropped are the drop-the-widest rule and the figures without its shots;
	// nil when no drop was asked for or the group is too small.
	Drop    *Drop    `json:"drop,omitempty"`
	Dropped *Summary `json:"dropped,omitempty"`
	// Robust and Flagged are the robust rule and the figures without its shots; nil
	// when the group cannot be judged by it.
	Robust  *Robust  `json:"robust,omitempty"`
	Flagged *Summary `json:"flagged,omitempty"`
	// FlyerMask marks shots with a cause stated at the shot, and WithoutFlyers the
	// figures without them; nil when there are none.
	FlyerMask     []bool   `json:"flyer_mask,omitempty"`
	WithoutFlyers *Summary `json:"without_flyers,omitempty"`
	// Normality is nil when the group cannot be judged by it.
	Normality *Normality `json:"normality,omitempty"`
	Warnings  []Warning  `json:"warnings,omitempty"`
}

// Assess summarises a group with and without outliers. The error is only for
// nonsensical options; what a group is too small for is left nil, with a warning.
func Assess(g Group, opts Options) (Assessment, error) {
	opts, err := opts.check()
	if err != nil {
		return Assessment{}, err
	}
	a := Assessment{All: summarise(g, nil, 0, opts)}
	idx := g.kept(nil)
	pts := g.points(idx)
	a.Normality = normalityOf(pts)
	if w, bad := a.Normality.Warning(); bad {
		a.Warnings = append(a.Warnings, w)
	}
	if opts.Drop > 0 {
		a.dropWidest(g, idx, pts, opts)
	}
	a.flagFarOut(g, idx, pts, opts)
	a.leaveOutFlyers(g, opts)
	return a, nil
}

// dropWidest fills Drop and Dropped from the kept impacts idx, which lie at pts.
func (a *Assessment) dropWidest(g Group, idx []int, pts []r2.Vec, opts Options) {
	if len(pts)-max(0, opts.Drop-g.lost()) < 3 {
		a.Warnings = append(a.Warnings, Warning{"no-drop", fmt.Sprintf("%s cannot spare the %d widest", count(len(pts), "shot"), opts.Drop)})
		return
	}
	d, err := dropRule(pts, g.lost(), opts.Drop, opts.Level)
	if err != nil {
		a.Warnings = append(a.Warnings, Warning{"no-drop", err.Error()})
		return
	}
	d.Mask = ofAll(g, idx, d.Mask)
	s := summarise(g, d.Mask, d.K, opts)
	a.Drop, a.Dropped = &d, &s
	if d.Misses > 0 {
		a.Warnings = append(a.Warnings, Warning{"drop-misses", fmt.Sprintf("of the %s set aside as widest, %d left no mark", count(d.K, "shot"), d.Misses)})
	}
}

// flagFarOut fills Robust and Flagged.
func (a *Assessment) flagFarOut(g Group, idx []int, pts []r2.Vec, opts Options) {
	r, err := RobustOutliers(pts, opts.Chance)
	if err != nil {
		a.Warnings = append(a.Warnings, Warning{"no-robust", err.Error()})
		return
	}
	r.Mask, r.DistanceSq = ofAll(g, idx, r.Mask), ofAll(g, idx, r.DistanceSq)
	s := summarise(g, r.Mask, 0, opts)
	a.Robust, a.Flagged = &r, &s
}

// leaveOutFlyers fills FlyerMask and WithoutFlyers.
func (a *Assessment) leaveOutFlyers(g Group, opts Options) {
	mask := make([]bool, len(g.Impacts))
	for i, im := range g.Impacts {
		mask[i] = im.Flyer != ""
	}
	if slices.Contains(mask, true) {
		s := summarise(g, mask, 0, opts)
		a.FlyerMask, a.WithoutFlyers = mask, &s
	}
}

// ofAll spreads a value for each of the kept impacts idx over all impacts of a group.
func ofAll[T any](g Group, idx []int, kept []T) []T {
	all := make([]T, len(g.Impacts))
	for k, i := range idx {
		all[i] = kept[k]
	}
	return all
}
