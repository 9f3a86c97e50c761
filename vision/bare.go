package vision

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// Bare marks are holes, dents, smudges and chalk: compact blobs of what the face
// model does not explain, of any colour, lighter or darker than the ground, with a
// torn rim or without.

// Limits for bare marks, in mm and standard deviations of the ground.
const (
	bareLeastMM   = 4.0
	bareLargestMM = 24.0
	bareUsualMM   = 15.0
	bareFlatPxMM  = 2.0
	bareLow       = 4.0 // a pixel of a mark differs by this
	bareHigh      = 7.0 // and some of its pixels by this
)

// spot is a compact unexplained blob.
type spot struct {
	pos           r2.Vec
	areaPx        int
	diameterMM    float64
	fill          float64 // share of its bounding ellipse that it fills
	elongation    float64
	strength      float64 // mean difference from the ground, standard deviations
	cxx, cxy, cyy float64
}

func (s *search) bareMarks() []Mark {
	k := s.flat.PxPerMM
	s.index = s.m.radiusIndex(s.y.w, s.y.h)
	score := s.differences()
	mask := &evidence{s.y.w, s.y.h, make([]float32, len(score))}
	limit := 1.35 * s.outerMM * k
	for i, z := range score {
		x, y := float64(i%s.y.w)-s.m.centre.X, float64(i/s.y.w)-s.m.centre.Y
		if z > bareLow && x*x+y*y < limit*limit {
			mask.v[i] = 1
		}
	}
	closeGaps(mask, int(math.Round(0.9*k)))
	var spots []spot
	for _, b := range blobs(mask, func(v float32) bool { return v > 0 }) {
		if sp, ok := s.spotOf(mask, score, b); ok {
			spots = append(spots, sp)
		}
	}
	var marks []Mark
	for i, sp := range spots {
		if s.repeats(spots, i) {
			continue
		}
		off := r2.Norm(sp.pos) > s.outerMM
		if off && (sp.strength < 10 || sp.fill < 0.75 || sp.elongation > 1.5) {
			continue
		}
		v := math.Pow(0.04*sp.diameterMM, 2) + math.Pow(0.15/k, 2)
		conf := min(1, sp.strength/10) * min(1, sp.fill/0.75) * min(1, 1.6/sp.elongation)
		m := Mark{Kind: Bare, Pos: sp.pos, Photo: s.rect.ToPhoto(sp.pos), CovMM2: [3]float64{v, 0, v},
			DiameterMM: sp.diameterMM, Visible: 1, Confidence: conf}
		if off {
			m.Flags = append(m.Flags, OffFace)
		}
		if conf < 0.5 {
			m.Flags = append(m.Flags, Doubtful)
		}
		marks = append(marks, m)
	}
	sort.SliceStable(marks, func(i, j int) bool { return marks[i].Pos.Y > marks[j].Pos.Y })
	return marks
}

// differences returns how far each pixel is from the face in any smooth light, in
// standard deviations of the ground at its radius, averaged over 3 x 3 pixels.
func (s *search) differences() []float32 {
	e := s.m.residual
	raw := make([]float32, e.w*e.h)
	for i, r := range s.index {
		if !e.ok[i] {
			continue
		}
		sb := max(1.3*s.m.spread[0][r], 0.045)
		s1, s2 := max(1.3*s.m.spread[1][r], 0.04), max(1.3*s.m.spread[2][r], 0.04)
		b, u, v := e.ch[0][i]/sb, e.ch[1][i]/s1, e.ch[2][i]/s2
		raw[i] = float32(math.Sqrt(float64(b*b + 0.5*(u*u+v*v))))
	}
	out := make([]float32, len(raw))
	for y := 1; y < e.h-1; y++ {
		for x := 1; x < e.w-1; x++ {
			i := y*e.w + x
			sum := float32(0)
			for _, o := range [3]int{-e.w, 0, e.w} {
				sum += raw[i+o-1] + raw[i+o] + raw[i+o+1]
			}
			out[i] = sum / 9
		}
	}
	return out
}

// closeGaps fills the interiors of closed outlines after bridging gaps of up to
// about 2 n pixels, so that the torn rim of a hole becomes a disc.
func closeGaps(m *evidence, n int) {
	wide := make([]bool, len(m.v))
	for i, v := range m.v {
		if v == 0 {
			continue
		}
		x, y := i%m.w, i/m.w
		for dy := -n; dy <= n; dy++ {
			for dx := -n; dx <= n; dx++ {
				if px, py := x+dx, y+dy; dx*dx+dy*dy <= n*n && px >= 0 && py >= 0 && px < m.w && py < m.h {
					wide[py*m.w+px] = true
				}
			}
		}
	}
	// What the border cannot reach is inside; small insides belong to the mark.
	outside := make([]bool, len(m.v))
	stack := make([]int, 0, 1024)
	push := func(x, y int) {
		if x >= 0 && y >= 0 && x < m.w && y < m.h && !wide[y*m.w+x] && !outside[y*m.w+x] {
			outside[y*m.w+x] = true
			stack = append(stack, y*m.w+x)
		}
	}
	for x := range m.w {
		push(x, 0)
		push(x, m.h-1)
	}
	for y := range m.h {
		push(0, y)
		push(m.w-1, y)
	}
	for len(stack) > 0 {
		i := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		x, y := i%m.w, i/m.w
		push(x-1, y)
		push(x+1, y)
		push(x, y-1)
		push(x, y+1)
	}
	// Erode the filled shape back by n.
	for i := range m.v {
		x, y := i%m.w, i/m.w
		if outside[i] || m.v[i] > 0 {
			continue
		}
		inside := true
		for _, o := range [8][2]int{{n, 0}, {-n, 0}, {0, n}, {0, -n}, {n * 7 / 10, n * 7 / 10}, {-n * 7 / 10, n * 7 / 10}, {n * 7 / 10, -n * 7 / 10}, {-n * 7 / 10, -n * 7 / 10}} {
			px, py := x+o[0], y+o[1]
			if px < 0 || py < 0 || px >= m.w || py >= m.h || outside[py*m.w+px] {
				inside = false
				break
			}
		}
		if inside {
			m.v[i] = 0.5
		}
	}
}

// spotOf measures a blob and tells whether it has the size and shape of a mark.
func (s *search) spotOf(mask *evidence, score []float32, b blob) (sp spot, ok bool) {
	k := s.flat.PxPerMM
	wd, ht := float64(b.x1-b.x0+1)/k, float64(b.y1-b.y0+1)/k
	if max(wd, ht) > 1.6*bareLargestMM || max(wd, ht) < bareLeastMM {
		return sp, false
	}
	var n, sx, sy, sxx, sxy, syy, strong float64
	peak := float32(0)
	seen := map[int]bool{b.first: true}
	stack := []int{b.first}
	for len(stack) > 0 {
		i := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		x, y := float64(i%mask.w), float64(i/mask.w)
		n++
		sx, sy, sxx, sxy, syy = sx+x, sy+y, sxx+x*x, sxy+x*y, syy+y*y
		if score[i] > bareLow {
			strong += float64(score[i])
		}
		peak = max(peak, score[i])
		for _, j := range [4]int{i - 1, i + 1, i - mask.w, i + mask.w} {
			if j >= 0 && j < len(mask.v) && mask.v[j] > 0 && !seen[j] {
				seen[j] = true
				stack = append(stack, j)
			}
		}
	}
	cx, cy := sx/n, sy/n
	sp.cxx, sp.cxy, sp.cyy = sxx/n-cx*cx, sxy/n-cx*cy, syy/n-cy*cy
	half, diff := (sp.cxx+sp.cyy)/2, math.Hypot((sp.cxx-sp.cyy)/2, sp.cxy)
	major, minor := math.Sqrt(half+diff), math.Sqrt(max(0.05, half-diff))
	sp.areaPx = int(n)
	sp.diameterMM = 2 * math.Sqrt(n/math.Pi) / k
	sp.elongation = major / minor
	sp.fill = n / (4 * math.Pi * major * minor) // a filled ellipse has 1
	sp.strength = strong / n
	sp.pos = s.flat.ToBoard(calib.Px{X: cx, Y: cy})
	ok = sp.diameterMM >= bareLeastMM && sp.diameterMM <= bareLargestMM && sp.elongation < 1.9 &&
		sp.fill > 0.72 && peak > bareHigh
	return sp, ok
}

// repeats reports whether the face shows a like blob at the same radius a quarter,
// half or three quarters of a turn away, twice at least, or three of them in any
// direction: printed numerals do, marks hardly ever.
func (s *search) repeats(spots []spot, i int) bool {
	a := spots[i]
	r := r2.Norm(a.pos)
	if r < 2*bareLeastMM {
		return false
	}
	ring := 0
	for j, b := range spots {
		if j != i && math.Abs(r2.Norm(b.pos)-r) < 1.2 && math.Abs(math.Log(b.diameterMM/a.diameterMM)) < 0.15 {
			ring++
		}
	}
	if ring >= 3 {
		return true
	}
	found := 0
	for turn := 1; turn <= 3; turn++ {
		p := r2.Rotate(a.pos, float64(turn)*math.Pi/2, r2.Vec{})
		for j, b := range spots {
			if j != i && r2.Norm(r2.Sub(b.pos, p)) < 2.5+0.02*r && math.Abs(math.Log(b.diameterMM/a.diameterMM)) < 0.2 {
				found++
				break
			}
		}
	}
	return found >= 2
}
