package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"

	"golang.org/x/image/tiff"
	"golang.org/x/image/webp"
)

// format is a kind of file, known by its first bytes.
type format int

const (
	unknownFormat format = iota
	jpegFormat
	pngFormat
	webpFormat
	tiffFormat
	heicFormat
)

// sniff tells the format by the magic numbers of JPEG (ITU-T T.81, SOI), PNG (its
// specification, 5.2), RIFF/WebP, TIFF 6.0 (section 2) and ISO 14496-12 "ftyp"
// with the image brands of ISO 23008-12.
func sniff(data []byte) format {
	has := func(prefix string) bool { return bytes.HasPrefix(data, []byte(prefix)) }
	switch {
	case has("\xff\xd8\xff"):
		return jpegFormat
	case has("\x89PNG\r\n\x1a\n"):
		return pngFormat
	case has("RIFF") && len(data) >= 12 && string(data[8:12]) == "WEBP":
		return webpFormat
	case has("II*\x00"), has("MM\x00*"):
		return tiffFormat
	}
	switch brand(data) {
	case "heic", "heix", "heim", "heis", "hevc", "mif1", "msf1":
		return heicFormat
	}
	return unknownFormat
}

// brand returns the major brand of an ISO 14496-12 file, or "". A "mif1" file may
// hold AV1 instead; then its compatible brands say "avif".
func brand(data []byte) string {
	if len(data) < 16 || string(data[4:8]) != "ftyp" {
		return ""
	}
	major := string(data[8:12])
	end := min(int(binary.BigEndian.Uint32(data)), len(data), 256)
	if (major == "mif1" || major == "msf1") && end > 16 && bytes.Contains(data[16:end], []byte("avif")) {
		return "avif"
	}
	return major
}

// turnsItself reports whether the decoder already returns an upright picture:
// libheif applies the file's own "irot" and "imir" (ISO 23008-12, 6.5.10 and
// 6.5.12), and the EXIF tag beside them says the same again.
func (f format) turnsItself() bool { return f == heicFormat }

// decode returns the pixels as stored (HEIC: upright), opaque, with Min (0, 0).
func (f format) decode(data []byte, opts Options) (img *image.NRGBA, err error) {
	// The decoders are other people's code and the file is hostile until shown
	// otherwise: a panic in them is a damaged file, not the end of a batch.
	defer func() {
		if r := recover(); r != nil {
			img, err = nil, corrupt(fmt.Errorf("decoder stopped: %v", r))
		}
	}()
	cfg, err := f.check(data, opts)
	if err != nil {
		return nil, err
	}
	if f == jpegFormat && opts.DecodeJPEG != nil {
		return decodeWith(opts.DecodeJPEG, data, cfg)
	}
	img, err = f.pixels(data)
	if err != nil {
		return nil, explain(err)
	}
	return img, nil
}

// check holds the header to the limits and the container to its end.
func (f format) check(data []byte, opts Options) (image.Config, error) {
	cfg, err := f.config(data)
	if err != nil {
		return cfg, explain(err)
	}
	if cfg.Width <= 0 || cfg.Height <= 0 {
		return cfg, corrupt(fmt.Errorf("its header says %d x %d pixels", cfg.Width, cfg.Height))
	}
	if int64(cfg.Width) > opts.MaxPixels/int64(cfg.Height) {
		return cfg, tooManyPixels(cfg.Width, cfg.Height, opts.MaxPixels)
	}
	if !f.whole(data) {
		return cfg, cutShort(nil)
	}
	return cfg, nil
}

// decodeWith calls the caller's decoder and holds it to its promise.
func decodeWith(decodeJPEG func([]byte) (*image.NRGBA, error), data []byte, cfg image.Config) (*image.NRGBA, error) {
	img, err := decodeJPEG(data)
	if err != nil {
		return nil, corrupt(err)
	}
	if got, want := img.Bounds(), image.Rect(0, 0, cfg.Width, cfg.Height); got != want {
		return nil, corrupt(fmt.Errorf("decoded to %v, its header says %v", got, want))
	}
	return img, nil
}

// config reads the header alone and refuses what cannot be read.
func (f format) config(data []byte) (image.Config, error) {
	r := bytes.NewReader(data)
	switch f {
	case jpegFormat:
		cfg, err := jpeg.DecodeConfig(r)
		if err == nil && cfg.ColorModel == color.CMYKModel {
			return cfg, unsupported("this JPEG is in printing colours (CMYK)", "save it as an ordinary RGB JPEG")
		}
		return cfg, err
	case pngFormat:
		return png.DecodeConfig(r)
	case webpFormat:
		return webp.DecodeConfig(r)
	case tiffFormat:
		if rawPhoto(data) {
			return image.Config{}, unsupported("this is a camera's raw file, which is not read", "export it as JPEG")
		}
		return tiff.DecodeConfig(r)
	case heicFormat:
		head, err := readHEICHeader(data)
		return image.Config{Width: head.size.X, Height: head.size.Y}, err
	}
	return image.Config{}, refusal(data)
}

// pixels decodes the whole file.
func (f format) pixels(data []byte) (*image.NRGBA, error) {
	var img image.Image
	var err error
	colour := jfif
	r := bytes.NewReader(data)
	switch f {
	case jpegFormat:
		img, err = jpeg.Decode(r)
	case pngFormat:
		img, err = png.Decode(r)
	case webpFormat:
		img, err = webp.Decode(r)
		colour = vp8YUV // which the webp package leaves to its caller
	case tiffFormat:
		img, err = tiff.Decode(r)
	case heicFormat:
		return decodeHEIC(data)
	}
	if err != nil {
		return nil, err
	}
	return opaque(img, colour), nil
}

// refusal names what a file of no format of ours seems to be.
func refusal(data []byte) *Error {
	const still = "export it as JPEG"
	has := func(prefix string) bool { return bytes.HasPrefix(data, []byte(prefix)) }
	switch b := brand(data); {
	case len(data) == 0:
		return &Error{"", Damaged, "the file is empty", "copy it again; if it is kept in a cloud folder, download it first", nil}
	case b == "avif" || b == "avis":
		return unsupported("this is an AVIF picture, which is not read", still)
	case b != "":
		return unsupported("this is a video, not a photo", "take a still photo of the board")
	case has("GIF8"):
		return unsupported("this is a GIF, which is not read", still)
	case has("BM"):
		return unsupported("this is a BMP, which is not read", still)
	case has("%PDF"):
		return unsupported("this is a PDF, not a photo", still)
	}
	return unsupported("this is not a JPEG, PNG, WebP, TIFF or HEIC photo", "check that it is the right file, or "+still)
}

// explain sorts a decoder's error into ours.
func explain(err error) error {
	var ours *Error
	var pngU png.UnsupportedError
	var jpegU jpeg.UnsupportedError
	var tiffU tiff.UnsupportedError
	switch {
	case errors.As(err, &ours):
		return ours
	case errors.As(err, &pngU), errors.As(err, &jpegU), errors.As(err, &tiffU):
		return unsupported(fmt.Sprintf("this kind of file is not read (%v)", err), "export it as an ordinary JPEG")
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return cutShort(err)
	}
	return corrupt(err)
}

// whole reports whether the file reaches its own end, as far as its container
// tells: decoders outside this package may fill a missing part with grey.
func (f format) whole(data []byte) bool {
	switch f {
	case jpegFormat:
		return jpegWhole(data)
	case pngFormat:
		return pngWhole(data)
	case webpFormat:
		return int64(binary.LittleEndian.Uint32(data[4:]))+8 <= int64(len(data))
	case heicFormat:
		return boxesWhole(data)
	}
	return true // the decoder itself reports it
}

// pngWhole walks the chunks (PNG specification, 5.3) to IEND.
func pngWhole(data []byte) bool {
	for at := int64(8); at+12 <= int64(len(data)); {
		if string(data[at+4:at+8]) == "IEND" {
			return true
		}
		at += 12 + int64(binary.BigEndian.Uint32(data[at:]))
	}
	return false
}

// jpegWhole walks the segments (ITU-T T.81, annex B) to the end-of-image marker.
// What follows it, such as a second picture or a clip, does not matter, and one
// inside an embedded preview does not count.
func jpegWhole(data []byte) bool {
	const (
		soi, eoi, sos = 0xd8, 0xd9, 0xda
		tem           = 0x01
	)
	at := 0
	for {
		i := bytes.IndexByte(data[at:], 0xff)
		if i < 0 || at+i+1 >= len(data) {
			return false
		}
		at += i + 1
		switch m := data[at]; {
		case m == eoi:
			return true
		case m == 0xff: // fill byte
		case m == 0, m == tem, m == soi, 0xd0 <= m && m <= 0xd7: // stand alone, or stuffed data
			at++
		default: // a segment with a length; after SOS follow its entropy-coded data
			if at+3 > len(data) {
				return false
			}
			at += 1 + int(binary.BigEndian.Uint16(data[at+1:]))
			if at > len(data) {
				return false
			}
		}
	}
}

// opaque copies any decoded picture to 8-bit values over white, with Min (0, 0).
// 16-bit values keep their high byte; colour is how Y'CbCr is meant.
func opaque(src image.Image, colour yuv) *image.NRGBA {
	switch src := src.(type) {
	case *image.YCbCr:
		if img := fromYCbCr(src, colour); img != nil {
			return img
		}
	case *image.NYCbCrA:
		if img := fromYCbCr(&src.YCbCr, colour); img != nil {
			overWhite(img, src.A[src.AOffset(src.Rect.Min.X, src.Rect.Min.Y):], src.AStride)
			return img
		}
	}
	// RGBA and NRGBA are the same bytes where nothing is transparent, and draw is
	// fast to RGBA only.
	b := src.Bounds()
	dst := image.NewRGBA(image.Rectangle{Max: b.Size()})
	op := draw.Src
	if o, ok := src.(interface{ Opaque() bool }); !ok || !o.Opaque() {
		draw.Draw(dst, dst.Rect, image.White, image.Point{}, draw.Src)
		op = draw.Over
	}
	draw.Draw(dst, dst.Rect, src, b.Min, op)
	return &image.NRGBA{Pix: dst.Pix, Stride: dst.Stride, Rect: dst.Rect}
}
