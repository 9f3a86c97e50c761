package photo

import (
	"image"
	"io"
	"os"
	"path/filepath"
)

// Facts returns what the metadata of the photo at path says, without decoding
// the picture: cheap enough for a whole folder. A photo without metadata gives
// the zero Camera; Focal35MM is not checked against a later crop. Every error is
// an *Error: the file cannot be opened or is no photo.
func Facts(path string) (Camera, error) {
	name := filepath.Base(path)
	f, err := os.Open(path)
	if err != nil {
		return Camera{}, openError(name, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxMetadataBytes))
	format := sniff(data)
	if err == nil && format != jpegFormat { // in JPEG metadata stand first, elsewhere maybe last
		var rest []byte
		rest, err = io.ReadAll(io.LimitReader(f, DefaultMaxBytes))
		data = append(data, rest...)
	}
	if err != nil {
		return Camera{}, openError(name, err)
	}
	if format == unknownFormat {
		return Camera{}, named(name, refusal(data))
	}
	return readCamera(format, data, image.Point{}), nil
}
