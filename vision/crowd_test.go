package vision

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// crowd draws n stickers of 19 mm that overlap in one heap about a place, each at least
// 0.4 diameters from any other, in turns of the colours.
func crowd(rng *rand.Rand, at r2.Vec, n int, colours ...string) (marks []boardtest.Mark) {
	const diameterMM = 19
	sd := 0.32 * diameterMM * math.Sqrt(float64(n))
	for len(marks) < n {
		p := r2.Vec{X: at.X + sd*rng.NormFloat64(), Y: at.Y + sd*rng.NormFloat64()}
		near, clear := len(marks) == 0, true
		for _, m := range marks {
			d := math.Hypot(p.X-m.X, p.Y-m.Y)
			near = near || d < 0.9*diameterMM
			clear = clear && d >= 0.4*diameterMM
		}
		if near && clear {
			marks = append(marks, boardtest.Stickers(colours[len(marks)%len(colours)], diameterMM, [2]float64{p.X, p.Y})...)
		}
	}
	return marks
}

// Heaps of ten to twenty overlapping stickers: most of what shows is found, next to
// nothing is invented, and beside a sticker that is not told apart a mark says that there
// may be more. What outlines and size leave open is given up, so not all can be found.
func TestCrowds(t *testing.T) {
	shown, found, extra, quiet := 0, 0, 0, 0
	for seed := range *evalMany {
		for _, colours := range [][]string{{"red"}, {"black"}, {"blue", "orange"}, {"green", "purple", "pink", "yellow"}} {
			rng := rand.New(rand.NewPCG(*evalSeed+uint64(seed), 4))
			s := boardtest.Plain(1300, 1300)
			s.Camera.Tilt, s.Camera.Azimuth = 0.5*rng.Float64(), 2*math.Pi*rng.Float64()
			s.Marks = slices.Concat(crowd(rng, r2.Vec{X: -60, Y: 40}, 10+rng.IntN(11), colours...), crowd(rng, r2.Vec{X: 85, Y: -50}, 10, colours...))
			img, truth := boardtest.Render(s)
			marks, _, _ := findMarks(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Colours: colours, SizeMM: 19})
			extra += len(marks)
			for i, at := range (evalBoard{truth: truth}).match(&Reading{Rectification: truth.Rectification, Marks: marks}) {
				m := truth.Marks[i]
				if at >= 0 {
					extra--
				}
				if m.VisibleFraction < 0.25 {
					continue
				}
				shown++
				if at >= 0 {
					found++
				} else if !slices.ContainsFunc(marks, func(k Mark) bool {
					return slices.Contains(k.Flags, AtLeast) && math.Hypot(k.Pos.X-m.X, k.Pos.Y-m.Y) < m.DiameterMM
				}) {
					quiet++
				}
			}
		}
	}
	t.Logf("%d of %d found, %d are none, %d overlooked without a flag beside them", found, shown, extra, quiet)
	// Of 352 stickers in heaps (-many 4 -seed 100) 315 were found and 3 overlooked: of 96,
	// as here without flags, luck overlooks more than 3 once in a hundred times.
	if !(float64(found) >= 0.7*float64(shown)) || extra > shown/50 || quiet > 2+shown/50 {
		t.Errorf("%d of %d stickers in heaps found, %d marks are none, %d overlooked without a flag beside them", found, shown, extra, quiet)
	}
}

// Where as many stickers were found as were declared, none need lie unseen.
func TestAllThere(t *testing.T) {
	s := &search{opts: MarkOptions{Counts: []ColourCount{{"red", 15}}}}
	for _, c := range []struct {
		colour string
		n      int
		want   bool
	}{{"red", 14, false}, {"red", 15, true}, {"red", 16, true}, {"blue", 15, false}} {
		if got := s.allThere(c.colour, c.n); got != c.want {
			t.Errorf("%d %s: %t, want %t", c.n, c.colour, got, c.want)
		}
	}
}

// A disc can lie unseen in the middle of a ring of others, not beside two that overlap,
// nor where it would stick out.
func TestRoom(t *testing.T) {
	round := func(n int, radius float64) (ds []*disc) {
		for k := range n {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(n))
			ds = append(ds, &disc{pos: r2.Vec{X: radius * cos, Y: radius * sin}, radius: 10})
		}
		return ds
	}
	for _, c := range []struct {
		name string
		ds   []*disc
		want bool
	}{
		{"three round a place", round(3, 9), true},
		{"two that overlap", round(2, 5), false},
		{"three with a gap between them", round(3, 13), false},
		{"five with a gap between them", round(5, 14), false},
	} {
		got := room(c.ds[0], c.ds, c.ds)
		if (len(got) > 0) != c.want {
			t.Errorf("%s: room at %v, want %v", c.name, got, c.want)
		}
		for _, p := range got {
			if !(r2.Norm(p) < 3) {
				t.Errorf("%s: room at %v, want it in the middle", c.name, p)
			}
		}
	}
}

// The lens of two equal circles whose centres are one radius apart has 2π/3 − √3/2 =
// 1.228 radii squared: 0.391 of a disc (plane geometry).
func TestCoverage(t *testing.T) {
	if got := coverage(r2.Vec{X: 10}, 10, []*disc{{radius: 10}}); !(math.Abs(got-0.391) < 0.04) { // 60 points
		t.Errorf("coverage at one radius = %.3f, want 0.391", got)
	}
}

// A heap is what hangs together.
func TestHeap(t *testing.T) {
	var ds []*disc
	for _, x := range []float64{0, 15, 30, 55, 70} {
		ds = append(ds, &disc{pos: r2.Vec{X: x}, radius: 10})
	}
	for i, want := range []int{3, 3, 3, 2, 2} {
		if got := heap(ds[i], ds); len(got) != want {
			t.Errorf("heap of the disc at %v has %d, want %d", ds[i].pos, len(got), want)
		}
	}
}

// Three discs within two diameters of one of radius 10 mm are 3 in 1600 π mm²; a place of
// room stands for 2.5 mm by 2.5 mm.
func TestExpectedUnseen(t *testing.T) {
	ds := []*disc{{radius: 10}, {pos: r2.Vec{X: 12}, radius: 10}, {pos: r2.Vec{X: -39}, radius: 10}, {pos: r2.Vec{Y: 41}, radius: 10}}
	if got, want := expectedUnseen(ds[0], ds, 8), 8*2.5*2.5*3/(1600*math.Pi); !(math.Abs(got-want) < 1e-9) {
		t.Errorf("%.4f expected unseen, want %.4f", got, want)
	}
}

// The outline of a disc of 13 mm over another whose centre lies 2.3 mm away: the fit must
// be on the upper one, three quarters of whose rim is the outline, not between them.
func TestFitCircleOfTwo(t *testing.T) {
	const radius, apart = 6.5, 2.3
	var m rim
	for k := range raysPerDisc {
		// Seen from midway; the lower disc's centre is to the right.
		sin, cos := math.Sincos(rayAngle(k, raysPerDisc))
		reach := func(x float64) float64 { return x*cos + math.Sqrt(radius*radius-x*x*sin*sin) }
		r := reach(-apart / 2)
		if math.Abs(rayAngle(k, raysPerDisc)-math.Pi) > 0.75*math.Pi {
			r = max(r, reach(apart/2)) // the lower one's edge is beyond, elsewhere its seam shows
		}
		m.angle, m.radius, m.weight = append(m.angle, rayAngle(k, raysPerDisc)), append(m.radius, r), append(m.weight, 1)
	}
	d, _, _, _, ok := fitCircle(m, radius, radius, 0.06*radius)
	if !ok || math.Hypot(d.X+apart/2, d.Y) > 0.02 {
		t.Errorf("fitted at %.3f, %.3f (%v), want %.3f, 0", d.X, d.Y, ok, -apart/2)
	}
}
