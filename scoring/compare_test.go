package scoring

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

func named(name string, pts []r2.Vec) Group {
	g := groupOf(pts...)
	g.Accessory = name
	return g
}

func scattered(rng *rand.Rand, n int, sigma float64) []r2.Vec {
	pts := make([]r2.Vec, n)
	for i := range pts {
		pts[i] = r2.Vec{X: sigma * rng.NormFloat64(), Y: sigma * rng.NormFloat64()}
	}
	return pts
}

// G1 against G2, every number computed outside this project (scipy): all 184756
// splits of the radii give p 0.6362553854; F test p 0.7099673305 with interval of
// sigma1/sigma2 0.6784349535 to 1.7609404946; Hotelling p 0.0337161492.
func TestCompareWorkedPair(t *testing.T) {
	c, err := Compare([]Group{named("North", g1), named("Reed", g2)}, CompareOptions{})
	if err != nil {
		t.Fatal(err)
	}
	p := c.Pairs[0]
	for _, tt := range []struct {
		name      string
		got, want float64
	}{
		{"p", p.P, 0.6362553854}, {"F p", p.PF, 0.7099673305}, {"sigma ratio lo", p.SigmaRatio.Lo, 0.6784349535},
		{"sigma ratio hi", p.SigmaRatio.Hi, 1.7609404946}, {"centre p", p.CentreP, 0.0337161492},
	} {
		if !near(tt.got, tt.want, 1e-8) {
			t.Errorf("%s = %.10f, want %.10f", tt.name, tt.got, tt.want)
		}
	}
	if p.Verdict != NoDifference || !(p.MeanRadiusRatio.Lo < 1 && p.MeanRadiusRatio.Hi > 1) {
		t.Errorf("verdict %q, ratio %v–%v", p.Verdict, p.MeanRadiusRatio.Lo, p.MeanRadiusRatio.Hi)
	}
}

// Johnson & Wichern, Applied Multivariate Statistical Analysis, soap example: T²
// 52.4722222, F 25.9683957 (read in a worked notebook and recomputed). Seber 1984, ex.
// 3.7 = Yao 1965: data read, p 0.00962267 computed.
func TestHotelling(t *testing.T) {
	if got := hotelling(r2.Vec{X: 9.82 - 13.05, Y: 15.06 - 22.57}, (15*120+10*81.8)/25, (15*-16.3+10*32.1)/25, (15*17.8+10*53.8)/25, 16, 11); !near(got, 0.00962267, 1e-7) {
		t.Errorf("Seber: p = %v, want 0.00962267", got)
	}
	if got := hotelling(r2.Vec{X: -1.9, Y: 0.2}, 2, 1, 5, 50, 50); !(got < 1e-8) {
		t.Errorf("soap: p = %v, want below 1e-8 (F = 25.97 on 2 and 97)", got)
	}
}

// Holm 1979; arithmetic computed with R's published algorithm.
func TestHolm(t *testing.T) {
	got := Holm([]float64{0.01, 0.04, 0.03, 0.005})
	for i, want := range []float64{0.03, 0.06, 0.06, 0.02} {
		if !near(got[i], want, 1e-12) {
			t.Errorf("Holm = %v", got)
		}
	}
}

// Hollander & Wolfe 1973, permeability data (read): permutation of means, 191 of 3003
// splits have an x-sum at least as large as seen (enumerated outside this project).
func TestShufflePermeability(t *testing.T) {
	x := []float64{0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46}
	y := []float64{1.15, 0.88, 0.90, 0.74, 1.21}
	s := shuffle([]cell{{x, y}}, 1000, 5000, 0.95, nil)
	if !s.exact || s.count != 3003 || !near(s.p, 2*191./3003, 1e-12) {
		t.Errorf("shuffle = %+v, want p = 2·191/3003 of 3003", s)
	}
	r := ranks(cell{x, y}, 0, 0)
	// Exact Wilcoxon rank-sum on the same data: one-sided 382/3003.
	if w := shuffle([]cell{r}, 1000, 5000, 0.95, nil); !near(w.p, 2*382./3003, 1e-12) {
		t.Errorf("on ranks p = %v, want 2·382/3003", w.p)
	}
	random := shuffle([]cell{{x, y}}, 20000, 0, 0.95, rand.New(rand.NewPCG(1, 2)))
	if random.exact || !near(random.p, s.p, 0.01) {
		t.Errorf("random shuffles: p = %v, exact %v", random.p, s.p)
	}
}

// Power and shots, computed outside this project: 80% at 5% needs 434, 120, 59, 26, 10
// shots for ratios 1.1, 1.2, 1.3, 1.5, 2.0; 15 shots show 16, 27, 55, 95%.
func TestPowerTables(t *testing.T) {
	for ratio, want := range map[float64]int{1.1: 434, 1.2: 120, 1.3: 59, 1.5: 26, 2: 10} {
		if got, ok := ShotsFor(ratio, 0.8, 0.05); !ok || got != want {
			t.Errorf("ShotsFor(%v) = %v, %v, want %v", ratio, got, ok, want)
		}
	}
	for ratio, want := range map[float64]float64{1.2: 0.16, 1.3: 0.27, 1.5: 0.55, 2: 0.95} {
		if got := Power(ratio, 15, 0.05); !near(got, want, 0.015) {
			t.Errorf("Power(%v, 15) = %.3f, want %v", ratio, got, want)
		}
	}
}

// Identical pairs are called clearly tighter in 5% of tests, also with heavy tails
// (a tenth of the shots three times as wide), and a truly 1.5 times tighter part in
// about half. 400 pairs each: standard error 1.1% and 2.5%.
func TestVerdictRates(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	for _, tt := range []struct {
		name            string
		ratio           float64
		heavy           bool
		want, tolerance float64
	}{{"identical", 1, false, 0.05, 0.033}, {"identical, heavy tails", 1, true, 0.05, 0.033}, {"1.5 times", 1.5, false, 0.53, 0.075}} {
		clear := 0
		const reps = 400
		for i := range reps {
			a, b := scattered(rng, 15, 1), scattered(rng, 15, tt.ratio)
			if tt.heavy {
				for _, pts := range [][]r2.Vec{a, b} {
					for j := range pts {
						if rng.Float64() < 0.1 {
							pts[j] = r2.Scale(3, pts[j])
						}
					}
				}
			}
			c, err := Compare([]Group{named("A", a), named("B", b)}, CompareOptions{Permutations: 400, Seed: uint64(i)})
			if err != nil {
				t.Fatal(err)
			}
			if c.Pairs[0].Verdict == ClearlyTighter {
				clear++
			}
		}
		if got := float64(clear) / reps; !near(got, tt.want, tt.tolerance) {
			t.Errorf("%s: clearly tighter in %.3f, want %v", tt.name, got, tt.want)
		}
	}
}

// The interval of the ratio covers the true ratio and agrees with the test.
func TestRatioIntervalCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 18))
	covered := 0
	const reps = 400
	for i := range reps {
		c, err := Compare([]Group{named("A", scattered(rng, 12, 1)), named("B", scattered(rng, 18, 1.4))}, CompareOptions{Permutations: 800, Seed: uint64(i)})
		if err != nil {
			t.Fatal(err)
		}
		r := c.Pairs[0].MeanRadiusRatio
		if r.Lo <= 1/1.4 && 1/1.4 <= r.Hi {
			covered++
		}
		if out := r.Lo > 1 || r.Hi < 1; out != (c.Pairs[0].P < 0.05) && math.Abs(c.Pairs[0].P-0.05) > 0.01 {
			t.Errorf("interval %v–%v but p = %v", r.Lo, r.Hi, c.Pairs[0].P)
		}
	}
	if got := float64(covered) / reps; !near(got, 0.95, 0.035) {
		t.Errorf("interval covers %.3f, want 0.95", got)
	}
}

// A part whose wide shots left the board must not look tighter for it.
func TestMissesAreNotIgnored(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 20))
	tight, wide := scattered(rng, 15, 100), scattered(rng, 15, 350)
	board := Disc{RadiusMM: 250}
	var seen []r2.Vec
	for _, p := range wide {
		if board.Contains(p) {
			seen = append(seen, p)
		}
	}
	b := named("Reed", seen)
	b.Declared = 15
	c, err := Compare([]Group{named("North", tight), b}, CompareOptions{Board: board})
	if err != nil {
		t.Fatal(err)
	}
	p := c.Pairs[0]
	if p.Verdict != ClearlyTighter || p.Tighter != "North" || len(p.Warnings) == 0 || !math.IsNaN(p.MeanRadiusRatio.Value) {
		t.Errorf("%+v", p)
	}
	if c, err = Compare([]Group{named("North", tight), b}, CompareOptions{}); err != nil || c.Pairs[0].Tighter != "North" || c.Pairs[0].Verdict != ClearlyTighter {
		t.Errorf("without the board's size: %+v, %v", c, err)
	}
}

// Within blocks a drift of the centre between blocks does no harm.
func TestBlocksAndRepeatability(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	a, b := Group{Accessory: "North"}, Group{Accessory: "Reed"}
	for k, block := range []string{"1", "2", "3"} {
		drift := r2.Vec{X: 400 * float64(k)}
		for _, p := range scattered(rng, 6, 20) {
			a.Impacts = append(a.Impacts, Impact{Pos: r2.Add(p, drift), Block: block})
		}
		for _, p := range scattered(rng, 6, 60) {
			b.Impacts = append(b.Impacts, Impact{Pos: r2.Add(p, drift), Block: block})
		}
	}
	first, err := Compare([]Group{a, b}, CompareOptions{Seed: 4})
	if err != nil || first.Pairs[0].Verdict != ClearlyTighter || first.Pairs[0].Tighter != "North" {
		t.Errorf("%+v, %v", first, err)
	}
	if again, _ := Compare([]Group{a, b}, CompareOptions{Seed: 4}); !reflect.DeepEqual(first.Pairs[0].MeanRadiusRatio, again.Pairs[0].MeanRadiusRatio) {
		t.Errorf("same seed, other result")
	}
	for _, bad := range [][]Group{nil, {a}, make([]Group, 9)} {
		if _, err := Compare(bad, CompareOptions{}); err == nil {
			t.Errorf("Compare of %d groups: no error", len(bad))
		}
	}
	if c, err := Compare([]Group{a, {}}, CompareOptions{}); err != nil || c.Pairs[0].Verdict != NoDifference {
		t.Errorf("an empty group: %+v, %v", c, err)
	}
}

func BenchmarkCompareEightBy50(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	var groups []Group
	for _, name := range []string{"A", "B", "C", "D", "E", "F", "G", "H"} {
		groups = append(groups, named(name, scattered(rng, 50, 100)))
	}
	for b.Loop() {
		if _, err := Compare(groups, CompareOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
