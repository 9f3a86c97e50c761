// Package photo reads a photograph of a board: its identity, its facts and its
// upright pixels. It refuses to look at what is on it.
package photo

import (
	"image"
	"time"
)

// Photo is one photograph, upright, with its identity and what the camera says.
type Photo struct {
	Name   string       // base name of the file
	SHA256 string       // of the file's bytes, hex
	Image  *image.NRGBA // upright: EXIF orientation applied once; Min is (0, 0)
	Camera Camera
}

// Camera holds what the file's metadata says; every field may be zero (unknown).
type Camera struct {
	Make, Model string
	Taken       time.Time // camera clock, no zone
	// Focal35MM is the focal length in 35 mm terms; the diagonal of the frame is
	// 43.27 mm there.
	Focal35MM   float64
	Orientation int // EXIF tag as found, 1 to 8; 0 when absent
}

// FocalPx returns the focal length in pixels for a photo of the given size, from
// Focal35MM and the frame's diagonal; 0 when unknown.
func (c Camera) FocalPx(diagonalPx float64) float64 {
	const diagonal35MM = 43.266615 // of a 36 x 24 mm frame
	return c.Focal35MM / diagonal35MM * diagonalPx
}
