package vision

import (
	"image"
	"math"
	"testing"

	"dartfall/calib"
	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

// barePenalty holds the weights of bare.txt down: of 1e-5 to 1e-2, the value with the
// best likelihood on boards left out of an early fit, five parts in turn. With 573 boards
// weaker ones fit boards left out better, and lose marks on photos of another renderer.
const barePenalty = 1e-3

// bareExamples returns the discs that are judged on a board, all that evidence speaks
// for and those that are left when crowds are divided: alone, and where there are sure
// marks, in their light. A mark that hardly shows is left out, as scorers do.
func (t *truthFile) bareExamples(img *image.NRGBA, rect *calib.Rectification) (alone, among []example) {
	s, _, _ := newSearch(&photo.Photo{Image: img}, rect, t.face(), MarkOptions{Bare: true})
	if s == nil {
		return nil, nil
	}
	b := s.weighBare(nil)
	f := b.sow()
	collect := func() {
		marks, faint := t.bareLabels(b)
		related := b.relate()
		for i := range b.discs {
			if faint[i] {
				continue
			}
			signs := b.signsOf(i)
			if related {
				among = append(among, example{signs[:], marks[i]})
			}
			apart := signs
			apart[len(apart)-1] = 0
			alone = append(alone, example{apart[:], marks[i]})
		}
	}
	collect()
	b.settle(f)
	collect()
	return alone, among
}

// bareLabels tells which discs are marks, the nearest to each within half its diameter,
// and which lie on one that hardly shows.
func (t *truthFile) bareLabels(b *bareSearch) (marks, faint []bool) {
	marks, faint = make([]bool, len(b.discs)), make([]bool, len(b.discs))
	for _, m := range t.Marks {
		best, at := m.DiameterMM/2, -1
		for i := range b.discs {
			p := b.flat.ToBoard(b.discs[i].at())
			if away := math.Hypot(p.X-m.X, p.Y-m.Y); away < best && !marks[i] {
				best, at = away, i
			}
		}
		if at >= 0 {
			marks[at], faint[at] = m.Visible >= 0.25, m.Visible < 0.25
		}
	}
	return marks, faint
}

// The chances of what is on a plain board must add up to the number of its marks. With
// -fit DIR it writes bare.txt anew from the bare boards in DIR; see DEVELOPERS.md.
func TestFitBare(t *testing.T) {
	if *fitBoards != "" {
		refit(t, "bare", "bare.txt", barePenalty, (*truthFile).bareExamples)
		return
	}
	const tol = 1.0 // of six marks
	for _, kind := range []boardtest.Kind{boardtest.Hole, boardtest.Smudge, boardtest.Dent} {
		scene := bareScene(kind, 12, [2]float64{40, 62}, [2]float64{-70, 25}, [2]float64{75, -85}, [2]float64{-30, -58}, [2]float64{130, 50}, [2]float64{-120, -60})
		img, truth := boardtest.Render(scene)
		s, _, _ := newSearch(&photo.Photo{Image: img}, truth.Rectification, circlesOf(truth), MarkOptions{Bare: true})
		b := s.weighBare(nil)
		b.settle(b.sow())
		sum := 0.0
		for _, d := range b.discs {
			sum += d.chance
		}
		if !(math.Abs(sum-6) < tol) {
			t.Errorf("%s: the chances of %d discs add up to %.2f, want 6 marks", kind, len(b.discs), sum)
		}
	}
}
