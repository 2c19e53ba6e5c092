package analyze

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
type input struct {
	path    string
	was     fs.FileInfo
	samples func() (string, error) // gives the WAVE file that its samples are read from; nil for itself
}

// is tells whether a file is the one that was hashed: the same one, of the same
// length, last written to at the same time. A nil was matches anything.
func (in input) is(now fs.FileInfo) bool {
	return in.was == nil || os.SameFile(in.was, now) && in.was.Size() == now.Size() && in.was.ModTime().Equal(now.ModTime())
}

// unchanged returns a *ChangedError when there is another file, or none, in the
// place of the one that was hashed.
func (in input) unchanged() error {
	if in.was == nil {
		return nil
	}
	if now, err := os.Stat(in.path); err != nil || !in.is(now) {
		return &ChangedError{in.path}
	}
	return nil
}

// open opens the recording, and only the one that was hashed.
func (in input) open() (*wavio.Reader, error) {
	if in.samples != nil {
		if err := in.unchanged(); err != nil {
			return nil, err
		}
		samples, err := in.samples()
		if err != nil {
			return nil, err
		}
		return wavio.Open(samples)
	}
	r, err := wavio.Open(in.path)
	if err != nil {
		if in.unchanged() != nil {
			return nil, &ChangedError{in.path}
		}
		return nil, err
	}
	if !in.is(r.FileInfo()) {
		r.Close()
		return nil, &ChangedError{in.path}
	}
	return r, nil
}

// Unchanged returns a *ChangedError when a file of the comparison is no longer
// the one that was hashed and measured. It looks at what the system says of the
// files (identity, length, time of the last change), not into them. Whoever
// publishes what was measured calls it last.
func (s *Session) Unchanged() error {
	for _, in := range s.inputs {
		if err := in.unchanged(); err != nil {
			return err
		}
	}
	return nil
}

// orChanged returns err, or why it came when that is a file that changed under
// the measurement.
func (s *Session) orChanged(err error) error {
	if err != nil {
		if changed := s.Unchanged(); changed != nil {
			return changed
		}
	}
	return err
}
