package notice

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// told waits for the next report, at most long enough for the slowest poll.
func told(t *testing.T, w *Watcher, what string) {
	t.Helper()
	select {
	case <-w.C:
	case <-time.After(10 * time.Second):
		t.Fatalf("not told: %s", what)
	}
}

// drain forgets what was reported until now.
func drain(w *Watcher) {
	for {
		select {
		case <-w.C:
		case <-time.After(50 * time.Millisecond):
			return
		}
	}
}

func write(t *testing.T, path string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("x"), 0o666); err != nil {
		t.Fatal(err)
	}
}

func TestChangesAreTold(t *testing.T) {
	dir := t.TempDir()
	there, later := filepath.Join(dir, "there"), filepath.Join(dir, "later", "below")
	write(t, filepath.Join(there, "a.txt"))
	w := Open()
	defer w.Close()
	if polled := w.Folders([]string{there, later}); polled != nil {
		t.Fatalf("polled: %q", polled)
	}
	for _, c := range []struct {
		what string
		do   func() error
	}{
		{"written to", func() error { return os.WriteFile(filepath.Join(there, "a.txt"), []byte("yy"), 0o666) }},
		{"new", func() error { return os.WriteFile(filepath.Join(there, "b.txt"), nil, 0o666) }},
		{"renamed into place", func() error { return os.Rename(filepath.Join(there, "b.txt"), filepath.Join(there, "a.txt")) }},
		{"removed", func() error { return os.Remove(filepath.Join(there, "a.txt")) }},
		{"a folder that was missing", func() error { return os.MkdirAll(later, 0o777) }},
	} {
		drain(w)
		if err := c.do(); err != nil {
			t.Fatal(err)
		}
		told(t, w, c.what)
	}
	w.Folders([]string{there, later})
	if list := w.system.WatchList(); !slices.Contains(list, later) || len(list) != 2 {
		t.Errorf("watched: %q", list)
	}
}

// Where the system gives nothing, folders are polled, and who asked is told so.
func TestPollsWhereNothingIsReported(t *testing.T) {
	dir := t.TempDir()
	w := Poll()
	defer w.Close()
	if polled := w.Folders([]string{dir, filepath.Join(dir, "missing")}); !slices.Equal(polled, []string{dir}) {
		t.Errorf("polled: %q, want %q", polled, dir)
	}
	if first, second := w.Watch([]string{dir}), w.Watch([]string{dir}); !strings.Contains(first, "does not report changes in "+dir) || second != "" {
		t.Errorf("noted: %q, then %q", first, second)
	}
	late := time.After(10 * time.Second) // in which others are looked at five times
	for n := range 20 {
		select {
		case <-w.C:
		case <-late:
			t.Fatalf("%d polls in 10 s", n)
		}
	}
}
