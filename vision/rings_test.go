package vision

import (
	"errors"
	"image"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/boardtest"
	"dartfall/calib/photo"
)

var (
	ink   = boardtest.Colour{R: 20, G: 20, B: 20}
	cream = boardtest.Colour{R: 236, G: 226, B: 200}
)

// tilted returns the plain scene seen from the given tilt and azimuth (degrees),
// of 1600 x 1200 px.
func tilted(tiltDeg, azimuthDeg, k1 float64) boardtest.Scene {
	s := boardtest.Plain(1600, 1200)
	s.Camera.Tilt, s.Camera.Azimuth, s.Camera.K1 = tiltDeg*math.Pi/180, azimuthDeg*math.Pi/180, k1
	s.Camera.DistanceMM = s.Camera.FillDistanceMM(s.Face.OuterMM(), 0.75)
	return s
}

func asPhoto(s boardtest.Scene) (*photo.Photo, boardtest.Truth) {
	img, truth := boardtest.Render(s)
	return &photo.Photo{Name: "test.jpg", Image: img, Camera: photo.Camera{Focal35MM: s.Camera.Focal35MM()}}, truth
}

func specOf(f boardtest.Face) RingSpec {
	spec := RingSpec{OuterMM: f.OuterMM()}
	for _, r := range f.Rings {
		spec.ListMM = append(spec.ListMM, r.OuterDiameterMM)
	}
	return spec
}

func locateIn(p *photo.Photo, spec RingSpec) (*boardFit, error) {
	b := p.Image.Bounds()
	cam := newCamera(b.Dx(), b.Dy(), p.Camera.FocalPx(math.Hypot(float64(b.Dx()), float64(b.Dy()))), p.Camera.Cropped)
	return locate(p, cam, spec, AnySide)
}

// worstMM compares distances between points of the board, which the free
// rotation leaves alone: as measured through the fit, against the truth.
func worstMM(fit *boardFit, truth boardtest.Truth, reachMM float64) float64 {
	var at, got []r2.Vec
	for i := range 8 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 8)
		x := r2.Vec{X: reachMM * c, Y: reachMM * s}
		at, got = append(at, x), append(got, fit.sol.ToBoard(truth.Rectification.ToPhoto(x)))
	}
	worst := 0.0
	for i := range at {
		for j := range i {
			worst = math.Max(worst, math.Abs(r2.Norm(r2.Sub(got[i], got[j]))-r2.Norm(r2.Sub(at[i], at[j]))))
		}
	}
	return worst
}

func TestLocate(t *testing.T) {
	dark := func(s *boardtest.Scene) {
		s.Board.Paper, s.Board.Colour = boardtest.Colour{R: 24, G: 40, B: 90}, boardtest.Colour{R: 24, G: 40, B: 90}
		for i := range s.Face.Rings {
			s.Face.Rings[i].Line, s.Face.Rings[i].LineMM = boardtest.Colour{R: 225, G: 190, B: 60}, 6
		}
	}
	zones := func(s *boardtest.Scene) {
		s.Face.Rings = nil
		for i, c := range []boardtest.Colour{cream, {R: 25, G: 25, B: 25}, {R: 30, G: 130, B: 190}, {R: 215, G: 40, B: 45}, {R: 250, G: 215, B: 40}} {
			fill := c
			s.Face.Rings = append(s.Face.Rings, boardtest.Ring{OuterDiameterMM: 400 - 80*float64(i), LineMM: 1.2, Line: ink, Fill: &fill})
		}
	}
	leaves := func(s *boardtest.Scene) {
		s.Light = boardtest.Light{Name: "leaves", Ambient: 0.35, Sun: 0.6, Shadow: "leaves", PenumbraMM: 6}
	}
	clutter := func(s *boardtest.Scene) {
		s.Surroundings = boardtest.Surroundings{Wall: "bricks", WallMM: 300, Floor: "grass", FloorMM: 500, Things: []boardtest.Thing{
			{Shape: "hoop", X: -420, Y: -120, BehindMM: 100, RadiusMM: 90, Colour: ink, Inner: cream},
			{Shape: "disc", X: 430, Y: 100, BehindMM: 60, RadiusMM: 80, Colour: boardtest.Colour{R: 200, G: 40, B: 40}},
		}}
	}
	drawn := func(s *boardtest.Scene) {
		s.Face.Rings = []boardtest.Ring{{OuterDiameterMM: 400, LineMM: 8, Line: ink}, {OuterDiameterMM: 200, LineMM: 8, Line: ink}}
		s.Face.WobbleMM = 0.03
	}
	for _, c := range []struct {
		name   string
		tilt   float64
		change func(*boardtest.Scene)
		tolMM  float64 // about four times what the noise of these small photos gives
	}{
		{"square-on", 0, nil, 0.3}, // in mid-frame the lens hides behind the radii
		{"20 degrees", 20, nil, 0.12},
		{"35 degrees", 35, nil, 0.15},
		{"50 degrees", 50, nil, 0.2},
		{"light lines on dark", 25, dark, 0.15},
		{"coloured zones", 25, zones, 0.25},
		{"leaf shadow", 15, leaves, 0.15},
		{"clutter", 15, clutter, 0.15},
		{"hand-drawn", 30, drawn, 0.8}, // two rings that wobble by 0.03 mm, taken for lens by the fit
		{"lens that looks like a tilt", 3, func(s *boardtest.Scene) { s.Camera.K1, s.Camera.AimPx.X, s.Camera.AimPx.Y = -0.095, 30, -90 }, 0.3},
		// Beyond what phones do: that the rings are even is then no evidence.
		{"unusual lens that looks like a tilt", 3, func(s *boardtest.Scene) { s.Camera.K1, s.Camera.AimPx.X, s.Camera.AimPx.Y = -0.12, 30, -90 }, 0.6},
		{"partly out of frame", 10, func(s *boardtest.Scene) { s.Camera.AimPx.X, s.Camera.AimPx.Y = 420, 180 }, 0.25},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := tilted(c.tilt, 40, -0.04)
			if c.change != nil {
				c.change(&s)
			}
			p, truth := asPhoto(s)
			for _, spec := range []RingSpec{specOf(s.Face), {OuterMM: s.Face.OuterMM()}} {
				fit, err := locateIn(p, spec)
				if err != nil {
					t.Errorf("%d rings given: %v", len(spec.ListMM), err)
					continue
				}
				if d := worstMM(fit, truth, 150); !(d < c.tolMM) {
					t.Errorf("%d rings given: a distance is %.3f mm off, allowed %.2f", len(spec.ListMM), d, c.tolMM)
				}
				if fit.basis != ByRings {
					t.Errorf("basis %q", fit.basis)
				}
			}
		})
	}
}

// One ring fixes the plane together with its centre mark, or with the focal
// length and what its line shows; the result says which.
func TestLocateOneRing(t *testing.T) {
	for _, c := range []struct {
		name   string
		centre string
		want   Basis
		tolMM  float64
	}{
		{"dot", "dot", ByCentre, 0.6},
		{"nothing but the ring", "", ByFocal, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := tilted(20, 60, 0)
			s.Face.Rings = []boardtest.Ring{{OuterDiameterMM: 400, LineMM: 8, Line: boardtest.Colour{R: 190, G: 30, B: 30}}}
			s.Face.Centre = boardtest.CentreMark{Shape: c.centre, SizeMM: 20, Colour: boardtest.Colour{R: 190, G: 30, B: 30}}
			p, truth := asPhoto(s)
			fit, err := locateIn(p, specOf(s.Face))
			if err != nil {
				t.Fatal(err)
			}
			if fit.basis != c.want {
				t.Errorf("basis %q, want %q", fit.basis, c.want)
			}
			if d := worstMM(fit, truth, 150); !(d < c.tolMM) {
				t.Errorf("a distance is %.3f mm off, allowed %.2f", d, c.tolMM)
			}
		})
	}
}

func TestLocateNoticesWrongDiameters(t *testing.T) {
	p, _ := asPhoto(tilted(15, 40, 0))
	for name, list := range map[string][]float64{
		"one wrong":    {400, 290, 200, 100},
		"other ratios": {400, 350},
	} {
		_, err := locateIn(p, RingSpec{OuterMM: 400, ListMM: list})
		if !errors.Is(err, errRingRatio) {
			t.Errorf("%s: error %v, want one about the diameters", name, err)
		}
	}
	_, err := locateIn(p, RingSpec{OuterMM: 400, ListMM: []float64{400, 290, 200, 100}})
	if err == nil || !strings.Contains(err.Error(), "290 mm measures 300") {
		t.Errorf("error %q does not name the ring", err)
	}
}

// A border of zones may have lost a line of its neighbour's colour, so one that is not
// where the list has it is only left out; but that is said.
func TestLocateNoticesWrongBorder(t *testing.T) {
	s := boardtest.Random(42003, boardtest.Varied) // borders alone
	p, _ := photographed(t, s)
	for _, stretch := range []float64{1, 1.02} {
		spec := specOf(s.Face)
		spec.ListMM[2] *= stretch
		fit, err := locateIn(p, spec)
		if err != nil {
			t.Fatal(err)
		}
		said := strings.Contains(strings.Join(fit.warnings, "; "), "check its diameter")
		if said != (stretch > 1) {
			t.Errorf("a border given %v times as large: said %q", stretch, fit.warnings)
		}
	}
}

// Seen square-on a bowed board's lens and radii trade against each other, and the fit of
// free radii contradicts the list by 4%: the list tells lens and bow. Half a millimetre is
// what the bow, which the truth's plane leaves out, does itself.
func TestLocateBowedByList(t *testing.T) {
	s := boardtest.Random(42079, boardtest.Varied) // bowed by 3 mm, 0.3° off square-on
	p, truth := photographed(t, s)
	fit, err := locateIn(p, specOf(s.Face))
	if err != nil {
		t.Fatal(err)
	}
	if d := worstMM(fit, truth, 250); !(d < 0.6) {
		t.Errorf("a distance is %.3f mm off, allowed 0.6", d)
	}
}

// Two drawn rings that wobble by millimetres: the sides of the outer line are no two rings
// of their own, or the plane comes out centimetres off.
func TestLocateDrawnByTwoRings(t *testing.T) {
	s := boardtest.Random(42001, boardtest.Varied)
	p, truth := photographed(t, s)
	for _, spec := range []RingSpec{specOf(s.Face), {OuterMM: s.Face.OuterMM()}} {
		fit, err := locateIn(p, spec)
		if err != nil {
			t.Errorf("%d rings given: %v", len(spec.ListMM), err)
			continue
		}
		if d := worstMM(fit, truth, 100); !(d < 5) {
			t.Errorf("%d rings given: a distance is %.1f mm off, allowed 5", len(spec.ListMM), d)
		}
	}
}

// A bowed board and a stretched print are said in plain words, and a flat, true one
// is not accused.
func TestLocateNoticesShape(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*boardtest.Scene)
		want   string
	}{
		{"flat and true", func(s *boardtest.Scene) {}, ""},
		{"bowed by 5 mm", func(s *boardtest.Scene) { s.Board.BowMM = 5 }, "not flat"},
		{"2% wider", func(s *boardtest.Scene) { s.Face.StretchX = 0.02 }, "no circles"},
		{"2% taller", func(s *boardtest.Scene) { s.Face.StretchY = 0.02 }, "no circles"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			for _, tilt := range []float64{5, 30} {
				s := tilted(tilt, 40, -0.03)
				c.change(&s)
				p, _ := asPhoto(s)
				fit, err := locateIn(p, specOf(s.Face))
				if err != nil {
					t.Errorf("%v degrees: %v", tilt, err)
					continue
				}
				said := strings.Join(fit.warnings, "; ")
				if c.want == "" && said != "" || !strings.Contains(said, c.want) {
					t.Errorf("%v degrees: said %q, want %q", tilt, said, c.want)
				}
			}
		})
	}
}

// Rings that are even help where the outer diameter alone is given; rings that only a lens
// beyond all phones would make even do not, and are stated as unsure as they are.
func TestLocateEvenByLuck(t *testing.T) {
	for _, c := range []struct {
		name    string
		bend    float64 // of the innermost radii, relative
		sigmaMM float64 // of 200 mm, at most
		even    bool
	}{
		{"even", 0, 0.6, true},
		{"even but for 3%", 0.03, 2, false},
	} {
		s := tilted(2, 40, -0.04)
		outer := s.Face.OuterMM()
		s.Face.Rings = nil
		for i := range 5 {
			x := float64(5-i) / 5
			s.Face.Rings = append(s.Face.Rings, boardtest.Ring{OuterDiameterMM: outer * x * (1 + c.bend*(1-x*x)), LineMM: 4, Line: ink})
		}
		p, truth := asPhoto(s)
		fit, err := locateIn(p, RingSpec{OuterMM: outer})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if said := strings.Contains(strings.Join(fit.warnings, "; "), "evenly spaced"); said != c.even {
			t.Errorf("%s: said to be evenly spaced: %v", c.name, said)
		}
		sigma := fit.sol.DistanceSigma(r2.Vec{X: -100}, r2.Vec{X: 100})
		d := r2.Norm(r2.Sub(fit.sol.ToBoard(truth.Rectification.ToPhoto(r2.Vec{X: 100})), fit.sol.ToBoard(truth.Rectification.ToPhoto(r2.Vec{X: -100})))) - 200
		t.Logf("%s: %.2f mm off, stated sigma %.2f, K1 %.3f", c.name, d, sigma, fit.sol.Lens.K1)
		if !(sigma < c.sigmaMM) || math.Abs(d) > 3*sigma {
			t.Errorf("%s: 200 mm come out %.2f mm off; stated sigma %.2f, at most %g wanted", c.name, d, sigma, c.sigmaMM)
		}
	}
}

// One diameter of the list is 2 percent too large, on boards where the lens, or the few
// points of a small ring, could hide it.
func TestWrongDiameterHidden(t *testing.T) {
	for _, c := range []struct {
		seed uint64
		ring int
	}{{42042, 3}, {42043, 4}} {
		s := boardtest.Random(c.seed, boardtest.Varied)
		shrink(&s.Camera, 2000)
		p, _ := asPhoto(s)
		spec := specOf(s.Face)
		if _, err := locateIn(p, spec); err != nil {
			t.Errorf("seed %d, right list: %v", c.seed, err)
		}
		spec.ListMM[c.ring] *= 1.02
		if fit, err := locateIn(p, spec); err == nil && !strings.Contains(strings.Join(fit.warnings, " "), "check its diameter") {
			t.Errorf("seed %d: no word about the wrong diameter", c.seed)
		}
	}
}

// The edge that a diameter means changes every length by the line's width.
func TestRingEdge(t *testing.T) {
	s := tilted(10, 40, 0)
	p, truth := asPhoto(s)
	for edge, want := range map[RingEdge]float64{RingOuter: 400, RingMiddle: 397, RingInner: 394} {
		fit, err := locateIn(p, RingSpec{OuterMM: want, Edge: edge})
		if err != nil {
			t.Fatal(err)
		}
		if d := worstMM(fit, truth, 150); !(d < 0.2) {
			t.Errorf("edge %v: %.3f mm off", edge, d)
		}
	}
}

// Photos that cannot be measured are refused with advice, never given a number.
func TestReadRefuses(t *testing.T) {
	empty := boardtest.Plain(1000, 750)
	empty.Face.Rings = nil
	empty.Surroundings.Things = []boardtest.Thing{{Shape: "disc", X: 0, Y: 0, BehindMM: -20, RadiusMM: 60, Colour: ink}}
	blurred := tilted(10, 0, 0)
	blurred.Imaging.BlurPx = 22
	dim := tilted(10, 0, 0)
	dim.Imaging.ExposureEV = -7
	for name, s := range map[string]boardtest.Scene{"no rings": empty, "blurred": blurred, "dark": dim} {
		p, _ := asPhoto(s)
		r, err := Read(p, Options{Rings: RingSpec{OuterMM: 400, ListMM: []float64{100, 200, 300, 400}}})
		var refusal *Refusal
		if !errors.As(err, &refusal) || refusal.Reason == "" || refusal.Advice == "" || len(r.Marks) > 0 {
			t.Errorf("%s: error %v, %d marks", name, err, len(r.Marks))
		}
	}
	grey, _ := asPhoto(tilted(10, 0, 0))
	for i := 0; i < len(grey.Image.Pix); i += 4 {
		grey.Image.Pix[i], grey.Image.Pix[i+2] = grey.Image.Pix[i+1], grey.Image.Pix[i+1]
	}
	for _, c := range []struct {
		marks   MarkOptions
		refused bool
	}{{MarkOptions{}, true}, {MarkOptions{Colours: []string{"red", "black"}}, true}, {MarkOptions{Colours: []string{"black", "white"}}, false}, {MarkOptions{Bare: true}, false}} {
		_, err := Read(grey, Options{Rings: RingSpec{OuterMM: 400}, Marks: c.marks})
		if refused := err != nil && strings.Contains(err.Error(), "black and white"); refused != c.refused {
			t.Errorf("black and white photo, %+v: error %v", c.marks, err)
		}
	}
	for name, img := range map[string]*image.NRGBA{"black": image.NewNRGBA(image.Rect(0, 0, 640, 480)), "tiny": image.NewNRGBA(image.Rect(0, 0, 3, 2))} {
		_, err := Read(&photo.Photo{Image: img}, Options{Rings: RingSpec{OuterMM: 400}})
		var refusal *Refusal
		if !errors.As(err, &refusal) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

func TestFlagNeighbours(t *testing.T) {
	r, _ := calib.NewRectification([7]float64{2, 0, -2, 500, 400, 0, 0}, calib.Lens{}, 0)
	mark := func(x, y, visible float64) Mark {
		return Mark{Pos: r2.Vec{X: x, Y: y}, DiameterMM: 20, Visible: visible}
	}
	marks := []Mark{mark(0, 0, 1), mark(12, 0, 0.6), mark(100, 0, 1), mark(-245, 0, 1)}
	flagNeighbours(marks, r, image.Pt(1000, 800))
	for i, want := range [][]Flag{{Touching}, {Touching, Hidden}, nil, {EdgeOfView}} {
		if !slices.Equal(marks[i].Flags, want) {
			t.Errorf("mark %d: flags %v, want %v", i, marks[i].Flags, want)
		}
	}
}

// Fair photos, each of which once was refused.
func TestLocateRandom(t *testing.T) {
	for _, c := range []struct {
		name     string
		seed     uint64
		longPx   float64
		tolShare float64 // of the outer diameter
	}{
		{"drawn rings whose sides wobble out of reach", 33018, 1200, 0.006},
		{"drawn rings, strongly tilted", 42244, 1200, 0.006},
		{"one ring on a bowed board, which a lens would mend that no phone has", 35035, 1632, 0.005},
		{"two hoops beside a drawn board", 40065, 1200, 0.005},
		{"a hoop beside a printed board", 40147, 1200, 0.0005},
		{"a hoop at the photo's edge", 40211, 1200, 0.005},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := boardtest.Random(c.seed, boardtest.Varied)
			shrink(&s.Camera, c.longPx)
			p, truth := asPhoto(s)
			fit, err := locateIn(p, specOf(s.Face))
			if err != nil {
				t.Fatal(err)
			}
			outer := s.Face.OuterMM()
			if d := worstMM(fit, truth, 0.4*outer); !(d < c.tolShare*outer) {
				t.Errorf("a distance is %.2f mm off, allowed %.2f", d, c.tolShare*outer)
			}
		})
	}
}

// The two sides of one line, in a plane that is not the board's, are no two rings: one of
// them is hardly seen there.
func TestRingsThatFixAPlane(t *testing.T) {
	for _, c := range []struct {
		name        string
		inner, seen float64
		want        int
	}{
		{"two rings", 0.5, 1, 2},
		{"near each other", 0.9, 1, 2},
		{"far apart, one hardly seen", 0.5, 0.4, 2},
		{"near each other, one hardly seen", 0.92, 0.33, 1},
		{"two sides of a line", 0.95, 1, 1},
	} {
		p := planeFit{sol: &calib.Solution{}, features: []feature{{inner: c.inner, outer: c.inner, seen: c.seen}, {inner: 1, outer: 1, seen: 1}}}
		if got := p.rings(); got != c.want {
			t.Errorf("%s: %d rings, want %d", c.name, got, c.want)
		}
	}
}

// A cropped photo says so, and the middle of its lens is found.
func TestCroppedPhoto(t *testing.T) {
	s := tilted(25, 40, -0.12)
	s.Camera.Width, s.Camera.PrincipalPx, s.Camera.AimPx = 1400, calib.Px{X: -180}, calib.Px{X: -40}
	p, truth := asPhoto(s)
	p.Camera.Focal35MM = 0 // as the decoder leaves it
	worst := func(r *Reading) (off float64) {
		for i := range 8 {
			sin, cos := math.Sincos(float64(i))
			x := r2.Vec{X: 180 * cos, Y: 180 * sin}
			at := r2.Norm(r.ToBoard(truth.Rectification.ToPhoto(x)))
			off = math.Max(off, math.Abs(at-180))
		}
		return off
	}
	for _, cropped := range []bool{false, true} {
		p.Camera.Cropped = cropped
		r, err := Read(p, Options{Rings: specOf(s.Face), PlaneOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		said := strings.Contains(strings.Join(r.Warnings, "\n"), "seems to be cropped")
		if off := worst(r); said != cropped || (off < 0.1) != cropped {
			t.Errorf("cropped %v: said %v, %.3f mm off; want less than 0.1 where it is known", cropped, said, off)
		}
		wrong := specOf(s.Face)
		wrong.ListMM[0] *= 1.2
		var refused *Refusal
		if _, err := Read(p, Options{Rings: wrong, PlaneOnly: true}); !errors.As(err, &refused) || strings.Contains(refused.Advice, "as taken") != cropped {
			t.Errorf("cropped %v, a wrong list: %v; want to be asked for the photo as taken where it is cropped", cropped, err)
		}
	}
}
