package vision

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// Options is what the user knows of board and marks.
type Options struct {
	Rings  RingSpec
	Marks  MarkOptions
	Points []calib.Tie // corresponding points given by hand, four or more: the rings are then not searched
	// Board says which board is meant where a photo shows several.
	Board Side
	// Lens is what is known of the camera's lens; nil for nothing.
	Lens *LensPrior
	// PlaneOnly leaves the marks alone.
	PlaneOnly bool
	// PhotoUp takes the photo's upright for up without looking for an up mark.
	PhotoUp bool
}

// Reading is all that was seen on one photo of a board.
type Reading struct {
	*calib.Rectification
	Basis      Basis
	Up         Up
	ResidualPx float64  // robust standard deviation of ring edges about the plane
	Circles    []Circle // of the face, largest first
	EdgePoints int
	TiltRad    float64
	Checks     []Check
	Marks      []Mark
	Flat       *Flat
	Warnings   []string
}

// Rough reports whether a check fell short of good.
func (r *Reading) Rough() bool {
	for _, c := range r.Checks {
		if c.Level != Good {
			return true
		}
	}
	return false
}

// Read finds the board in the photo, squares it up and finds its marks. A photo
// on which nothing can be trusted gives a *Refusal; the Reading then holds what
// checks were made, and no marks.
func Read(p *photo.Photo, opts Options) (*Reading, error) {
	b := p.Image.Bounds()
	diag := math.Hypot(float64(b.Dx()), float64(b.Dy()))
	cam := newCamera(b.Dx(), b.Dy(), p.Camera.FocalPx(diag), p.Camera.Cropped)
	if opts.Lens != nil {
		cam.know(*opts.Lens)
	}
	if r := unusable(p); r != nil {
		return &Reading{}, r
	}
	if !opts.PlaneOnly && opts.Marks.byColour() && colourless(p.Image) {
		return &Reading{}, &Refusal{"the photo is in black and white: stickers of different colours cannot be told apart", "send the photo in colour, or measure bare marks with --marks"}
	}
	var fit *boardFit
	var err error
	if len(opts.Points) > 0 {
		fit, err = fromPoints(opts.Points, opts.Rings, cam.lens, opts.Lens != nil)
	} else {
		fit, err = locate(p, cam, opts.Rings, opts.Board)
	}
	if err != nil {
		return &Reading{}, explain(err, cam.centreSigmaPx > 0)
	}
	rect, up := fit.sol.Rectification, Up{Source: UpByPhoto, SigmaRad: photoUpSigma}
	switch {
	case fit.basis == ByPoints:
		up = Up{Source: UpByPoints}
	case !opts.PhotoUp:
		rect, up = turnUp(p.Image, rect, fit.circles[0].RadiusMM)
	}
	out := &Reading{
		Rectification: rect,
		Basis:         fit.basis,
		Up:            up,
		ResidualPx:    fit.sol.ResidualPx,
		Circles:       fit.circles,
		EdgePoints:    len(fit.sol.Inliers),
		TiltRad:       tilt(fit.sol.Rectification, cam.focalPx, fit.sol.Lens.CentrePx),
		Checks:        grade(p.Image, fit, cam, opts.Marks),
		Warnings:      fit.warnings,
	}
	if cam.centreSigmaPx > 0 && fit.basis != ByPoints {
		out.Warnings = append(out.Warnings, fmt.Sprintf("the picture, %d by %d pixels, seems to be cropped: where the middle of the lens was is not known, which the stated uncertainty allows for; send the photo as taken", b.Dx(), b.Dy()))
	}
	if r := refusalOf(out.Checks); r != nil {
		return out, r
	}
	if opts.PlaneOnly {
		return out, nil
	}
	var said remarks
	out.Marks, out.Flat, said = findMarks(p, out.Rectification, out.Circles, opts.Marks)
	out.Warnings, out.Checks = append(out.Warnings, said.warnings...), append(out.Checks, said.checks...)
	out.dropUp()
	out.dropOthers(fit.others)
	flagNeighbours(out.Marks, out.Rectification, b.Max)
	if c, wrong := wrongSize(p, out.Rectification, out.Circles, opts.Marks, out.Marks, said.checks); wrong {
		out.Checks = append(out.Checks, c)
	}
	r := out.unseen(opts.Marks)
	if r == nil {
		r = refusalOf(out.Checks)
	}
	if r != nil {
		out.Marks = nil
		return out, r
	}
	return out, nil
}

// dropUp leaves out the up mark where it is taken for a bare mark.
func (r *Reading) dropUp() {
	at := r2.Vec{Y: r.Up.AtMM}
	n := len(r.Marks)
	r.Marks = slices.DeleteFunc(r.Marks, func(m Mark) bool {
		return r.Up.Source == UpByMark && m.Kind == Bare && r2.Norm(r2.Sub(m.Pos, at)) < m.DiameterMM/2
	})
	if n > len(r.Marks) {
		r.Warnings = append(r.Warnings, "what looks like a mark on the up mark is left out: add it by hand if a shot struck there")
	}
}

// dropOthers leaves out the marks of other boards in the photo.
func (r *Reading) dropOthers(others []calib.Ellipse) {
	n := len(r.Marks)
	r.Marks = slices.DeleteFunc(r.Marks, func(m Mark) bool { return ofOthers(m, r.Circles[0].RadiusMM, others) })
	if n > len(r.Marks) {
		r.Warnings = append(r.Warnings, fmt.Sprintf("%d marks beside the face are left out: they lie nearer to the other board", n-len(r.Marks)))
	}
}

// flagNeighbours flags marks that meet another, lie partly under one, or are cut
// by the border of the photo.
func flagNeighbours(marks []Mark, r *calib.Rectification, size image.Point) {
	add := func(m *Mark, f Flag) {
		if !slices.Contains(m.Flags, f) {
			m.Flags = append(m.Flags, f)
		}
	}
	for i := range marks {
		m := &marks[i]
		for j, o := range marks {
			if i == j || r2.Norm(r2.Sub(m.Pos, o.Pos)) >= (m.DiameterMM+o.DiameterMM)/2 {
				continue
			}
			add(m, Touching)
			if m.Visible < 0.85 && m.Visible < o.Visible {
				add(m, Hidden)
			}
		}
		for k := range 8 {
			sin, cos := math.Sincos(math.Pi / 4 * float64(k))
			p := r.ToPhoto(r2.Vec{X: m.Pos.X + m.DiameterMM/2*cos, Y: m.Pos.Y + m.DiameterMM/2*sin})
			if p.X < 1 || p.Y < 1 || p.X > float64(size.X-2) || p.Y > float64(size.Y-2) {
				add(m, EdgeOfView)
			}
		}
	}
}

// fromPoints squares the board up from points given by hand. The circle that
// stands for the face is the outer ring when it is known, else the one that
// holds all points. known tells that the lens was measured.
func fromPoints(points []calib.Tie, rings RingSpec, lens calib.Lens, known bool) (*boardFit, error) {
	corrected := "no lens correction"
	if known {
		corrected = "lens corrected"
	}
	sol, err := calib.SolvePoints(points, lens)
	if err != nil {
		return nil, &Refusal{"the points given do not fix a plane", "give four corners that are not on one line, each as pixel=millimetre with y up"}
	}
	radius := rings.OuterMM / 2
	if radius == 0 {
		for _, t := range points {
			radius = math.Max(radius, r2.Norm(t.Board))
		}
	}
	return &boardFit{
		sol: sol, basis: ByPoints, seen: 1,
		circles:  []Circle{{RadiusMM: radius, InnerMM: radius, Seen: 1}},
		warnings: []string{"the plane rests on points set by hand, each taken as good to 1 px; " + corrected},
	}, nil
}

// unusable refuses photos in which no search can find anything: black, burnt out
// or of one tone.
func unusable(p *photo.Photo) *Refusal {
	img := p.Image
	if img.Rect.Dx() < 200 || img.Rect.Dy() < 200 {
		return &Refusal{"the picture is too small to measure", "send the original photo, not a preview"}
	}
	var hist [256]int
	n := 0
	for y := 0; y < img.Rect.Dy(); y += 8 {
		for x := 0; x < img.Rect.Dx(); x += 8 {
			hist[img.Pix[y*img.Stride+4*x+1]]++
			n++
		}
	}
	at := func(share float64) int {
		seen := 0
		for v, k := range hist {
			if seen += k; float64(seen) >= share*float64(n) {
				return v
			}
		}
		return 255
	}
	switch lo, hi := at(0.02), at(0.98); {
	case hi < 25:
		return &Refusal{"the photo is black", "more light, and check that nothing covers the lens"}
	case lo > 245:
		return &Refusal{"the photo is burnt out", "lower the exposure: tap the board on the phone's screen"}
	case hi-lo < 8:
		return &Refusal{"the photo shows one even tone", "photograph the board with the whole outer ring in view"}
	}
	return nil
}

// colourless reports whether not one of the pixels looked at has a colour worth the name.
func colourless(img *image.NRGBA) bool {
	const most = 3 // grey levels, which conversions of a grey picture leave
	for y := 0; y < img.Rect.Dy(); y += 8 {
		for x := 0; x < img.Rect.Dx(); x += 8 {
			c := img.Pix[y*img.Stride+4*x:][:3]
			if max(c[0], c[1], c[2])-min(c[0], c[1], c[2]) > most {
				return false
			}
		}
	}
	return true
}

// explain turns a search error into what a reviewer can act on; cropped tells of a photo
// that is not whole.
func explain(err error, cropped bool) error {
	const whole = "photograph the whole board with some margin, sharp, from less than 50° off square-on"
	switch {
	case errors.Is(err, errNoRings):
		return &Refusal{"no ringed board was found", whole}
	case errors.Is(err, errSoft):
		return &Refusal{err.Error(), focus}
	case errors.Is(err, errTwoPoses):
		return &Refusal{err.Error(), "mark the ring's centre, use a face with two rings, or give points with --points"}
	case errors.Is(err, errRingRatio) && cropped:
		return &Refusal{err.Error(), "send the photo as taken: this one seems to be cropped, and the rings of what is left may seem to contradict a list that is right"}
	case errors.Is(err, errRingRatio):
		return &Refusal{err.Error(), "check the list of diameters with a tape measure, in two directions"}
	case errors.Is(err, calib.ErrDiverged), errors.Is(err, calib.ErrDegenerate):
		return &Refusal{"the rings that were seen do not fix the board's plane", whole}
	}
	return err
}

// MarkCov is the whole photo budget of a mark: its own edge plus the plane, xx,
// xy, yy in mm².
func (r *Reading) MarkCov(m Mark) (xx, xy, yy float64) {
	xx, xy, yy = r.PlaneCov(r2.Vec{X: m.Pos.X, Y: m.Pos.Y})
	return xx + m.CovMM2[0], xy + m.CovMM2[1], yy + m.CovMM2[2]
}
