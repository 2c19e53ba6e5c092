package folder

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// abandonedAfter is the age at which a draft belongs to a program that did not
// end well.
const abandonedAfter = 24 * time.Hour

// draftPrefix begins the names of drafts for a destination, which lie beside
// it. Digits follow, and .old when it is what lay there before.
func draftPrefix(dst string) string { return "." + filepath.Base(dst) + ".draft-" }

// Earlier is the name, in a draft of an archive, of the archive that lay at the
// destination before.
const Earlier = "earlier"

// RemoveAbandoned removes the drafts beside dst in which nothing was written
// for a day. What lay in dst before is only removed when there is a dst, and
// then by removeOurs. Failures do not matter: they are tried again next time.
func RemoveAbandoned(dst string) {
	parent := filepath.Dir(dst)
	entries, err := os.ReadDir(parent)
	if err != nil {
		return
	}
	_, err = os.Lstat(dst)
	there := err == nil
	for _, e := range entries {
		rest, ours := strings.CutPrefix(e.Name(), draftPrefix(dst))
		if !ours || !e.IsDir() {
			continue
		}
		number, old := strings.CutSuffix(rest, ".old")
		if number == "" || strings.Trim(number, "0123456789.") != "" {
			continue
		}
		path := filepath.Join(parent, e.Name())
		if _, err := os.Lstat(filepath.Join(path, Earlier)); err == nil && !there {
			continue
		}
		if newest, err := newestIn(path, old); err != nil || time.Since(newest) < abandonedAfter {
			continue
		}
		switch {
		case !old:
			os.RemoveAll(path)
		case there:
			removeOurs(path)
		}
	}
}

// newestIn returns the latest time that a folder or anything in it was changed;
// that of the folder alone when it only lies aside.
func newestIn(dir string, aside bool) (newest time.Time, err error) {
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		if info.ModTime().After(newest) {
			newest = info.ModTime()
		}
		if aside {
			return filepath.SkipAll
		}
		return nil
	})
	return newest, err
}

// removeOurs removes a folder that a Commit made, but no file that is neither
// in its list nor litter: somebody may have put one there after it was checked.
func removeOurs(dir string) error {
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
		return os.Remove(path)
	})
	if err == nil && kept != "" {
		err = fmt.Errorf("it holds %s, which evenhand did not put there", kept)
	}
	if err != nil {
		return err
	}
	if err := os.Remove(filepath.Join(dir, Sums)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, f := range slices.Backward(folders) {
		if err := os.Remove(f); err != nil {
			return err
		}
	}
	return nil
}
