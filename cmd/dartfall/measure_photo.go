package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"math"
	"os"
	"path/filepath"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/photo"
	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

// measurer measures photos for a job, one at a time for each worker.
type measurer struct {
	job job
	// benches holds those that are free. (A sync.Pool keeps one for each core, and
	// forgets them.)
	benches chan *workbench
}

// workbench is the memory that is used again for one photo after another: 50 MB for its
// pixels and some 12 for its pictures.
type workbench struct {
	vision.JPEGDecoder
	pictures picture.Memory
}

func newMeasurer(j job) measurer { return measurer{j, make(chan *workbench, 64)} }

// bench returns one for a photo, to be given back.
func (m measurer) bench() (b *workbench, giveBack func()) {
	select {
	case b = <-m.benches:
	default:
		b = new(workbench)
	}
	return b, func() {
		select {
		case m.benches <- b:
		default:
		}
	}
}

// Of the overlay and the flat picture: the JPEG quality, and of the latter the most
// pixels on a side.
const (
	pictureQuality = 88
	flatSidePx     = 1400
)

// measure reads one photo, finds board and marks, and draws its two pictures.
func (m measurer) measure(_ context.Context, path string) (sheet.Photo, error) {
	b, giveBack := m.bench()
	defer giveBack()
	p, err := photo.Load(path, photo.Options{DecodeJPEG: b.Decode})
	if err != nil {
		return sheet.Photo{}, err
	}
	out := sheet.Photo{
		Name: p.Name, SHA256: p.SHA256, WidthPx: p.Image.Rect.Dx(), HeightPx: p.Image.Rect.Dy(), State: sheet.Measured,
	}
	if !p.Camera.Taken.IsZero() {
		out.Taken = p.Camera.Taken.Format("2006-01-02T15:04:05")
	}
	opts := m.job.optionsFor(p.SHA256)
	opts.Marks.Counts = m.job.countsOn(p.Name)
	var lensNote string
	opts.Lens, lensNote = m.job.lensFor(p)
	r, err := vision.Read(p, opts)
	if r != nil {
		for _, c := range r.Checks {
			out.Grade = append(out.Grade, sheet.Grade{Check: c.Name, Value: sheet.Number(c.Value), Unit: c.Unit, Level: string(c.Level), Words: c.Words, Advice: c.Advice})
		}
	}
	var refusal *vision.Refusal
	if errors.As(err, &refusal) {
		out.State, out.Reason, out.Advice = sheet.Refused, refusal.Reason, refusal.Advice
		return out, nil
	}
	if err != nil {
		return out, err
	}
	if r.Rough() {
		out.State = sheet.Rough
		for _, c := range r.Checks {
			if c.Level != vision.Good {
				out.Reason, out.Advice = c.Words, c.Advice
				break
			}
		}
	}
	out.Warnings = append(slices.Clone(r.Warnings), m.coloursMissing(r)...)
	if lensNote != "" {
		out.Warnings = append(out.Warnings, lensNote)
	}
	m.describePlane(&out, r, opts.Rings.ListMM)
	for i, k := range r.Marks {
		out.Marks = append(out.Marks, impactOf(r, k, fmt.Sprintf("%s#%d", p.Name, i+1), p.Name))
	}
	return out, m.draw(&b.pictures, p, r.Rectification, m.job.stem(p.Name), &out)
}

// coloursMissing says which declared colours no mark has. In a session a photo
// taken before a string rightly lacks its colour; there, the declared shots speak.
func (m measurer) coloursMissing(r *vision.Reading) []string {
	if m.job.session != nil {
		return nil
	}
	var out []string
	for _, c := range m.job.opts.Marks.Colours {
		if !slices.ContainsFunc(r.Marks, func(k vision.Mark) bool { return k.Colour == c }) {
			out = append(out, fmt.Sprintf("no %s sticker was found: if there are any, nothing here counts them (stickers of the board's own colour, such as white on white paper, are not seen)", c))
		}
	}
	return out
}

// describePlane tells of the plane and of the rings, of which some were given.
func (m measurer) describePlane(out *sheet.Photo, r *vision.Reading, givenMM []float64) {
	lo, hi := r.PxPerMM(r2.Vec{})
	outer := r.Circles[0].RadiusMM
	pl := &sheet.Plane{
		Method:     string(r.Basis),
		ResidualPx: sheet.Number(r.ResidualPx), ResidualMM: sheet.Number(r.ResidualPx / math.Sqrt(lo*hi)), EdgePoints: r.EdgePoints,
		TiltDeg: sheet.Number(r.TiltRad * 180 / math.Pi), PxPerMM: sheet.Number(lo),
	}
	pl.SetRectification(r.Rectification)
	sigma := func(x r2.Vec) float64 { a, _, b := r.PlaneCov(x); return math.Sqrt((a + b) / 2) }
	pl.SigmaCentreMM = sheet.Number(sigma(r2.Vec{}))
	worst := 0.0
	for i := range 12 {
		s, c := math.Sincos(2 * math.Pi * float64(i) / 12)
		worst = math.Max(worst, sigma(r2.Vec{X: outer * c, Y: outer * s}))
	}
	pl.SigmaOuterRingMM = sheet.Number(worst)
	out.Plane = pl
	for _, c := range r.Circles {
		d := 2 * c.RadiusMM
		switch m.job.opts.Rings.Edge {
		case vision.RingMiddle:
			d = c.RadiusMM + c.InnerMM
		case vision.RingInner:
			d = 2 * c.InnerMM
		}
		ring := sheet.Ring{DiameterMM: sheet.Number(d), OuterMM: sheet.Number(2 * c.RadiusMM), InnerMM: sheet.Number(2 * c.InnerMM), Edge: m.job.edgeName, Seen: sheet.Number(c.Seen), ResidualMM: sheet.Unknown()}
		if r.Basis == vision.ByPoints { // the circle only says how far the face reaches
			ring.Seen = sheet.Unknown()
			out.Rings = append(out.Rings, ring)
			continue
		}
		for _, g := range givenMM {
			if math.Abs(d-g) < 0.01*g {
				ring.Given, ring.ResidualMM = true, sheet.Number(d-g)
			}
		}
		out.Rings = append(out.Rings, ring)
	}
	out.Up = m.upOf(r.Up)
	if m.job.up == "mark" && r.Up.Source == vision.UpByPhoto {
		out.Warnings = append(out.Warnings, "no up mark is clearly seen (a filled triangle outside the outermost ring): the photo's upright is taken instead")
	}
}

// upOf says where up comes from.
func (m measurer) upOf(u vision.Up) sheet.Up {
	const rests = "; width, height and the centre's place rest on it, sizes do not"
	out := sheet.Up{Source: string(u.Source), SigmaDeg: sheet.Number(u.SigmaRad * 180 / math.Pi)}
	switch u.Source {
	case vision.UpByMark:
		lean := u.LeanRad * 180 / math.Pi
		out.Words = "up is the printed up mark's"
		if math.Abs(lean) >= 1 {
			way := "anticlockwise"
			if lean < 0 {
				way = "clockwise"
			}
			out.Words += fmt.Sprintf(", %.0f° %s of the photo's upright", math.Abs(lean), way)
		}
	case vision.UpByPoints:
		out.Words = "up is that of the points given"
	default:
		out.Words = "up is the photo's upright, good to 2° when the phone was held level"
	}
	out.Words += rests
	return out
}

func impactOf(r *vision.Reading, k vision.Mark, id, photoName string) sheet.Impact {
	xx, xy, yy := r.MarkCov(k)
	im := sheet.Impact{
		ID: id, Photo: photoName, Colour: k.Colour, Kind: string(k.Kind),
		XMM: sheet.Number(k.Pos.X), YMM: sheet.Number(k.Pos.Y), SigmaMM: sheet.Number(math.Sqrt((xx + yy) / 2)),
		CovMM2: [3]sheet.Number{sheet.Number(xx), sheet.Number(xy), sheet.Number(yy)}, Up: string(r.Up.Source),
		XPx: sheet.Number(k.Photo.X), YPx: sheet.Number(k.Photo.Y), DiameterMM: sheet.Number(k.DiameterMM),
		Visible: sheet.Number(k.Visible), Confidence: sheet.Number(k.Confidence), Source: sheet.Found,
	}
	for _, f := range k.Flags {
		im.Flags = append(im.Flags, string(f))
	}
	return im
}

// draw writes the overlay and the flat picture of one photo, named after stem, and
// draws them in memory.
func (m measurer) draw(memory *picture.Memory, p *photo.Photo, rect *calib.Rectification, stem string, out *sheet.Photo) error {
	radiiMM := out.RadiiMM()
	var colours []string
	who := map[string]int{}
	var marks []picture.Mark
	count := map[string]int{}
	for _, k := range out.Marks {
		if !k.Counts() {
			continue
		}
		if _, ok := who[k.Colour]; !ok {
			who[k.Colour] = len(colours)
			colours = append(colours, k.Colour)
		}
		count[k.Colour]++
		marks = append(marks, picture.Mark{
			Pos: r2.Vec{X: float64(k.XMM), Y: float64(k.YMM)}, DiameterMM: float64(k.DiameterMM), Who: who[k.Colour], Number: count[k.Colour],
			SetAside: k.SetAside != "", Doubtful: slices.Contains(k.Flags, string(vision.Doubtful)),
		})
	}
	names := make([]string, len(colours))
	for i, c := range colours {
		names[i] = m.nameOf(c)
	}
	ids := picture.Identities(names, colours)
	facts := picture.Facts{Photo: p.Name, PxPerMM: float64(out.Plane.PxPerMM), ResidualMM: float64(out.Plane.ResidualMM), Distance: m.job.distance.Text}
	if out.State == sheet.Rough {
		facts.Note = "rough"
	}
	over := picture.Overlay(picture.OverlayInput{Photo: p.Image, Half: p.Half, Rect: rect, RadiiMM: radiiMM, Marks: marks, Identities: ids, Facts: facts, Memory: memory})
	out.OverlayAt = stem + "-overlay.jpg"
	var err error
	if out.OverlaySHA256, err = writeJPEG(filepath.Join(m.job.out, out.OverlayAt), over.Image); err != nil {
		return err
	}
	flat := vision.SquareUp(p, rect, slices.Max(radiiMM), flatSidePx)
	squared := picture.FlatPicture(picture.FlatInput{Image: flat.Image, PxPerMM: flat.PxPerMM, Centre: flat.Centre, Marks: marks, Identities: ids, Facts: facts, Memory: memory})
	out.Flat = &sheet.Flat{
		File: stem + "-flat.jpg", WidthPx: flat.Image.Rect.Dx(), HeightPx: flat.Image.Rect.Dy(),
		PxPerMM: sheet.Number(flat.PxPerMM), CentrePx: [2]sheet.Number{sheet.Number(flat.Centre.X), sheet.Number(flat.Centre.Y)},
	}
	out.Flat.SHA256, err = writeJPEG(filepath.Join(m.job.out, out.Flat.File), squared.Image)
	return err
}

// nameOf returns the accessory that wears a sticker colour, or the colour.
func (m measurer) nameOf(colour string) string {
	if s := m.job.session; s != nil {
		for _, a := range s.Accessories {
			if a.Sticker == colour {
				return a.Name
			}
		}
	}
	return colour
}

// writeJPEG returns the SHA-256 of the file, in hexadecimal digits.
func writeJPEG(path string, img *image.RGBA) (hash string, err error) {
	data, err := vision.EncodeJPEG(img, pictureQuality)
	if err != nil {
		return "", fmt.Errorf("cannot encode %s: %v", filepath.Base(path), err)
	}
	return hexSHA256(data), sheet.WriteFile(path, data)
}

func hexSHA256(data []byte) string { return fmt.Sprintf("%x", sha256.Sum256(data)) }

// hasItsPictures tells whether the pictures in the results are those that were drawn
// from a stored result: a run with other settings draws over them.
func (m measurer) hasItsPictures(p sheet.Photo) bool {
	is := func(file, hash string) bool {
		data, err := os.ReadFile(filepath.Join(m.job.out, file))
		return err == nil && hexSHA256(data) == hash
	}
	return p.OverlayAt == "" || is(p.OverlayAt, p.OverlaySHA256) && (p.Flat == nil || is(p.Flat.File, p.Flat.SHA256))
}
