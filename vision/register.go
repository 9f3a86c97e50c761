package vision

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/spatial/r2"
	"gonum.org/v1/gonum/spatial/r3"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// Two photos of one face, each squared up from its rings, differ by light, by new
// marks and by a turn about the ring centre, which the rings cannot show. What the
// face has beside its rings shows it: numerals, an up mark, the corners of the sheet,
// tape, creases, marks that were there already. Unrolled about the centre and freed of
// rings and light, one is the other shifted; the shift is where their correlation
// peaks (Kuglin and Hines, 1975, for the Fourier method).

// Settings of the registration, radii in outer radii.
const (
	turnSteps  = 2880 // around the circle: an eighth of a degree, read to a tenth of that
	turnRows   = 144
	turnFrom   = 0.1
	turnTo     = 1.2
	turnLight  = 120  // steps to either side over which light is levelled: 15 degrees
	turnLimit  = 0.25 // log units: what departs farther, such as a sticker, counts no more
	turnLeast  = 0.1  // correlation below which nothing common is seen
	turnMargin = 1.25 // by how much the best turn must beat any other
	homeMargin = 1.05 // by how much a turn that is not expected must beat the expected one
	turnApart  = 24   // steps, three degrees: turns closer than this are one
)

// cleanNear is how far the board may hang turned between the clean photo and another
// before that needs plain evidence, radians: sheets and numerals repeat every quarter
// of a turn.
const cleanNear = 20 * math.Pi / 180

// layClean lays the reading of the clean board on the raster of this search and
// returns what it shows beside its rings; nil, with a warning, when it cannot be laid
// there.
func (s *search) layClean() *planes {
	c := s.opts.Clean
	if r := c.Circles[0].RadiusMM; math.Abs(r/s.outerMM-1) > 0.02 {
		s.warnings = append(s.warnings, fmt.Sprintf("the clean photo is not used: its outermost ring measures %.0f mm, this one's %.0f mm", 2*r, 2*s.outerMM))
		return nil
	}
	turn, ok := turnBetween(unroll(s.flat, s.outerMM), unroll(c.Flat, s.outerMM), cleanNear)
	// The clean board squared up is itself a picture of the board, taken square-on.
	k, at := c.Flat.PxPerMM, c.Flat.Centre
	square, facing := calib.FromHomography([9]float64{k, 0, at.X, 0, -k, at.Y, 0, 0, 1}, calib.Lens{})
	if !ok || !facing {
		s.warnings = append(s.warnings, "the clean photo is not used: nothing on the board shows how it hung then; take it in like light, or draw an up mark")
		return nil
	}
	f := flatten(&photo.Photo{Image: c.Flat.Image}, square.WithTurn(-turn), s.extent, s.flat.PxPerMM)
	y := planesOf(f)
	m := modelFace(y, f.Centre, s.m.edgePx, s.m.markPx)
	if s.opts.Bare {
		m.straighten(y, s.face, s.flat.PxPerMM)
	} else {
		m.residual = m.remainder(y, m.radiusIndex(y.w, y.h))
	}
	return m.residual
}

// withoutKnown leaves out the marks that the clean board shows already: what stands
// out of the face there, against its surroundings, as it does here.
func (s *search) withoutKnown(marks []Mark, known *planes) []Mark {
	n := len(marks)
	marks = slices.DeleteFunc(marks, func(m Mark) bool {
		at, r := s.flat.ToFlat(m.Pos), m.DiameterMM/2*s.flat.PxPerMM
		here, okHere := s.m.residual.contrast(at, r)
		before, okBefore := known.contrast(at, r)
		return okHere && okBefore && r3.Norm(r3.Sub(here, before)) < knownShare*r3.Norm(here)
	})
	if k := n - len(marks); k > 0 {
		s.warnings = append(s.warnings, fmt.Sprintf("marks left out because the clean photo shows them already: %d", k))
	}
	return marks
}

// knownShare is how much of a mark's contrast may be missing from the clean photo
// where it was there before; a new mark lacks nearly all.
const knownShare = 0.35

// contrast returns how the inside of a disc differs from what is around it, medians
// of both in each channel; false where the photo does not reach.
func (p *planes) contrast(at calib.Px, radius float64) (c r3.Vec, ok bool) {
	around := func(from, to float64) (m [3]float64, ok bool) {
		var v [3][]float64
		for i := range 4 {
			r := radius * (from + (to-from)*float64(i)/3)
			for k := range 24 {
				sin, cos := math.Sincos(2 * math.Pi * float64(k) / 24)
				x, y := int(math.Round(at.X+r*cos)), int(math.Round(at.Y+r*sin))
				if x < 0 || y < 0 || x >= p.w || y >= p.h || !p.ok[y*p.w+x] {
					continue
				}
				for ch := range v {
					v[ch] = append(v[ch], float64(p.ch[ch][y*p.w+x]))
				}
			}
		}
		if len(v[0]) < 48 {
			return m, false
		}
		for ch := range v {
			m[ch] = medianOf(v[ch])
		}
		return m, true
	}
	in, okIn := around(0.1, 0.6)
	out, okOut := around(1.3, 1.8)
	return r3.Vec{X: in[0] - out[0], Y: in[1] - out[1], Z: in[2] - out[2]}, okIn && okOut
}

// unrolled is a face along its circles: rows from the centre outwards, the angle
// anticlockwise.
type unrolled [][]complex128 // Fourier coefficients of each row

// unroll reads the brightness of a squared-up board along circles, each freed of its
// mean, as rings are constant along them, and of light that changes slowly.
func unroll(f *Flat, outerMM float64) unrolled {
	fft := fourier.NewFFT(turnSteps)
	var out unrolled
	row, level := make([]float64, turnSteps), make([]float64, turnSteps)
	for i := range turnRows {
		r := outerMM * (turnFrom + (turnTo-turnFrom)*(float64(i)+0.5)/turnRows)
		for j := range row {
			sin, cos := math.Sincos(2 * math.Pi * float64(j) / turnSteps)
			row[j] = f.brightness(f.ToFlat(r2.Vec{X: r * cos, Y: r * sin}))
		}
		levelled(level, row)
		weight := math.Sqrt(r)
		for j, v := range level {
			level[j] = weight * min(turnLimit, max(-turnLimit, v))
		}
		out = append(out, fft.Coefficients(nil, level))
	}
	return out
}

// brightness returns the log of the light at a raster point, NaN where the photo does
// not reach.
func (f *Flat) brightness(p calib.Px) float64 {
	x, y := int(math.Floor(p.X)), int(math.Floor(p.Y))
	if x < 0 || y < 0 || x+1 >= f.Image.Rect.Dx() || y+1 >= f.Image.Rect.Dy() {
		return math.NaN()
	}
	fx, fy := p.X-float64(x), p.Y-float64(y)
	i := y*f.Image.Stride + 4*x
	sum := 0.0
	for _, at := range [4]struct {
		i int
		w float64
	}{{i, (1 - fx) * (1 - fy)}, {i + 4, fx * (1 - fy)}, {i + f.Image.Stride, (1 - fx) * fy}, {i + f.Image.Stride + 4, fx * fy}} {
		p := f.Image.Pix[at.i : at.i+4]
		if p[3] != 255 {
			return math.NaN()
		}
		sum += at.w * float64(logLinear[p[0]]+logLinear[p[1]]+logLinear[p[2]]) / 3
	}
	return sum
}

// levelled subtracts from each value of a closed row the mean of those within
// turnLight steps; what is not known becomes 0.
func levelled(out, row []float64) {
	n := len(row)
	sum, known := 0.0, 0
	add := func(j, sign int) {
		if v := row[(j+n)%n]; !math.IsNaN(v) {
			sum += float64(sign) * v
			known += sign
		}
	}
	for j := -turnLight; j < turnLight; j++ {
		add(j, 1)
	}
	for j := range n {
		add(j+turnLight, 1)
		out[j] = 0
		if v := row[j]; !math.IsNaN(v) {
			out[j] = v - sum/float64(known)
		}
		add(j-turnLight, -1)
	}
}

// turnBetween returns by how much the face b must be turned, anticlockwise, to lie on
// a; false when nothing on them shows it, or two turns fit about as well. near is how
// far the two directions of up may differ, radians: a turn within it is believed
// unless another is clearly better.
func turnBetween(a, b unrolled, near float64) (turn float64, ok bool) {
	c := correlation(a, b)
	peaks := peaksOf(c)
	home := slices.DeleteFunc(slices.Clone(peaks), func(j int) bool {
		return float64(min(j, turnSteps-j)) > near/(2*math.Pi)*turnSteps
	})
	if len(home) > 0 && homeMargin*c[home[0]] > c[peaks[0]] {
		peaks = home
	}
	at := peaks[0]
	if !(c[at] > turnLeast) || len(peaks) > 1 && turnMargin*c[peaks[1]] > c[at] {
		return 0, false
	}
	lo, hi := c[(at+turnSteps-1)%turnSteps], c[(at+1)%turnSteps]
	off := 0.0
	if d := lo - 2*c[at] + hi; d < 0 {
		off = 0.5 * (lo - hi) / d
	}
	return math.Remainder(2*math.Pi*(float64(at)+off)/turnSteps, 2*math.Pi), true
}

// peaksOf returns the places of a closed row that are the highest within turnApart,
// highest first; there is always one.
func peaksOf(c []float64) (peaks []int) {
	n := len(c)
	for j, v := range c {
		top := true
		for d := 1; d <= turnApart && top; d++ {
			top = v > c[(j+d)%n] && v >= c[(j+n-d)%n]
		}
		if top {
			peaks = append(peaks, j)
		}
	}
	if len(peaks) == 0 {
		peaks = []int{0}
	}
	slices.SortStableFunc(peaks, func(i, j int) int { return cmp.Compare(c[j], c[i]) })
	return peaks
}

// correlation returns the normalised correlation of a with b turned by every step.
func correlation(a, b unrolled) []float64 {
	fft := fourier.NewFFT(turnSteps)
	sum := make([]complex128, turnSteps/2+1)
	var aa, bb float64
	for i := range a {
		for k := range sum {
			sum[k] += a[i][k] * complex(real(b[i][k]), -imag(b[i][k]))
			if k > 0 {
				aa += real(a[i][k])*real(a[i][k]) + imag(a[i][k])*imag(a[i][k])
				bb += real(b[i][k])*real(b[i][k]) + imag(b[i][k])*imag(b[i][k])
			}
		}
	}
	sum[0] = 0
	c := fft.Sequence(nil, sum)
	scale := 1 / (2*math.Sqrt(aa*bb) + 1e-30)
	for j := range c {
		c[j] *= scale
	}
	return c
}
