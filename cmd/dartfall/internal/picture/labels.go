package picture

import "math"

// box is a rectangle on the canvas.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) overlaps(o box) bool { return b.x0 < o.x1 && o.x0 < b.x1 && b.y0 < o.y1 && o.y0 < b.y1 }
func (b box) within(o box) bool {
	return b.x0 >= o.x0 && b.x1 <= o.x1 && b.y0 >= o.y0 && b.y1 <= o.y1
}
func (b box) grow(m float64) box { return box{b.x0 - m, b.y0 - m, b.x1 + m, b.y1 + m} }

func boxAround(x, y, w, h float64) box { return box{x - w/2, y - h/2, x + w/2, y + h/2} }

// disc is something a label should not cover.
type disc struct{ x, y, r float64 }

func (b box) touches(d disc) bool {
	dx := d.x - math.Max(b.x0, math.Min(d.x, b.x1))
	dy := d.y - math.Max(b.y0, math.Min(d.y, b.y1))
	return dx*dx+dy*dy < d.r*d.r
}

// placer finds places for labels: inside bounds, off all earlier labels, and as
// far as possible off the discs.
type placer struct {
	bounds box
	taken  []box
	discs  []disc
	gapPx  float64
}

// take reserves a box for good.
func (p *placer) take(b box) { p.taken = append(p.taken, b) }

// free reports whether b lies within bounds and off everything taken.
func (p *placer) free(b box) bool {
	if !b.within(p.bounds) {
		return false
	}
	b = b.grow(p.gapPx)
	for _, t := range p.taken {
		if b.overlaps(t) {
			return false
		}
	}
	return true
}

// near finds the place for a label of size w x h that is nearest to the disc d
// and reserves it; covering another disc counts as coverPx of distance. Among
// places at equal distance the one towards (dx, dy) is taken. It returns false
// when there is no free place within reachPx.
func (p *placer) near(d disc, w, h, dx, dy, coverPx, reachPx float64) (box, bool) {
	const turns = 20
	var best box
	bestCost := math.Inf(1)
	lead := math.Atan2(dy, dx)
	for gap := p.gapPx; gap <= reachPx && gap < bestCost; gap = gap*1.35 + 3 {
		for i := range turns {
			// 0, +1, -1, +2, -2 ... steps away from the wanted direction.
			step := float64((i+1)/2) * float64(1-2*(i%2))
			sin, cos := math.Sincos(lead + step*2*math.Pi/turns)
			// Push the box out until its near side clears the disc by gap.
			reach := d.r + gap + math.Min(w/2/math.Max(math.Abs(cos), 1e-9), h/2/math.Max(math.Abs(sin), 1e-9))
			b := boxAround(d.x+reach*cos, d.y+reach*sin, w, h)
			cost := gap + 0.01*float64(i)
			if cost >= bestCost || !p.free(b) {
				continue
			}
			for _, o := range p.discs {
				if b.touches(o) {
					cost += coverPx
				}
			}
			if cost < bestCost {
				best, bestCost = b, cost
			}
		}
	}
	if math.IsInf(bestCost, 1) {
		return box{}, false
	}
	p.take(best)
	return best, true
}

// outward returns the direction from the mean of the discs near d to d: where a
// label is least in the way.
func (p *placer) outward(d disc, withinPx float64) (dx, dy float64) {
	for _, o := range p.discs {
		ex, ey := d.x-o.x, d.y-o.y
		if r := math.Hypot(ex, ey); r > 0 && r < withinPx {
			dx += ex / r
			dy += ey / r
		}
	}
	if dx == 0 && dy == 0 {
		return 1, -0.4
	}
	return dx, dy
}

// leader returns the ends of the line from a label to its disc's rim, and false
// when they are too close to need one.
func leader(b box, d disc) (x1, y1, x2, y2 float64, ok bool) {
	x1 = math.Max(b.x0, math.Min(d.x, b.x1))
	y1 = math.Max(b.y0, math.Min(d.y, b.y1))
	dist := math.Hypot(x1-d.x, y1-d.y)
	if dist < d.r+5 {
		return 0, 0, 0, 0, false
	}
	f := d.r / dist
	return x1, y1, d.x + f*(x1-d.x), d.y + f*(y1-d.y), true
}

// alongLine finds the place for a box of size w x h on the line from a to b, or
// just beside it, that covers the fewest discs, the middle first, and reserves it.
// It returns false rather than cover more than most discs.
func (p *placer) alongLine(w, h float64, a, b [2]float64, most int) (box, bool) {
	best, cost := box{}, math.Inf(1)
	dx, dy := b[0]-a[0], b[1]-a[1]
	length := math.Max(1, math.Hypot(dx, dy))
	nx, ny := -dy/length, dx/length
	gap := 4 + (w*math.Abs(nx)+h*math.Abs(ny))/2 // from the line to the middle of a box beside it
	for _, f := range []float64{0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74, 0.18, 0.82, 0.1, 0.9} {
		for _, side := range []float64{0, 1, -1} {
			t := boxAround(a[0]+f*dx+side*gap*nx, a[1]+f*dy+side*gap*ny, w, h)
			if !p.free(t) {
				continue
			}
			covered := 0
			for _, d := range p.discs {
				if t.touches(d) {
					covered++
				}
			}
			if c := float64(covered) + math.Abs(f-0.5) + 0.3*math.Abs(side); covered <= most && c < cost {
				best, cost = t, c
			}
		}
	}
	if math.IsInf(cost, 1) {
		return box{}, false
	}
	p.take(best)
	return best, true
}
