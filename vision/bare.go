package vision

import (
	"fmt"
	"image"
	"math"
	"slices"
	"sort"
	"strings"

	"gocv.io/x/gocv"
)

// Bare marks are holes, dents, smudges and chalk: compact patches of what the face
// model leaves over, lighter or darker than the ground, with a torn rim or without.
//
// Every pixel carries evidence w for "something lies here" against "face in smooth
// light", the logarithm of a likelihood ratio. What is printed but not radial (a
// centre mark, numerals) is recognised by its repeats and made neutral
// (bare_print.go). Discs of free radius are placed on the rest so that their union
// collects the most evidence (bare_place.go), and each is then measured in the
// residual (bare_fit.go).

// Sizes of bare marks, mm, and of the raster they are sought on.
const (
	bareLeastMM   = 5.5
	bareLargestMM = 26.0
	bareUsualMM   = 15.0
	bareFlatPxMM  = 2.0
	stripMM       = 2.4   // wider than printed lines left over, narrower than any mark
	crowdMM       = 110.0 // no crowd of touching marks is wider
	haloMM        = 4.0   // how far a body casts a halo
	bodyMM        = 3.0   // a body is wider than a torn rim or a stroke
	haloShare     = 0.2   // of the strongest contrast within haloMM
	gapMM         = 1.8   // widest gap in a torn rim
	strokeMM      = 7.0   // no wider are the strokes of print
	bareReach     = 1.25  // outer radii from the centre within which marks are sought
)

// Evidence of one pixel.
const (
	bareRange   = 1.0   // how far marks typically are from the ground, log units
	bareLeastSD = 0.03  // log units: below this JPEG steps and slow texture rule
	bareTrust   = 0.2   // of half a squared deviation: neighbouring pixels err together
	bareFor     = 3.0   // most a pixel can say for a mark
	bareAgainst = -2.5  // and against one
	barePrinted = -0.25 // a pixel of print says hardly anything
)

// bareSearch is the state of one search for bare marks.
type bareSearch struct {
	*search
	k       float64       // raster pixels per mm
	e       [3][]float32  // residual, averaged over about a millimetre
	ring    []uint16      // whole radius of every pixel, raster pixels
	sd      [3][]float32  // scatter of e per radius
	calm    [3]scatterMap // and what share of it shows about a place
	z       []float32     // brightness of e in its scatter
	dim     *dimMap
	w       *evidence
	light   [3][]float32 // L of the face model
	printed []bool
	onPrint []bool    // ground of its own: a dot, a cross
	own     []float32 // brightness by which ground of its own departs from F
	ink     []int8    // 1 where a line or other print is lighter than the ground, -1 where darker
	discs   []spot
	lights  lightRange
	flecks  int // discs that light may explain
}

// bareMarks returns the bare marks on the face and just outside it, from the top
// down. known is the residual of a photo of the clean board on the same raster, or
// nil: what it shows is no mark.
func (s *search) bareMarks(known *planes) []Mark {
	b := s.weighBare(known)
	b.settle(b.sow())
	b.fit()
	usual, muddle := b.usualRadius(), b.doubt()
	least := 0.5
	if muddle && known == nil { // the clean board vouches for what it does not show
		least = muddleChance
	}
	var marks []Mark
	for i := range b.discs {
		if b.discs[i].chance >= least {
			marks = append(marks, b.mark(i, usual, muddle))
		}
	}
	sort.SliceStable(marks, func(i, j int) bool { return marks[i].Pos.Y > marks[j].Pos.Y })
	return marks
}

// weighBare returns a search that has its evidence.
func (s *search) weighBare(known *planes) *bareSearch {
	b := &bareSearch{search: s, k: s.flat.PxPerMM, printed: make([]bool, s.y.w*s.y.h), onPrint: make([]bool, s.y.w*s.y.h), own: make([]float32, s.y.w*s.y.h)}
	b.readRadii(s.m.straighten(s.y, s.face, b.k))
	b.readLight()
	b.lights = b.lightRange()
	b.smooth()
	b.weigh()
	b.explainPrint(known)
	b.discountLight()
	b.seeDim()
	b.trimHalos()
	b.fillRims()
	b.bridgePrint()
	b.keepCompact()
	b.bridgeLines()
	return b
}

// readRadii sets the index of every pixel in F and the circle that it lies on.
func (b *bareSearch) readRadii(radii []float32) {
	last := uint16(len(b.m.radial[0]) - 1)
	b.ring, b.index = make([]uint16, len(radii)), make([]uint16, len(radii))
	for i, r := range radii {
		b.ring[i] = uint16(r + 0.5)
		b.index[i] = min(b.ring[i], last)
	}
}

// readLight sets L at every pixel.
func (b *bareSearch) readLight() {
	for c := range b.light {
		b.light[c] = make([]float32, b.y.w*b.y.h)
		for y := range b.y.h {
			b.m.light.row(c, y, b.light[c][y*b.y.w:(y+1)*b.y.w])
		}
	}
}

// trimHalos turns against a mark what is faint beside something strong: the glow of
// chalk on a dark board, the shade around a hole. Marks end where they have lost
// most of their contrast in linear light.
func (b *bareSearch) trimHalos() {
	w, h := b.w.w, b.w.h
	strong := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F)
	defer strong.Close()
	v, err := strong.DataPtrFloat32()
	if err != nil {
		return
	}
	contrast := make([]float32, w*h)
	for i, t := range b.e[0] {
		v[i] = 0
		if b.w.v[i] > 0 {
			contrast[i] = abs32(float32(math.Expm1(float64(min(t, 5)))))
			if !b.printed[i] {
				v[i] = contrast[i]
			}
		}
	}
	b.morph(&strong, gocv.MorphOpen, bodyMM) // rims and lines are no bodies
	b.morph(&strong, gocv.MorphDilate, 2*haloMM)
	if v, err = strong.DataPtrFloat32(); err != nil {
		return
	}
	for i, c := range contrast {
		if b.w.v[i] > 0 && c < haloShare*v[i] && abs32(b.e[1][i])+abs32(b.e[2][i]) < 0.3 {
			b.w.v[i] = bareAgainst / 2
		}
	}
}

// morph applies a morphological operation with a round element of the given width.
func (b *bareSearch) morph(m *gocv.Mat, op gocv.MorphType, widthMM float64) {
	n := max(1, int(math.Round(widthMM/2*b.k)))
	kernel := gocv.GetStructuringElement(gocv.MorphEllipse, image.Pt(2*n+1, 2*n+1))
	defer kernel.Close()
	gocv.MorphologyEx(*m, m, op, kernel)
}

// smooth averages the residual over about a millimetre and measures its scatter on
// circles of every radius.
func (b *bareSearch) smooth() {
	for c := range 3 {
		b.e[c] = boxMean(b.m.residual.ch[c], b.y.w, b.y.h, b.smoothSide())
	}
	b.scatter()
	b.soothe()
}

// smoothSide is the side of the square that the residual is averaged over, raster pixels.
func (b *bareSearch) smoothSide() int { return max(3, int(1.2*b.k)|1) }

// scatter sets the standard deviation of the residual about zero on circles of every
// raster radius, from the middle and the tail of its distribution, no less than on the
// circles beside it: the edges of printed lines are never registered quite exactly.
func (b *bareSearch) scatter() {
	n := int(bareReach*b.outerMM*b.k) + 2
	var raw [3][]float32
	for c := range raw {
		raw[c] = make([]float32, n)
	}
	var around [3][]float32
	for r := range n {
		steps := max(8, min(int(2*math.Pi*float64(r)), 180))
		for c := range around {
			around[c] = around[c][:0]
		}
		for q := range steps {
			sn, cs := math.Sincos(2 * math.Pi * float64(q) / float64(steps))
			x, y := int(b.m.centre.X+float64(r)*cs+0.5), int(b.m.centre.Y+float64(r)*sn+0.5)
			if x < 0 || y < 0 || x >= b.y.w || y >= b.y.h || !b.y.ok[y*b.y.w+x] {
				continue
			}
			for c := range around {
				around[c] = append(around[c], abs32(b.e[c][y*b.y.w+x]))
			}
		}
		for c, v := range around {
			if len(v) >= 8 {
				raw[c][r] = max(selectKth(v, len(v)/2)/0.6745, selectKth(v, len(v)*3/4)/1.15)
			} else if r > 0 {
				raw[c][r] = raw[c][r-1]
			}
		}
	}
	for c := range raw {
		b.sd[c] = b.scatterBy(raw[c])
	}
}

// soothe sets by how much less than on its whole circles the residual scatters about each
// place: leaf light or coarse grain on one side says nothing about the other.
func (b *bareSearch) soothe() {
	for c := range b.calm {
		b.calm[c] = scatterAbout(b.y.w, b.y.h, max(1, int(calmCellMM*b.k)), func(i int) (float32, bool) {
			if r := int(b.ring[i]); b.y.ok[i] && r < len(b.sd[c]) {
				return b.e[c][i] / b.sd[c][r], true
			}
			return 0, false
		})
		for i, v := range b.calm[c].v {
			b.calm[c].v[i] = max(calmLeast, min(1, v))
		}
	}
}

// calmLeast is the least scatter about a place, as a share of that on its circle.
const calmLeast = 0.3

// sdAt returns the scatter of channel c at pixel i.
func (b *bareSearch) sdAt(c, i int) float32 {
	return max(bareLeastSD, b.sd[c][min(int(b.ring[i]), len(b.sd[c])-1)]*b.calm[c].at(i))
}

// scatterBy returns the scatter by radius, of which raw is what each circle shows alone.
func (b *bareSearch) scatterBy(raw []float32) []float32 {
	n := len(raw)
	// Marks can cover most of a small circle: there the scatter is that farther out.
	inner := min(n-1, int(4*bareUsualMM*b.k))
	rest := append([]float32(nil), raw[inner:]...)
	typical := selectKth(rest, len(rest)/2)
	out := make([]float32, n)
	for r := range n {
		out[r] = max(bareLeastSD, raw[r], raw[max(0, r-1)], raw[min(n-1, r+1)])
		if r < inner {
			out[r] = min(out[r], max(bareLeastSD, 2*typical))
		}
	}
	return out
}

// weigh sets the evidence of every pixel: for a mark anything within bareRange of
// the ground is equally likely, for the ground a normal deviation.
func (b *bareSearch) weigh() {
	b.w = &evidence{b.y.w, b.y.h, make([]float32, b.y.w*b.y.h)}
	b.z = make([]float32, len(b.w.v))
	prior, calmer := make([]float32, len(b.sd[0])), make([]float32, len(b.calm[0].v))
	for r, sd := range b.sd[0] {
		prior[r] = priorOf(sd)
	}
	for i, v := range b.calm[0].v {
		calmer[i] = float32(-math.Log(float64(v)))
	}
	limit, most := bareReach*b.outerMM*b.k, priorOf(bareLeastSD)
	for i, r := range b.ring {
		if !b.y.ok[i] || float64(r) > limit {
			b.w.v[i] = bareAgainst
			continue
		}
		cell := b.calm[0].index(i)
		var z [3]float32
		for c := range z {
			z[c] = b.e[c][i] / max(bareLeastSD, b.sd[c][r]*b.calm[c].v[cell])
		}
		b.z[i] = z[0]
		b.w.v[i] = evidenceOf(z, min(most, prior[r]+calmer[cell]))
	}
}

// priorOf returns how much evidence the ground has in store where its brightness scatters
// by sd: it says more of where a pixel is.
func priorOf(sd float32) float32 { return float32(math.Log(float64(bareRange / sd))) }

// evidenceOf returns the evidence of a pixel that departs from the ground by z standard
// deviations in each channel.
func evidenceOf(z [3]float32, prior float32) float32 {
	return max(bareAgainst, min(bareFor, bareTrust*(z[0]*z[0]+0.5*(z[1]*z[1]+z[2]*z[2]))-prior))
}

// morphed returns the mask of the pixels that in holds for, opened or closed over
// widthMM: 255 within, 0 without; nil when OpenCV has no memory for it.
func (b *bareSearch) morphed(in func(i int) bool, op gocv.MorphType, widthMM float64) []uint8 {
	mask := gocv.NewMatWithSize(b.w.h, b.w.w, gocv.MatTypeCV8U)
	defer mask.Close()
	v, err := mask.DataPtrUint8()
	if err != nil {
		return nil
	}
	for i := range v {
		v[i] = 0
		if in(i) {
			v[i] = 255
		}
	}
	b.morph(&mask, op, widthMM)
	if v, err = mask.DataPtrUint8(); err != nil {
		return nil
	}
	return slices.Clone(v)
}

// fillRims makes the inside of a closed outline part of the mark, after bridging
// gaps of up to about 2 mm: the torn rim of a hole in black print becomes a disc. The
// outline may go on faintly where most of it is clear.
func (b *bareSearch) fillRims() {
	w, h := b.w.w, b.w.h
	closed := b.morphed(func(i int) bool { return b.w.v[i] > 0 || b.printed[i] }, gocv.MorphClose, gapMM)
	rim := make([]bool, w*h)
	for _, set := range patches(w, h, w*h, func(i int) bool { return b.w.v[i] > rimLeast || b.printed[i] }) {
		if slices.ContainsFunc(set, func(i int) bool { return b.w.v[i] > 0 || b.printed[i] }) {
			for _, i := range set {
				rim[i] = true
			}
		}
	}
	faint := b.morphed(func(i int) bool { return rim[i] }, gocv.MorphClose, gapMM)
	if closed == nil || faint == nil {
		return
	}
	largest := int(math.Pi / 4 * math.Pow(bareLargestMM*b.k, 2))
	// First what a clear outline encloses: noise in a dark hole looks like more of a faint one.
	for _, outline := range [][]uint8{slices.Clone(closed), faint} {
		for _, inside := range patches(w, h, largest, func(i int) bool { return outline[i] == 0 }) {
			if p := bounds(inside, w); float64(max(p.Dx(), p.Dy())) > bareLargestMM*b.k {
				continue
			}
			if clear, print := b.around(inside); clear > rimClear && print < 0.6 {
				for _, i := range inside {
					closed[i] = 1
				}
			}
		}
	}
	for i, c := range closed {
		if c != 0 && b.w.v[i] < bareFor/2 && !b.printed[i] && !b.onPrint[i] {
			b.w.v[i] = bareFor / 2
		}
	}
}

// The outline of a hole.
const (
	rimLeast = -0.8 // least evidence that carries it on
	rimClear = 0.6  // share of it that must be clear
)

// bridgePrint makes print that lies within a mark part of it: what closes over it from
// both sides is evidence of its own.
func (b *bareSearch) bridgePrint() {
	v := b.morphed(func(i int) bool { return b.w.v[i] > 0 && !b.printed[i] }, gocv.MorphClose, strokeMM)
	if v == nil {
		return
	}
	for i, p := range b.printed {
		if p && v[i] != 0 {
			b.w.v[i] = bareFor / 2
		}
	}
}

// bridgeLines makes part of a mark what of a line lies between its parts where the line is
// as dark as a dark mark, or as light as a light one: it would not show there.
func (b *bareSearch) bridgeLines() {
	for _, sign := range [2]float32{-1, 1} {
		v := b.morphed(func(i int) bool { return b.w.v[i] > 0 && sign*b.e[0][i] > 0 }, gocv.MorphClose, widestLineMM)
		for i, k := range v {
			if k != 0 && float32(b.ink[i]) == sign && b.w.v[i] < bareFor/2 {
				b.w.v[i] = bareFor / 2
			}
		}
	}
}

// keepCompact neutralises evidence in strips narrower than a mark (what is left of
// ring lines, creases), and in patches that are too large: off the face for one
// mark, on it for a crowd. Such a patch, a fleck of light or the border of a sheet, is
// first taken for ground of its own, on which marks may lie.
func (b *bareSearch) keepCompact() {
	b.dropStrips()
	large := b.largePatches()
	if len(large) == 0 {
		return
	}
	for _, set := range large {
		b.weighAgain(set)
	}
	b.dropStrips()
	for _, set := range b.largePatches() {
		for _, i := range set {
			b.w.v[i] = barePrinted
		}
	}
}

// dropStrips neutralises evidence in strips.
func (b *bareSearch) dropStrips() {
	v := b.morphed(func(i int) bool { return b.w.v[i] > 0 }, gocv.MorphOpen, stripMM)
	for i, k := range v {
		if k == 0 && b.w.v[i] > 0 {
			b.w.v[i] = barePrinted
		}
	}
}

// largePatches returns the patches of evidence that are too large.
func (b *bareSearch) largePatches() (out [][]int) {
	w, h := b.w.w, b.w.h
	for _, set := range patches(w, h, w*h, func(i int) bool { return b.w.v[i] > 0 }) {
		p := bounds(set, w)
		x, y := float64(p.Min.X+p.Max.X)/2-b.m.centre.X, float64(p.Min.Y+p.Max.Y)/2-b.m.centre.Y
		largest := crowdMM
		if math.Hypot(x, y) > b.outerMM*b.k {
			largest = 1.3 * bareLargestMM
		}
		if float64(max(p.Dx(), p.Dy())) > largest*b.k {
			out = append(out, set)
		}
	}
	return out
}

// weighAgain sets the evidence in a patch that is ground of its own, by its median and
// scatter.
func (b *bareSearch) weighAgain(set []int) {
	var middle, sd [3]float32
	v := make([]float32, 0, len(set))
	for c := range middle {
		v = v[:0]
		for _, i := range set {
			v = append(v, b.e[c][i])
		}
		middle[c], sd[c] = medianMAD(v)
	}
	for _, i := range set {
		var z [3]float32
		for c := range z {
			b.e[c][i] -= middle[c]
			z[c] = b.e[c][i] / max(sd[c], b.sdAt(c, i))
		}
		b.own[i] += middle[0]
		b.w.v[i] = evidenceOf(z, priorOf(max(sd[0], b.sdAt(0, i))))
	}
}

// around returns how much of what encloses a set of pixels shows, and how much of that is
// print.
func (b *bareSearch) around(inside []int) (clear, print float64) {
	reach := int(gapMM*b.k) + 2
	in := make(map[int]bool, len(inside))
	for _, i := range inside {
		in[i] = true
	}
	var seen, printed, all float64
	for _, i := range inside {
		for _, step := range [4]int{-1, 1, -b.w.w, b.w.w} {
			if in[i+step] {
				continue
			}
			all++
			for j, n := i+step, 0; n < reach && j >= 0 && j < len(b.printed); j, n = j+step, n+1 {
				if b.printed[j] || b.w.v[j] > 0 {
					seen++
					if b.printed[j] {
						printed++
					}
					break
				}
			}
		}
	}
	return seen / max(1, all), printed / max(1, seen)
}

// mark returns disc i as a mark. usual is the radius of most marks of the photo; in a
// muddle every mark is doubtful.
func (b *bareSearch) mark(i int, usual float64, muddle bool) Mark {
	d := &b.discs[i]
	pos := b.flat.ToBoard(d.at())
	m := Mark{Kind: Bare, Pos: pos, Photo: b.rect.ToPhoto(pos), CovMM2: b.budget(i),
		DiameterMM: 2 * d.r / b.k, Visible: 1, Confidence: d.chance}
	if b.isOff(d) {
		m.Flags = append(m.Flags, OffFace)
	}
	if d.chance < 0.8 || muddle {
		m.Flags = append(m.Flags, Doubtful)
	}
	if d.r > twinLeast*usual && d.fill < twinFill || d.r > twinSurely*usual {
		// Two of the usual size that touch have their centres one radius from that of
		// what they cover together.
		m.Flags = append(m.Flags, AtLeast)
		own := math.Pow(usual/b.k, 2) / 2
		m.CovMM2[0], m.CovMM2[2] = m.CovMM2[0]+own, m.CovMM2[2]+own
	}
	return m
}

// A mark stands for two or more when it is that much larger than most and as little
// round, or larger still.
const (
	twinLeast  = 1.25
	twinFill   = 0.9
	twinSurely = 1.6
)

// usualRadius returns the median radius of the marks, raster pixels; 0 for none.
func (b *bareSearch) usualRadius() float64 {
	var rs []float64
	for _, d := range b.discs {
		if d.chance >= 0.5 {
			rs = append(rs, d.r)
		}
	}
	if len(rs) == 0 {
		return 0
	}
	return medianOf(rs)
}

// doubt warns of marks that are likely left out and of others likely false, by the sums
// of their chances. It reports whether so many are that the photo's marks cannot be
// told from what else is on it: then only the surer ones are listed.
func (b *bareSearch) doubt() (muddle bool) {
	var kept, wrong, left, missed float64
	for _, d := range b.discs {
		switch {
		case d.chance >= 0.5:
			kept++
			wrong += 1 - d.chance
		case d.chance >= bareLeastChance:
			left++
			missed += d.chance
		}
	}
	if wrong+missed >= 1 && wrong+missed > muddleShare*(kept+missed) {
		b.warnings = append(b.warnings, "marks cannot be told well from light, grain or dirt on this photo: all that are listed are doubtful, and some may be missing; take it in even light, or set the marks by hand in dartfall review")
		return true
	}
	var said []string
	if wrong >= worthSaying {
		said = append(said, fmt.Sprintf("about %.0f of the %.0f marks found may be none", wrong, kept))
	}
	if missed >= worthSaying {
		said = append(said, fmt.Sprintf("about %.0f of %.0f faint patches left out may be marks", missed, left))
	}
	if len(said) > 0 {
		b.warnings = append(b.warnings, strings.Join(said, "; ")+"; look at the photo in dartfall review")
	}
	return false
}

// When the marks of a photo are not to be relied on.
const (
	muddleShare  = 0.2  // share of wrong decisions at which only the surer marks are listed
	muddleChance = 0.75 // which are at least as likely
	worthSaying  = 0.6  // a mark likely missing, or likely none
)
