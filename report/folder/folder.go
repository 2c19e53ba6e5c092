// Package folder writes an output folder completely or not at all, and never
// over something that was not made by this program as a folder of the same kind.
//
// Everything is written into a draft beside the destination. Commit lists the
// files with their SHA-256 in Sums, waits until all of it is kept through a power
// cut and exchanges the draft with what is at the destination. At any moment the
// destination is the earlier folder or the new one, whole; where the system
// cannot exchange two folders at once, Recover puts the earlier one back if the
// program is killed between the two steps.
package folder

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
)

// Sums is the name of the list of files in a committed folder: a line each of
// lower-case hexadecimal SHA-256, two spaces, and the path with forward
// slashes, in the order of the paths. It is what common checksum programs read.
// Its presence marks a folder as one of ours; KindOf tells which.
const Sums = "checksums.sha256"

// Draft is an output folder being written.
type Draft struct {
	Dir string // write here
	// Left, after Commit, says what of the earlier folder could not be removed;
	// "" for nothing. It is worth a warning: the new folder is in place.
	Left string
	// Found says what Recover found at the destination.
	Found []string

	held   *disk.Held
	dst    string // where it goes, with links followed
	shown  string // dst as the user named it
	kind   Kind
	inputs []string
}

// Begin checks that dst can be made or replaced by a folder of a kind and
// returns a draft beside it. dst must not exist, be empty, or be a folder of the
// same kind that an earlier Commit made and that nobody has added to or changed
// since; it must hold none of the inputs (files that the new one is made from)
// nor be the current folder: else the error is a *NotOursError. A link to a
// folder is followed. What killed programs left is dealt with by Recover.
func Begin(dst string, kind Kind, inputs ...string) (*Draft, error) {
	d := &Draft{shown: dst, kind: kind, inputs: inputs}
	var err error
	if d.dst, err = Follow(dst); err != nil {
		return nil, err
	}
	if d.Found, err = Recover(dst); err != nil {
		return nil, err
	}
	if err := d.mayReplace(); err != nil {
		return nil, err
	}
	if d.held, err = Hold(d.dst); err != nil {
		return nil, err
	}
	d.Dir = filepath.Join(d.held.Dir, disk.DraftNew)
	// A published folder is for everyone, whatever the system takes away from new
	// ones.
	if err = disk.Mkdir(d.Dir, 0o755); err == nil {
		err = disk.Chmod(d.Dir, 0o755)
	}
	if err != nil {
		return nil, errors.Join(err, d.held.Remove())
	}
	return d, nil
}

// Follow returns the absolute path of a destination, or of what it links
// to. The error is a *NotOursError when it cannot be made.
func Follow(dst string) (string, error) {
	full, err := filepath.Abs(dst)
	if err != nil {
		return "", err
	}
	info, err := os.Lstat(full)
	if errors.Is(err, syscall.ENOTDIR) {
		return "", &NotOursError{Dir: dst, Why: "a part of its path is a file", Do: "name another folder"}
	}
	if err != nil || info.Mode()&fs.ModeSymlink == 0 {
		return full, nil // what is wrong with it is found later
	}
	to, err := filepath.EvalSymlinks(full)
	if errors.Is(err, fs.ErrNotExist) {
		return "", &NotOursError{Dir: dst, Why: "this is a link to something that does not exist", Do: "remove the link or name another folder"}
	}
	return to, err
}

// Discard removes the draft. After Commit it does nothing.
func (d *Draft) Discard() error {
	if d.Dir == "" {
		return nil
	}
	d.Dir = ""
	return Drop(d.held)
}

// commitTries is how often Commit begins again when another program puts a
// folder in the destination's place at the same time.
const commitTries = 8

// Commit writes Sums and puts the draft at its destination. On an error the
// destination is what it was before, or what another program made of it. Of
// several commits at once to one destination, the last one stays.
func (d *Draft) Commit() error {
	if err := writeSums(d.Dir); err != nil {
		return err
	}
	if err := disk.SyncTree(d.Dir); err != nil {
		return err
	}
	var unsure error
	for try := 1; ; try++ {
		err := d.mayReplace()
		if err == nil {
			unsure, err = Replace(d.held, d.Dir, d.dst)
		}
		if err == nil {
			break
		}
		// What was there when it was checked can be gone, or another folder be
		// there, when another program commits too.
		if try < commitTries && (errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrExist)) {
			continue
		}
		return err
	}
	d.Dir = ""
	for _, name := range []string{disk.DraftNew, disk.DraftEarlier} {
		err := unsure
		if err == nil {
			err = removeOurs(filepath.Join(d.held.Dir, name))
		}
		if err != nil {
			d.Left = fmt.Sprintf("what was in %s before is left in %s: %v", d.shown, d.held.Dir, err)
			d.held.Release()
			return nil
		}
	}
	d.held.Remove() // an empty folder: when it stays, the next run removes it
	return nil
}

// mayReplace returns why the destination must stay, nil when it may go.
func (d *Draft) mayReplace() error {
	for try := 1; ; try++ {
		was, _ := os.Stat(d.dst)
		err := d.judge()
		if is, _ := os.Stat(d.dst); err == nil || try == commitTries || same(was, is) {
			return err
		}
		// It was exchanged while it was looked at: what was found is of no one
		// folder.
	}
}

// same tells whether two looks at a path found the same folder, or none. A new
// folder can get the number of one that is gone, but not its time too.
func same(a, b fs.FileInfo) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	return os.SameFile(a, b) && a.ModTime().Equal(b.ModTime())
}

// judge is mayReplace of what is there now.
func (d *Draft) judge() error {
	info, err := os.Stat(d.dst)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !info.IsDir():
		return &NotOursError{Dir: d.shown, Why: "there is a file of this name", Do: "name a folder"}
	}
	if err := mayLose(d.dst, d.kind); err != nil {
		var e *NotOursError
		if errors.As(err, &e) {
			e.Dir = d.shown
		}
		return err
	}
	return InUse(d.dst, d.shown, d.inputs)
}

// InUse returns a *NotOursError when a destination that is to be replaced is or
// holds the current folder or an input. shown is how the user named it.
func InUse(dst, shown string, inputs []string) error {
	if here, err := os.Getwd(); err == nil && Holds(dst, here) {
		return &NotOursError{Dir: shown, Why: "this is the folder that you are in, or one above it, and the command would replace it", Do: "type cd .. and name it from there, or name a new folder"}
	}
	for _, in := range inputs {
		if Holds(dst, in) {
			return &NotOursError{Dir: shown, Path: in, Why: fmt.Sprintf("it holds %s, which is an input and would be lost", in), Do: "name a new or an empty folder"}
		}
	}
	return nil
}

// mayLose returns why a folder is not one that a Commit of a kind made and that
// nobody has changed since.
func mayLose(dst string, kind Kind) error {
	entries, err := os.ReadDir(dst)
	if err != nil {
		return err
	}
	if len(entries) == 0 {
		return nil
	}
	what, err := KindOf(dst)
	if err != nil {
		return err
	}
	if what != kind {
		return otherKind(dst, what, kind)
	}
	known, err := ReadSums(dst)
	if err != nil {
		return err
	}
	listed := map[string]string{Sums: ""}
	for _, s := range known {
		listed[s.Path] = s.SHA256
	}
	return walk(dst, func(path string, e fs.DirEntry) error {
		want, ok := listed[path]
		switch {
		case !ok && Litter(e):
			return nil
		case !ok:
			return &NotOursError{Dir: dst, Path: path, Why: fmt.Sprintf("the folder holds %s, which evenhand did not put there", path), Do: "move it elsewhere or name another folder"}
		case want == "":
			return nil
		case !e.Type().IsRegular():
			return &NotOursError{Dir: dst, Path: path, Changed: true, Why: fmt.Sprintf("%s is not the file that evenhand wrote", path), Do: "move it elsewhere or name another folder"}
		}
		got, _, err := foreign.SHA256File(context.Background(), filepath.Join(dst, filepath.FromSlash(path)))
		if err == nil && got != want {
			err = &NotOursError{Dir: dst, Path: path, Changed: true, Why: fmt.Sprintf("%s was changed since evenhand wrote it and would be lost", path), Do: "move it elsewhere or name another folder"}
		}
		return err
	})
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

// maxSums is the largest list that is read: of some 100,000 files, thirty times
// those of a large report.
const maxSums = 16 << 20

// ReadSums reads the list of files in a committed folder. The error is
// fs.ErrNotExist when there is none.
func ReadSums(dir string) ([]Sum, error) {
	text, err := foreign.ReadFileIn(dir, Sums, maxSums)
	if err != nil {
		return nil, err
	}
	var out []Sum
	lines := bufio.NewScanner(bytes.NewReader(text))
	for n := 1; lines.Scan(); n++ {
		sum, path, ok := strings.Cut(lines.Text(), "  ")
		if _, err := hex.DecodeString(sum); !ok || err != nil || len(sum) != 2*sha256.Size || foreign.Path(path) != nil {
			return nil, fmt.Errorf("%s:%d: not a line of a SHA-256, two spaces and a path in the folder", filepath.Join(dir, Sums), n)
		}
		out = append(out, Sum{sum, path})
	}
	return out, lines.Err()
}

func writeSums(dir string) error {
	var lines []string
	err := walk(dir, func(path string, e fs.DirEntry) error {
		sum, _, err := foreign.SHA256File(context.Background(), filepath.Join(dir, filepath.FromSlash(path)))
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
	// A list that is there is complete: it says what may be removed.
	draft := filepath.Join(dir, Sums+".part")
	if err := disk.WriteSynced(draft, []byte(b.String()), 0o666); err != nil {
		return err
	}
	return disk.Rename(draft, filepath.Join(dir, Sums))
}
