package review

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"dartfall/calib/photo"
	"dartfall/cmd/dartfall/internal/batch"
)

// Setup takes photos that are dropped on the page into a folder of their own and
// has them measured.
type Setup struct {
	// New makes the new, empty folder; it is called with the first photo.
	New func() (dir string, err error)
	// Measure measures the photos in dir as the person said, and tells how many are
	// done.
	Measure func(ctx context.Context, dir string, g Given, progress func(done int)) (*Desk, error)
	Colours []string

	mu      sync.Mutex
	dir     string
	photos  []string
	running bool
	done    int
	trouble string
}

// Given is what the person says of the board, as typed.
type Given struct {
	Title       string         `json:"title"`
	Rings       string         `json:"rings"` // one diameter or a list, with units
	StickerSize string         `json:"sticker_size"`
	Distance    string         `json:"distance"`
	Bare        bool           `json:"bare"`
	Stickers    []StickerGiven `json:"stickers"`
}

// StickerGiven is what a sticker colour stands for.
type StickerGiven struct {
	Colour    string `json:"colour"`
	Accessory string `json:"accessory"`
	Shots     int    `json:"shots"` // 0 for not said
}

// maxPhotos is the most that one folder takes from the page.
const maxPhotos = 500

type setupView struct {
	Folder  string   `json:"folder"` // "" before the first photo
	Photos  []string `json:"photos"`
	Running bool     `json:"running"`
	Done    int      `json:"done"`
	Trouble string   `json:"trouble"` // ""
	Colours []string `json:"colours"`
}

func (u *Setup) view() setupView {
	u.mu.Lock()
	defer u.mu.Unlock()
	return setupView{u.dir, append([]string{}, u.photos...), u.running, u.done, u.trouble, u.Colours}
}

// upload takes one photo, the body of the request.
func (s *Server) upload(w http.ResponseWriter, r *http.Request) {
	if s.setup == nil || s.Desk() != nil {
		http.Error(w, "this session has its photos already", http.StatusConflict)
		return
	}
	if t := r.Header.Get("Content-Type"); t != "application/octet-stream" {
		http.Error(w, "a photo is sent as plain bytes", http.StatusBadRequest)
		return
	}
	data, err := io.ReadAll(http.MaxBytesReader(w, r.Body, photo.DefaultMaxBytes))
	if tooLong := (*http.MaxBytesError)(nil); errors.As(err, &tooLong) {
		http.Error(w, fmt.Sprintf("the file is larger than %d MB", tooLong.Limit>>20), http.StatusRequestEntityTooLarge)
		return
	}
	if err != nil {
		http.Error(w, "the photo did not arrive whole: send it again", http.StatusBadRequest)
		return
	}
	if err := s.setup.take(r.URL.Query().Get("name"), data); err != nil {
		fail(w, err)
		return
	}
	answer(w, s.setup.view())
}

// take stores a photo under a plain name in the new folder. No file is overwritten.
func (u *Setup) take(name string, data []byte) error {
	if err := plainName(name); err != nil {
		return err
	}
	if err := photo.Check(data, name, photo.Options{}); err != nil {
		return refusal{err}
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	switch {
	case u.running:
		return refuse("the photos are being measured: wait for the end")
	case len(u.photos) >= maxPhotos:
		return refuse("%d photos are the most for one folder; use the command line for more", maxPhotos)
	}
	if u.dir == "" {
		dir, err := u.New()
		if err != nil {
			return err
		}
		u.dir = dir
	}
	root, err := os.OpenRoot(u.dir) // whatever the name, nothing outside is written
	if err != nil {
		return fmt.Errorf("cannot open %s: %v", u.dir, err)
	}
	defer root.Close()
	f, err := root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return refuse("there is a photo called %s already", name)
	}
	if err != nil {
		return fmt.Errorf("cannot write %s: %v", name, err)
	}
	_, err = f.Write(data)
	if err := errors.Join(err, f.Close()); err != nil {
		root.Remove(name)
		return fmt.Errorf("cannot write %s: %v", name, err)
	}
	u.photos = append(u.photos, name)
	return nil
}

// plainName refuses names that are more than the name of a photo.
func plainName(name string) error {
	switch {
	case name == "" || len(name) > 200 || name != filepath.Base(name) || strings.ContainsAny(name, `/\:`) ||
		strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f || r == 0xfffd }):
		return refuse("%q is no name for a photo", name)
	case !batch.IsPhotoName(name):
		return refuse("%s does not end like a photo's name: .jpg, .png, .webp, .tif or .heic", name)
	}
	return nil
}

// start measures the photos that were dropped.
func (s *Server) start(w http.ResponseWriter, r *http.Request) {
	var g Given
	if err := readJSON(w, r, &g); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	if s.setup == nil || s.Desk() != nil {
		http.Error(w, "this session has been measured already", http.StatusConflict)
		return
	}
	if err := s.setup.begin(); err != nil {
		fail(w, err)
		return
	}
	go func() {
		desk, err := s.setup.Measure(s.life, s.setup.dir, g, func(done int) {
			s.setup.mu.Lock()
			s.setup.done = done
			s.setup.mu.Unlock()
			s.tabs.tell("changed")
		})
		s.setup.end(err)
		if err != nil {
			s.tabs.tell("changed")
			return
		}
		s.put(desk)
	}()
	answer(w, s.setup.view())
}

func (u *Setup) begin() error {
	u.mu.Lock()
	defer u.mu.Unlock()
	switch {
	case u.running:
		return refuse("the photos are being measured already")
	case len(u.photos) == 0:
		return refuse("drop a photo first")
	}
	u.running, u.done, u.trouble = true, 0, ""
	return nil
}

func (u *Setup) end(err error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.running = false
	if err != nil {
		u.trouble = err.Error()
	}
}
