package pack

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Bag is a bag, in a folder or a zip file, whose structure was found sound.
// Nothing is known of its content before Check.
type Bag struct {
	path  string
	dir   string   // of a folder
	zip   *zipFile // of a zip file
	base  string   // folder of the bag in a zip file, with a slash; "" for none
	files []File   // in the order of the names
	index map[string]int
	info  []Field
}

// File is a file of a bag.
type File struct {
	Name  string // in the bag, with forward slashes
	Size  int64
	entry int
}

// IsBag tells whether a folder or file could be meant as a bag.
func IsBag(path string) bool {
	info, err := os.Stat(path)
	if err != nil {
		return false
	}
	if !info.IsDir() {
		return true
	}
	_, err = os.Lstat(filepath.Join(path, "bagit.txt"))
	return err == nil
}

// Open opens a bag, reads its structure and its tag files, and writes nothing.
// Errors: *RefusedError for a bag that must not be unpacked or cannot be
// checked, ErrNotBag, and what the system says of files that cannot be read.
// Close it after use.
func Open(path string) (*Bag, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	b := &Bag{path: path, index: map[string]int{}}
	if info.IsDir() {
		b.dir = path
		err = b.listFolder()
	} else {
		err = b.listZip()
	}
	if err == nil {
		err = b.readTags()
	}
	var s structureError
	if errors.As(err, &s) {
		err = &RefusedError{path, s.file, s.reason}
	}
	if err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// Close closes the bag.
func (b *Bag) Close() error {
	if b.zip == nil {
		return nil
	}
	return b.zip.f.Close()
}

// Zipped tells whether the bag is a zip file.
func (b *Bag) Zipped() bool { return b.zip != nil }

// Info returns the first value of a label in bag-info.txt; "" for none.
func (b *Bag) Info(label string) string { return get(b.info, label) }

func (b *Bag) add(f File) {
	b.files = append(b.files, f)
}

func (b *Bag) listFolder() error {
	seen := newNames()
	return filepath.WalkDir(b.dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == b.dir {
			return err
		}
		rel, err := filepath.Rel(b.dir, path)
		if err != nil {
			return err
		}
		name := filepath.ToSlash(rel)
		if why := seen.add(name, e.IsDir()); why != "" {
			return refuse(name, "%s", why)
		}
		switch {
		case e.IsDir():
			return nil
		case e.Type()&fs.ModeSymlink != 0:
			return refuse(name, "a link")
		case !e.Type().IsRegular():
			return refuse(name, "neither a file nor a folder")
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		b.add(File{Name: name, Size: info.Size()})
		if len(b.files) > MaxFiles {
			return refuse("", "more than %d files", MaxFiles)
		}
		return nil
	})
}

func (b *Bag) listZip() error {
	f, err := os.Open(b.path)
	if err != nil {
		return err
	}
	if b.zip, err = readZip(f); err != nil {
		return errors.Join(err, f.Close())
	}
	// The bag may be the archive's one folder or the archive itself.
	for _, e := range b.zip.entries {
		if folder, rest, ok := strings.Cut(e.name, "/"); ok && rest == "bagit.txt" {
			b.base = folder + "/"
		}
	}
	for i, e := range b.zip.entries {
		name, ok := strings.CutPrefix(e.name, b.base)
		if !ok {
			return refuse(e.name, "it lies beside the bag's folder %q", b.base)
		}
		if !e.folder {
			b.add(File{Name: name, Size: int64(e.size), entry: i})
		}
	}
	return nil
}

// readTags reads what must be known of every bag.
func (b *Bag) readTags() error {
	slices.SortFunc(b.files, func(x, y File) int { return strings.Compare(x.Name, y.Name) })
	for i, f := range b.files {
		b.index[f.Name] = i
	}
	text, err := b.tag("bagit.txt")
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: %w", b.path, ErrNotBag)
	}
	if err != nil {
		return err
	}
	if err := checkDeclaration(text); err != nil {
		return refuse("bagit.txt", "%v", err)
	}
	if _, ok := b.index["fetch.txt"]; ok {
		return refuse("fetch.txt", "it asks for files from the network, which are never fetched: a bag must hold its files")
	}
	text, err = b.tag("bag-info.txt")
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if b.info, err = parseInfo(text); err != nil {
		return refuse("bag-info.txt", "%v", err)
	}
	return nil
}

// Read opens a file of the bag. The error is fs.ErrNotExist when there is none
// of that name.
func (b *Bag) Read(name string) (io.ReadCloser, error) {
	i, ok := b.index[name]
	if !ok {
		return nil, fmt.Errorf("%s: %s: %w", b.path, name, fs.ErrNotExist)
	}
	if b.zip != nil {
		return b.zip.open(b.zip.entries[b.files[i].entry]), nil
	}
	return os.Open(filepath.Join(b.dir, filepath.FromSlash(name)))
}

// tag reads a tag file whole.
func (b *Bag) tag(name string) ([]byte, error) {
	r, err := b.Read(name)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	text, err := io.ReadAll(io.LimitReader(r, maxTag+1))
	switch {
	case errors.Is(err, errContent):
		return nil, refuse(name, "%v", errContent)
	case err == nil && len(text) > maxTag:
		return nil, refuse(name, "more than %d bytes, too long for a file of this kind", maxTag)
	}
	return text, err
}
