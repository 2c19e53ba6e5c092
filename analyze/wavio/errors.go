package wavio

import (
	"errors"
	"fmt"
	"io/fs"

	"evenhand/analyze/mistake"
)

// The kinds of failure; match them with errors.Is. All but ErrUse are the
// file's fault and match mistake.Err. Failures of the operating system
// (fs.ErrNotExist, fs.ErrPermission) stay matchable as well.
var (
	// ErrNotWAV: the file is not a WAVE file, or not a regular file at all.
	ErrNotWAV = mistake.Kind("not a WAVE file")
	// ErrUnsupported: a WAVE file in a codec, depth, rate or channel count that is not read or written.
	ErrUnsupported = mistake.Kind("unsupported WAVE format")
	// ErrCorrupt: a WAVE file that contradicts itself or misses an essential part.
	ErrCorrupt = mistake.Kind("damaged WAVE file")
	// ErrEmpty: a file without a single frame of audio.
	ErrEmpty = mistake.Kind("no audio")
	// ErrNotFinite: a floating-point sample is NaN, infinite or beyond 2¹²⁸; Error.Frame and Error.Channel say which.
	ErrNotFinite = mistake.Kind("sample is not a finite number")
	// ErrUse: the caller asked for something impossible (a frame outside the file, a block of the wrong shape).
	ErrUse = errors.New("wrong use")
)

// Error is every error of this package except io.EOF.
type Error struct {
	Path    string // as given to Open, Create or NewReader; may be ""
	Offset  int64  // byte offset in the file, -1 when no one place is at fault
	Msg     string // what was found, what is allowed, what to do
	Kind    error  // one of the sentinels, nil for failures of the operating system
	Frame   int64  // ErrNotFinite: the frame, counted from 0
	Channel int    // ErrNotFinite: the channel, counted from 0
	Err     error  // the underlying error, if any
}

func (e *Error) Error() string {
	s := e.Msg
	if e.Offset >= 0 {
		s = fmt.Sprintf("byte %d: %s", e.Offset, s)
	}
	if e.Path != "" {
		s = e.Path + ": " + s
	}
	return s
}

// Unwrap returns the kind and the underlying error.
func (e *Error) Unwrap() []error {
	var list []error
	for _, err := range []error{e.Kind, e.Err} {
		if err != nil {
			list = append(list, err)
		}
	}
	return list
}

// fail makes an Error without a frame.
func fail(path string, offset int64, kind error, format string, args ...any) *Error {
	return &Error{Path: path, Offset: offset, Kind: kind, Msg: fmt.Sprintf(format, args...)}
}

// failSystem wraps a failure of the operating system.
func failSystem(path string, offset int64, doing string, err error) *Error {
	cause := err
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		cause = pe.Err // the path stands in front already
	}
	return &Error{Path: path, Offset: offset, Msg: doing + ": " + cause.Error(), Err: err}
}
