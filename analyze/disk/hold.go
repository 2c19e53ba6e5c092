package disk

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// draftMark stands in the name of the folder of a draft, between the name of
// what it is a draft of, behind a dot, and digits.
const draftMark = ".draft-"

// DraftNew is the name, in the folder of a draft, of what is being made.
const DraftNew = "new"

// DraftEarlier is the name, in the folder of a draft, of what was at the
// destination, where the two cannot be exchanged.
const DraftEarlier = "earlier"

// DraftPrefix begins the names of the folders of drafts for a destination, which
// are beside it.
func DraftPrefix(dst string) string { return "." + filepath.Base(dst) + draftMark }

// staleAfter is the age at which a folder that was held belongs to a program
// that did not end well, where the system cannot tell by the lock.
const staleAfter = 24 * time.Hour

// Held is a folder that this program works in. The system keeps it locked until
// the program ends, however that happens.
type Held struct {
	Dir  string
	lock *os.File // nil where the system locks no folders
}

// errLocked is the error of lock for a folder that another program holds.
var errLocked = errors.New("another program holds the folder")

// Hold makes a folder of a new name that only its owner may look into. Its name
// is the prefix and digits.
func Hold(parent, prefix string) (*Held, error) {
	for try := 1; ; try++ {
		dir := newName(parent, prefix)
		err := now.Mkdir(dir, 0o700)
		if errors.Is(err, fs.ErrExist) && try < nameTries {
			continue
		}
		if err != nil {
			return nil, err
		}
		f, err := lock(dir)
		if errors.Is(err, errors.ErrUnsupported) {
			return &Held{Dir: dir}, nil
		}
		if err == nil {
			if is(f, dir) {
				return &Held{dir, f}, nil
			}
			f.Close()
		}
		// Abandoned took it for one that nobody holds, before it was locked.
		if try == nameTries {
			return nil, errors.Join(err, now.RemoveAll(dir))
		}
	}
}

// is tells whether an open folder is still the one of that name.
func is(f *os.File, dir string) bool {
	a, err := f.Stat()
	b, err2 := os.Lstat(dir)
	return err == nil && err2 == nil && os.SameFile(a, b)
}

// Release ends the hold and leaves the folder as it is.
// Parts of a program may call it at once, and again.
func (h *Held) Release() { h.lock.Close() }

// Remove removes the folder and ends the hold.
func (h *Held) Remove() error {
	err := now.RemoveAll(h.Dir)
	h.Release()
	temporary.Delete(h)
	return err
}

// Abandoned calls f for each folder in parent that Hold made with the prefix and
// whose program is gone, while nobody else can. Failures to look are passed over.
func Abandoned(parent, prefix string, f func(dir string)) {
	entries, err := os.ReadDir(parent)
	if err != nil {
		return
	}
	for _, e := range entries {
		number, ours := strings.CutPrefix(e.Name(), prefix)
		if !ours || !e.IsDir() || number == "" || strings.Trim(number, "0123456789") != "" {
			continue
		}
		dir := filepath.Join(parent, e.Name())
		held, err := lock(dir)
		switch {
		case err == nil:
			if is(held, dir) {
				f(dir)
			}
			held.Close()
		case errors.Is(err, errors.ErrUnsupported):
			if newest, err := newestIn(dir); err == nil && time.Since(newest) > staleAfter {
				f(dir)
			}
		}
	}
}

// newestIn returns the latest time that a folder or anything in it was changed.
func newestIn(dir string) (newest time.Time, err error) {
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := e.Info()
		if err == nil && info.ModTime().After(newest) {
			newest = info.ModTime()
		}
		return err
	})
	return newest, err
}

// temps are what temporary folders are made for.
var temps = []string{"pack", "verify", "tally", "withheld", "recordings", "preview"}

// Temp makes a folder for temporary files, for one of the purposes in temps, and
// removes those that killed programs left. The caller removes it.
func Temp(purpose string) (*Held, error) {
	for _, p := range temps {
		Abandoned(os.TempDir(), tempPrefix(p), func(dir string) { now.RemoveAll(dir) })
	}
	h, err := Hold(os.TempDir(), tempPrefix(purpose))
	if err != nil {
		return nil, fmt.Errorf("no temporary folder can be made: %w; set TMPDIR (Windows: TMP) to a folder that can be written to", err)
	}
	temporary.Store(h, true)
	return h, nil
}

// temporary has the folders that Temp made and nobody removed yet.
var temporary sync.Map

// RemoveTemps removes what Temp made and nobody removed yet. A program that ends before
// all of its parts have ended calls it last. What cannot be removed then, a later Temp
// removes.
func RemoveTemps() {
	temporary.Range(func(k, _ any) bool {
		h := k.(*Held)
		// A part that still writes by the old name would fill it as fast as it is emptied.
		other := newName(filepath.Dir(h.Dir), filepath.Base(h.Dir)) // known to Abandoned too
		if now.Rename(h.Dir, other) == nil {
			now.RemoveAll(other)
		}
		h.Remove() // what is left where the system renames no folder with an open file
		return true
	})
}

func tempPrefix(purpose string) string { return "evenhand-" + purpose + "-" }
