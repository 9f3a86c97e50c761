package vision

import (
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// UpSource says what the direction of "up" on the board rests on.
type UpSource string

// The sources of "up".
const (
	UpByMark   UpSource = "mark"   // a printed up mark
	UpByPhoto  UpSource = "photo"  // the photo's upright
	UpByPoints UpSource = "points" // points given by hand
)

// Up is the direction of +y on the board. Sizes do not depend on it; width, height
// and the centre's place do.
type Up struct {
	Source   UpSource
	SigmaRad float64
	// LeanRad is how far the board's up leans from the photo's upright,
	// counter-clockwise as the shooter sees it.
	LeanRad float64
	// AtMM is how far the middle of the up mark lies from the ring centre; 0 for none.
	AtMM float64
}

// photoUpSigma is how level a phone is held: 2 degrees (common practice, no
// source).
const photoUpSigma = 2 * math.Pi / 180

// The up mark is a filled triangle outside the outermost ring whose tip points
// away from the centre. It is looked for in a band that starts at upFrom outer
// radii and is upReach of them wide, upLeastReachMM at least, read along circles
// with upSteps samples to the outer radius.
const (
	upFrom         = 1.008
	upReach        = 0.15
	upLeastReachMM = 45.0
	upSteps        = 300
	upCoarsestMM   = 1.3
	upLeastPx      = 7 // samples a mark is wide and high
)

// A blob is a triangle when it covers what the triangle of its own moments covers
// but for an eighth: on 58 random boards the overlap was 0.94 or more for the 12 up
// marks and 0.79 or less for stickers, numerals, tape and shadows. One that passes
// is only believed when no other does.
const upOverlap = 0.87

// turnUp turns the board frame so that +y points at the up mark, and leaves it as
// it is, on the photo's upright, where no mark or more than one is seen.
func turnUp(img *image.NRGBA, r *calib.Rectification, outerMM float64) (*calib.Rectification, Up) {
	at := findUpMarks(img, r, outerMM)
	if len(at) != 1 {
		return r, Up{Source: UpByPhoto, SigmaRad: photoUpSigma}
	}
	lean := math.Remainder(math.Atan2(at[0].pos.Y, at[0].pos.X)-math.Pi/2, 2*math.Pi)
	return r.WithTurn(r.Turn + lean), Up{Source: UpByMark, SigmaRad: at[0].sigmaRad, LeanRad: lean, AtMM: r2.Norm(at[0].pos)}
}

// upMark is a triangle seen outside the outermost ring.
type upMark struct {
	pos      r2.Vec // centroid, mm
	sigmaRad float64
}

// findUpMarks returns every triangle outside the outermost ring that points away
// from the centre.
func findUpMarks(img *image.NRGBA, r *calib.Rectification, outerMM float64) []upMark {
	b := readBand(img, r, outerMM)
	mask := b.contrast()
	var out []upMark
	for _, level := range upLevels {
		for _, o := range blobs(mask, level.within) {
			m, ok := b.triangle(mask, o, level)
			known := func(k upMark) bool { return r2.Norm(r2.Sub(k.pos, m.pos)) < upLeastReachMM }
			if ok && !slices.ContainsFunc(out, known) {
				out = append(out, m)
			}
		}
	}
	return out
}

// contrastLevel is a relative difference from what is beside a sample: darker when
// negative, else lighter.
type contrastLevel float32

// upLevels are the contrasts at which blobs are cut out: a mark in a shadow's edge
// comes free of the shadow at one of them.
var upLevels = []contrastLevel{-0.2, -0.45, -0.65, 0.2, 0.5, 1}

func (l contrastLevel) within(v float32) bool {
	if l < 0 {
		return v < float32(l)
	}
	return v > float32(l)
}

// band is the board around the outermost ring unrolled: column by column along the
// circle, clockwise from the bottom, rows from the outside in, so that a mark that
// points away from the centre points up. It runs on past a full turn, so that the
// seam cuts no mark.
type band struct {
	w, h    int
	light   []float32 // linear, 0 where the photo does not reach
	fromMM  float64   // radius of the outermost row
	stepMM  float64   // between rows
	stepRad float64   // between columns
}

func readBand(img *image.NRGBA, r *calib.Rectification, outerMM float64) band {
	reach := max(upReach*outerMM, upLeastReachMM)
	b := band{stepMM: min(outerMM/upSteps, upCoarsestMM), fromMM: upFrom*outerMM + reach}
	b.stepRad = b.stepMM / (upFrom*outerMM + reach/2)
	b.h = int(reach / b.stepMM)
	b.w = int((2*math.Pi + 2*reach/outerMM) / b.stepRad)
	b.light = make([]float32, b.w*b.h)
	for x := range b.w {
		sin, cos := math.Sincos(b.angle(float64(x)))
		for y := range b.h {
			d := b.radius(float64(y))
			p := r2.Vec{X: d * cos, Y: d * sin}
			if !r.InFront(p) {
				continue
			}
			if c, ok := sampleRGB(img, r.ToPhoto(p)); ok {
				b.light[y*b.w+x] = (c[0] + c[1] + c[2]) / 3
			}
		}
	}
	return b
}

func (b band) angle(x float64) float64  { return -math.Pi/2 - x*b.stepRad }
func (b band) radius(y float64) float64 { return b.fromMM - y*b.stepMM }

// contrast returns how much each sample differs, relatively, from the mean along
// its circle over a stretch of three times the band's width.
func (b band) contrast() *evidence {
	out := &evidence{b.w, b.h, make([]float32, len(b.light))}
	half := 3 * b.h / 2
	sums := make([]float64, b.w+1)
	for y := range b.h {
		row := b.light[y*b.w : (y+1)*b.w]
		for x, v := range row {
			sums[x+1] = sums[x] + float64(v)
		}
		for x, v := range row {
			lo, hi := max(0, x-half), min(b.w, x+half+1)
			if mean := (sums[hi] - sums[lo]) / float64(hi-lo); mean > 0.01 && v > 0 {
				out.v[y*b.w+x] = float32(float64(v)/mean - 1)
			}
		}
	}
	return out
}

// triangle tells whether a blob is a filled triangle that stands on its base,
// symmetric about the direction from the centre, and returns its place.
func (b band) triangle(mask *evidence, o blob, level contrastLevel) (upMark, bool) {
	w, h := o.x1-o.x0+1, o.y1-o.y0+1
	if w < upLeastPx || h < upLeastPx || 2*w < h || w > 3*h || o.y0 < 2 || o.y1 > b.h-3 || o.x0 < w || o.x1 >= b.w-w {
		return upMark{}, false
	}
	if fill := float64(o.area) / float64(w*h); fill < 0.35 || fill > 0.7 {
		return upMark{}, false
	}
	cover := b.coverage(mask, o, level)
	var n, sx, sy float64
	each := func(do func(x, y, c float64)) {
		for i, c := range cover {
			do(float64(o.x0-2+i%(w+4)), float64(o.y0-2+i/(w+4)), c)
		}
	}
	each(func(x, y, c float64) { n, sx, sy = n+c, sx+c*x, sy+c*y })
	cx, cy := sx/n, sy/n
	var vx, vy, skew float64
	each(func(x, y, c float64) {
		vx += c * (x - cx) * (x - cx) / n
		vy += c * (y - cy) * (y - cy) / n
		skew += c * math.Pow(y-cy, 3) / n
	})
	if !(skew < 0) { // more of it lies at the base, below
		return upMark{}, false
	}
	// An isosceles triangle of base a and height g has variances a²/24 across and
	// g²/18 along (elementary), and its centroid a third of the way up.
	base, height := math.Sqrt(24*vx), math.Sqrt(18*vy)
	tip := cy - 2*height/3
	flank := math.Hypot(1, base/2/height)
	var both, either float64
	each(func(x, y, c float64) {
		d := max((math.Abs(x-cx)-(y-tip)*base/2/height)/flank, y-tip-height)
		t := min(1, max(0, 0.5-d))
		both += min(c, t)
		either += max(c, t)
	})
	if !(both >= upOverlap*either) {
		return upMark{}, false
	}
	sin, cos := math.Sincos(b.angle(cx))
	d := b.radius(cy)
	// The centroid is good to a quarter of a sample on boards rendered with known
	// truth.
	return upMark{pos: r2.Vec{X: d * cos, Y: d * sin}, sigmaRad: b.stepRad / 4}, true
}

// coverage returns which share of each sample in the blob's surroundings, two
// samples on every side, the blob covers: where the light lies between what is beside
// it and what is typical inside, drawn out so that blur and slight shadows beside
// the blob count for nothing.
func (b band) coverage(mask *evidence, o blob, level contrastLevel) []float64 {
	w := o.x1 - o.x0 + 1
	var inside []float64
	for y := o.y0; y <= o.y1; y++ {
		for x := o.x0; x <= o.x1; x++ {
			if level.within(mask.v[y*b.w+x]) {
				inside = append(inside, float64(b.light[y*b.w+x]))
			}
		}
	}
	in := medianOf(inside)
	var out, beside []float64
	for y := o.y0 - 2; y <= o.y1+2; y++ {
		row := b.light[y*b.w : (y+1)*b.w]
		beside = beside[:0]
		for x := 3; x <= w; x++ {
			for _, at := range [2]int{o.x0 - x, o.x1 + x} {
				if at >= 0 && at < b.w {
					beside = append(beside, float64(row[at]))
				}
			}
		}
		ground := medianOf(beside)
		for x := o.x0 - 2; x <= o.x1+2; x++ {
			share := (float64(row[x]) - ground) / (in - ground)
			out = append(out, min(1, max(0, 1.5*(share-0.5)+0.5)))
		}
	}
	return out
}
