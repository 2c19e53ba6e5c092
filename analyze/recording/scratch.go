package recording

import (
	"fmt"
	"path/filepath"
	"sync"

	"evenhand/analyze/disk"
)

// Scratch is room for samples of recordings, outside any output. The zero value is
// ready for use, also by several goroutines.
type Scratch struct {
	mu   sync.Mutex
	held *disk.Held // nil until it is needed
	made int
}

// Next returns the name of a new file.
func (x *Scratch) Next() (string, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.held == nil {
		var err error
		if x.held, err = disk.Temp("recordings"); err != nil {
			return "", err
		}
	}
	x.made++
	return filepath.Join(x.held.Dir, fmt.Sprintf("%d.wav", x.made)), nil
}

// Dir is the folder of the files; "" while there are none.
func (x *Scratch) Dir() string {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.held == nil {
		return ""
	}
	return x.held.Dir
}

// Close removes all files.
func (x *Scratch) Close() error {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.held == nil {
		return nil
	}
	held := x.held
	x.held = nil
	return held.Remove()
}
