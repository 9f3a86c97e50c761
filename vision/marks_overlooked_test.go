package vision

import (
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib/boardtest"
)

// Black stickers on a bull of 100 mm that is a little darker than they are: what is said of
// them depends on the noise, on whether stickers lie there, and on what was declared.
func TestOverlookedZones(t *testing.T) {
	on, off := r2.Vec{X: 40}, r2.Vec{X: 150}
	for _, c := range []struct {
		name     string
		noise    float32
		at       r2.Vec
		declared int
		want     bool
	}{
		{"in noise", 0.06, on, 0, true},
		{"without noise", 0.02, on, 0, false},
		{"none on the bull", 0.06, off, 0, false},
		{"more declared", 0.06, on, 3, true},
		{"all declared were found", 0.06, on, 2, false},
	} {
		s := &search{flat: &Flat{PxPerMM: 1}, m: &faceModel{}}
		for k := range s.m.radial {
			s.m.radial[k], s.m.spread[k] = make([]float32, 200), make([]float32, 200)
		}
		for r := range s.m.radial[0] {
			s.m.spread[0][r] = c.noise
			if r < 100 {
				s.m.radial[0][r] = -3
			}
		}
		ds := []*disc{{pos: c.at, radius: 10}, {pos: r2.Scale(-1, c.at), radius: 10}}
		s.groups = []*group{{mean: [3]float32{-2.7, 0, 0}, discs: ds, name: "black"}}
		if c.declared > 0 {
			s.opts.Counts = []ColourCount{{"black", c.declared}}
		}
		got := s.overlooked(ds, nil)
		if (got.Level == Rough) != c.want || (got.Value > 0) != c.want || strings.Contains(got.Words, "black stickers hardly show from 0 to 100 mm") != c.want {
			t.Errorf("%s: %+v, want a word: %v", c.name, got, c.want)
		}
	}
}

// A disc that is likely none is worth a word; one beside a sticker found is that sticker, and
// one within the face's centre dot is the dot.
func TestOverlookedPlaces(t *testing.T) {
	s := &search{flat: &Flat{PxPerMM: 1}, m: &faceModel{}}
	for k := range s.m.radial {
		s.m.radial[k], s.m.spread[k] = make([]float32, 200), make([]float32, 200)
	}
	found := []*disc{{pos: r2.Vec{X: 60}, radius: 10}}
	s.face = []Circle{{RadiusMM: 150}, {RadiusMM: 12}}
	s.groups = []*group{{mean: [3]float32{-2, 1, 0}, discs: found, name: "red"}, {discs: found}}
	for _, c := range []struct {
		name string
		weak disc
		want float64
	}{
		{"likely none", disc{pos: r2.Vec{X: 30}, radius: 10, chance: 0.3}, 1},
		{"surely none", disc{pos: r2.Vec{X: 30}, radius: 10, chance: 0.1}, 0},
		{"the sticker found", disc{pos: r2.Vec{X: 65}, radius: 10, chance: 0.3}, 0},
		{"the face's centre dot", disc{pos: r2.Vec{X: 2}, radius: 10, chance: 0.3}, 0},
		{"a place beside the dot", disc{pos: r2.Vec{X: 8}, radius: 10, chance: 0.3}, 1},
		{"of no colour", disc{pos: r2.Vec{X: 30}, radius: 10, chance: 0.3, group: 1}, 0},
	} {
		if got := s.overlooked(found, []*disc{&c.weak}); got.Value != c.want {
			t.Errorf("%s: %+v, want %g places", c.name, got, c.want)
		}
	}
}

// In noise in which black stickers on a black face may not all be found, the photo says so;
// red ones there leave nothing to say.
func TestOverlooked(t *testing.T) {
	for _, c := range []struct {
		colour string
		want   Level
	}{{"black", Rough}, {"red", Good}} {
		s := boardtest.Plain(1200, 1200)
		s.Board.Paper = boardtest.Colour{R: 44, G: 34, B: 30}
		s.Imaging.ShotSD, s.Imaging.ReadSD = 0.0144, 0.0078
		s.Marks = boardtest.Stickers(c.colour, 19, [2]float64{75, 25}, [2]float64{-70, 25}, [2]float64{70, -90}, [2]float64{-25, -70}, [2]float64{20, 70}, [2]float64{-120, -20})
		p, truth := photographed(t, s)
		marks, _, said := findMarks(p, truth.Rectification, circlesOf(truth), MarkOptions{Colours: []string{c.colour}, SizeMM: 19})
		if len(said.checks) != 1 || said.checks[0].Level != c.want {
			t.Errorf("%s: %d found, said %+v", c.colour, len(marks), said.checks)
		}
	}
}

// Where no sticker was found nothing can be told of others, which is as it should be unless
// some were declared.
func TestOverlookedOnEmptyBoard(t *testing.T) {
	p, truth := photographed(t, boardtest.Plain(1200, 900))
	for _, c := range []struct {
		counts []ColourCount
		want   Level
	}{{nil, Good}, {[]ColourCount{{Colour: "red", Stickers: 5}}, Rough}} {
		_, _, said := findMarks(p, truth.Rectification, circlesOf(truth), MarkOptions{Colours: []string{"red"}, SizeMM: 19, Counts: c.counts})
		if len(said.checks) != 1 || said.checks[0].Level != c.want || !strings.Contains(said.checks[0].Words, "no sticker was found") {
			t.Errorf("%v declared: said %+v, want %s", c.counts, said.checks, c.want)
		}
	}
}
