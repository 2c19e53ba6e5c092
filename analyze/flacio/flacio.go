// Package flacio writes and reads FLAC files, losslessly compressed integer
// audio, as blocks of samples. A Quantiser turns full-scale floats into the
// integers that an Encoder takes.
//
// The encoder is written here: it chooses channel decorrelation, predictor and
// Rice partitions and writes the bits. All choices are made in arithmetic that
// gives the same bits on every machine: the same samples give the same bytes. The
// decoder is the mewkiz/flac library, so that whoever measures a published file
// again reads it with code that did not write it.
//
// Source: RFC 9639, Free Lossless Audio Codec (December 2024): section 8.2 (stream
// header), 9.1 (block header), 9.2 (subframes), 9.3 (checksum of a block); from
// memory.
package flacio

import (
	"errors"
	"fmt"
	"io/fs"

	"evenhand/analyze/mistake"
)

// The kinds of failure; match them with errors.Is. All but ErrUse are the file's
// fault and match mistake.Err.
var (
	// ErrUnsupported: a depth, rate or channel count outside what is read or written.
	ErrUnsupported = mistake.Kind("unsupported FLAC format")
	// ErrCorrupt: a file that is not FLAC or whose content contradicts its checksums.
	ErrCorrupt = mistake.Kind("damaged FLAC file")
	// ErrUse: the caller asked for something impossible.
	ErrUse = errors.New("wrong use")
)

// Error is every error of this package except io.EOF.
type Error struct {
	Path string
	Msg  string
	Kind error // one of the sentinels, nil for failures of the operating system
	Err  error // the underlying error, if any
}

func (e *Error) Error() string { return e.Path + ": " + e.Msg }

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

func fail(path string, kind error, format string, args ...any) error {
	return &Error{Path: path, Kind: kind, Msg: fmt.Sprintf(format, args...)}
}

// damaged says what is wrong with a file, in whose structure err was found. What
// the library says of it is only unwrapped: it names its own functions.
func damaged(path string, err error, format string, args ...any) error {
	e := &Error{Path: path, Kind: ErrCorrupt, Msg: fmt.Sprintf(format, args...) + "; copy or export it again", Err: err}
	if pe, ok := errors.AsType[*fs.PathError](err); ok { // reading itself failed
		e.Kind, e.Msg = nil, "cannot read: "+pe.Err.Error()
	}
	return e
}

func wrap(path string, kind error, doing string, err error) error {
	cause := err
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		cause = pe.Err // the path stands in front already
	}
	return &Error{Path: path, Kind: kind, Msg: doing + ": " + cause.Error(), Err: err}
}

// Limits on what is read and written.
const (
	MaxRate     = 655350 // Hz, the largest that the header can hold
	MaxChannels = 8
)

// checkFormat reports what is not supported.
func checkFormat(path string, rate, channels, bits int) error {
	switch {
	case rate < 1 || rate > MaxRate:
		return fail(path, ErrUnsupported, "found a sample rate of %d Hz; allowed: 1 to %d Hz", rate, MaxRate)
	case channels < 1 || channels > MaxChannels:
		return fail(path, ErrUnsupported, "found %d channels; allowed: 1 to %d", channels, MaxChannels)
	case bits != 16 && bits != 24:
		return fail(path, ErrUnsupported, "found %d-bit samples; allowed: 16 or 24; export with one of these depths", bits)
	}
	return nil
}
