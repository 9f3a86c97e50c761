package photo

import (
	"bytes"
	"errors"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"testing"
	"time"
)

func TestFacts(t *testing.T) {
	dir := t.TempDir()
	var plain bytes.Buffer
	if err := jpeg.Encode(&plain, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name string
		data []byte
		ok   bool
	}{
		{"plain.jpg", plain.Bytes(), true},
		{"note.txt", []byte("not a photo"), false},
		{"empty.jpg", nil, false},
	} {
		path := filepath.Join(dir, test.name)
		if err := os.WriteFile(path, test.data, 0o644); err != nil {
			t.Fatal(err)
		}
		camera, err := Facts(path)
		var ours *Error
		if test.ok && (err != nil || camera != Camera{}) {
			t.Errorf("Facts(%s) = %+v, %v, want nothing known and no error", test.name, camera, err)
		}
		if !test.ok && !(errors.As(err, &ours) && ours.Name == test.name) {
			t.Errorf("Facts(%s) error = %v, want an *Error with the name", test.name, err)
		}
	}
	if _, err := Facts(filepath.Join(dir, "missing.jpg")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("Facts of no file = %v, want os.ErrNotExist", err)
	}
}

// In WebP the facts may stand behind a picture of many megabytes.
func TestFactsAtTheEnd(t *testing.T) {
	large := append([]byte("RIFF\x00\x00\x00\x00WEBPVP8 \x00\x00\x50\x00"), make([]byte, 5<<20)...)
	taken := exifTag{tagTaken, typeASCII, "2026:05:16 10:11:12"}
	path := filepath.Join(t.TempDir(), "large.webp")
	if err := os.WriteFile(path, withWebPEXIF(large, 8, 8, tiffBlock(nil, []exifTag{taken})), 0o644); err != nil {
		t.Fatal(err)
	}
	camera, err := Facts(path)
	if want := time.Date(2026, 5, 16, 10, 11, 12, 0, time.UTC); err != nil || !camera.Taken.Equal(want) {
		t.Errorf("Facts = %+v, %v, want taken %v", camera, err, want)
	}
}
