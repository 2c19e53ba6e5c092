package recording

import (
	"fmt"
	"io/fs"
	"os"

	"evenhand/analyze/mistake"
	"evenhand/analyze/wavio"
)

// ChangedError says that an input was replaced or written to between two of the
// times that it was read, so that what was measured is not what was hashed.
type ChangedError struct{ Path string }

func (e *ChangedError) Error() string {
	return fmt.Sprintf("%s: it changed while it was measured; run the command again when nothing writes to it", e.Path)
}

// Unwrap says that whoever writes to the file is to stop.
func (e *ChangedError) Unwrap() error { return mistake.Err }

// input is a file as it was when it was hashed.
type Input struct {
	Path    string
	Was     fs.FileInfo
	Samples func() (string, error) // gives the WAVE file that its samples are read from; nil for itself
}

// is tells whether a file is the one that was hashed: the same one, of the same
// length, last written to at the same time. A nil was matches anything.
func (in Input) is(now fs.FileInfo) bool {
	return in.Was == nil || os.SameFile(in.Was, now) && in.Was.Size() == now.Size() && in.Was.ModTime().Equal(now.ModTime())
}

// unchanged returns a *ChangedError when there is another file, or none, in the
// place of the one that was hashed.
func (in Input) Unchanged() error {
	if in.Was == nil {
		return nil
	}
	if now, err := os.Stat(in.Path); err != nil || !in.is(now) {
		return &ChangedError{in.Path}
	}
	return nil
}

// open opens the recording, and only the one that was hashed.
func (in Input) Open() (*wavio.Reader, error) {
	if in.Samples != nil {
		if err := in.Unchanged(); err != nil {
			return nil, err
		}
		samples, err := in.Samples()
		if err != nil {
			return nil, err
		}
		return wavio.Open(samples)
	}
	r, err := wavio.Open(in.Path)
	if err != nil {
		if in.Unchanged() != nil {
			return nil, &ChangedError{in.Path}
		}
		return nil, err
	}
	if !in.is(r.FileInfo()) {
		r.Close()
		return nil, &ChangedError{in.Path}
	}
	return r, nil
}
