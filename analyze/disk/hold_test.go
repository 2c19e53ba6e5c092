package disk_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"evenhand/analyze/disk"
	"evenhand/analyze/disk/disktest"
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
	written, stop, ended := make(chan bool), make(chan bool), make(chan error, 1)
	defer close(stop)
	go func() {
		for n := 0; ; n++ {
			select {
			case <-stop:
				return
			default:
			}
			if err := os.WriteFile(filepath.Join(held.Dir, string(rune('a'+n%26))), []byte("x"), 0o666); err != nil {
				ended <- errors.Join(err, held.Remove()) // as its owner does, meanwhile
				return
			}
			if n == 10 {
				close(written)
			}
		}
	}()
	select {
	case <-written:
	case err := <-ended:
		t.Fatal(err)
	}
	disk.RemoveTemps()
	select {
	case <-ended:
	case <-time.After(10 * time.Second):
		t.Fatal("10 s later files can still be written into it")
	}
	left, err := filepath.Glob(filepath.Join(os.TempDir(), "*"))
	if err != nil || len(left) != 1 || left[0] != removed.Dir {
		t.Errorf("left: %q, %v; want %q, which is not held", left, err, removed.Dir)
	}
}

// TestRemoveTempsEnds: what cannot be removed is left, without many tries, and a later Temp
// removes it.
func TestRemoveTempsEnds(t *testing.T) {
	for _, name := range []string{"TMPDIR", "TMP"} {
		t.Setenv(name, t.TempDir())
	}
	t.Run("no change is allowed", func(t *testing.T) {
		held, err := disk.Temp("verify")
		if err != nil {
			t.Fatal(err)
		}
		r := &disktest.Recorder{Fail: func(int, disktest.Op) error { return syscall.EACCES }}
		r.Start(t)
		disk.RemoveTemps()
		if n := r.Count(); n == 0 || n > 3 {
			t.Errorf("%d operations", n)
		}
		if _, err := os.Stat(held.Dir); err != nil {
			t.Error(err)
		}
	})
	next, err := disk.Temp("pack")
	if err != nil {
		t.Fatal(err)
	}
	defer next.Remove()
	if left, err := filepath.Glob(filepath.Join(os.TempDir(), "*")); err != nil || len(left) != 1 || left[0] != next.Dir {
		t.Errorf("left: %q, %v; want %q", left, err, next.Dir)
	}
}
