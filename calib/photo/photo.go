// Package photo reads a photograph of a board: its identity, its facts and its
// upright pixels. It refuses to look at what is on it, and it never writes.
//
// JPEG, PNG, WebP, TIFF and HEIC are told apart by their first bytes, not by the
// file's extension. Sizes are checked in the header before pixels are decoded.
// Embedded colour profiles are not applied: values are taken as sRGB.
package photo

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
)

// Photo is one photograph, upright, with its identity and what the camera says.
type Photo struct {
	Name   string       // base name of the file
	SHA256 string       // of the file's bytes, hex
	Image  *image.NRGBA // upright: orientation applied once; Min is (0, 0); opaque
	Camera Camera
	// Half is Image at half its size; nil until something made it that needs no more
	// pixels than that (vision.Read does).
	Half *image.NRGBA
}

// Limits that hold where Options leaves them zero.
const (
	DefaultMaxBytes  = 64 << 20
	DefaultMaxPixels = 120_000_000
)

// Options sets limits and, if wanted, a faster JPEG decoder. The zero value is
// ready for use.
type Options struct {
	MaxBytes  int64 // of the file; 0 means DefaultMaxBytes
	MaxPixels int64 // width times height; 0 means DefaultMaxPixels

	// DecodeJPEG decodes a grey or Y'CbCr JPEG whose header has passed the limits
	// and whose end marker is there. It must not apply the EXIF orientation, and
	// its result must be opaque. nil means the standard library's decoder with
	// centred chroma upsampling.
	DecodeJPEG func(data []byte) (*image.NRGBA, error)
}

func (o Options) withDefaults() Options {
	if o.MaxBytes <= 0 {
		o.MaxBytes = DefaultMaxBytes
	}
	if o.MaxPixels <= 0 {
		o.MaxPixels = DefaultMaxPixels
	}
	return o
}

// Load reads the photo at path. Every error is an *Error.
func Load(path string, opts Options) (*Photo, error) {
	name := filepath.Base(path)
	f, err := os.Open(path)
	if err != nil {
		return nil, openError(name, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, openError(name, err)
	}
	if info.IsDir() {
		return nil, &Error{name, Unreadable, "this is a folder, not a photo", "give the photos inside it", nil}
	}
	if limit := opts.withDefaults().MaxBytes; info.Size() > limit {
		return nil, tooManyBytes(name, limit)
	}
	return Read(f, name, opts)
}

// Read reads a photo from r, which need not be a file; name is what errors and
// the result call it. Every error is an *Error.
func Read(r io.Reader, name string, opts Options) (*Photo, error) {
	limit := opts.withDefaults().MaxBytes
	data, err := io.ReadAll(io.LimitReader(r, limit+1))
	if err != nil {
		return nil, openError(name, err)
	}
	if int64(len(data)) > limit {
		return nil, tooManyBytes(name, limit)
	}
	return Decode(data, name, opts)
}

// Check reports whether a whole file's bytes are a photo within the limits, from its
// header and its end: no pixel is decoded. Every error is an *Error.
func Check(data []byte, name string, opts Options) (err error) {
	defer func() { // as in decode: the header readers are other people's code too
		if r := recover(); r != nil {
			err = named(name, corrupt(fmt.Errorf("decoder stopped: %v", r)))
		}
	}()
	opts = opts.withDefaults()
	if int64(len(data)) > opts.MaxBytes {
		return tooManyBytes(name, opts.MaxBytes)
	}
	if _, err := sniff(data).check(data, opts); err != nil {
		return named(name, err)
	}
	return nil
}

// Decode makes a photo of a whole file's bytes, which it does not keep. Every
// error is an *Error.
func Decode(data []byte, name string, opts Options) (*Photo, error) {
	opts = opts.withDefaults()
	if int64(len(data)) > opts.MaxBytes {
		return nil, tooManyBytes(name, opts.MaxBytes)
	}
	format := sniff(data)
	img, err := format.decode(data, opts)
	if err != nil {
		return nil, named(name, err)
	}
	size := img.Bounds().Size()
	camera := readCamera(format, data, size)
	if !format.turnsItself() {
		img = upright(img, camera.Orientation)
	}
	sum := sha256.Sum256(data)
	return &Photo{Name: name, SHA256: hex.EncodeToString(sum[:]), Image: img, Camera: camera}, nil
}
