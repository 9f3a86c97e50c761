package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"path/filepath"
	"slices"
	"sync"

	"dartfall/calib"
	"dartfall/calib/photo"
	"dartfall/cmd/dartfall/internal/batch"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/review"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

// darkroom makes what the review page shows of a job's photos. A decoded photo takes
// 60 MB, so that only the last few are kept.
type darkroom struct {
	measurer measurer
	decoded  shelf[*photo.Photo]
	taken    shelf[[]byte]
	flat     shelf[review.Flat]
}

func newDarkroom(j job) *darkroom {
	return &darkroom{measurer: newMeasurer(j), decoded: shelf[*photo.Photo]{room: 2}, taken: shelf[[]byte]{room: 4}, flat: shelf[review.Flat]{room: 4}}
}

// Settings of the pictures on the page.
const (
	pageQuality    = 92   // JPEG: single pixels are looked at
	pageFlatSidePx = 3000 // of the squared-up board at most
)

func (d *darkroom) tools() review.Tools {
	j := d.measurer.job
	return review.Tools{
		Dir:      j.dir,
		Assemble: d.assemble,
		Measure:  d.measure,
		CheckRing: func(mm float64) error {
			if why := j.ringContradicts(mm); why != "" {
				return errors.New(why)
			}
			return nil
		},
		Snap:  d.snap,
		Taken: d.takenJPEG,
		Flat:  d.flatJPEG,
		Row:   pageRow,
		Identities: func(s sheet.Summary) (ids []picture.Identity) {
			for _, a := range scene(s).Accessories {
				ids = append(ids, a.Identity)
			}
			return ids
		},
		Pictures: choices(),
		Picture:  publicPicture,
		Save:     d.save,
		Colours:  session.Colours(),
	}
}

func (d *darkroom) assemble(s decisions.State, photos []sheet.Photo) (sheet.Summary, error) {
	j := d.measurer.job
	if err := j.readDecisions(); err != nil { // the record's identity belongs to the document
		return sheet.Summary{}, err
	}
	j.decided = s
	return assemble(j, photos)
}

func (d *darkroom) measure(ctx context.Context, s decisions.State, name string) (sheet.Photo, error) {
	path, err := d.path(name)
	if err != nil {
		return sheet.Photo{}, err
	}
	m := d.measurer
	m.job.decided = s
	d.flat.forget(name)
	return m.measure(ctx, path)
}

func (d *darkroom) path(name string) (string, error) {
	photos := d.measurer.job.photos
	i := slices.IndexFunc(photos, func(p batch.Photo) bool { return p.Name == name })
	if i < 0 {
		return "", fmt.Errorf("there is no photo %s", name)
	}
	return photos[i].Path, nil
}

// photo is the decoded photo, which must still be the one that was measured.
func (d *darkroom) photo(p sheet.Photo) (*photo.Photo, error) {
	return d.decoded.get(p.Name, func() (*photo.Photo, error) {
		path, err := d.path(p.Name)
		if err != nil {
			return nil, err
		}
		got, err := photo.Load(path, photo.Options{DecodeJPEG: vision.DecodeJPEG})
		if err == nil && got.SHA256 != p.SHA256 {
			err = fmt.Errorf("%s changed since it was measured: start again", p.Name)
		}
		return got, err
	})
}

func (d *darkroom) takenJPEG(p sheet.Photo) ([]byte, error) {
	return d.taken.get(p.Name, func() ([]byte, error) {
		ph, err := d.photo(p)
		if err != nil {
			return nil, err
		}
		n := ph.Image // opaque, so that its pixels are the same in both colour models
		return vision.EncodeJPEG(&image.RGBA{Pix: n.Pix, Stride: n.Stride, Rect: n.Rect}, pageQuality)
	})
}

func (d *darkroom) flatJPEG(p sheet.Photo) (review.Flat, error) {
	return d.flat.get(p.Name, func() (review.Flat, error) {
		ph, err := d.photo(p)
		if err != nil {
			return review.Flat{}, err
		}
		rect, ok := p.Plane.Rectification()
		if !ok {
			return review.Flat{}, fmt.Errorf("%s has no plane", p.Name)
		}
		outer := 0.0
		for _, r := range p.Rings {
			outer = max(outer, float64(r.DiameterMM)/2)
		}
		f := vision.SquareUp(ph, rect, outer, pageFlatSidePx)
		jpeg, err := vision.EncodeJPEG(opaque(f.Image), pageQuality)
		return review.Flat{JPEG: jpeg, Width: f.Image.Rect.Dx(), Height: f.Image.Rect.Dy(), PxPerMM: f.PxPerMM, Centre: f.Centre}, err
	})
}

// opaque lays the parts that a photo does not reach on a quiet grey.
func opaque(img *image.NRGBA) *image.RGBA {
	out := image.NewRGBA(img.Rect)
	draw.Draw(out, out.Rect, image.NewUniform(color.Gray{0x80}), image.Point{}, draw.Src)
	draw.Draw(out, out.Rect, img, img.Rect.Min, draw.Over)
	return out
}

// snap looks for the disc of that diameter, then for one of nearly that diameter.
func (d *darkroom) snap(p sheet.Photo, at calib.Px, diameterMM float64) (review.Snapped, bool, error) {
	ph, err := d.photo(p)
	if err != nil {
		return review.Snapped{}, false, err
	}
	rect, ok := p.Plane.Rectification()
	if !ok {
		return review.Snapped{}, false, fmt.Errorf("%s has no plane", p.Name)
	}
	for _, hold := range []bool{true, false} {
		if s, ok := vision.Snap(ph.Image, rect, at, diameterMM/2, hold); ok {
			lo, hi := rect.PxPerMM(s.Pos)
			sigma := math.Sqrt((s.CovMM2[0] + s.CovMM2[2]) / 2 * lo * hi)
			return review.Snapped{At: s.Photo, SigmaPx: sigma, DiameterMM: s.DiameterMM}, true, nil
		}
	}
	return review.Snapped{}, false, nil
}

// save writes one picture to publish and all results that need no photo again.
func (d *darkroom) save(s sheet.Summary, key string) (string, error) {
	out := d.measurer.job.out
	data, err := publicPicture(s, key)
	if err != nil {
		return "", err
	}
	file := filepath.Join(out, picturesDir, key+".png")
	if err := sheet.WriteFile(file, data); err != nil {
		return "", err
	}
	if err := sheet.WriteResults(out, s); err != nil {
		return "", err
	}
	_, _, err = writeReport(out, s)
	return file, err
}

// pageRow writes figures as the table of measure does.
func pageRow(f sheet.Figures) review.Row {
	centre := "–"
	if f.CentreMM.XMM.Known() {
		centre = fmt.Sprintf("%+.0f, %+.0f", float64(f.CentreMM.XMM), float64(f.CentreMM.YMM))
	}
	return review.Row{
		N: f.N, Spread: ranged(f.ExtremeSpreadMM), Radius: ranged(f.MeanRadiusMM), Sigma: ranged(f.SigmaMM),
		Width: bound(f.WidthMM) + millimetres(f.WidthMM.Value), Height: bound(f.HeightMM) + millimetres(f.HeightMM.Value), Centre: centre,
	}
}

// shelf keeps the last few things that were made. The zero room keeps none.
type shelf[T any] struct {
	room int

	mu    sync.Mutex
	names []string // oldest first
	items map[string]T
}

// get returns the thing of that name, made when it is not there.
func (s *shelf[T]) get(name string, develop func() (T, error)) (T, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if item, ok := s.items[name]; ok {
		return item, nil
	}
	item, err := develop()
	if err != nil || s.room == 0 {
		return item, err
	}
	if s.items == nil {
		s.items = map[string]T{}
	}
	if len(s.names) >= s.room {
		delete(s.items, s.names[0])
		s.names = s.names[1:]
	}
	s.names, s.items[name] = append(s.names, name), item
	return item, nil
}

func (s *shelf[T]) forget(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.items, name)
	s.names = slices.DeleteFunc(s.names, func(n string) bool { return n == name })
}
