// Package review is the local page on which a person looks at the photos of a
// session, fixes what is doubtful and sees the numbers move. It knows no OpenCV and
// computes no figure: measuring, assembling and drawing are functions it is given,
// the same that the other commands use. What the person decides goes to the folder's
// record of decisions at once.
//
// The page is served on the loopback interface only, to the one browser that was
// given the run's secret; see Server.
package review

import (
	"context"

	"dartfall/calib"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/sheet"
)

// Tools are what the desk is given. They are called from one goroutine at a time,
// Taken, Flat and Picture apart.
type Tools struct {
	// Dir holds the photos and the record of decisions.
	Dir string
	// Assemble makes the session's document from photos as measured.
	Assemble func(decisions.State, []sheet.Photo) (sheet.Summary, error)
	// Measure measures one photo again, when its scale was decided on.
	Measure func(ctx context.Context, s decisions.State, name string) (sheet.Photo, error)
	// CheckRing says why the outermost ring cannot have that diameter.
	CheckRing func(mm float64) error
	// Snap looks for the disc of about that diameter that a place lies on; ok is
	// false when there is none.
	Snap func(p sheet.Photo, at calib.Px, diameterMM float64) (s Snapped, ok bool, err error)
	// Taken is the upright photo as a JPEG.
	Taken func(p sheet.Photo) ([]byte, error)
	// Flat is the board squared up, without anything drawn on it.
	Flat func(p sheet.Photo) (Flat, error)
	// Row writes figures as they stand in every table.
	Row func(sheet.Figures) Row
	// Identities gives each group of a document its letter, shape and tone.
	Identities func(sheet.Summary) []picture.Identity
	// Pictures are what can be published; Picture draws one as a PNG, and Save writes
	// it with all other results and says where.
	Pictures []Choice
	Picture  func(s sheet.Summary, key string) ([]byte, error)
	Save     func(s sheet.Summary, key string) (file string, err error)
	// Colours are the names of the sticker colours.
	Colours []string
}

// Snapped is the disc that a place lies on.
type Snapped struct {
	At         calib.Px
	SigmaPx    float64 // standard uncertainty of At, per axis
	DiameterMM float64
}

// Flat is a squared-up board: pixel = Centre + (x, -y) times PxPerMM.
type Flat struct {
	JPEG          []byte
	Width, Height int
	PxPerMM       float64
	Centre        calib.Px
}

// Row is one line of figures in words, millimetres.
type Row struct {
	N      int    `json:"n"`
	Spread string `json:"spread"`
	Radius string `json:"radius"`
	Sigma  string `json:"sigma"`
	Width  string `json:"width"`
	Height string `json:"height"`
	Centre string `json:"centre"`
}

// Choice is one picture that can be published.
type Choice struct {
	Key   string `json:"key"`
	Title string `json:"title"`
}
