package vision

import (
	"math/rand/v2"
	"testing"
)

// linesAt are whole lines with the given outer radii.
func linesAt(outer ...float64) (lines []line) {
	for _, r := range outer {
		lines = append(lines, line{inner: r - 2, outer: r, seen: 1})
	}
	return lines
}

func TestEvenSteps(t *testing.T) {
	bend := func(by float64, radii ...float64) []line { // as a lens not yet known bends them
		for i, r := range radii {
			x := r / radii[len(radii)-1]
			radii[i] = r * (1 + by*(1-x*x))
		}
		return linesAt(radii...)
	}
	border := linesAt(100, 171, 200, 300, 400)
	border[1].inner = border[1].outer
	noLine := linesAt(100, 200, 300, 400)
	noLine[3].inner = noLine[3].outer
	for _, tc := range []struct {
		name  string
		lines []line
		want  float64
	}{
		{"quarters", linesAt(100, 200, 300, 400), 4},
		{"quarters, one not seen", linesAt(100, 300, 400), 4},
		{"the centre mark does not count", linesAt(17, 100, 200, 300, 400), 4},
		{"one ring inside tells nothing", linesAt(200, 400), 0},
		{"quarters through a barrel lens", bend(0.03, 100, 200, 300, 400), 4},
		{"quarters through a pincushion lens", bend(-0.03, 100, 200, 300, 400), 4},
		{"more than a lens does", bend(0.08, 100, 200, 300, 400), 0},
		{"one ring out of line", linesAt(100, 206, 300, 400), 0},
		{"nothing even", linesAt(124, 220, 328, 400), 0},
		{"a border is left out", border, 4},
		{"an outermost border tells nothing", noLine, 0},
		{"one ring alone", linesAt(400), 0},
	} {
		if got := evenSteps(tc.lines); got != tc.want {
			t.Errorf("%s: %g steps, want %g", tc.name, got, tc.want)
		}
	}
}

// Rings in no order are seldom taken for even ones.
func TestEvenStepsByLuck(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	for rings := 1; rings <= 5; rings++ {
		even := 0
		const many = 4000
		for range many {
			var radii []float64
			for range rings {
				radii = append(radii, 400*(centreShare+(0.95-centreShare)*random.Float64()))
			}
			if evenSteps(linesAt(append(radii, 400)...)) > 0 {
				even++
			}
		}
		t.Logf("%d rings: %.1f%%", rings, 100*float64(even)/many)
		if even > many/40 {
			t.Errorf("%d rings within the outermost: %d of %d drawn by lot taken for even ones", rings, even, many)
		}
	}
}
