package vision

import (
	"testing"

	"dartfall/calib/boardtest"
)

// A size given that the stickers do not have gives no marks, and one with which marks would
// be seen is refused; the right one is not doubted.
func TestWrongSize(t *testing.T) {
	for _, seed := range []uint64{1, 2, 3} {
		s := boardtest.Random(seed, boardtest.Clear)
		p, _ := photographed(t, s)
		right := s.Marks[0].DiameterMM
		for _, by := range []float64{1, 0.65, 1.5} {
			r, err := Read(p, Options{Rings: specOf(s.Face), PhotoUp: true, Marks: MarkOptions{SizeMM: by * right}})
			said := Good
			for _, c := range r.Checks {
				if c.Name == "size" {
					said = c.Level
				}
			}
			t.Logf("seed %d, %.1f mm for %.1f: %d marks, size %s, %v", seed, by*right, right, len(r.Marks), said, err)
			if by == 1 && said != Good || by < 1 && said == Good || by != 1 && len(r.Marks) > 0 {
				t.Errorf("seed %d, %.1f mm for %.1f: %d marks, size %s, %v", seed, by*right, right, len(r.Marks), said, err)
			}
		}
	}
}
