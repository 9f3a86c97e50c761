package vision

import (
	"cmp"
	"math"
	"slices"
)

// bend says by how much the rings of a face depart from circles: drawn rings wobble,
// a print is stretched, a board is bowed. Left alone, such a ring shows beside itself
// as a light and a dark sickle. The departure is slow along a ring and goes over
// linearly from one ring to the next, from none at the centre.
type bend struct {
	radii []float64               // of the rings that show it, ascending, raster pixels
	shift [][radialAngles]float32 // outwards, by direction
}

// Settings of bend, mm where a length.
const (
	bendMostMM   = 8.0  // a hand-drawn ring is no farther off
	bendMarginMM = 2.0  // of ground on both sides of a ring that it is known by
	bendLeastMM  = 40.0 // on a smaller circle a mark covers too much
	bendLimit    = 0.5  // log units: what departs farther counts no more
	bendStep     = 1.0  // what a pixel's step from one direction to the next costs, log units
	bendMostStep = 2
	bendSmooth   = 4    // directions to either side, 6 degrees
	bendPlainPx  = 0.7  // a smaller bend hardly smears F
	bendContrast = 0.15 // log units that a ring must differ by
)

// at returns the departure at radius r, raster pixels, in direction k of radialAngles.
func (b *bend) at(r float64, k int) float64 {
	if b == nil || len(b.radii) == 0 {
		return 0
	}
	i, _ := slices.BinarySearch(b.radii, r)
	switch {
	case i == 0:
		return float64(b.shift[0][k]) * r / b.radii[0]
	case i == len(b.radii):
		return float64(b.shift[i-1][k])
	}
	f := float32((r - b.radii[i-1]) / (b.radii[i] - b.radii[i-1]))
	return float64(b.shift[i-1][k]*(1-f) + b.shift[i][k]*f)
}

// along is at, in the direction of (dx, dy), y downwards.
func (b *bend) along(dx, dy float64) float64 {
	t := math.Atan2(dy, dx) / (2 * math.Pi) * radialAngles
	if t < 0 {
		t += radialAngles
	}
	k := int(t)
	f := t - float64(k)
	r := math.Hypot(dx, dy)
	return (1-f)*b.at(r, k%radialAngles) + f*b.at(r, (k+1)%radialAngles)
}

// most returns the largest departure.
func (b *bend) most() (most float32) {
	for _, row := range b.shift {
		for _, v := range row {
			most = max(most, abs32(v))
		}
	}
	return most
}

// straighten finds the bend of the circles, of which k raster pixels make a
// millimetre, and fits F anew along them. It returns for every pixel the radius that
// it has on the face.
func (m *faceModel) straighten(y *planes, circles []Circle, k float64) []float32 {
	m.bend = m.bendOf(y, circles, k, bendMostMM)
	if m.bend.most() > bendPlainPx { // F is smeared
		m.fitRadial(y, 2)
		m.bend = m.bendOf(y, circles, k, bendMostMM/4)
		m.fitRadial(y, 2)
	}
	radii := m.faceRadii(y.w, y.h)
	m.residual = m.remainderAt(y, radii)
	return radii
}

// bendOf measures how the circles depart from where F has them, by up to most mm more
// than is known.
func (m *faceModel) bendOf(y *planes, circles []Circle, k, most float64) *bend {
	b := &bend{}
	sorted := slices.Clone(circles)
	slices.SortFunc(sorted, func(a, c Circle) int { return cmp.Compare(a.RadiusMM, c.RadiusMM) })
	for i, c := range sorted {
		inner, outer := min(c.InnerMM, c.RadiusMM), c.RadiusMM
		most := most
		if i > 0 {
			most = min(most, (inner-sorted[i-1].RadiusMM)/3)
		}
		if i+1 < len(sorted) {
			most = min(most, (min(sorted[i+1].InnerMM, sorted[i+1].RadiusMM)-outer)/3)
		}
		reach := int(most * k)
		lo, hi := int((inner-bendMarginMM)*k), min(int((outer+bendMarginMM)*k+1), len(m.radial[0])-2)
		if inner < bendLeastMM || reach < 1 || m.contrast(lo, hi) < bendContrast {
			continue
		}
		b.radii = append(b.radii, (inner+outer)/2*k)
		b.shift = append(b.shift, m.shifts(y, lo, hi, reach))
	}
	return b
}

// contrast returns by how much F changes between the radii lo and hi.
func (m *faceModel) contrast(lo, hi int) (most float32) {
	for c := range m.radial {
		v := m.radial[c][lo : hi+1]
		most = max(most, slices.Max(v)-slices.Min(v))
	}
	return most
}

// shifts returns in every direction by how much F between the radii lo and hi must be
// moved outwards, up to reach pixels more than is known: the closed path of least cost
// whose steps are small, smoothed.
func (m *faceModel) shifts(y *planes, lo, hi, reach int) (out [radialAngles]float32) {
	var old, path [radialAngles]float32
	costs := make([][]float32, radialAngles)
	for k := range costs {
		old[k] = float32(m.bend.at(float64(lo+hi)/2, k))
		costs[k] = m.shiftCosts(y, k, old[k], lo, hi, reach)
	}
	for k, s := range leastPath(costs) {
		path[k] = old[k] + float32(s-reach)
		if c := costs[k]; s > 0 && s < 2*reach {
			if d := c[s-1] - 2*c[s] + c[s+1]; d > 0 {
				path[k] += max(-0.5, min(0.5, 0.5*(c[s-1]-c[s+1])/d))
			}
		}
	}
	for k := range out {
		for d := -bendSmooth; d <= bendSmooth; d++ {
			out[k] += path[(k+d+radialAngles)%radialAngles] / (2*bendSmooth + 1)
		}
	}
	return out
}

// shiftCosts returns for every shift beyond old in direction k by how much the photo
// departs from F between lo and hi; nothing but zeros where the photo does not reach.
func (m *faceModel) shiftCosts(y *planes, k int, old float32, lo, hi, reach int) []float32 {
	sin, cos := math.Sincos(2 * math.Pi * float64(k) / radialAngles)
	costs := make([]float32, 2*reach+1)
	ray := make([][3]float32, hi-lo+1+2*reach)
	for i := range ray {
		r := float64(lo-reach+i) + float64(old)
		px, py := int(m.centre.X+r*cos+0.5), int(m.centre.Y+r*sin+0.5)
		if px < 0 || py < 0 || px >= y.w || py >= y.h || !y.ok[py*y.w+px] {
			return costs
		}
		for c := range 3 {
			ray[i][c] = y.ch[c][py*y.w+px] - m.light.near(c, px, py)
		}
	}
	for s := range costs {
		for r := lo; r <= hi; r++ {
			v := ray[r-lo+s]
			d := abs32(v[0]-m.radial[0][r]) + abs32(v[1]-m.radial[1][r]) + abs32(v[2]-m.radial[2][r])
			costs[s] += min(d, bendLimit)
		}
	}
	return costs
}

// leastPath returns the closed path through costs, one state for each direction, of
// least cost, where a step of one state costs bendStep and none is larger than
// bendMostStep (dynamic programming over two turns; the second is the answer).
func leastPath(costs [][]float32) []int {
	n, states := len(costs), len(costs[0])
	from := make([][]int16, 2*n)
	best, next := make([]float32, states), make([]float32, states)
	for t := range from {
		from[t] = make([]int16, states)
		for s := range states {
			lo, hi := max(0, s-bendMostStep), min(states-1, s+bendMostStep)
			least, at := float32(math.Inf(1)), s
			for q := lo; q <= hi; q++ {
				if v := best[q] + bendStep*abs32(float32(q-s)); v < least || v == least && q == s {
					least, at = v, q
				}
			}
			next[s] = least + costs[t%n][s]
			from[t][s] = int16(at)
		}
		best, next = next, best
	}
	s := 0
	for q := range best {
		if best[q] < best[s] {
			s = q
		}
	}
	path := make([]int, n)
	for t := 2*n - 1; t >= n; t-- {
		path[t-n] = s
		s = int(from[t][s])
	}
	return path
}

// bendCell is the side of the cells at whose corners the bend is looked up, raster
// pixels.
const bendCell = 8

// faceRadii returns the radius on the face of every pixel, raster pixels.
func (m *faceModel) faceRadii(w, h int) []float32 {
	gw, gh := w/bendCell+2, h/bendCell+2
	off := make([]float32, gw*gh)
	for j := range gh {
		for i := range gw {
			off[j*gw+i] = float32(m.bend.along(float64(i*bendCell)-m.centre.X, float64(j*bendCell)-m.centre.Y))
		}
	}
	out := make([]float32, w*h)
	for y := range h {
		row := off[y/bendCell*gw:]
		f := float32(y%bendCell) / bendCell
		dy := float32(float64(y) - m.centre.Y)
		for x := range w {
			i := x / bendCell
			g := float32(x%bendCell) / bendCell
			a := row[i] + f*(row[i+gw]-row[i])
			b := row[i+1] + f*(row[i+1+gw]-row[i+1])
			dx := float32(float64(x) - m.centre.X)
			out[y*w+x] = max(0, float32(math.Sqrt(float64(dx*dx+dy*dy)))-a-g*(b-a))
		}
	}
	return out
}

// remainderAt returns y - F - L with F read between its radii.
func (m *faceModel) remainderAt(y *planes, radii []float32) *planes {
	out := newPlanes(y.w, y.h)
	out.ok = y.ok
	light := make([]float32, y.w)
	last := len(m.radial[0]) - 2
	for c := range 3 {
		f := m.radial[c]
		for v := range y.h {
			m.light.row(c, v, light)
			for x, l := range light {
				i := v*y.w + x
				r := min(int(radii[i]), last)
				t := min(1, radii[i]-float32(r))
				out.ch[c][i] = y.ch[c][i] - l - f[r] - t*(f[r+1]-f[r])
			}
		}
	}
	return out
}
