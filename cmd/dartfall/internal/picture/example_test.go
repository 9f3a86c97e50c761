package picture_test

import (
	"fmt"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/cmd/dartfall/internal/picture"
)

func ExampleIdentities() {
	for _, id := range picture.Identities([]string{"North", "Reed", "Slate"}, []string{"blue", "orange", "purple"}) {
		fmt.Printf("%s %s: %s, #%02X%02X%02X\n", id.Letter, id.Name, id.Shape, id.Tone.R, id.Tone.G, id.Tone.B)
	}
	// Output:
	// A North: circle, #0072B2
	// B Reed: triangle, #E69F00
	// C Slate: cross, #CC79A7
}

// A scene becomes a page; the page gives the whole picture, its layers and the
// steps of a reveal.
func ExampleCompose() {
	ids := picture.Identities([]string{"North"}, []string{"blue"})
	page := picture.Compose(picture.Scene{
		Title: "One attachment", Distance: "25 m",
		Board: picture.Board{RadiiMM: []float64{400, 200}},
		Accessories: []picture.Accessory{{
			Identity: ids[0],
			Impacts:  []picture.Impact{{Pos: r2.Vec{X: -40, Y: 10}}, {Pos: r2.Vec{X: 60, Y: 10}}},
			All: picture.Figures{
				N: 2, Centre: r2.Vec{X: 10, Y: 10}, Pair: [2]int{0, 1},
				MeanRadius:    picture.Range{Value: 50, Lo: 20, Hi: 150},
				ExtremeSpread: picture.Range{Value: 100, Lo: 40, Hi: 300},
			},
		}},
	}, picture.Still, picture.AsShot)
	fmt.Println(page.Picture().Image.Rect.Size(), page.Steps(), "steps")
	for _, name := range page.Layers() {
		fmt.Println(name)
	}
	// Output:
	// (1920,1080) 3 steps
	// 01-board
	// 02-rings-scale
	// 03-spread-A
	// 04-marks-A
	// 05-centre-A
	// 06-labels-A
	// 07-title
	// 08-strip
	// 09-figures
	// 10-figures-A
	// 11-axis
}
