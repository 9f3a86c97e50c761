package vision

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// rimStep is the change of colour across the rim of a disc, from outside to
// inside, in log-linear opponent colour.
type rimStep struct {
	median [3]float32 // over the visible rim
	closed float64    // share of the visible rim whose step agrees with the median in sign and in at least half its size
}

// measureSteps measures the steps of all discs.
func (s *search) measureSteps(ds []refined) {
	for i := range ds {
		ds[i].step = s.stepOf(ds, i)
	}
}

// stepOf measures the step at 48 places of the visible rim of disc i; zero when
// fewer than four are to be seen.
func (s *search) stepOf(ds []refined, i int) rimStep {
	d := &ds[i]
	lo, hi := s.rect.PxPerMM(d.pos)
	gap := math.Max(0.15*d.radius, 1.5/math.Sqrt(lo*hi))
	var steps [][3]float32
	for k := range 48 {
		a := 2 * math.Pi * (float64(k) + 0.5) / 48
		if s.covered(ds, i, a, d.radius) {
			continue
		}
		sn, cs := math.Sincos(a)
		var side [2][3]float32
		good := true
		for q, at := range [2]float64{d.radius - gap, d.radius + gap} {
			for _, more := range [2]float64{0, 0.5 / math.Sqrt(lo*hi)} {
				r := at - more
				if q == 1 {
					r = at + more
				}
				l, ok := sampleRGB(s.img, s.rect.ToPhoto(r2.Add(d.pos, r2.Vec{X: r * cs, Y: r * sn})))
				good = good && ok
				for c := range 3 {
					side[q][c] += l[c] / 2
				}
			}
		}
		if !good {
			continue
		}
		var o [2][3]float32
		for q := range side {
			o[q] = opponent(logOf(side[q][0]), logOf(side[q][1]), logOf(side[q][2]))
		}
		steps = append(steps, [3]float32{o[0][0] - o[1][0], o[0][1] - o[1][1], o[0][2] - o[1][2]})
	}
	var out rimStep
	if len(steps) < 4 {
		return out
	}
	for c := range 3 {
		v := make([]float32, len(steps))
		for k := range steps {
			v[k] = steps[k][c]
		}
		out.median[c] = selectKth(v, len(v)/2)
	}
	m := out.median
	full := m[0]*m[0] + m[1]*m[1] + m[2]*m[2]
	for _, t := range steps {
		if t[0]*m[0]+t[1]*m[1]+t[2]*m[2] > 0.5*full {
			out.closed += 1 / float64(len(steps))
		}
	}
	return out
}

// logOf is the logarithm of linear light above logFloor.
func logOf(l float32) float32 { return float32(math.Log(float64(l) + logFloor)) }

// hue returns the change of log-chroma across the rim.
func (r rimStep) hue() float64 { return math.Hypot(float64(r.median[1]), float64(r.median[2])) }

// A step of less than hueStep in log-chroma and of no more brightness than the edge
// of a shadow or of a fleck of light makes can be light alone.
const hueStep = 0.06

func (r rimStep) likeLight() bool {
	return r.hue() < hueStep && r.median[0] > -1.35 && r.median[0] < fleckGain
}

// soundShare of a class's discs must be sound for the rest to be believed: print,
// flecks of light and shadows can be covered with discs, but few of those have a
// rim of the right radius that steps the same way all around.
const soundShare = 0.5

// sound reports whether a disc has a rim of its own.
func (d *refined) sound() bool {
	return d.ok && d.share >= 0.7 && d.clean*d.visible >= 0.25 && d.step.closed >= 0.5 && !d.step.likeLight()
}

// certain is sound by stricter limits, for discs of a class that is not believed.
func (d *refined) certain() bool {
	full := maxEvidence * math.Pi * d.r * d.r
	return d.ok && d.share >= 0.8 && d.clean >= 0.8 && d.visible >= 0.35 && d.gain >= 0.4*full &&
		d.step.closed >= 0.75 && !d.step.likeLight() && (d.step.hue() > hueStep || d.step.closed > 0.95)
}

// dropUnsound keeps of a class most of whose discs are not sound only the certain
// ones, as doubtful, and says so. Where light falls in flecks it also drops every
// disc that a fleck explains.
func (s *search) dropUnsound(ds []refined) []refined {
	s.measureSteps(ds)
	total, sound := make([]int, len(s.classes)), make([]int, len(s.classes))
	for i := range ds {
		if d := &ds[i]; d.hasRim() || s.plain(d) {
			total[d.class]++
			if d.sound() {
				sound[d.class]++
			}
		}
	}
	left, flecks := make([]int, len(s.classes)), make([]int, len(s.classes))
	keep := ds[:0]
	for _, d := range ds {
		if !d.hasRim() && !s.plain(&d) {
			continue
		}
		if float64(sound[d.class]) < soundShare*float64(total[d.class]) {
			if !d.certain() {
				left[d.class]++
				continue
			}
			d.flags = append(d.flags, Doubtful)
		}
		if s.flecked && d.step.closed > 0 && d.step.likeLight() {
			flecks[d.class]++
			continue
		}
		keep = append(keep, d)
	}
	for k, c := range s.classes {
		if left[k] > 0 {
			s.warnings = append(s.warnings, fmt.Sprintf("%d of %d places that may be %s stickers have no clear rim and were left out, those kept are doubtful: %s stickers cannot be told here from print, shadow or flecks of light; check the picture, or use another colour or even light", left[k], total[k], c.name, c.name))
		}
		if flecks[k] > 0 {
			s.warnings = append(s.warnings, fmt.Sprintf("%d places that may be %s stickers look like flecks of light and were left out; check the picture, or take the photo in even light", flecks[k], c.name))
		}
	}
	return keep
}

// mergeTwins replaces two discs of one class that lie mostly on each other by one
// where the one has a whole rim: a sticker that looks larger than its size on the
// raster is covered best by two.
func (s *search) mergeTwins(ds []refined) []refined {
	for i := 0; i < len(ds); i++ {
		for j := i + 1; j < len(ds); j++ {
			a, b := ds[i], ds[j]
			if a.class != b.class || !(math.Hypot(a.x-b.x, a.y-b.y) < 0.8*a.r) {
				continue
			}
			one := a
			one.x, one.y, one.gain = (a.x+b.x)/2, (a.y+b.y)/2, a.gain+b.gain
			one.pos = s.flat.ToBoard(calib.Px{X: one.x, Y: one.y})
			one.radius = a.r / s.flat.PxPerMM
			trial := append([]refined{one}, ds[:i]...)
			trial = append(append(trial, ds[i+1:j]...), ds[j+1:]...)
			for range 2 {
				s.measure(trial, 0)
			}
			one = trial[0]
			if one.ok && one.share > 0.85 && one.visible > 0.5 && math.Abs(one.radius*s.flat.PxPerMM-a.r) < 0.2*a.r {
				ds[i] = one
				ds = append(ds[:j], ds[j+1:]...)
				j--
			}
		}
	}
	return ds
}
