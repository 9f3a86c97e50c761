package picture

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// figuresOf fills an accessory's figures from its impacts, plainly: what the
// pictures are handed in earnest comes from package scoring.
func figuresOf(impacts []Impact, keep func(Impact) bool) Figures {
	var f Figures
	var used []int
	for i, m := range impacts {
		if keep(m) {
			used = append(used, i)
			f.Centre = r2.Add(f.Centre, m.Pos)
		}
	}
	f.N = len(used)
	nan := math.NaN()
	if f.N < 2 {
		if f.N == 1 {
			f.Centre = impacts[used[0]].Pos
		}
		f.MeanRadius, f.ExtremeSpread = Range{Value: nan, Lo: nan, Hi: nan}, Range{Value: nan, Lo: nan, Hi: nan}
		return f
	}
	n := float64(f.N)
	f.Centre = r2.Scale(1/n, f.Centre)
	for _, i := range used {
		f.MeanRadius.Value += r2.Norm(r2.Sub(impacts[i].Pos, f.Centre)) / n
		for _, j := range used {
			if d := r2.Norm(r2.Sub(impacts[i].Pos, impacts[j].Pos)); d > f.ExtremeSpread.Value {
				f.ExtremeSpread.Value, f.Pair = d, [2]int{i, j}
			}
		}
	}
	for _, r := range []*Range{&f.MeanRadius, &f.ExtremeSpread} {
		r.Lo, r.Hi = r.Value*(1-1.1/math.Sqrt(n)), r.Value*(1+1.5/math.Sqrt(n))
	}
	return f
}

func (a *Accessory) fill() {
	a.All = figuresOf(a.Impacts, func(Impact) bool { return true })
	a.Kept = figuresOf(a.Impacts, func(m Impact) bool { return !m.SetAside })
	a.All.ExtremeSpread.AtLeast = a.Misses > 0
	a.Kept.ExtremeSpread.AtLeast = a.Misses > 0
}

// normalGroup draws n impacts about a centre.
func normalGroup(rng *rand.Rand, n int, sigma float64, centre r2.Vec) []Impact {
	out := make([]Impact, n)
	for i := range out {
		out[i].Pos = r2.Vec{X: centre.X + sigma*rng.NormFloat64(), Y: centre.Y + sigma*rng.NormFloat64()}
	}
	return out
}

// setAside masks the k impacts farthest from the mean.
func setAside(impacts []Impact, k int) {
	c := figuresOf(impacts, func(Impact) bool { return true }).Centre
	for range min(k, len(impacts)-2) {
		far, at := -1.0, 0
		for i, m := range impacts {
			if d := r2.Norm(r2.Sub(m.Pos, c)); !m.SetAside && d > far {
				far, at = d, i
			}
		}
		impacts[at].SetAside = true
	}
}

// demoScene is an invented session of three attachments.
func demoScene(t testing.TB) Scene {
	t.Helper()
	rng := rand.New(rand.NewPCG(7, 7))
	names, stickers := []string{"North", "Reed", "Slate"}, []string{"blue", "orange", "purple"}
	ids := Identities(names, stickers)
	groups := [][]Impact{
		normalGroup(rng, 15, 62, r2.Vec{X: 20, Y: -30}),
		normalGroup(rng, 15, 66, r2.Vec{X: -35, Y: 10}),
		normalGroup(rng, 14, 165, r2.Vec{X: 15, Y: 20}),
	}
	groups[1][3].Pos = r2.Vec{X: -265, Y: 40}
	groups[1][9].Pos = r2.Vec{X: -280, Y: -30}
	groups[2][4].Doubtful = true
	s := Scene{
		Title: "Three attachments at 25 m", Distance: "25 m",
		Board:     Board{RadiiMM: []float64{400, 300, 200, 100}},
		KeptLabel: "without the 2 widest",
		Verdicts: []Verdict{
			{Clear, "North is clearly tighter than Slate"},
			{Leaning, "Reed leans tighter than Slate, not settled"},
			{NoDifference, "North and Reed: no difference visible"},
		},
		InShort: []Verdict{{Clear, "A tighter than C"}, {Leaning, "B, C; A, B: not settled"}},
		Rule:    "the 2 widest of each set aside, decided before the photos",
		Order:   "A, B, C",
	}
	for i, id := range ids {
		setAside(groups[i], 2)
		a := Accessory{Identity: id, Sticker: stickers[i], Declared: 15, Impacts: groups[i]}
		if i == 2 {
			a.Misses = 1
		}
		a.fill()
		s.Accessories = append(s.Accessories, a)
	}
	return s
}

// eightScene is the fullest picture: eight accessories about one point, long
// names, misses on all sides.
func eightScene() Scene {
	rng := rand.New(rand.NewPCG(8, 8))
	s := Scene{
		Title:    "Eight attachments from eight workshops compared on one very windy afternoon in spring, all with the same darts",
		Distance: "100 ft (30.48 m), laser",
		Board:    Board{RadiiMM: []float64{500, 400, 300, 200, 100}}, KeptLabel: "without the 2 widest",
		Rule:    "the 2 widest of each are set aside; this rule was written down before the first photo was taken",
		InShort: []Verdict{{Leaning, "4 of 28 pairs settled"}},
		Order:   "A B C D E F G H, H G F E D C B A, drawn with seed 4",
	}
	var names []string
	for i := range 8 {
		names = append(names, fmt.Sprintf("Attachment number %d with a name that is far too long", i+1))
		s.Verdicts = append(s.Verdicts, Verdict{Step(i % 3), fmt.Sprintf("Attachment number %d against the control: a sentence that may not fit one line", i+1)})
	}
	for i, id := range Identities(names, make([]string, 8)) {
		a := Accessory{Identity: id, Declared: 15, Impacts: normalGroup(rng, 15-i%3, 60+12*float64(i), r2.Vec{X: 10 * float64(i), Y: 5})}
		a.Misses = i % 3
		setAside(a.Impacts, 2)
		a.fill()
		s.Accessories = append(s.Accessories, a)
	}
	return s
}

// randomScene draws a scene of any number of accessories and shots, at any scale.
func randomScene(rng *rand.Rand) Scene {
	n := rng.IntN(9)
	words := func(most int) string {
		list := []string{"long", "North", "Ångström", "×", "±2", "σ", "attachment", "Schalldämpferähnlich", "Й", "a", "\t\n", "Wwwwwwwwwwwwwwwwwwwwwwwwwwwww"}
		var w []string
		for range rng.IntN(most + 1) {
			w = append(w, list[rng.IntN(len(list))])
		}
		return strings.Join(w, " ")
	}
	s := Scene{
		Title: words(20), Distance: words(3), Rule: words(16), Order: words(9),
	}
	if rng.IntN(2) == 0 {
		s.KeptLabel = "without the " + fmt.Sprint(rng.IntN(3)) + " widest"
	}
	for i := range rng.IntN(6) {
		s.Board.RadiiMM = append(s.Board.RadiiMM, 100*float64(i+1))
	}
	for range rng.IntN(5) {
		s.Verdicts = append(s.Verdicts, Verdict{Step(rng.IntN(3)), words(18)})
	}
	var names []string
	for range n {
		names = append(names, words(6))
	}
	for _, id := range Identities(names, make([]string, n)) {
		shots := []int{0, 1, 2, 3, 15, 30, 50}[rng.IntN(7)]
		sigma := []float64{0, 5, 60, 150, 700}[rng.IntN(5)]
		a := Accessory{Identity: id, Declared: shots + rng.IntN(3), Sticker: words(1),
			Impacts: normalGroup(rng, shots, sigma, r2.Vec{X: 80 * rng.NormFloat64(), Y: 80 * rng.NormFloat64()})}
		for j := range a.Impacts {
			a.Impacts[j].Doubtful = rng.IntN(9) == 0
		}
		a.Misses = rng.IntN(4)
		setAside(a.Impacts, rng.IntN(3))
		a.fill()
		if rng.IntN(8) == 0 {
			a.All.MeanRadius.Hi = math.Inf(1)
		}
		s.Accessories = append(s.Accessories, a)
	}
	return s
}
