package scoring

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"
)

// What the trade says of 15 shots at 30 m from 300 fps (common practice, no source): they
// span some 25 to 45 cm with an attachment that suits the blaster and over a metre with
// one that does not, so that a board of 1 m can be too small.
func TestTradeGroupSpans(t *testing.T) {
	const strings = 15 // shots in a string (common practice, no source)
	es, ok := sizeDistribution(statES, strings, 0)
	if !ok {
		t.Fatal("strings of 15 are not tabulated")
	}
	missing := func(spread float64) float64 {
		return 1 - math.Pow(Disc{RadiusMM: 500}.Share(r2.Vec{}, spread/es.mean), strings)
	}
	if got := missing(450); !(got < 0.001) {
		t.Errorf("a group that spans 45 cm misses a 1 m board in %.4f of strings, want hardly ever", got)
	}
	if got := missing(1000); !(got > 0.75) {
		t.Errorf("a group that spans 1 m misses a 1 m board in %.3f of strings, want mostly", got)
	}
}

// Two wide shots in a string of 15 can nearly double its spread (common practice, no
// source), and luck alone hardly does: this is why figures stand with and without the widest.
func TestTradeTwoWideShots(t *testing.T) {
	rest := append(append([]r2.Vec{}, g1...), r2.Vec{X: 5, Y: 5}, r2.Vec{X: -10, Y: 10}, r2.Vec{X: 10, Y: -10})
	pts := append(rest, r2.Vec{X: 100, Y: 60}, r2.Vec{X: -70, Y: -30})
	d, err := dropRule(pts, 0, 2, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	_, _, with := extremePair(pts)
	_, _, without := extremePair(rest)
	if ratio := with / without; !(ratio > 1.8 && ratio < 2) || !near(*d.Shrink, 1-without/with, 1e-12) || !(*d.Shrink > d.Luck.Hi) {
		t.Errorf("two wide shots make the spread %.2f times as large; dropping them takes %.2f, luck up to %.2f", ratio, *d.Shrink, d.Luck.Hi)
	}
}

// A 100 ft line called 30 m, as the trade does (common practice, no source), is 1.6% off:
// every angle computed with 30 m comes out that much too large.
func TestTradeHundredFeet(t *testing.T) {
	const hundredFeetM = 100 * 0.3048 // the foot is exact
	if off := Angle(0.3, 30)/Angle(0.3, hundredFeetM) - 1; !near(off, 0.016, 1e-5) {
		t.Errorf("angles are off by %.5f, want 0.016", off)
	}
}
