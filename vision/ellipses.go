package vision

import (
	"math"
	"slices"

	"dartfall/calib"
)

// arc is a piece of a chain that one ellipse explains.
type arc struct {
	points []int32 // edgels
	turn   float64 // how far its direction turns, radians
}

// oval is an ellipse found in the photo: a candidate for one edge of a ring.
type oval struct {
	conic    calib.Conic
	ellipse  calib.Ellipse
	outward  bool    // brighter outside
	coverage float64 // share of the part inside the frame that has an edge
	inFrame  float64 // share of the ellipse inside the frame
	support  []int32 // edgels on it
}

// weight is the length of edge that speaks for the oval, px.
func (o oval) weight() float64 { return o.coverage * o.inFrame * o.ellipse.Perimeter() }

const (
	minArcTurn   = 7 * math.Pi / 180
	minCoverage  = 0.42 // chance alignments in grass and leaves stay below 0.3
	minOvalShare = 0.03 // of the frame's short side, for the semi-minor axis
)

// findOvals returns the ellipses for which the edges speak, longest edge first.
func findOvals(e *edgeMap) []oval {
	arcs := e.arcs()
	short := float64(min(e.w, e.h)) * e.scale
	var found []oval
	try := func(points []int32) {
		o, ok := e.grow(points, short)
		if !ok {
			return
		}
		for i, f := range found {
			if sameOval(f, o, 1.2*e.scale) {
				if o.weight() > f.weight() {
					found[i] = o
				}
				return
			}
		}
		found = append(found, o)
	}
	const seeds = 160
	arcs = arcs[:min(len(arcs), seeds)]
	explained := func(a arc) bool {
		return slices.ContainsFunc(found, func(o oval) bool { return o.coverage > 0.6 && e.liesOn(a, o) })
	}
	for _, a := range arcs {
		if a.turn > 35*math.Pi/180 && !explained(a) {
			try(a.points)
		}
	}
	// Broken rings: join two arcs that no oval explains yet.
	loose := slices.DeleteFunc(arcs, explained)
	loose = loose[:min(len(loose), 45)]
	for i, a := range loose {
		for _, b := range loose[i+1:] {
			if a.turn+b.turn < 20*math.Pi/180 || !e.mayShareOval(a, b) {
				continue
			}
			try(append(slices.Clone(a.points), b.points...))
		}
	}
	slices.SortFunc(found, func(a, b oval) int {
		switch {
		case a.weight() > b.weight():
			return -1
		case a.weight() < b.weight():
			return 1
		}
		return 0
	})
	return found
}

// arcs cuts the chains into pieces that one ellipse explains to within a pixel
// and drops what is straight; longest first.
func (e *edgeMap) arcs() []arc {
	var out []arc
	var cut func(c []int32)
	cut = func(c []int32) {
		if len(c) < chainMinPoints {
			return
		}
		turn := e.turn(c)
		if math.Abs(turn) < minArcTurn {
			return
		}
		q, err := calib.FitEllipse(e.sample(c, 32))
		if err == nil {
			worst := 0.0
			for _, p := range e.sample(c, 48) {
				worst = math.Max(worst, math.Abs(q.Distance(p)))
			}
			if worst < 1.3*e.scale {
				out = append(out, arc{c, math.Abs(turn)})
				return
			}
		}
		cut(c[:len(c)/2])
		cut(c[len(c)/2:])
	}
	for _, c := range e.chains {
		cut(c)
	}
	slices.SortStableFunc(out, func(a, b arc) int { return len(b.points) - len(a.points) })
	return out
}

// liesOn reports whether an arc is part of the edge of o.
func (e *edgeMap) liesOn(a arc, o oval) bool {
	if e.outward(o.conic, a.points) != o.outward {
		return false
	}
	for _, p := range e.sample(a.points, 12) {
		if !(math.Abs(o.conic.Distance(p)) < 0.8*e.scale) {
			return false
		}
	}
	return true
}

// turn returns the signed angle by which the gradient turns along a chain.
func (e *edgeMap) turn(c []int32) float64 {
	sum := 0.0
	const step = 4
	for i := step; i < len(c); i += step {
		a, b := e.edgels[c[i-step]], e.edgels[c[i]]
		sum += math.Atan2(float64(a.nx*b.ny-a.ny*b.nx), float64(a.nx*b.nx+a.ny*b.ny))
	}
	return sum
}

// sample returns at most about n points of a chain, evenly spread.
func (e *edgeMap) sample(c []int32, n int) []calib.Px {
	step := max(1, len(c)/n)
	out := make([]calib.Px, 0, len(c)/step+1)
	for i := 0; i < len(c); i += step {
		out = append(out, e.edgels[c[i]].at)
	}
	return out
}

// mayShareOval is a cheap test that two arcs can lie on one ellipse: each lies
// on the side to which the other bends.
func (e *edgeMap) mayShareOval(a, b arc) bool {
	return e.bendsTowards(a, b) && e.bendsTowards(b, a)
}

func (e *edgeMap) bendsTowards(a, b arc) bool {
	first, last := e.edgels[a.points[0]].at, e.edgels[a.points[len(a.points)-1]].at
	mid := e.edgels[a.points[len(a.points)/2]].at
	chord := last.Sub(first)
	side := func(p calib.Px) float64 { d := p.Sub(first); return chord.X*d.Y - chord.Y*d.X }
	bulge := side(mid)
	for _, q := range []int32{b.points[0], b.points[len(b.points)/2], b.points[len(b.points)-1]} {
		if side(e.edgels[q].at)*bulge > 0 && math.Abs(side(e.edgels[q].at)) > 2*math.Abs(bulge) {
			return false
		}
	}
	return true
}

// grow fits an ellipse to a seed and lets it gather the edges it runs along,
// until it settles.
func (e *edgeMap) grow(seed []int32, short float64) (oval, bool) {
	q, err := calib.FitEllipse(e.sample(seed, 60))
	if err != nil {
		return oval{}, false
	}
	outward := e.outward(q, seed)
	var best oval
	for i, look := range []struct {
		reach  float64 // reduced px
		points float64 // looked for along the ellipse, at most
	}{{5, 75}, {4, 150}, {3, 300}, {2, 300}, {2, 300}} {
		el, ok := q.Ellipse()
		if !ok || el.Minor < minOvalShare*short || el.Major > 3*short || el.Minor < 0.25*el.Major {
			return oval{}, false
		}
		o := e.collect(q, el, outward, look.reach, look.points)
		if i == 0 && o.coverage < 0.12 || o.inFrame < 0.3 || len(o.support) < 12 {
			return oval{}, false
		}
		best = o
		pts := make([]calib.Px, 0, len(o.support))
		for _, k := range o.support {
			pts = append(pts, e.edgels[k].at)
		}
		if q, err = calib.FitEllipse(pts); err != nil {
			return oval{}, false
		}
	}
	return best, best.coverage >= minCoverage
}

// outward tells whether most of the seed's gradients point away from the
// inside of q.
func (e *edgeMap) outward(q calib.Conic, seed []int32) bool {
	n := 0
	for _, k := range seed {
		g := q.Gradient(e.edgels[k].at)
		if g.X*float64(e.edgels[k].nx)+g.Y*float64(e.edgels[k].ny) > 0 {
			n++
		}
	}
	return 2*n > len(seed)
}

// collect gathers the edgels within reach (reduced px) of the ellipse whose
// gradient is along its normal, at up to most places along it.
func (e *edgeMap) collect(q calib.Conic, el calib.Ellipse, outward bool, reach, most float64) oval {
	n := int(math.Max(60, math.Min(most, el.Perimeter()/e.scale/5)))
	o := oval{conic: q, ellipse: el, outward: outward}
	inFrame := 0
	for i := range n {
		p := el.Point(2 * math.Pi * float64(i) / float64(n))
		g := q.Gradient(p)
		g = g.Scale(1 / g.Norm())
		if x, y := e.reduced(p); x < 1 || y < 1 || x >= e.w-1 || y >= e.h-1 {
			continue
		}
		inFrame++
		if k := e.nearestAlong(p, g, outward, reach); k >= 0 {
			o.support = append(o.support, k)
		}
	}
	if inFrame > 0 {
		o.coverage = float64(len(o.support)) / float64(inFrame)
	}
	o.inFrame = float64(inFrame) / float64(n)
	return o
}

// nearestAlong returns the edgel nearest to p along ±g within reach whose
// gradient agrees with g (outward) or -g, -1 for none.
func (e *edgeMap) nearestAlong(p, g calib.Px, outward bool, reach float64) int32 {
	// Half a pixel on, so that truncation rounds.
	x0, y0 := (p.X+0.5)/e.scale, (p.Y+0.5)/e.scale
	gx, gy := float32(g.X), float32(g.Y)
	if !outward {
		gx, gy = -gx, -gy
	}
	for t := 0.0; t <= reach; t++ {
		for _, s := range [2]float64{t, -t} {
			x, y := x0+s*g.X, y0+s*g.Y
			if !(x >= 0 && y >= 0 && x < float64(e.w) && y < float64(e.h)) {
				continue
			}
			if k := e.index[int(y)*e.w+int(x)]; k >= 0 && gx*e.edgels[k].nx+gy*e.edgels[k].ny > 0.93 {
				return k
			}
			if t == 0 {
				break
			}
		}
	}
	return -1
}

// sameOval tells whether two ovals are the same edge, to within tol px.
func sameOval(a, b oval, tol float64) bool {
	return a.outward == b.outward &&
		a.ellipse.Centre.Sub(b.ellipse.Centre).Norm() < 2*tol &&
		math.Abs(a.ellipse.Major-b.ellipse.Major) < 2*tol &&
		math.Abs(a.ellipse.Minor-b.ellipse.Minor) < 2*tol
}
