package equalise

import (
	"context"
	"path/filepath"
	"sync"

	"evenhand/analyze/disk"
	"evenhand/analyze/flacio"
	"evenhand/analyze/leftover"
	"evenhand/analyze/recording"
	"evenhand/analyze/wavio"
)

// Player plays a published file from its beginning.
type Player interface {
	leftover.Reader
	Close() error
}

// Open opens a published file by its path in the report, and returns its channels and its
// rate.
type Open func(path string) (p Player, channels, rate int, err error)

// Decoded is what an Open returns of a FLAC file that is decoded each time it is played.
func Decoded(d *flacio.Decoder, err error) (Player, int, int, error) {
	if err != nil {
		return nil, 0, 0, err
	}
	return d, d.Info().Channels, d.Info().SampleRate, nil
}

// unpacked are published files in a folder, each unpacked into a temporary file when it is
// first opened: a fit plays them several times, and decoding costs more than all else of it.
type unpacked struct {
	dir     string
	scratch recording.Scratch
	mu      sync.Mutex
	files   map[string]func() (string, error)
}

func (u *unpacked) open(ctx context.Context, path string) (Player, int, int, error) {
	u.mu.Lock()
	file := u.files[path]
	if file == nil {
		file = sync.OnceValues(func() (string, error) {
			_, name, err := recording.Open(ctx, filepath.Join(u.dir, filepath.FromSlash(path)), u.scratch.Next)
			return name, err
		})
		u.files[path] = file
	}
	u.mu.Unlock()
	name, err := file()
	if err != nil {
		return nil, 0, 0, err
	}
	r, err := wavio.Open(name)
	if err != nil {
		return nil, 0, 0, err
	}
	return r, r.Info().Channels, r.Info().SampleRate, nil
}

// remove removes what a file was unpacked into, if it was.
func (u *unpacked) remove(path string) error {
	u.mu.Lock()
	file := u.files[path]
	delete(u.files, path)
	u.mu.Unlock()
	if file == nil {
		return nil
	}
	name, err := file()
	if err != nil {
		return nil // whoever opened it has the error
	}
	return disk.Remove(name)
}
