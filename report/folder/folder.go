// Package folder writes an output folder completely or not at all, and never
// over something that was not made by this program.
//
// Everything is written into a draft beside the destination. Commit lists the
// files with their SHA-256 in Sums and puts the draft in the destination's
// place by renaming; until then an earlier folder there stays as it was.
package folder

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Sums is the name of the list of files in a committed folder: a line each of
// lower-case hexadecimal SHA-256, two spaces, and the path with forward
// slashes, in the order of the paths. It is what common checksum programs read.
// Its presence marks a folder as ours to replace.
const Sums = "checksums.sha256"

// NotOursError says that a destination holds something that Begin or Commit
// would have to remove.
type NotOursError struct {
	Dir  string
	Path string // the file in the way, in Dir; "" when Dir was not made by this program at all
	// Changed: the program wrote the file, and somebody has changed it since.
	Changed bool
}

func (e *NotOursError) Error() string {
	if e.Path == "" {
		return fmt.Sprintf("%s: the folder is not empty and was not made by evenhand; name a new or an empty folder", e.Dir)
	}
	if e.Changed {
		return fmt.Sprintf("%s: %s was changed since evenhand wrote it and would be lost; move it elsewhere or name another folder", e.Dir, e.Path)
	}
	return fmt.Sprintf("%s: the folder holds %s, which evenhand did not put there; move it elsewhere or name another folder", e.Dir, e.Path)
}

// Draft is an output folder being written.
type Draft struct {
	Dir string // write here
	dst string
}

// Begin checks that dst can be made or replaced and returns a draft beside it.
// dst must not exist, be empty, or be a folder that an earlier Commit made and
// that nobody has added to or changed since: else the error is a *NotOursError.
func Begin(dst string) (*Draft, error) {
	dst, err := filepath.Abs(dst)
	if err != nil {
		return nil, err
	}
	if err := mayReplace(dst); err != nil {
		return nil, err
	}
	parent := filepath.Dir(dst)
	if err := os.MkdirAll(parent, 0o777); err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp(parent, "."+filepath.Base(dst)+".draft-")
	if err != nil {
		return nil, err
	}
	// MkdirTemp makes it private; a published folder is for everyone.
	if err := os.Chmod(dir, 0o755); err != nil {
		return nil, errors.Join(err, os.RemoveAll(dir))
	}
	return &Draft{Dir: dir, dst: dst}, nil
}

// Discard removes the draft. After Commit it does nothing.
func (d *Draft) Discard() error {
	if d.Dir == "" {
		return nil
	}
	dir := d.Dir
	d.Dir = ""
	return os.RemoveAll(dir)
}

// Commit writes Sums and moves the draft to its destination. On an error the
// destination is what it was before.
func (d *Draft) Commit() error {
	if err := writeSums(d.Dir); err != nil {
		return err
	}
	if err := mayReplace(d.dst); err != nil {
		return err
	}
	old := ""
	if _, err := os.Lstat(d.dst); err == nil {
		old = d.Dir + ".old"
		if err := os.Rename(d.dst, old); err != nil {
			return err
		}
	}
	if err := os.Rename(d.Dir, d.dst); err != nil {
		if old != "" {
			err = errors.Join(err, os.Rename(old, d.dst))
		}
		return err
	}
	d.Dir = ""
	if old != "" {
		return os.RemoveAll(old)
	}
	return nil
}

func mayReplace(dst string) error {
	info, err := os.Lstat(dst)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !info.IsDir():
		return fmt.Errorf("%s: there is a file of this name; name a folder", dst)
	}
	entries, err := os.ReadDir(dst)
	if err != nil {
		return err
	}
	if len(entries) == 0 {
		return nil
	}
	known, err := ReadSums(dst)
	if errors.Is(err, fs.ErrNotExist) {
		return &NotOursError{Dir: dst}
	}
	if err != nil {
		return err
	}
	listed := map[string]string{Sums: ""}
	for _, s := range known {
		listed[s.Path] = s.SHA256
	}
	return walk(dst, func(path string, e fs.DirEntry) error {
		want, ok := listed[path]
		if !ok {
			return &NotOursError{Dir: dst, Path: path}
		}
		if want == "" {
			return nil
		}
		got, err := sumOf(filepath.Join(dst, filepath.FromSlash(path)))
		if err == nil && got != want {
			err = &NotOursError{Dir: dst, Path: path, Changed: true}
		}
		return err
	})
}

// sumOf returns a file's SHA-256 in lower-case hexadecimal.
func sumOf(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// walk calls f for everything below dir that is not a folder, in the order of
// the paths, with the path in dir with forward slashes.
func walk(dir string, f func(path string, e fs.DirEntry) error) error {
	return filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		return f(filepath.ToSlash(rel), e)
	})
}

// Sum is one line of Sums.
type Sum struct{ SHA256, Path string }

// ReadSums reads the list of files in a committed folder. The error is
// fs.ErrNotExist when there is none.
func ReadSums(dir string) ([]Sum, error) {
	f, err := os.Open(filepath.Join(dir, Sums))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var out []Sum
	lines := bufio.NewScanner(f)
	for n := 1; lines.Scan(); n++ {
		sum, path, ok := strings.Cut(lines.Text(), "  ")
		if _, err := hex.DecodeString(sum); !ok || err != nil || len(sum) != 2*sha256.Size || !filepath.IsLocal(filepath.FromSlash(path)) {
			return nil, fmt.Errorf("%s:%d: not a line of a SHA-256, two spaces and a path in the folder", filepath.Join(dir, Sums), n)
		}
		out = append(out, Sum{sum, path})
	}
	return out, lines.Err()
}

func writeSums(dir string) error {
	var lines []string
	err := walk(dir, func(path string, e fs.DirEntry) error {
		sum, err := sumOf(filepath.Join(dir, filepath.FromSlash(path)))
		if err != nil {
			return err
		}
		lines = append(lines, path+"\x00"+sum)
		return nil
	})
	if err != nil {
		return err
	}
	slices.Sort(lines)
	var b strings.Builder
	for _, l := range lines {
		path, sum, _ := strings.Cut(l, "\x00")
		fmt.Fprintf(&b, "%s  %s\n", sum, path)
	}
	return os.WriteFile(filepath.Join(dir, Sums), []byte(b.String()), 0o666)
}
