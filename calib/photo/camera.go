package photo

import (
	"bytes"
	"encoding/binary"
	"image"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/bep/imagemeta"
)

// Camera holds what the file's metadata says; every field may be zero (unknown).
// All of it is a hint: nothing in a file forces it to be true.
type Camera struct {
	Make, Model string
	Taken       time.Time // camera clock, no zone; given as UTC
	// Focal35MM is the focal length in 35 mm terms; the diagonal of the frame is
	// 43.27 mm there. It is 0 for a picture that was visibly cropped, whose own
	// diagonal no longer goes with it.
	Focal35MM float64
	// Cropped is set for a picture of another shape than the camera recorded, or than any
	// camera gives: the middle of its lens may not be in its middle. Facts does not know.
	Cropped     bool
	Orientation int // EXIF tag as found, 1 to 8; 0 when absent
}

const diagonal35MM = 43.266615 // of a 36 x 24 mm frame

// FocalPx returns the focal length in pixels for a photo of the given size, from
// Focal35MM and the frame's diagonal; 0 when unknown.
func (c Camera) FocalPx(diagonalPx float64) float64 {
	return c.Focal35MM / diagonal35MM * diagonalPx
}

// exifFacts are the tags we use, as found.
type exifFacts struct {
	camera            Camera
	focalMM           float64
	planeX, planeY    float64 // pixels per unit on the sensor
	planeUnit         int     // 2 inch, 3 cm, 4 mm, 5 µm
	raw               bool    // a preview or a raw format's mark
	widthPx, heightPx float64 // of the picture as the camera stored it
}

// readCamera never fails: what cannot be read stays zero. size is the picture's,
// turned or not.
func readCamera(f format, data []byte, size image.Point) Camera {
	facts := readEXIF(f, data)
	c := facts.camera
	if c.Focal35MM == 0 {
		c.Focal35MM = facts.focal35MM()
	}
	if facts.cropped(size) {
		c.Focal35MM, c.Cropped = 0, true
	}
	return c
}

// readEXIF collects the tags we use. A parser's error may come after good tags, so
// those are kept and the error is not.
func readEXIF(f format, data []byte) (facts exifFacts) {
	kind := imagemeta.TIFF // also of a bare EXIF block
	switch f {
	case jpegFormat:
		kind = imagemeta.JPEG
	case pngFormat:
		kind = imagemeta.PNG
	case webpFormat:
		data = webpEXIF(data)
	case heicFormat:
		kind = imagemeta.HEIF
	}
	_, _ = imagemeta.Decode(imagemeta.Options{
		R:            &rationed{Reader: bytes.NewReader(data), left: maxMetadataBytes},
		ImageFormat:  kind,
		Sources:      imagemeta.EXIF,
		LimitNumTags: 1000,
		ShouldHandleTag: func(t imagemeta.TagInfo) bool {
			return t.Namespace == "IFD0" || t.Namespace == "IFD0/ExifIFDP" // not the preview's
		},
		HandleTag: func(t imagemeta.TagInfo) error {
			facts.add(t.Tag, t.Value)
			return nil
		},
	})
	return facts
}

// rawPhoto reports whether a TIFF is a camera's raw file, whose first picture is
// only a small preview: that says so itself (NewSubfileType 1, TIFF 6.0, section 8)
// or the file names its raw format.
func rawPhoto(data []byte) bool {
	const cr2 = "CR\x02" // after the TIFF header
	return len(data) >= 11 && string(data[8:11]) == cr2 || readEXIF(tiffFormat, data).raw
}

// maxMetadataBytes is the most that is read for metadata, wherever in the file it
// stands: in WebP and TIFF that is often the end.
const maxMetadataBytes = 4 << 20

// rationed ends a read that goes astray: metadata is small, and a forged file can
// send a parser round in circles.
type rationed struct {
	*bytes.Reader
	left int
}

func (r *rationed) Read(p []byte) (int, error) {
	if r.left <= 0 {
		return 0, io.ErrUnexpectedEOF
	}
	n, err := r.Reader.Read(p[:min(len(p), r.left)])
	r.left -= n
	return n, err
}

func (f *exifFacts) add(tag string, value any) {
	switch tag {
	case "SubfileType":
		f.raw = f.raw || number(value) == 1
	case "DNGVersion":
		f.raw = true
	case "Make":
		f.camera.Make = text(value)
	case "Model":
		f.camera.Model = text(value)
	case "DateTimeOriginal":
		if t, err := time.Parse("2006:01:02 15:04:05", text(value)); err == nil {
			f.camera.Taken = t
		}
	case "Orientation":
		if v := number(value); v >= 1 && v <= 8 {
			f.camera.Orientation = int(v)
		}
	case "FocalLengthIn35mmFormat":
		f.camera.Focal35MM = number(value)
	case "FocalLength":
		f.focalMM = number(value)
	case "FocalPlaneXResolution":
		f.planeX = number(value)
	case "FocalPlaneYResolution":
		f.planeY = number(value)
	case "FocalPlaneResolutionUnit":
		f.planeUnit = int(number(value))
	case "ExifImageWidth":
		f.widthPx = number(value)
	case "ExifImageHeight":
		f.heightPx = number(value)
	}
}

// focal35MM derives the focal length in 35 mm terms from the real one and the
// sensor's diagonal, which follows from the sensor's pixels per unit (CIPA DC-008,
// FocalPlaneXResolution); 0 when that is missing or absurd.
func (f *exifFacts) focal35MM() float64 {
	unitMM := 25.4 // the standard's default is the inch
	switch f.planeUnit {
	case 3:
		unitMM = 10
	case 4:
		unitMM = 1
	case 5:
		unitMM = 0.001
	}
	sensorMM := math.Hypot(f.widthPx/f.planeX, f.heightPx/f.planeY) * unitMM
	focal := f.focalMM / sensorMM * diagonal35MM
	if !(sensorMM > 1 && sensorMM < 100 && focal >= 5 && focal <= 3000) {
		return 0
	}
	return focal
}

// frames are the shapes of photos that cameras take, long side over short: square, the
// sensors' own 5:4, 4:3 and 3:2, 8:5, 16:9, and phones' screens from 18:9 to 21:9, which
// the camera itself crops about its middle (common practice, no source).
var frames = []float64{1, 5.0 / 4, 4.0 / 3, 3.0 / 2, 8.0 / 5, 16.0 / 9, 2, 18.5 / 9, 19.0 / 9, 19.3 / 9, 19.5 / 9, 20.0 / 9, 21.0 / 9}

// cropped reports whether the picture's shape is no longer the one the camera recorded,
// which editors may have overwritten, or none that cameras give. A picture that was only
// made smaller keeps its shape.
func (f *exifFacts) cropped(size image.Point) bool {
	if size.X == 0 || size.Y == 0 {
		return false // only the facts were read
	}
	const tolerance = 0.01 // rounding of a small copy to whole pixels, and of codecs to blocks
	actual := float64(max(size.X, size.Y)) / float64(min(size.X, size.Y))
	is := func(shape float64) bool { return math.Abs(actual/shape-1) <= tolerance }
	recorded := f.widthPx > 0 && f.heightPx > 0
	return recorded && !is(max(f.widthPx, f.heightPx)/min(f.widthPx, f.heightPx)) || !slices.ContainsFunc(frames, is)
}

func text(v any) string {
	s, _ := v.(string)
	return strings.TrimSpace(strings.TrimRight(s, "\x00"))
}

// number returns a positive finite value, or 0.
func number(v any) float64 {
	var x float64
	switch v := v.(type) {
	case uint8:
		x = float64(v)
	case uint16:
		x = float64(v)
	case uint32:
		x = float64(v)
	case float64:
		x = v
	case interface{ Float64() float64 }:
		x = v.Float64()
	}
	if !(x > 0) || math.IsInf(x, 1) {
		return 0
	}
	return x
}

// webpEXIF returns the payload of the EXIF chunk, or nil. Chunks are padded to even
// length (RFC 9649, 2.3).
func webpEXIF(data []byte) []byte {
	for at := 12; at+8 <= len(data); {
		size := int64(binary.LittleEndian.Uint32(data[at+4:]))
		start, end := int64(at)+8, int64(at)+8+size
		if end > int64(len(data)) {
			return nil
		}
		if string(data[at:at+4]) == "EXIF" {
			return bytes.TrimPrefix(data[start:end], []byte("Exif\x00\x00"))
		}
		at = int(end + size%2)
	}
	return nil
}
