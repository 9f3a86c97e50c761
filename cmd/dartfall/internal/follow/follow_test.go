package follow

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// board draws marks about a point off the ring centre, as groups fall.
func board(rng *rand.Rand, n int, sd float64) (marks []Mark) {
	for range n {
		marks = append(marks, Mark{Pos: r2.Vec{X: 20 + sd*rng.NormFloat64(), Y: -10 + sd*rng.NormFloat64()}, CovMM2: [3]float64{0.04, 0, 0.04}, Colour: "blue"})
	}
	return marks
}

// seen shows marks as another photo does: the board turned, each place disturbed.
func seen(rng *rand.Rand, marks []Mark, turn, sd float64) []Mark {
	out := slices.Clone(marks)
	for i := range out {
		p := r2.Rotate(out[i].Pos, -turn, r2.Vec{})
		out[i].Pos = r2.Vec{X: p.X + sd*rng.NormFloat64(), Y: p.Y + sd*rng.NormFloat64()}
	}
	return out
}

// Strings are told apart whatever the turn, also when marks are gone; the turn is
// as good as stated.
func TestFindTellsOldFromNew(t *testing.T) {
	prior := Prior{TurnSigmaRad: 0.07, LooseMM: 1}
	for _, c := range []struct {
		name           string
		turn           float64
		old, gone, new int
	}{
		{"not turned", 0.02, 15, 0, 15},
		{"a nudge", 0.3, 15, 0, 15},
		{"a quarter turn", math.Pi / 2, 15, 0, 15},
		{"upside down", math.Pi, 30, 0, 15},
		{"three came off", 0.05, 15, 3, 15},
		{"two sighters", 0.03, 2, 0, 15},
		{"nothing new", -1, 12, 0, 0},
		{"many", 2, 60, 1, 15},
	} {
		t.Run(c.name, func(t *testing.T) {
			var z2 float64
			sessions := 40
			if c.old > 30 {
				sessions = 8
			}
			refused := 0
			for s := range sessions {
				rng := rand.New(rand.NewPCG(uint64(s), 7))
				old := board(rng, c.old, 60)
				later := seen(rng, append(slices.Clone(old[c.gone:]), board(rng, c.new, 60)...), c.turn, 0.6)
				m, err := Find(old, later, prior)
				if err != nil || !m.Same {
					refused++
					continue
				}
				wrong := 0
				for j, i := range m.Old {
					want := j + c.gone
					if j >= c.old-c.gone {
						want = -1
					}
					if i != want {
						wrong++
					}
				}
				// A new mark where one came off, or marks closer than their uncertainty,
				// cannot be told apart.
				if wrong > 2 || len(m.Gone) < c.gone-1 || len(m.Gone) > c.gone+1 {
					t.Errorf("session %d: %d marks paired wrongly, gone %v", s, wrong, m.Gone)
				}
				z2 += math.Pow(math.Remainder(m.TurnRad-c.turn, 2*math.Pi)/m.SigmaRad, 2) / float64(sessions)
			}
			if 10*refused > sessions {
				t.Errorf("%d of %d sessions refused", refused, sessions)
			}
			if !(z2 < 1.5) {
				t.Errorf("the turn is off by %.2f of its stated sigma, RMS", math.Sqrt(z2))
			}
		})
	}
}

// A face that was renewed shares no mark with the old one: that must come out as
// another face, or as unsure, never as the same.
func TestFindKnowsAnotherFace(t *testing.T) {
	unsure := 0
	for s := range 200 {
		rng := rand.New(rand.NewPCG(uint64(s), 9))
		m, err := Find(board(rng, 15, 60), board(rng, 15, 60), Prior{TurnSigmaRad: 0.07, LooseMM: 1})
		if err != nil {
			unsure++
			continue
		}
		if m.Same {
			t.Errorf("session %d: taken for the same face, %v", s, m.Old)
		}
	}
	if unsure > 4 {
		t.Errorf("%d of 200 renewed faces left unsure", unsure)
	}
}

// What fits at two turns, or hardly fits, is refused.
func TestFindRefusesToGuess(t *testing.T) {
	at := func(deg ...float64) (out []Mark) {
		for _, d := range deg {
			s, c := math.Sincos(d * math.Pi / 180)
			out = append(out, Mark{Pos: r2.Vec{X: 100 * c, Y: 100 * s}, CovMM2: [3]float64{0.04, 0, 0.04}})
		}
		return out
	}
	for _, c := range []struct {
		name       string
		old, later []Mark
		sigma      float64
		want       error
	}{
		{"a square, turned by an eighth", at(0, 90, 180, 270), at(45, 135, 225, 315), 0.07, ErrTurn},
		{"two of six", at(0, 20, 50, 90, 140, 200), append(at(0, 20), Mark{Pos: r2.Vec{X: 10, Y: 40}, CovMM2: [3]float64{0.04, 0, 0.04}}), 0.07, ErrUnsure},
	} {
		if m, err := Find(c.old, c.later, Prior{TurnSigmaRad: c.sigma, LooseMM: 1}); !errors.Is(err, c.want) {
			t.Errorf("%s: %+v, %v, want %v", c.name, m, err, c.want)
		}
	}
}

// Colours tell marks apart where places do not.
func TestFindHeedsColour(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	old := board(rng, 10, 60)
	later := seen(rng, old, 0, 0.3)
	later[3].Colour = "red"
	m, err := Find(old, later, Prior{TurnSigmaRad: 0.05, LooseMM: 1})
	if err != nil || m.Old[3] != -1 || !slices.Equal(m.Gone, []int{3}) {
		t.Errorf("the red mark is paired with %d, gone %v, %v; want -1 and 3", m.Old[3], m.Gone, err)
	}
	later[3].Perhaps = []string{"green", "blue"}
	if m, err := Find(old, later, Prior{TurnSigmaRad: 0.05, LooseMM: 1}); err != nil || m.Old[3] != 3 || len(m.Gone) > 0 {
		t.Errorf("the perhaps red mark is paired with %d, gone %v, %v; want 3 and none", m.Old[3], m.Gone, err)
	}
	later[3].Perhaps = []string{"green"}
	if m, err := Find(old, later, Prior{TurnSigmaRad: 0.05, LooseMM: 1}); err != nil || m.Old[3] != -1 {
		t.Errorf("the perhaps green mark is paired with %d, %v; want -1", m.Old[3], err)
	}
	later[3].Perhaps = []string{"blue"}
	later[3].Pos.X += 8 // half a sticker away lies a new one
	if m, err := Find(old, later, Prior{TurnSigmaRad: 0.05, LooseMM: 1}); err != nil || m.Old[3] != -1 {
		t.Errorf("the perhaps red mark beside is paired with %d, %v; want -1", m.Old[3], err)
	}
}

func TestFindWithoutMarks(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	some := board(rng, 3, 60)
	for _, c := range []struct{ old, later []Mark }{{nil, some}, {some, nil}, {nil, nil}} {
		m, err := Find(c.old, c.later, Prior{})
		if err != nil || m.Same || len(m.Gone) != len(c.old) || len(m.Old) != len(c.later) {
			t.Errorf("%d old and %d later marks: %+v, %v", len(c.old), len(c.later), m, err)
		}
	}
}

// The example of scipy.optimize.linear_sum_assignment's documentation (from memory):
// costs 4 1 3 / 2 0 5 / 3 2 2 are least, 5, with columns 1, 0, 2. Gains are 10 less
// the costs.
func TestAssignExample(t *testing.T) {
	if got := assign([][]float64{{6, 9, 7}, {8, 10, 5}, {7, 8, 8}}); !slices.Equal(got, []int{1, 0, 2}) {
		t.Errorf("assign = %v, want [1 0 2]", got)
	}
}

// Against every possible pairing of small random boards.
func TestAssignIsBest(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for range 300 {
		gain := make([][]float64, 1+rng.IntN(4))
		columns := 1 + rng.IntN(4)
		for i := range gain {
			gain[i] = make([]float64, columns)
			for j := range gain[i] {
				gain[i][j] = max(0, rng.Float64()-0.3)
			}
		}
		var best func(i int, used int) float64
		best = func(i, used int) float64 {
			if i == len(gain) {
				return 0
			}
			top := best(i+1, used)
			for j := range columns {
				if used&(1<<j) == 0 {
					top = max(top, gain[i][j]+best(i+1, used|1<<j))
				}
			}
			return top
		}
		sum, used := 0.0, map[int]bool{}
		for i, j := range assign(gain) {
			if j >= 0 {
				if used[j] {
					t.Fatalf("column %d given twice", j)
				}
				used[j] = true
				sum += gain[i][j]
			}
		}
		if want := best(0, 0); !(math.Abs(sum-want) <= 1e-12) {
			t.Fatalf("assign gains %g of %v, want %g", sum, gain, want)
		}
	}
}

func BenchmarkFind(b *testing.B) {
	rng := rand.New(rand.NewPCG(2, 7))
	old := board(rng, 60, 60)
	later := seen(rng, append(slices.Clone(old), board(rng, 15, 60)...), 1, 0.6)
	for b.Loop() {
		if _, err := Find(old, later, Prior{TurnSigmaRad: 0.07, LooseMM: 1}); err != nil {
			b.Fatal(err)
		}
	}
}
