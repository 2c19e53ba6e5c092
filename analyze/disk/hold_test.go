package disk_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"evenhand/analyze/disk"
)

// TestRemoveTemps: what was not removed goes, also while a part of the program goes on
// writing into it.
func TestRemoveTemps(t *testing.T) {
	for _, name := range []string{"TMPDIR", "TMP"} {
		t.Setenv(name, t.TempDir())
	}
	removed, err := disk.Temp("verify")
	if err != nil {
		t.Fatal(err)
	}
	held, err := disk.Temp("preview")
	if err != nil {
		t.Fatal(err)
	}
	if err := removed.Remove(); err != nil {
		t.Fatal(err)
	}
	// Somebody else's by now.
	if err := os.Mkdir(removed.Dir, 0o777); err != nil {
		t.Fatal(err)
	}
	written, ended := make(chan bool), make(chan bool)
	go func() {
		defer close(ended)
		for n := 0; os.WriteFile(filepath.Join(held.Dir, string(rune('a'+n%26))), []byte("x"), 0o666) == nil; n++ {
			if n == 10 {
				close(written)
			}
		}
	}()
	<-written
	disk.RemoveTemps()
	<-ended
	if _, err := os.Stat(held.Dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("it is still there: %v", err)
	}
	if _, err := os.Stat(removed.Dir); err != nil {
		t.Errorf("what is not held is gone: %v", err)
	}
}
