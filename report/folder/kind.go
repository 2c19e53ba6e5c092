package folder

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"evenhand/analyze/mistake"
)

// Kind is a kind of output folder. A folder is only replaced by one of its own
// kind.
type Kind string

// The kinds of folders; Archive is pack's, which has its own lists of hashes,
// and Foreign is everything that no Commit made.
const (
	Report   Kind = "report"
	Cut      Kind = "cut for a video"
	Settings Kind = "settings record"
	Demo     Kind = "demo"
	Archive  Kind = "archive"
	Foreign  Kind = ""
)

// command is the command that makes folders of a kind.
func (k Kind) command() string {
	return map[Kind]string{Report: "build", Cut: "cut", Settings: "settings", Demo: "demo", Archive: "pack"}[k]
}

func (k Kind) noun() string {
	if k == Archive {
		return "an " + string(k)
	}
	return "a " + string(k)
}

// String says what it is and what made it.
func (k Kind) String() string {
	if k == Foreign {
		return "something that evenhand did not make"
	}
	return k.noun() + ", made by evenhand " + k.command()
}

// KindOf tells what kind of folder this is by the files that its list, or a
// bag's declaration, says it was made with. A demo is what holds a manifest and
// the results of nothing.
func KindOf(dir string) (Kind, error) {
	if _, err := os.Lstat(filepath.Join(dir, "bagit.txt")); err == nil {
		return Archive, nil
	}
	sums, err := ReadSums(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return Foreign, nil
	}
	if err != nil {
		return Foreign, err
	}
	has := map[string]bool{}
	manifest := false
	for _, s := range sums {
		has[s.Path] = true
		manifest = manifest || !strings.Contains(s.Path, "/") && strings.HasSuffix(s.Path, ".yaml")
	}
	switch {
	case has["results.json"]: // holds a settings.json too
		return Report, nil
	case has["cut.json"]:
		return Cut, nil
	case has["settings.json"], has["record.json"]: // the latter from an earlier version
		return Settings, nil
	case manifest:
		return Demo, nil
	}
	return Foreign, nil
}

// NotOursError says that a destination cannot be replaced, or that something
// in it would be lost.
type NotOursError struct {
	Dir  string // as the user named it
	Path string // the file in the way; "" when it is not about one
	// Changed: the program wrote the file, and somebody has changed it since.
	Changed bool
	Why, Do string // what is in the way, and what to do
}

func (e *NotOursError) Error() string { return fmt.Sprintf("%s: %s; %s", e.Dir, e.Why, e.Do) }

// Unwrap says that another destination is to be named.
func (e *NotOursError) Unwrap() error { return mistake.Err }

// otherKind says that a folder of one kind stands where one of another is to
// go.
func otherKind(dir string, is, wanted Kind) error {
	const do = "name a new or an empty folder"
	if is == Foreign {
		return &NotOursError{Dir: dir, Why: "the folder is not empty and was not made by evenhand", Do: do}
	}
	return &NotOursError{
		Dir: dir,
		Why: fmt.Sprintf("the folder holds %s, which would be lost; evenhand %s replaces only %s", is, wanted.command(), wanted.noun()),
		Do:  do,
	}
}

// Holds tells whether a path is a folder or lies below it, by its name or by
// where links lead. A path that is not there is judged by its name alone.
func Holds(dir, path string) bool {
	folder, err := os.Stat(dir)
	if err != nil {
		return false
	}
	full, err := filepath.Abs(path)
	if err != nil {
		return false
	}
	names := []string{full}
	if to, err := filepath.EvalSymlinks(full); err == nil && to != full {
		names = append(names, to)
	}
	for _, name := range names {
		for {
			if info, err := os.Stat(name); err == nil && os.SameFile(info, folder) {
				return true
			}
			up := filepath.Dir(name)
			if up == name {
				break
			}
			name = up
		}
	}
	return false
}

// Litter tells whether a file is one that operating systems put into folders
// that are looked at: it is no fault of a folder, and nothing is lost with it.
// Common practice, no source: .DS_Store and ._* (macOS), Thumbs.db and
// desktop.ini (Windows).
func Litter(e fs.DirEntry) bool {
	return e.Type().IsRegular() && LitterName(e.Name())
}

// LitterName is Litter of a regular file by its name alone.
func LitterName(name string) bool {
	switch name := strings.ToLower(name); name {
	case ".ds_store", "thumbs.db", "desktop.ini":
		return true
	default:
		return strings.HasPrefix(name, "._")
	}
}
