package decisions

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
)

// maxBytes is the largest record that is read: some hundred thousand decisions.
const maxBytes = 64 << 20

// Log is a record as read.
type Log struct {
	Decisions []Decision // in the order made
	// Problems says, one plain line each, which lines could not be read; the rest
	// counts all the same.
	Problems []string
}

// mend is what to do about a line that was passed over.
const mend = "put the line right from a copy, or delete it and decide again in dartfall review"

// Parse reads a whole record. It never fails: a line that is no decision, such as
// the last one of a run that lost its power, is told in Problems and passed over.
func Parse(data []byte) Log {
	var l Log
	last := 0
	for number := 1; len(data) > 0; number++ {
		line, rest, ended := bytes.Cut(data, []byte("\n"))
		data = rest
		text := bytes.TrimSpace(line)
		if len(text) == 0 {
			continue
		}
		d, err := parseLine(text)
		switch {
		case err == nil && d.ID > last:
			l.Decisions, last = append(l.Decisions, d), d.ID
		case err == nil:
			l.Problems = append(l.Problems, fmt.Sprintf("%s, line %d: decision %d comes after decision %d, so this line is passed over; %s", FileName, number, d.ID, last, mend))
		case !ended:
			l.Problems = append(l.Problems, fmt.Sprintf("%s, line %d was cut short, as by a power cut: that last decision is lost, make it again", FileName, number))
		default:
			l.Problems = append(l.Problems, fmt.Sprintf("%s, line %d cannot be read (%v), so what it decided is not applied; %s", FileName, number, err, mend))
		}
	}
	return l
}

// Read reads the record of a folder; one that does not exist is empty. The bytes
// are returned for the reader's own identity of its inputs, nil without a record.
func Read(dir string) (Log, []byte, error) {
	file := filepath.Join(dir, FileName)
	f, err := os.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		return Log{}, nil, nil
	}
	if err != nil {
		return Log{}, nil, fmt.Errorf("cannot read %s: %v", file, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err == nil && len(data) > maxBytes {
		err = errors.New("it is too long to be a record of decisions")
	}
	if err != nil {
		return Log{}, nil, fmt.Errorf("cannot read %s: %v", file, err)
	}
	return Parse(data), data, nil
}

// File is a folder's record, open for adding. Several programs may add to one
// record: each takes the file's lock and reads what the others wrote before it adds.
// Its methods may be called from any goroutine.
type File struct {
	mu  sync.Mutex
	dir string
	log Log
}

// OpenFile reads the record of a folder, which need not exist yet.
func OpenFile(dir string) (*File, error) {
	f := &File{dir: dir}
	var err error
	f.log, _, err = Read(dir)
	return f, err
}

// Log returns the record as last read or written.
func (f *File) Log() Log {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.log
}

// ErrStale is returned by Append when the record has grown since seen.
var ErrStale = errors.New("another tab or program decided something meanwhile: look again")

// Append numbers the decision and adds it, flushed to disk before it returns. seen
// is the number of the last decision the person was looking at, 0 for none: with
// others after it nothing is added and the error is ErrStale.
func (f *File) Append(d Decision, seen int) (Decision, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	path := filepath.Join(f.dir, FileName)
	w, err := os.OpenFile(path, os.O_RDWR|os.O_APPEND|os.O_CREATE, 0o644)
	if err != nil {
		return d, fmt.Errorf("cannot write %s: %v", path, err)
	}
	defer w.Close() // also gives the lock back
	if err := syscall.Flock(int(w.Fd()), syscall.LOCK_EX); err != nil {
		return d, fmt.Errorf("cannot lock %s: %v", path, err)
	}
	log, data, err := Read(f.dir)
	if err != nil {
		return d, err
	}
	f.log = log
	last := 0
	if n := len(log.Decisions); n > 0 {
		last = log.Decisions[n-1].ID
	}
	if last != seen {
		return d, ErrStale
	}
	d.ID = last + 1
	if err := d.check(); err != nil {
		return d, err
	}
	line, err := json.Marshal(d)
	if err != nil {
		return d, fmt.Errorf("cannot write the decision: %v", err)
	}
	line = append(line, '\n')
	if n := len(data); n > 0 && data[n-1] != '\n' { // a torn last line stays a line of its own
		line = append([]byte("\n"), line...)
	}
	if _, err := w.Write(line); err != nil {
		return d, fmt.Errorf("cannot write %s: %v", path, err)
	}
	if err := w.Sync(); err != nil {
		return d, fmt.Errorf("cannot write %s to the disk: %v", path, err)
	}
	if len(data) == 0 { // the file may be new: its name must last too
		if dir, err := os.Open(f.dir); err == nil {
			err = dir.Sync()
			dir.Close()
			if err != nil {
				return d, fmt.Errorf("cannot write %s to the disk: %v", path, err)
			}
		}
	}
	f.log.Decisions = append(f.log.Decisions[:len(f.log.Decisions):len(f.log.Decisions)], d)
	return d, nil
}
