package vision

import (
	"encoding/json"
	"flag"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/photo"
)

var fitBoards = flag.String("fit", "", "fit chance.txt to the boards with truth in this directory")

// truthFile is what the fit needs of a board's truth.
type truthFile struct {
	Photo string
	Rings []struct {
		OuterDiameterMM float64 `json:"outer_diameter_mm"`
		LineMM          float64 `json:"line_mm"`
	}
	Marks []struct {
		Kind, Colour string
		DiameterMM   float64 `json:"diameter_mm"`
		X            float64 `json:"x_mm"`
		Y            float64 `json:"y_mm"`
		Visible      float64 `json:"visible_fraction"`
	}
	Camera struct {
		FX, CX, CY, K1 float64
		R              [3][3]float64
		T              [3]float64
		HalfDiagonalPx float64 `json:"half_diagonal_px"`
	}
}

// face returns the circles of the face.
func (t *truthFile) face() (face []Circle) {
	for _, r := range t.Rings {
		face = append(face, Circle{RadiusMM: r.OuterDiameterMM / 2, InnerMM: r.OuterDiameterMM/2 - r.LineMM, Seen: 1})
	}
	return face
}

// rectification returns the true one.
func (t *truthFile) rectification() (*calib.Rectification, bool) {
	c := t.Camera
	var h [9]float64
	for j, col := range [3][3]float64{{c.R[0][0], c.R[1][0], c.R[2][0]}, {c.R[0][1], c.R[1][1], c.R[2][1]}, c.T} {
		h[j] = c.FX*col[0] + c.CX*col[2]
		h[3+j] = c.FX*col[1] + c.CY*col[2]
		h[6+j] = col[2]
	}
	return calib.FromHomography(h, calib.Lens{CentrePx: calib.Px{X: c.CX, Y: c.CY}, ScalePx: c.HalfDiagonalPx, K1: c.K1})
}

// stickerPenalty holds the weights of chance.txt down.
const stickerPenalty = 3e-5

// example is a judged disc.
type example struct {
	signs []float64
	mark  bool
}

// examplesOf returns the discs that are measured on a board: alone, as the first
// choice meets them, and among the true ones with their colours known. Left out are discs
// on a mark of which less than a quarter shows, as scorers do; print that repeats, which is
// known by that; and discs that rest on less than a quarter of a rim.
func (t *truthFile) examplesOf(img *image.NRGBA, rect *calib.Rectification) (alone, among []example) {
	s, _, _ := newSearch(&photo.Photo{Image: img}, rect, t.face(), MarkOptions{SizeMM: t.Marks[0].DiameterMM})
	if s == nil {
		return nil, nil
	}
	all := s.withoutPrint(s.candidates())
	on := func(d *disc, i int) bool {
		m := t.Marks[i]
		return math.Hypot(d.pos.X-m.X, d.pos.Y-m.Y) < 0.15*m.DiameterMM
	}
	// A mark that another disc has taken is none for d.
	lies := func(d *disc, taken []*disc) (sticker, faint bool) {
		for i, m := range t.Marks {
			if on(d, i) && !slices.ContainsFunc(taken, func(o *disc) bool { return o != d && on(o, i) }) {
				return m.Visible >= 0.25, m.Visible < 0.25
			}
		}
		return false, false
	}
	var best []*disc
	for _, m := range t.Marks {
		k := -1
		for i, d := range all {
			if away := r2.Norm(r2.Sub(d.pos, r2.Vec{X: m.X, Y: m.Y})); away < 0.15*m.DiameterMM && (k < 0 || d.chance > all[k].chance) {
				k = i
			}
		}
		if k >= 0 && !slices.Contains(best, all[k]) {
			best = append(best, all[k])
		}
	}
	kept := s.dropRepeated(slices.Clone(all), all)
	add := func(to *[]example, d *disc, near []*disc) {
		short := 4*len(rimOf(d, near).angle) < raysPerDisc
		if sticker, faint := lies(d, near); d.fitted && !faint && !short && (sticker || slices.Contains(kept, d) || !slices.Contains(all, d)) {
			signs := s.signs(d)
			*to = append(*to, example{signs[:], sticker})
		}
	}
	for _, d := range all {
		d.group = -1
		s.look(d, nil)
		add(&alone, d, nil)
		if near := neighbours(d, best); len(near) > 0 && slices.Contains(best, d) {
			s.look(d, best)
			add(&alone, d, near)
		}
	}
	s.groupColours(best)
	s.relate(all)
	for _, d := range append(all, s.beside(best, best)...) {
		double := func(o *disc) bool { return o != d && r2.Norm(r2.Sub(o.pos, d.pos)) < 0.3*o.radius }
		if slices.ContainsFunc(best, double) {
			continue
		}
		if d.rays == nil {
			s.look(d, best)
			s.relate([]*disc{d})
		}
		s.look(d, best)
		add(&among, d, neighbours(d, best))
	}
	return alone, among
}

// fitWeights returns the weights that make the examples most likely, with a small
// penalty for each example on their squares (Newton's method; Hastie, Tibshirani, Friedman, The
// Elements of Statistical Learning, 2nd ed., section 4.4.1).
func fitWeights(examples []example, penalty float64) (w weights) {
	n := len(examples[0].signs) * (len(examples[0].signs) + 1) / 2
	w = make(weights, n)
	penalty *= float64(len(examples))
	for range 40 {
		h := mat.NewSymDense(n, nil)
		g := mat.NewVecDense(n, nil)
		x := make([]float64, n)
		for _, e := range examples {
			k := 0
			for i, a := range e.signs {
				for _, b := range e.signs[i:] {
					x[k] = a * b
					k++
				}
			}
			p := w.chance(e.signs)
			miss := p
			if e.mark {
				miss = p - 1
			}
			v := mat.NewVecDense(n, x)
			g.AddScaledVec(g, miss, v)
			h.SymRankOne(h, p*(1-p), v)
		}
		for i := range w {
			g.SetVec(i, g.AtVec(i)+penalty*w[i])
			h.SetSym(i, i, h.At(i, i)+penalty)
		}
		var chol mat.Cholesky
		var step mat.VecDense
		if !chol.Factorize(h) || chol.SolveVecTo(&step, g) != nil {
			break
		}
		norm := mat.Norm(&step, math.Inf(1))
		for i := range w {
			w[i] -= step.AtVec(i) * min(1, 4/norm)
		}
		if norm < 1e-6 {
			break
		}
	}
	return w
}

// TestFitChance holds that the fit finds weights that were put in. With -fit DIR it
// writes chance.txt anew from the boards in DIR; see DEVELOPERS.md.
func TestFitChance(t *testing.T) {
	if *fitBoards != "" {
		refit(t, "", "chance.txt", stickerPenalty, (*truthFile).examplesOf)
		return
	}
	truth := make(weights, numSigns*(numSigns+1)/2)
	truth[0], truth[2], truth[5] = -1, 3, -2
	rng := rand.New(rand.NewPCG(1, 2))
	var examples []example
	for range 8000 {
		e := example{signs: append(make([]float64, 0, numSigns), 1)}
		for range numSigns - 1 {
			e.signs = append(e.signs, rng.NormFloat64())
		}
		e.mark = rng.Float64() < truth.chance(e.signs)
		examples = append(examples, e)
	}
	got := fitWeights(examples, stickerPenalty)
	for i := range got {
		if !(math.Abs(got[i]-truth[i]) < 0.4) { // four standard errors of 4000 examples, and some: there are 120 weights
			t.Errorf("weight %d = %.2f, want %.2f", i, got[i], truth[i])
		}
	}
}

// refit writes the weights of file anew from the examples of the boards of the given
// difficulty in the directory of -fit.
func refit(t *testing.T, of, file string, penalty float64, examplesOf func(*truthFile, *image.NRGBA, *calib.Rectification) (alone, among []example)) {
	files, err := filepath.Glob(filepath.Join(*fitBoards, of+"*.json"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no %s*.json in %s", of, *fitBoards)
	}
	var alone, among []example
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		var truth truthFile
		if err := json.Unmarshal(data, &truth); err != nil {
			t.Fatalf("%s: %v", f, err)
		}
		if len(truth.Marks) == 0 {
			continue
		}
		p, err := photo.Load(filepath.Join(filepath.Dir(f), truth.Photo), photo.Options{DecodeJPEG: DecodeJPEG})
		if err != nil {
			t.Fatal(err)
		}
		rect, ok := truth.rectification()
		if !ok {
			t.Fatalf("%s: no plane", f)
		}
		a, b := examplesOf(&truth, p.Image, rect)
		alone, among = append(alone, a...), append(among, b...)
	}
	one, two := fitWeights(alone, penalty), fitWeights(among, penalty)
	var text strings.Builder
	for i := range one {
		fmt.Fprintf(&text, "%.4f %.4f\n", one[i], two[i])
	}
	if err := os.WriteFile(file, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name     string
		examples []example
		weights  weights
	}{{"alone", alone, one}, {"among the others", among, two}} {
		marks, missed, wrong := 0, 0, 0
		for _, e := range c.examples {
			switch yes := c.weights.chance(e.signs) >= 0.5; {
			case e.mark && !yes:
				marks, missed = marks+1, missed+1
			case e.mark:
				marks++
			case yes:
				wrong++
			}
		}
		t.Logf("%s: %d discs, %d marks, %d missed, %d taken wrongly", c.name, len(c.examples), marks, missed, wrong)
	}
}
