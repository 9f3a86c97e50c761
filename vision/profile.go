package vision

import (
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// border is one circular edge of the face: where the colour, taken round the
// circle, changes with the radius.
type border struct {
	radius float64    // in the plane's unit
	step   [3]float64 // change of the coded colour going outward, grey levels
}

// polar is the photo read along rays from the ring centre.
type polar struct {
	radii []float64    // of the samples, ascending
	angle []float64    // of the rays
	code  [][3][]uint8 // by ray, by channel, by radius: coded values
	valid []int        // by ray: samples inside the photo
}

// readPolar samples the photo on rays from the centre out to reach, h apart.
func readPolar(img *image.NRGBA, r *calib.Rectification, reach float64, rays int, h float64) polar {
	n := int(reach / h)
	p := polar{}
	for i := range n {
		p.radii = append(p.radii, (float64(i)+0.5)*h)
	}
	w, hgt := img.Rect.Dx(), img.Rect.Dy()
	for a := range rays {
		s, c := math.Sincos(2 * math.Pi * (float64(a) + 0.5) / float64(rays))
		p.angle = append(p.angle, 2*math.Pi*(float64(a)+0.5)/float64(rays))
		var ray [3][]uint8
		for k := range ray {
			ray[k] = make([]uint8, n)
		}
		m := 0
		for i, d := range p.radii {
			b := r2.Vec{X: d * c, Y: d * s}
			if !r.InFront(b) {
				break
			}
			q := r.ToPhoto(b)
			x, y := int(math.Round(q.X)), int(math.Round(q.Y))
			if x < 0 || y < 0 || x >= w || y >= hgt {
				break
			}
			o := y*img.Stride + 4*x
			ray[0][i], ray[1][i], ray[2][i] = img.Pix[o], img.Pix[o+1], img.Pix[o+2]
			m++
		}
		p.code = append(p.code, ray)
		p.valid = append(p.valid, m)
	}
	return p
}

// Settings of the search for borders.
const (
	borderReach    = 3   // samples on either side over which a change is taken
	borderMinStep  = 3.5 // grey levels, of the median over all directions
	borderMinAgree = 0.66
)

// borders finds the circular edges of the face from a polar reading: radii at
// which the median change over all directions stands out and most directions
// agree. Stickers, shadows and scratches hold for few directions only.
func (p polar) borders() []border {
	n := len(p.radii)
	change := make([][3]float64, n)
	for i := borderReach; i < n-borderReach; i++ {
		for c := range 3 {
			var steps tally
			seen := 0
			for a := range p.code {
				if p.valid[a] > i+borderReach {
					steps.add(p.code[a][c][i+borderReach], p.code[a][c][i-borderReach])
					seen++
				}
			}
			if seen >= max(1, len(p.code)/4) {
				change[i][c] = steps.median(seen)
			}
		}
	}
	size := func(i int) float64 {
		m := 0.0
		for c := range 3 {
			m = math.Max(m, math.Abs(change[i][c]))
		}
		return m
	}
	var out []border
	for i := borderReach + 1; i < n-borderReach-1; i++ {
		s := size(i)
		if s < borderMinStep || s < size(i-1) || s <= size(i+1) {
			continue
		}
		// The largest within reach, of the same sense.
		peak := true
		for j := max(0, i-borderReach); j <= min(n-1, i+borderReach); j++ {
			if size(j) > s && dot3(change[j], change[i]) > 0 {
				peak = false
			}
		}
		if !peak {
			continue
		}
		if p.agreement(i, change[i]) < borderMinAgree {
			continue
		}
		off := 0.0
		if d := size(i-1) - 2*s + size(i+1); d < 0 {
			off = 0.5 * (size(i-1) - size(i+1)) / d
		}
		h := p.radii[1] - p.radii[0]
		out = append(out, border{radius: p.radii[i] + off*h, step: change[i]})
	}
	return out
}

// agreement is the share of directions in which the colour at sample i changes
// in the direction of step by at least a third of it.
func (p polar) agreement(i int, step [3]float64) float64 {
	norm := dot3(step, step)
	yes, all := 0, 0
	for a := range p.code {
		if p.valid[a] <= i+borderReach {
			continue
		}
		best := math.Inf(-1)
		for j := max(borderReach, i-1); j <= i+1; j++ {
			v := 0.0
			for c := range 3 {
				v += step[c] * (float64(p.code[a][c][j+borderReach]) - float64(p.code[a][c][j-borderReach]))
			}
			best = math.Max(best, v)
		}
		all++
		if best > norm/3 {
			yes++
		}
	}
	return float64(yes) / float64(max(1, all))
}

func dot3(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// medianOf returns the median of v, which it reorders; v must not be empty.
func medianOf(v []float64) float64 {
	n := len(v)
	high := selectKth(v, n/2) // what is not larger lies before it
	if n%2 == 1 {
		return high
	}
	return (slices.Max(v[:n/2]) + high) / 2
}

// tally counts differences of 8-bit values.
type tally [511]uint16

func (t *tally) add(a, b uint8) { t[255+int(a)-int(b)]++ }

// median returns the median of the n differences counted; n must not be 0.
func (t *tally) median(n int) float64 {
	low, seen := -1, 0
	for i, c := range t {
		seen += int(c)
		if low < 0 && seen > (n-1)/2 {
			low = i
		}
		if seen > n/2 {
			return float64(low+i)/2 - 255
		}
	}
	return 0
}
