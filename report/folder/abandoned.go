package folder

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"evenhand/analyze/disk"
)

// Hold makes a folder beside a destination to make something in that Replace then
// puts there. The folder of the destination is made where it is missing.
func Hold(dst string) (*disk.Held, error) {
	parent := filepath.Dir(dst)
	if err := disk.MkdirAll(parent, 0o777); err != nil {
		return nil, err
	}
	return disk.Hold(parent, disk.DraftPrefix(dst))
}

// Replace puts made, a file or folder in a held folder whose content is synced, at
// dst. What was at dst is then in the held folder, for the caller to remove unless
// unsure says that a power cut could still undo the exchange. On an error dst is
// what it was; fs.ErrExist and fs.ErrNotExist come from another program that
// changes dst at the same time.
func Replace(held *disk.Held, made, dst string) (unsure, err error) {
	parent := filepath.Dir(dst)
	before, err := os.Lstat(dst)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = disk.Rename(made, dst)
	case err != nil:
		return nil, err
	case !before.IsDir():
		// A file is replaced at once.
		err = disk.Rename(made, dst)
	default:
		if err = disk.Exchange(made, dst); errors.Is(err, errors.ErrUnsupported) {
			err = inTwoSteps(filepath.Join(held.Dir, disk.DraftEarlier), made, dst)
		}
	}
	if err != nil {
		return nil, err
	}
	return errors.Join(disk.SyncDir(parent), disk.SyncDir(held.Dir)), nil
}

// Drop removes a held folder that was not put anywhere, unless it holds the only
// copy of what was at the destination.
func Drop(held *disk.Held) error {
	if _, err := os.Lstat(filepath.Join(held.Dir, disk.DraftEarlier)); err == nil {
		held.Release()
		return nil
	}
	return held.Remove()
}

// inTwoSteps moves what is at dst aside and made to dst.
func inTwoSteps(aside, made, dst string) error {
	if err := disk.Rename(dst, aside); err != nil {
		return err
	}
	err := disk.Rename(made, dst)
	if err == nil {
		return nil
	}
	// Unless another program has put its own there, which would have replaced it.
	if _, there := os.Lstat(dst); errors.Is(there, fs.ErrNotExist) {
		if back := disk.Rename(aside, dst); back != nil {
			return fmt.Errorf("what was in %s is now in %s: %w", dst, aside, errors.Join(err, back))
		}
		return err
	}
	return errors.Join(err, removeOurs(aside))
}

// Recover deals with what killed programs left beside a destination, as the user
// names it: what was there before is put back where it is missing, and the rest
// is removed. It returns what it found, a sentence each. Folders that another
// program is working in stay.
func Recover(dst string) (found []string, err error) {
	full, err := Follow(dst)
	if err != nil {
		return nil, nil // whoever uses it finds out why
	}
	removed := false
	disk.Abandoned(filepath.Dir(full), disk.DraftPrefix(full), func(dir string) {
		if err != nil {
			return
		}
		aside := filepath.Join(dir, disk.DraftEarlier)
		if _, there := os.Lstat(full); errors.Is(there, fs.ErrNotExist) {
			if _, has := os.Lstat(aside); has == nil {
				err = errors.Join(disk.Rename(aside, full), disk.SyncDir(filepath.Dir(full)), disk.SyncDir(dir))
				if err != nil {
					err = fmt.Errorf("%s: an earlier run ended while it replaced this; the old content is in %s and cannot be put back: %w", dst, aside, err)
					return
				}
				found = append(found, fmt.Sprintf("%s: an earlier run ended while it was replacing this; what was here before is back", dst))
			}
		}
		// Failures do not matter: they are tried again next time.
		if clear(dir) == nil && disk.RemoveAll(dir) == nil {
			removed = true
		}
	})
	if removed {
		found = append(found, fmt.Sprintf("%s: an earlier run did not finish; the files that it left next to this are removed", dst))
	}
	return found, err
}

// clear removes what is in the folder of a draft: a folder that a Commit made by
// removeOurs.
func clear(dir string) error {
	for _, name := range []string{disk.DraftEarlier, disk.DraftNew} {
		path := filepath.Join(dir, name)
		var err error
		if _, listed := os.Lstat(filepath.Join(path, Sums)); listed == nil {
			err = removeOurs(path)
		} else {
			err = disk.RemoveAll(path)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// removeOurs removes a folder that a Commit made, but no file that is neither
// in its list nor litter: somebody may have put one there after it was checked.
func removeOurs(dir string) error {
	if _, err := os.Lstat(dir); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	sums, err := ReadSums(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	listed := map[string]bool{Sums: true}
	for _, s := range sums {
		listed[s.Path] = true
	}
	folders := []string{dir}
	kept := ""
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == dir {
			return err
		}
		if e.IsDir() {
			folders = append(folders, path)
			return nil
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		if name := filepath.ToSlash(rel); !listed[name] && !Litter(e) {
			kept = name
			return nil
		} else if name == Sums {
			return nil // last, so that what is left can still be told
		}
		return gone(disk.Remove(path))
	})
	if err == nil && kept != "" {
		err = fmt.Errorf("it holds %s, which evenhand did not put there", kept)
	}
	if err != nil {
		return err
	}
	if err := gone(disk.Remove(filepath.Join(dir, Sums))); err != nil {
		return err
	}
	for _, f := range slices.Backward(folders) {
		if err := gone(disk.Remove(f)); err != nil {
			return err
		}
	}
	return nil
}

// gone is the error of removing something; that it is not there is none.
func gone(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
