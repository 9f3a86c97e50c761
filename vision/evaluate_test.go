package vision

import (
	"bytes"
	"cmp"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
	"dartfall/scoring"
)

var (
	evalMany  = flag.Int("many", few, "evaluations: how many random boards; the default draws small ones")
	evalSeed  = flag.Uint64("seed", 9000, "evaluations: seed of the first board")
	evalOf    = flag.String("difficulty", "varied", "evaluations: clear, varied, crowded, bare or hopeless")
	evalDir   = flag.String("boards", "", "evaluations: take the photos from this directory, where boardtest's TestWriteBoards put them, instead of drawing them")
	evalShots = flag.Bool("shots", false, "evaluations: declare how many stickers of each colour were put on, too")
	evalAuto  = flag.Bool("auto", false, "evaluations: give the outermost diameter alone, no list of rings and no stickers")
)

// few boards, drawn small, are what a run of all tests has time for.
const few = 1

// evalBoard is one random board as a user photographs it.
type evalBoard struct {
	name  string
	scene boardtest.Scene
	truth boardtest.Truth
	photo *photo.Photo
}

// shrink makes the photo's longer side longPx, with the same view.
func shrink(c *boardtest.Camera, longPx float64) {
	f := longPx / float64(max(c.Width, c.Height))
	c.Width, c.Height, c.FocalPx, c.AimPx = int(f*float64(c.Width)), int(f*float64(c.Height)), f*c.FocalPx, c.AimPx.Scale(f)
}

func readBoard(seed uint64) (evalBoard, error) {
	of, ok := map[string]boardtest.Difficulty{"clear": boardtest.Clear, "varied": boardtest.Varied, "crowded": boardtest.Crowded, "bare": boardtest.Bare, "hopeless": boardtest.Hopeless}[*evalOf]
	if !ok {
		return evalBoard{}, fmt.Errorf("-difficulty %q: want clear, varied, crowded, bare or hopeless", *evalOf)
	}
	b := evalBoard{name: fmt.Sprintf("%s%04d", *evalOf, seed), scene: boardtest.Random(seed, of)}
	if *evalMany == few && *evalDir == "" {
		shrink(&b.scene.Camera, 1632)
	}
	b.truth = boardtest.TruthOf(b.scene)
	var file bytes.Buffer
	if *evalDir != "" {
		stored, err := os.ReadFile(filepath.Join(*evalDir, b.name+".jpg"))
		if err != nil {
			return b, err
		}
		file.Write(stored)
	} else {
		img, _ := boardtest.Render(b.scene)
		if err := boardtest.EncodeJPEG(&file, img, b.scene.JPEG); err != nil {
			return b, err
		}
	}
	var err error
	b.photo, err = photo.Decode(file.Bytes(), b.name, photo.Options{DecodeJPEG: DecodeJPEG})
	return b, err
}

// options are what the user of the board knows.
func (b evalBoard) options() Options {
	o := Options{Rings: RingSpec{OuterMM: 800}, Marks: MarkOptions{Bare: *evalOf == "bare"}}
	if b.scene.Face.OuterMM() > 0 {
		o.Rings = specOf(b.scene.Face)
	}
	if *evalAuto {
		o.Rings.ListMM = nil
		return o
	}
	sizes := map[float64]bool{}
	for _, m := range b.truth.Marks {
		if m.Kind == boardtest.Sticker {
			sizes[m.DiameterMM] = true
			o.Marks.SizeMM = m.DiameterMM
			if !slices.Contains(o.Marks.Colours, m.Name) {
				o.Marks.Colours = append(o.Marks.Colours, m.Name)
			}
			if *evalShots {
				o.Marks.Counts = countOneMore(o.Marks.Counts, m.Name)
			}
		}
	}
	if len(sizes) > 1 {
		o.Marks.SizeMM = 0
	}
	return o
}

// countOneMore returns counts with one more sticker of the colour.
func countOneMore(counts []ColourCount, colour string) []ColourCount {
	for i := range counts {
		if counts[i].Colour == colour {
			counts[i].Stickers++
			return counts
		}
	}
	return append(counts, ColourCount{Colour: colour, Stickers: 1})
}

// outcome sums up how measured boards compare with their truth.
type outcome struct {
	boards, refused      int
	marks, found, colour int // of the truth, visible to a quarter or more
	extra                int // found, but none
	squareMM             float64
	marksIn, sizes       int // stated 95% intervals that hold
	sizesIn              int
	sizeMM               []float64 // errors of the largest distance of each colour
	figures              [len(figureNames)]held
	bad                  []string // what a reader should look at
}

// held counts intervals that hold.
type held struct{ in, of int }

// figureNames are the reported sizes whose intervals are counted.
var figureNames = [...]string{"extreme spread", "mean radius", "sigma", "width", "height"}

// figures are what is reported of a group, in the order of figureNames.
func figures(s scoring.Summary) [len(figureNames)]scoring.Estimate {
	return [...]scoring.Estimate{s.ExtremeSpread, s.MeanRadius, s.Sigma, s.Width, s.Height}
}

func (t *outcome) add(o outcome) {
	t.boards += o.boards
	t.refused += o.refused
	t.marks += o.marks
	t.found += o.found
	t.colour += o.colour
	t.extra += o.extra
	t.squareMM += o.squareMM
	t.marksIn += o.marksIn
	t.sizes += o.sizes
	t.sizesIn += o.sizesIn
	t.sizeMM = append(t.sizeMM, o.sizeMM...)
	for i, f := range o.figures {
		t.figures[i].in += f.in
		t.figures[i].of += f.of
	}
	t.bad = append(t.bad, o.bad...)
}

// chiSquare95 is the 95% point of chi-square with two degrees of freedom.
const chiSquare95 = 5.991

// score compares what was read with the truth. A mark is found where a reading lies
// within half its diameter of where the plane puts it.
func (b evalBoard) score(r *Reading, err error) (t outcome) {
	t.boards = 1
	for _, m := range b.truth.Marks {
		if m.VisibleFraction >= 0.25 {
			t.marks++
		}
	}
	if err != nil {
		t.refused = 1
		if b.scene.Hopeless == "" {
			t.bad = append(t.bad, b.name+" refused: "+err.Error())
		}
		return t
	}
	if b.scene.Hopeless != "" {
		t.bad = append(t.bad, b.name+" was given numbers: "+b.scene.Hopeless)
		return t
	}
	used := make([]bool, len(r.Marks))
	type pair struct {
		truth boardtest.MarkTruth
		mark  Mark
	}
	var pairs []pair
	for i, at := range b.match(r) {
		m := b.truth.Marks[i]
		if at < 0 {
			continue
		}
		used[at] = true
		if m.VisibleFraction < 0.25 {
			continue
		}
		t.found++
		if r.Marks[at].Colour == m.Name {
			t.colour++
		}
		pairs = append(pairs, pair{m, r.Marks[at]})
	}
	for _, u := range used {
		if !u {
			t.extra++
		}
	}
	// Rings do not show the board's rotation: it is taken out, by the plane alone.
	var sin, cos float64
	for _, m := range b.truth.Marks {
		p := r.ToBoard(m.Px)
		sin += p.X*m.Y - p.Y*m.X
		cos += p.X*m.X + p.Y*m.Y
	}
	n := math.Hypot(sin, cos)
	place := func(m boardtest.MarkTruth) r2.Vec { // in the frame of the reading
		return r2.Vec{X: (cos*m.X + sin*m.Y) / n, Y: (cos*m.Y - sin*m.X) / n}
	}
	worst := 0.0
	for _, p := range pairs {
		d := r2.Sub(p.mark.Pos, place(p.truth))
		t.squareMM += r2.Norm2(d)
		worst = math.Max(worst, r2.Norm(d))
		xx, xy, yy := r.MarkCov(p.mark)
		if (yy*d.X*d.X-2*xy*d.X*d.Y+xx*d.Y*d.Y)/(xx*yy-xy*xy) < chiSquare95 {
			t.marksIn++
		}
	}
	if worst > 2 {
		t.bad = append(t.bad, fmt.Sprintf("%s: a mark is %.1f mm off", b.name, worst))
	}
	// The largest distance of each colour, and its interval.
	var names []string
	for _, p := range pairs {
		if !slices.Contains(names, p.truth.Name) {
			names = append(names, p.truth.Name)
		}
	}
	shared := r.PlaneErrors()
	for _, name := range names {
		// Each size of the group as the program reports it, from the same marks in their
		// true places. What locating the marks adds is what is checked.
		var seen, actual scoring.Group
		for _, p := range pairs {
			if p.truth.Name == name {
				own := math.Sqrt((p.mark.CovMM2[0] + p.mark.CovMM2[2]) / 2)
				seen.Impacts = append(seen.Impacts, scoring.Impact{Pos: p.mark.Pos, SigmaMM: own, Shared: shared(p.mark.Pos)})
				actual.Impacts = append(actual.Impacts, scoring.Impact{Pos: place(p.truth)})
			}
		}
		if len(seen.Impacts) >= 3 {
			got, _ := scoring.Summarise(seen, nil, 0, scoring.Options{ScaleSigma: r.ScaleSigma})
			want, _ := scoring.Summarise(actual, nil, 0, scoring.Options{})
			exact := figures(want)
			for i, e := range figures(got) {
				t.figures[i].of++
				if math.Abs(e.Value-exact[i].Value) < 1.96*e.MeasureSigma {
					t.figures[i].in++
				}
			}
		}
		far, d, sigma := 0.0, 0.0, 0.0
		for i, p := range pairs {
			for _, q := range pairs[:i] {
				if p.truth.Name != name || q.truth.Name != name {
					continue
				}
				v := r2.Sub(p.mark.Pos, q.mark.Pos)
				if l := r2.Norm(v); l > far {
					far = l
					d = l - math.Hypot(p.truth.X-q.truth.X, p.truth.Y-q.truth.Y)
					sigma = r.distanceSigma(p.mark, q.mark)
				}
			}
		}
		if far > 0 {
			t.sizes++
			t.sizeMM = append(t.sizeMM, math.Abs(d))
			if math.Abs(d) < 1.96*sigma {
				t.sizesIn++
			}
		}
	}
	return t
}

// match returns for each mark of the truth the reading on it, -1 for none: the nearest
// pairs first, and what is all but hidden last.
func (b evalBoard) match(r *Reading) []int {
	type link struct {
		truth, reading int
		hidden         bool
		awayMM         float64
	}
	var links []link
	out := make([]int, len(b.truth.Marks))
	for i, m := range b.truth.Marks {
		out[i] = -1
		for j, k := range r.Marks {
			if d := r2.Norm(r2.Sub(k.Pos, r.ToBoard(m.Px))); d < m.DiameterMM/2 {
				links = append(links, link{i, j, m.VisibleFraction < 0.25, d})
			}
		}
	}
	slices.SortFunc(links, func(a, b link) int {
		switch {
		case a.hidden == b.hidden:
			return cmp.Compare(a.awayMM, b.awayMM)
		case b.hidden:
			return -1
		}
		return 1
	})
	taken := make([]bool, len(r.Marks))
	for _, l := range links {
		if out[l.truth] < 0 && !taken[l.reading] {
			out[l.truth], taken[l.reading] = l.reading, true
		}
	}
	return out
}

// distanceSigma is the standard uncertainty of the distance between two marks:
// their own edges' and that of the plane they share.
func (r *Reading) distanceSigma(a, b Mark) float64 {
	u := r2.Unit(r2.Sub(a.Pos, b.Pos))
	along := func(c [3]float64) float64 { return c[0]*u.X*u.X + 2*c[1]*u.X*u.Y + c[2]*u.Y*u.Y }
	s := r.DistanceSigma(a.Pos, b.Pos)
	return math.Sqrt(s*s + along(a.CovMM2) + along(b.CovMM2))
}

// evaluate measures the boards asked for by flags with each of the ways, on all
// cores, and returns one outcome for each.
func evaluate(t *testing.T, ways ...func(evalBoard) (*Reading, error)) []outcome {
	out := make([]outcome, len(ways))
	var lock sync.Mutex
	var wg sync.WaitGroup
	seeds := make(chan uint64)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for seed := range seeds {
				b, err := readBoard(seed)
				if err != nil {
					t.Error(err)
					continue
				}
				for i, way := range ways {
					one := b.score(way(b))
					lock.Lock()
					out[i].add(one)
					lock.Unlock()
				}
			}
		})
	}
	for i := range *evalMany {
		seeds <- *evalSeed + uint64(i)
	}
	close(seeds)
	wg.Wait()
	return out
}

// report prints outcomes beside each other.
func report(t *testing.T, names []string, outcomes []outcome) {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\t"+strings.Join(names, "\t"))
	row := func(name string, f func(outcome) string) {
		fmt.Fprint(w, name)
		for _, x := range outcomes {
			fmt.Fprint(w, "\t"+f(x))
		}
		fmt.Fprintln(w)
	}
	share := func(a, b int) string { return fmt.Sprintf("%.1f%% of %d", 100*float64(a)/float64(max(1, b)), b) }
	row("boards refused", func(x outcome) string { return fmt.Sprintf("%d of %d", x.refused, x.boards) })
	row("marks found", func(x outcome) string { return share(x.found, x.marks) })
	row("false among found", func(x outcome) string { return share(x.extra, x.found+x.extra) })
	row("colour right", func(x outcome) string { return share(x.colour, x.found) })
	row("position, RMSE", func(x outcome) string { return fmt.Sprintf("%.3f mm", math.Sqrt(x.squareMM/float64(max(1, x.found)))) })
	row("largest distance, median error", func(x outcome) string {
		if len(x.sizeMM) == 0 {
			return "–"
		}
		return fmt.Sprintf("%.3f mm", medianOf(slices.Clone(x.sizeMM)))
	})
	row("95% intervals of marks hold", func(x outcome) string { return share(x.marksIn, x.found) })
	row("95% intervals of distances hold", func(x outcome) string { return share(x.sizesIn, x.sizes) })
	for i, name := range figureNames {
		row("95% intervals of "+name+" hold", func(x outcome) string { return share(x.figures[i].in, x.figures[i].of) })
	}
	w.Flush()
	t.Log("\n" + b.String() + strings.Join(outcomes[0].bad, "\n"))
}

// TestEvaluate measures random boards with exact truth, and the same boards with a
// plain recipe, and prints both:
//
//	go test ./vision -run TestEvaluate -v -timeout 0 -many 1000 -seed 10000
//
// Without flags it only holds that on a few boards ours finds more, and that the
// stated intervals are not empty words.
func TestEvaluate(t *testing.T) {
	ours := func(b evalBoard) (*Reading, error) { return Read(b.photo, b.options()) }
	plain := func(b evalBoard) (*Reading, error) { return plainRecipe(b.photo.Image, b.options()) }
	got := evaluate(t, ours, plain)
	report(t, []string{"dartfall", "plain recipe"}, got)
	if *evalOf == "hopeless" {
		if got[0].refused < got[0].boards {
			t.Errorf("%d of %d hopeless photos were given numbers", got[0].boards-got[0].refused, got[0].boards)
		}
		return
	}
	if !(got[0].found > got[1].found && got[0].marksIn*10 > got[0].found*8) {
		t.Errorf("found %d marks of %d, the plain recipe %d; %d intervals hold", got[0].found, got[0].marks, got[1].found, got[0].marksIn)
	}
}

// TestAblation measures the same boards with one part of the method switched off at
// a time:
//
//	go test ./vision -run TestAblation -v -timeout 0 -many 40 -seed 10000
func TestAblation(t *testing.T) {
	way := func(change func(*parts)) func(evalBoard) (*Reading, error) {
		return func(b evalBoard) (*Reading, error) {
			var p parts
			change(&p)
			return p.read(b.photo, b.options())
		}
	}
	got := evaluate(t,
		way(func(*parts) {}),
		way(func(p *parts) { p.noLens = true }),
		way(func(p *parts) { p.noRadius = true }),
		way(func(p *parts) { p.noRims = true }),
		way(func(p *parts) { p.noSize = true }))
	report(t, []string{"all", "no lens term", "no radial model", "no disc fit", "size not known"}, got)
	for i, less := range got[1:] {
		if got[0].found == 0 || got[0].refused > less.refused {
			t.Errorf("all parts together found %d marks and refused %d boards; with part %d off %d were refused", got[0].found, got[0].refused, i+1, less.refused)
		}
	}
}

// parts switches parts of the method off.
type parts struct{ noLens, noRadius, noRims, noSize bool }

// read is Read without checks and flags, and without the parts.
func (o parts) read(p *photo.Photo, opts Options) (*Reading, error) {
	size := p.Image.Rect.Size()
	cam := newCamera(size.X, size.Y, p.Camera.FocalPx(math.Hypot(float64(size.X), float64(size.Y))), p.Camera.Cropped)
	if o.noLens {
		cam.lens = calib.Lens{}
	}
	if o.noSize {
		opts.Marks.SizeMM = 0
	}
	fit, err := locate(p, cam, opts.Rings, AnySide)
	if err != nil {
		return nil, err
	}
	if refusal := refusalOf(grade(p.Image, fit, cam, opts.Marks)); refusal != nil {
		return nil, refusal
	}
	r := &Reading{Rectification: fit.sol.Rectification}
	s, _, _ := newSearch(p, r.Rectification, fit.circles, opts.Marks)
	if s == nil {
		return r, nil
	}
	if o.noRadius {
		forgetRadius(s.m)
		s.m.residual = s.m.remainder(planesOf(s.flat), s.index)
	}
	r.Marks = s.stickers()
	if o.noRims {
		s.ontoPeaks(r.Marks)
	}
	return r, nil
}

// forgetRadius makes the face one colour, its most usual one.
func forgetRadius(m *faceModel) {
	for c := range m.radial {
		f, scatter := medianMAD(slices.Clone(m.radial[c]))
		for r := range m.radial[c] {
			m.radial[c][r], m.spread[c][r] = f, max(scatter, m.spread[c][r])
		}
	}
}

// ontoPeaks puts the marks where the outlines on the raster alone place them.
func (s *search) ontoPeaks(marks []Mark) {
	edges := s.edges()
	for _, z := range s.sizes {
		for _, d := range s.discsAt(s.peaks(edges, z.nominalMM*s.flat.PxPerMM, leastVotes)) {
			for i, m := range marks {
				if r2.Norm(r2.Sub(d.pos, m.Pos)) < m.DiameterMM/6 {
					marks[i].Pos = d.pos
				}
			}
		}
	}
}
