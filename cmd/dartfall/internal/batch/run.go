package batch

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"dartfall/cmd/dartfall/internal/sheet"
)

// Measure turns one photo file into its results. A photo that is understood but
// not good enough comes back as a sheet.Photo with State refused and no error.
type Measure func(ctx context.Context, path string) (sheet.Photo, error)

// Options of Run.
type Options struct {
	// Workers is how many photos are measured at once; 0 means one per core.
	Workers int
	// Store is the folder of finished results, made when needed; "" keeps none.
	Store string
	// Settings is everything beside the photo that can change its result, and
	// Version the program's: a stored result counts only while both are the same.
	Settings, Version string
	// SettingsOf adds settings of one photo, with that content, alone; nil adds none.
	SettingsOf func(p Photo, sha256 string) string
	// Valid is asked about a stored result before it is used, for instance whether
	// the pictures drawn from it are still there; nil accepts all.
	Valid func(sheet.Photo) bool
	// Progress is told of every finished photo, one call at a time; may be nil.
	Progress func(Event)
	// Now is the clock for the time left; nil means time.Now.
	Now func() time.Time
}

// Event says that one more photo is done.
type Event struct {
	Photo  sheet.Photo
	Stored bool // taken from an earlier run
	Done   int  // photos done so far, this one included
	Total  int
	// Left estimates the time to the end from the photos measured so far; 0 when
	// unknown or done.
	Left time.Duration
}

// Run measures photos in parallel and returns one result each, in their order. A
// photo that cannot be measured gives a result with State failed or refused and
// never stops the rest. When ctx ends, Run stops after the photos in hand and
// returns ctx's error; all that was finished is in the store. Nothing else makes
// Run fail but a store that cannot be written.
func Run(ctx context.Context, photos []Photo, measure Measure, opts Options) ([]sheet.Photo, error) {
	if opts.Workers <= 0 {
		opts.Workers = runtime.NumCPU()
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	r := &runner{opts: opts, measure: measure, results: make([]sheet.Photo, len(photos)), start: opts.Now()}
	if opts.Store != "" {
		sweep(opts.Store, r.start)
	}
	work := make(chan int)
	var pool sync.WaitGroup
	for range min(opts.Workers, len(photos)) {
		pool.Go(func() {
			for i := range work {
				if err := r.one(ctx, i, photos[i], false); err != nil {
					cancel(err)
				}
			}
		})
	}
	for i := range photos {
		select {
		case work <- i:
			continue
		case <-ctx.Done():
		}
		break
	}
	close(work)
	pool.Wait()
	slices.SortFunc(r.suspects, func(a, b suspect) int { return cmp.Or(cmp.Compare(a.deaths, b.deaths), cmp.Compare(a.photo, b.photo)) })
	for _, x := range r.suspects {
		if err := r.one(ctx, x.photo, photos[x.photo], true); err != nil {
			cancel(err)
			break
		}
	}
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	return r.results, nil
}

type runner struct {
	opts    Options
	measure Measure
	start   time.Time
	results []sheet.Photo // each element is written by one worker

	mu       sync.Mutex
	done     int
	measured int
	suspects []suspect // measured last, one at a time
}

// suspect is a photo that was begun and never ended, by its index.
type suspect struct{ photo, deaths int }

// one measures or recalls photo i, or puts it off as a suspect unless it is alone.
// The error is ctx's or the store's.
func (r *runner) one(ctx context.Context, i int, p Photo, alone bool) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s, err := r.recall(p)
	if err != nil { // cannot even be read
		r.finish(i, failed(p, err.Error(), ""), false)
		return nil
	}
	if s.found != nil {
		r.finish(i, *s.found, true)
		return nil
	}
	deaths := s.deaths()
	if deaths > 0 && !alone {
		r.mu.Lock()
		r.suspects = append(r.suspects, suspect{i, deaths})
		r.mu.Unlock()
		return nil
	}
	if deaths >= maxDeaths {
		r.finish(i, failed(p, fmt.Sprintf("the program ended %d times while measuring this photo, the last times with no other in hand", deaths),
			"leave it out and report it, or delete "+s.mark+" to try once more"), false)
		return nil
	}
	if err := s.begin(deaths + 1); err != nil {
		return err
	}
	result, err := safely(ctx, r.measure, p.Path)
	if ctx.Err() != nil { // the result may be cut short
		s.forget()
		return ctx.Err()
	}
	if err != nil {
		s.forget()
		r.finish(i, failed(p, err.Error(), ""), false)
		return nil
	}
	if result.Name == "" {
		result.Name = p.Name
	}
	if err := s.keep(result); err != nil {
		return err
	}
	r.finish(i, result, false)
	return nil
}

func failed(p Photo, reason, advice string) sheet.Photo {
	return sheet.Photo{Name: p.Name, State: sheet.Failed, Reason: strings.TrimPrefix(reason, p.Name+": "), Advice: advice}
}

// safely turns a panic into an error: a bug met on one photo must not cost the
// others.
func safely(ctx context.Context, measure Measure, path string) (result sheet.Photo, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the program stumbled over this photo (%v)", p)
		}
	}()
	return measure(ctx, path)
}

func (r *runner) finish(i int, p sheet.Photo, stored bool) {
	r.results[i] = p
	r.mu.Lock()
	defer r.mu.Unlock()
	r.done++
	if !stored {
		r.measured++
	}
	if r.opts.Progress == nil {
		return
	}
	e := Event{Photo: p, Stored: stored, Done: r.done, Total: len(r.results)}
	if left := e.Total - e.Done; r.measured > 0 && left > 0 {
		e.Left = r.opts.Now().Sub(r.start) * time.Duration(left) / time.Duration(r.measured)
	}
	r.opts.Progress(e)
}

// maxDeaths is how often a photo may end the whole program (a crash in a decoder
// written in C cannot be caught) before it is passed over. A power cut or a kill looks
// the same, so photos that were in hand when a run ended are measured last and one at
// a time, the least suspect first: only the deaths after the first then speak against
// a photo alone, and repeated kills do not fall on the same one.
const maxDeaths = 4

// slot is a photo's place in the store. Without a store all paths are "".
type slot struct {
	file  string       // finished result
	mark  string       // there while the photo is being measured; holds how often it was begun
	hash  string       // of the photo's bytes
	found *sheet.Photo // finished earlier
}

// recall hashes the photo and looks it up.
func (r *runner) recall(p Photo) (slot, error) {
	if r.opts.Store == "" {
		return slot{}, nil
	}
	hash, err := hashFile(p.Path)
	if err != nil {
		return slot{}, err
	}
	settings := r.opts.Settings
	if r.opts.SettingsOf != nil {
		settings += r.opts.SettingsOf(p, hash)
	}
	key := sha256.Sum256([]byte(strings.Join([]string{sheet.SchemaID, r.opts.Version, settings, p.Name, hash}, "\x00")))
	base := filepath.Join(r.opts.Store, hex.EncodeToString(key[:16]))
	s := slot{file: base + ".json", mark: base + ".begun", hash: hash}
	b, err := os.ReadFile(s.file)
	if err != nil {
		return s, nil
	}
	// A result that does not read back is measured again.
	if got, err := sheet.DecodePhoto(b); err == nil && (r.opts.Valid == nil || r.opts.Valid(got)) {
		s.found = &got
	}
	return s, nil
}

func hashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", plain(err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", plain(err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// plain words a file error; the photo's name is shown anyway.
func plain(err error) error {
	return fmt.Errorf("the file cannot be read (%v)", sheet.Cause(err))
}

// deaths is how often the photo was begun and never ended.
func (s slot) deaths() (n int) {
	if s.mark == "" {
		return 0
	}
	if b, err := os.ReadFile(s.mark); err == nil {
		n, _ = strconv.Atoi(strings.TrimSpace(string(b)))
	}
	return n
}

// begin marks the photo as being measured for the nth time.
func (s slot) begin(n int) error {
	if s.mark == "" {
		return nil
	}
	return sheet.WriteFile(s.mark, []byte(strconv.Itoa(n)+"\n"))
}

// forget takes the mark away: the photo did not end the program.
func (s slot) forget() {
	if s.mark != "" {
		os.Remove(s.mark)
	}
}

// keep stores a finished result, unless the file changed while it was measured.
func (s slot) keep(p sheet.Photo) error {
	defer s.forget()
	if s.file == "" || p.SHA256 != s.hash {
		return nil
	}
	b, err := sheet.Encode(p)
	if err != nil {
		return err
	}
	return sheet.WriteFile(s.file, b)
}

// staleAfter is when a temporary file of a killed run is taken for left over; a
// running one lives for milliseconds.
const staleAfter = time.Hour

// sweep removes what killed runs left half written in the store.
func sweep(dir string, now time.Time) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		info, err := e.Info()
		if err == nil && strings.HasPrefix(e.Name(), ".") && now.Sub(info.ModTime()) > staleAfter {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}
