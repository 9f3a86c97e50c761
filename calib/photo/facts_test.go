package photo

import (
	"bytes"
	"errors"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"testing"
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
