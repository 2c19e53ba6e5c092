//go:build unix

package foreign

import (
	"errors"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"evenhand/analyze/mistake"
)

// A pipe without a writer is refused and not waited for.
func TestPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Skip(err)
	}
	if _, err := Open(path); !errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), "named pipe") {
		t.Error(err)
	}
}
