package scoring_test

import (
	"fmt"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/scoring"
)

func ExampleAssess() {
	group := scoring.Group{Accessory: "North"}
	for _, p := range []r2.Vec{{X: 12, Y: -31}, {X: -25, Y: 8}, {X: 40, Y: 15}, {X: -8, Y: -52}, {X: 3, Y: 27}, {X: -47, Y: -12}, {X: 22, Y: 44}} {
		group.Impacts = append(group.Impacts, scoring.Impact{Pos: p})
	}
	a, err := scoring.Assess(group, scoring.Options{Drop: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("all %d: extreme spread %.1f mm\n", a.All.N, a.All.ExtremeSpread.Value)
	fmt.Printf("without the widest: %.1f mm\n", a.Dropped.ExtremeSpread.Value)
	// Output:
	// all 7: extreme spread 100.6 mm
	// without the widest: 91.1 mm
}

func ExampleShotsFor() {
	n, _ := scoring.ShotsFor(1.5, 0.8, 0.05)
	fmt.Println(n, "shots with each part")
	// Output: 26 shots with each part
}
