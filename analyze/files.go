package analyze

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/wavio"
)

// SHA256File returns the lower-case hexadecimal SHA-256 of a file and its
// length in bytes, reading it once in blocks. It stops with ctx's error when
// ctx is done.
//
// Source: FIPS 180-4 (the standard library's implementation).
func SHA256File(ctx context.Context, path string) (sum string, bytes int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.CopyBuffer(struct{ io.Writer }{h}, ctxReader{ctx, f}, make([]byte, 1<<18))
	if err != nil {
		return "", 0, inFile(path, err)
	}
	return hex.EncodeToString(h.Sum(nil)), n, nil
}

// fileHash returns the SHA-256 of a file as its manifest path names it.
func (s *Session) fileHash(path string) string {
	path = filepath.ToSlash(path)
	for _, f := range s.Result.Files {
		if f.Path == path {
			return f.SHA256
		}
	}
	return ""
}

// ctxReader stops reading when its context is done.
type ctxReader struct {
	ctx context.Context
	r   io.Reader
}

func (r ctxReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}

// inFile puts a file's path in front of an error that does not name it yet.
func inFile(path string, err error) error {
	var audio *wavio.Error
	var changed *ChangedError
	var system *fs.PathError
	if errors.As(err, &audio) && audio.Path == path || errors.As(err, &changed) || errors.As(err, &system) && system.Path == path {
		return err
	}
	return fmt.Errorf("%s: %w", path, err)
}

func audioFormat(i wavio.Info) *AudioFormat {
	return &AudioFormat{
		Container:  i.Container,
		Encoding:   i.Encoding,
		SampleRate: i.SampleRate,
		Channels:   i.Channels,
		Frames:     i.Frames,
		Duration:   i.Duration(),
	}
}

// maxNotes is the largest notes file that is read.
const maxNotes = 64 << 10

func (s *Session) readNotes() error {
	about := s.Manifest.About
	if about == nil {
		return nil
	}
	if !about.Redistribute {
		s.warn(about.Path, "the notes are marked redistribute: no, so they are not on the page")
		return nil
	}
	if s.isAbsent(about.Path) {
		return nil
	}
	path := manifest.OnDisk(s.Manifest.Dir, about.Path)
	b, err := os.ReadFile(path)
	if err != nil {
		return &mistake.Error{Problems: []error{err}}
	}
	if len(b) > maxNotes {
		return mistake.Errorf("%s: the notes have %d bytes; at most %d are shown on a page: shorten them, or link to the rest", about.Path, len(b), maxNotes)
	}
	s.Result.Comparison.About = string(b)
	return nil
}

// isAbsent tells whether a path of the manifest is known to be missing.
func (s *Session) isAbsent(path string) bool {
	if s.absent == nil || s.absent(path) == nil {
		return false
	}
	_, err := os.Stat(manifest.OnDisk(s.Manifest.Dir, path))
	return errors.Is(err, os.ErrNotExist)
}
