// Package disk makes every change of files: what this program creates, writes,
// renames, removes and syncs goes through here, so that a test can record it,
// cut it off at any point or let the disk be full.
//
// Files and folders that only this program needs for a while are made by Hold,
// which tells those of a running program from those of one that was killed.
//
// TestPowerCut cuts the power after every operation, with unsynced names and content
// lost; TestNoRoomAnywhere fills the disk. Files in the store of encoded audio are not
// synced: a damaged one is found by its hash.
package disk

import (
	"errors"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"time"
)

// File is an open file that may be written to.
type File interface {
	io.Writer
	io.Seeker
	io.WriterAt
	io.ReaderAt
	Name() string
	Stat() (fs.FileInfo, error)
	// Sync returns when what was written is kept through a power cut.
	Sync() error
	Close() error
}

// System is the operations that change files, each like the function or method
// of that name in package os. Exchange and SyncDir are explained at the functions.
type System interface {
	OpenFile(name string, flag int, perm fs.FileMode) (File, error)
	Mkdir(name string, perm fs.FileMode) error
	Rename(from, to string) error
	Exchange(a, b string) error
	Link(from, to string) error
	Remove(name string) error
	RemoveAll(name string) error
	Chmod(name string, mode fs.FileMode) error
	Chtimes(name string, atime, mtime time.Time) error
	SyncDir(name string) error
}

// System operations of this computer.
type real struct{}

// Real returns the operations of the system.
func Real() System { return real{} }

var now System = real{}

// Use makes all changes go through s from now on and returns what undoes that.
// It is for tests, which call it while nothing else is running.
func Use(s System) (restore func()) {
	before := now
	now = s
	return func() { now = before }
}

func (real) OpenFile(name string, flag int, perm fs.FileMode) (File, error) {
	f, err := os.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err // not a File that holds nil
	}
	return f, nil
}
func (real) Mkdir(name string, perm fs.FileMode) error         { return os.Mkdir(name, perm) }
func (real) Rename(from, to string) error                      { return os.Rename(from, to) }
func (real) Exchange(a, b string) error                        { return exchange(a, b) }
func (real) Link(from, to string) error                        { return os.Link(from, to) }
func (real) Remove(name string) error                          { return os.Remove(name) }
func (real) RemoveAll(name string) error                       { return os.RemoveAll(name) }
func (real) Chmod(name string, mode fs.FileMode) error         { return os.Chmod(name, mode) }
func (real) Chtimes(name string, atime, mtime time.Time) error { return os.Chtimes(name, atime, mtime) }
func (real) SyncDir(name string) error                         { return syncDir(name) }

// Create creates or overwrites a file.
func Create(name string) (File, error) {
	return now.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o666)
}

// CreateNew creates a file that must not be there.
func CreateNew(name string, perm fs.FileMode) (File, error) {
	return now.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, perm)
}

// CreateTemp creates a file of a new name in dir that only its owner may read; the
// name is the prefix and digits.
func CreateTemp(dir, prefix string) (File, error) {
	for try := 1; ; try++ {
		f, err := now.OpenFile(newName(dir, prefix), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
		if !errors.Is(err, fs.ErrExist) || try == nameTries {
			return f, err
		}
	}
}

// nameTries is how many new names are tried.
const nameTries = 10000

func newName(dir, prefix string) string {
	return filepath.Join(dir, prefix+strconv.FormatUint(uint64(rand.Uint32()), 10))
}

// Change opens a file that is there to change a part of it.
func Change(name string) (File, error) { return now.OpenFile(name, os.O_RDWR, 0) }

// WriteFile creates or overwrites a file with data.
func WriteFile(name string, data []byte, perm fs.FileMode) error {
	f, err := now.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, perm)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Close())
}

// WriteSynced creates or overwrites a file with data that is kept through a
// power cut; the file's name is only kept after SyncDir.
func WriteSynced(name string, data []byte, perm fs.FileMode) error {
	f, err := now.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, perm)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// Mkdir makes a folder that must not be there.
func Mkdir(name string, perm fs.FileMode) error { return now.Mkdir(name, perm) }

// MkdirAll makes a folder and those above it that are not there yet.
func MkdirAll(name string, perm fs.FileMode) error {
	info, err := os.Stat(name)
	if err == nil && info.IsDir() {
		return nil
	}
	if up := filepath.Dir(name); errors.Is(err, fs.ErrNotExist) && up != name {
		if err := MkdirAll(up, perm); err != nil {
			return err
		}
	}
	err = now.Mkdir(name, perm)
	if errors.Is(err, fs.ErrExist) {
		if info, serr := os.Stat(name); serr == nil && info.IsDir() {
			return nil // another program made it meanwhile
		}
	}
	return err
}

// Rename gives a file or folder another name.
func Rename(from, to string) error { return now.Rename(from, to) }

// Exchange gives each of two files or folders the other's name, at once: nobody
// sees one of the names missing, not even after a power cut. The error matches
// errors.ErrUnsupported, and nothing has changed, where the system or the file
// system cannot.
func Exchange(a, b string) error { return now.Exchange(a, b) }

// Link gives a file a second name.
func Link(from, to string) error { return now.Link(from, to) }

// Remove removes a file or an empty folder.
func Remove(name string) error { return now.Remove(name) }

// RemoveAll removes a file or a folder and all that is in it; nothing when it is
// not there.
func RemoveAll(name string) error { return now.RemoveAll(name) }

// Chmod changes who may read and write a file.
func Chmod(name string, mode fs.FileMode) error { return now.Chmod(name, mode) }

// Chtimes changes the times of a file.
func Chtimes(name string, atime, mtime time.Time) error { return now.Chtimes(name, atime, mtime) }

// SyncDir returns when the names in a folder are kept through a power cut, as
// far as the system can promise that.
func SyncDir(name string) error { return now.SyncDir(name) }

// SyncTree returns when a file, or all files and folders below a folder with the
// folder itself, are kept through a power cut. Their own name in the folder
// above is only kept after SyncDir of that.
func SyncTree(root string) error {
	var folders []string
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case e.IsDir():
			folders = append(folders, path)
			return nil
		case !e.Type().IsRegular():
			return nil
		}
		f, err := now.OpenFile(path, syncFlag, 0)
		if err != nil {
			return err
		}
		return errors.Join(f.Sync(), f.Close())
	})
	for _, dir := range folders {
		if err == nil {
			err = now.SyncDir(dir)
		}
	}
	return err
}

// hidden is a path in a draft, which names what it is a draft of.
var hidden = regexp.MustCompile(`\.([^/\\]+)` + regexp.QuoteMeta(draftMark) + `[0-9]+(?:[/\\](` + DraftNew + `|` + DraftEarlier + `)\b)?`)

// Shown returns a text in which paths in drafts are those that the draft will
// have: a person knows the folder that was named and no draft of it. Where what
// was there before is, is left as it is.
func Shown(text string) string {
	return hidden.ReplaceAllStringFunc(text, func(path string) string {
		part := hidden.FindStringSubmatch(path)
		if part[2] == DraftEarlier {
			return path
		}
		return part[1]
	})
}
