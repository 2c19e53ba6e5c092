//go:build unix

package wavio

import (
	"errors"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// TestNamedPipe: opening one would wait for a writer for ever.
func TestNamedPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe.wav")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path); !errors.Is(err, ErrNotWAV) || !strings.Contains(err.Error(), "named pipe") {
		t.Errorf("%v", err)
	}
}
