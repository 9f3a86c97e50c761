// Package batch measures many photos: a list of work, a pool of workers and a
// store of finished results, so that a run can be stopped at any moment, even by
// kill -9, and goes on where it was. It refuses to know how a photo is measured
// (that is a function it is given) or what the results mean together.
package batch

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dartfall/calib/photo"
)

// Photo is one file of the work list.
type Photo struct {
	Name  string    // base name
	Path  string    // to open it
	Taken time.Time // camera clock; zero when unknown
}

var extensions = []string{".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif"}

// List returns the photos directly inside dir in the order they were taken: by
// the camera's clock when every photo has one, else by name with numbers in
// numeric order (IMG_9 before IMG_10). Hidden files and folders are passed over.
// Whether a file really is a photo shows when it is measured.
func List(dir string) ([]Photo, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("cannot read the folder %s: %v", dir, err)
	}
	var list []Photo
	clocks := true
	for _, e := range entries {
		name := e.Name()
		if e.IsDir() || !IsPhotoName(name) {
			continue
		}
		p := Photo{Name: name, Path: filepath.Join(dir, name)}
		if camera, err := photo.Facts(p.Path); err == nil {
			p.Taken = camera.Taken
		}
		clocks = clocks && !p.Taken.IsZero()
		list = append(list, p)
	}
	slices.SortFunc(list, func(a, b Photo) int {
		if c := a.Taken.Compare(b.Taken); clocks && c != 0 {
			return c
		}
		return compareNames(a.Name, b.Name)
	})
	return list, nil
}

// IsPhotoName reports whether a file of that name is taken for a photo: it is not
// hidden and ends like one.
func IsPhotoName(name string) bool {
	return !strings.HasPrefix(name, ".") && slices.Contains(extensions, strings.ToLower(filepath.Ext(name)))
}

// compareNames orders like a person: runs of digits by their value, all else by
// bytes; equal that way, by bytes, so that the order is total.
func compareNames(a, b string) int {
	x, y := a, b
	for x != "" && y != "" {
		p, q := digits(x), digits(y)
		if p > 0 && q > 0 {
			m, n := strings.TrimLeft(x[:p], "0"), strings.TrimLeft(y[:q], "0")
			if c := cmp.Or(cmp.Compare(len(m), len(n)), cmp.Compare(m, n)); c != 0 {
				return c
			}
			x, y = x[p:], y[q:]
			continue
		}
		if x[0] != y[0] {
			return cmp.Compare(x[0], y[0])
		}
		x, y = x[1:], y[1:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(a, b))
}

func digits(s string) (n int) {
	for n < len(s) && '0' <= s[n] && s[n] <= '9' {
		n++
	}
	return n
}

// Shard is one of N equal parts of a work list; the zero value is the whole.
type Shard struct{ I, N int }

// ParseShard reads "3/8": the third of eight.
func ParseShard(s string) (Shard, error) {
	var h Shard
	var rest string
	if n, _ := fmt.Sscanf(s, "%d/%d%s", &h.I, &h.N, &rest); n != 2 || h.N < 1 || h.I < 1 || h.I > h.N {
		return Shard{}, fmt.Errorf("%q is no shard: write 3/8 for the third of eight", s)
	}
	return h, nil
}

// Whole reports whether h leaves nothing out.
func (h Shard) Whole() bool { return h.N <= 1 }

// Of returns the shard's part of list: every N-th photo, so that the shards of a
// session are equally long.
func (h Shard) Of(list []Photo) []Photo {
	if h.Whole() {
		return list
	}
	var part []Photo
	for i := h.I - 1; i < len(list); i += h.N {
		part = append(part, list[i])
	}
	return part
}
