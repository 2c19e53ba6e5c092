package disk_test

import (
	"errors"
	"io/fs"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"evenhand/analyze/disk"
)

// TestNoTemp: where no temporary folder can be made the error says what to set.
func TestNoTemp(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("TMP there")
	}
	t.Setenv("TMPDIR", filepath.Join(t.TempDir(), "none"))
	h, err := disk.Temp("recordings")
	if h != nil || !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "set TMPDIR") {
		t.Errorf("%v, %v", h, err)
	}
}
