package photo

import (
	"errors"
	"fmt"
	"io/fs"
)

// Kind says in which way a file is no photo for us.
type Kind int

const (
	// Unreadable: the file is not there or the system does not let us read it.
	Unreadable Kind = iota + 1
	// Unsupported: the bytes are whole as far as we can tell, but not of a kind
	// this package reads.
	Unsupported
	// TooLarge: over the limit for bytes or pixels; nothing was decoded.
	TooLarge
	// Damaged: the right kind of file, but cut short or corrupt.
	Damaged
)

func (k Kind) String() string {
	switch k {
	case Unreadable:
		return "unreadable"
	case Unsupported:
		return "unsupported"
	case TooLarge:
		return "too large"
	case Damaged:
		return "damaged"
	}
	return fmt.Sprintf("Kind(%d)", int(k))
}

// Error is the only error of this package: which file, what is wrong with it, and
// what its owner can do.
type Error struct {
	Name    string // the file's base name
	Kind    Kind
	Problem string // "the file is cut short (…)"
	Remedy  string // "copy it again from the phone"
	Err     error  // cause, may be nil
}

// Error is one line: name, problem, remedy.
func (e *Error) Error() string {
	return e.Name + ": " + e.Problem + ": " + e.Remedy
}

// Unwrap returns the cause, so that errors.Is(err, fs.ErrNotExist) works.
func (e *Error) Unwrap() error { return e.Err }

// named puts the file's name on an error from a decoder.
func named(name string, err error) error {
	var e *Error
	if !errors.As(err, &e) {
		return &Error{name, Damaged, fmt.Sprintf("the file cannot be decoded (%v)", err), "copy it again from the phone or camera", err}
	}
	e.Name = name
	return e
}

func openError(name string, err error) *Error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &Error{name, Unreadable, "there is no such file", "check the spelling and the folder", err}
	case errors.Is(err, fs.ErrPermission):
		return &Error{name, Unreadable, "the system does not allow reading it", "check who owns the file and its permissions", err}
	}
	return &Error{name, Unreadable, fmt.Sprintf("the file cannot be read (%v)", err), "check the disk or card it is on and copy it again", err}
}

func tooManyBytes(name string, limit int64) *Error {
	return &Error{name, TooLarge, fmt.Sprintf("the file is larger than %d MB", limit>>20), "save it as a JPEG, or make it smaller", nil}
}

func tooManyPixels(width, height int, limit int64) *Error {
	return &Error{"", TooLarge, fmt.Sprintf("its header says %d x %d pixels, over the limit of %d million", width, height, limit/1_000_000),
		"make it smaller, or copy it again if that size is wrong", nil}
}

func cutShort(cause error) *Error {
	problem := "the file is cut short"
	if cause != nil {
		problem += fmt.Sprintf(" (%v)", cause)
	}
	return &Error{"", Damaged, problem, "copy it again from the phone or camera", cause}
}

func corrupt(cause error) *Error {
	return &Error{"", Damaged, fmt.Sprintf("the file is damaged (%v)", cause), "copy it again from the phone or camera", cause}
}

func unsupported(problem, remedy string) *Error {
	return &Error{"", Unsupported, problem, remedy, nil}
}
