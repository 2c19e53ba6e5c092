// Package foreign reads what may come from somebody else: reports, archives,
// settings records, the store, listeners' answers. Every path, size, count and
// depth that such a file states passes through here before anything rests on it:
// no path leads out of its folder, nothing is followed or waited for that is not
// a plain file, and no memory is taken that the file may not claim.
//
// The user's own manifest names whatever the user wants; it is not foreign unless
// it came in an archive.
//
// JSON is weighed before it is decoded, because an array of empty objects is short as
// text and large in memory. Results of up to 40 MiB are read, and verified up to some
// 25 MiB; hostile ones stay below 300 MiB of memory (TestResultsThatFillTheMemory).
package foreign

import (
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"evenhand/analyze/mistake"
)

// Limits of a path; 255 bytes is what file systems allow for a name.
const (
	maxPath  = 1024
	maxName  = 255
	maxDepth = 32
)

// Path returns why a path, with forward slashes, must not be used below a folder;
// nil when it may. Whoever uses it must still open it with OpenIn, since a part of
// it can be a link.
func Path(name string) error {
	why := ""
	switch parts := strings.Split(name, "/"); {
	case name == "":
		why = "it is empty"
	case !utf8.ValidString(name):
		why = "it is not UTF-8"
	case len(name) > maxPath || len(parts) > maxDepth:
		why = "it is longer than any that this program writes"
	case strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f }):
		why = "it has a control character"
	case strings.ContainsAny(name, `\:`):
		why = `it has a \ or a :`
	case !fs.ValidPath(name) || name == "." || !filepath.IsLocal(filepath.FromSlash(name)):
		why = "it leads out of its folder"
	default:
		for _, p := range parts {
			if len(p) > maxName {
				why = "it has a name that is longer than file systems allow"
			}
		}
	}
	if why == "" {
		return nil
	}
	return mistake.Errorf("the path %q cannot be used: %s", clip(name), why)
}

func clip(s string) string {
	if len(s) > 80 {
		return strings.ToValidUTF8(s[:80], "") + "…"
	}
	return s
}

// Open opens a plain file that the user named; the name may be a link to one. It
// waits for nothing. The error matches mistake.Err for anything else that can be
// opened, and is the system's for what cannot.
func Open(path string) (*os.File, error) {
	was, err := os.Stat(path) // first: opening some devices does something
	if err != nil {
		return nil, err
	}
	return open(path, path, was)
}

// OpenIn opens a plain file in dir by a foreign name: neither the file nor a
// folder on the way to it may be a link. Errors: those of Path and Open.
func OpenIn(dir, name string) (*os.File, error) {
	was, err := StatIn(dir, name)
	if err != nil {
		return nil, err
	}
	return open(filepath.Join(dir, filepath.FromSlash(name)), name, was)
}

// StatIn returns what is in dir under a foreign name. Errors: those of Path, those
// of the system, and one that matches mistake.Err for a link and what lies behind.
func StatIn(dir, name string) (fs.FileInfo, error) {
	if err := Path(name); err != nil {
		return nil, err
	}
	at := dir
	var info fs.FileInfo
	for part := range strings.SplitSeq(name, "/") {
		at = filepath.Join(at, part)
		var err error
		if info, err = os.Lstat(at); err != nil {
			return nil, err
		}
		if info.Mode()&fs.ModeSymlink != 0 {
			return nil, mistake.Errorf("%s: %s is a link, which is not followed; put the file itself there", name, at)
		}
	}
	return info, nil
}

// open opens a file that was looked at.
func open(path, shown string, was fs.FileInfo) (*os.File, error) {
	if err := plain(shown, was); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_RDONLY|dontWait, 0)
	if err != nil {
		return nil, err
	}
	is, err := f.Stat()
	if err == nil && !os.SameFile(was, is) {
		err = mistake.Errorf("%s: it was replaced while it was opened; try again", shown)
	}
	if err == nil {
		err = plain(shown, is)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

func plain(shown string, info fs.FileInfo) error {
	switch mode := info.Mode(); {
	case mode.IsRegular():
		return nil
	case mode.IsDir():
		return mistake.Errorf("%s: this is a folder; a file is needed", shown)
	case mode&fs.ModeNamedPipe != 0:
		return mistake.Errorf("%s: this is a named pipe; a file is needed: save what comes from it to a file first", shown)
	}
	return mistake.Errorf("%s: this is a device or a socket; a file is needed", shown)
}

// Read reads a file that Open or OpenIn opened, to its end. The error matches
// mistake.Err when it has more than most bytes.
func Read(f *os.File, most int64) ([]byte, error) {
	info, err := f.Stat()
	if err == nil && info.Size() > most {
		err = TooLong(f.Name(), most)
	}
	if err != nil {
		return nil, err
	}
	b := make([]byte, 0, info.Size()+1)
	for {
		n, err := f.Read(b[len(b):cap(b)])
		b = b[:len(b)+n]
		switch {
		case int64(len(b)) > most:
			return nil, TooLong(f.Name(), most)
		case err == io.EOF:
			return b, nil
		case err != nil:
			return nil, err
		case len(b) == cap(b): // it grows while it is read
			b = append(b, 0)[:len(b)]
		}
	}
}

// TooLong is the error for a file with more than most bytes.
func TooLong(name string, most int64) error {
	if most < 1<<20 {
		return mistake.Errorf("%s: it has more than %d bytes, the most that is read of a file of this kind", name, most)
	}
	return mistake.Errorf("%s: it has more than %d MiB, the most that is read of a file of this kind", name, most>>20)
}

// ReadFile is Open and Read.
func ReadFile(path string, most int64) ([]byte, error) { return readClose(Open(path))(most) }

// ReadFileIn is OpenIn and Read.
func ReadFileIn(dir, name string, most int64) ([]byte, error) {
	return readClose(OpenIn(dir, name))(most)
}

func readClose(f *os.File, err error) func(most int64) ([]byte, error) {
	return func(most int64) ([]byte, error) {
		if err != nil {
			return nil, err
		}
		defer f.Close()
		return Read(f, most)
	}
}
