package pack

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/disk"
	"evenhand/analyze/mistake"
	"evenhand/report/folder"
)

// Content is what goes into a bag.
type Content struct {
	Base  string  // name of the one folder in a zip file
	Agent string  // the program and its version
	Date  string  // YYYY-MM-DD of the comparison, "" for none: no clock is read
	Info  []Field // further lines of bag-info.txt, in order
	Items []Item
}

// Item is one payload file.
type Item struct {
	Name   string // in the bag, below data/, with forward slashes
	Source string // the file on disk; "" when Data is the content
	Data   []byte
	// SHA256, when known, is what the file had when it was last read; another
	// hash now is an error.
	SHA256 string
}

// sums are a file's length and hashes.
type sums struct {
	size           int64
	crc            uint32
	sha256, sha512 string
}

// Write writes a bag to dst: a zip file when its name ends in .zip, else a
// folder. It appears complete or not at all. A bag that Write made, and that
// is still as it was made, is replaced; anything else is left alone and the
// error is a *folder.NotOursError. Memory does not grow with the files, which
// are read twice: once for the hashes and once to copy them. progress, which
// may be nil, is called with bytes done and in all.
//
// The same content gives the same bytes: files in the order of their names, one
// time for all, no compression.
func Write(ctx context.Context, dst string, c Content, progress func(done, total int64)) error {
	dst, err := folder.Follow(dst)
	if err != nil {
		return err
	}
	zipped := strings.EqualFold(filepath.Ext(dst), ".zip")
	if err := mayReplace(ctx, dst, zipped); err != nil {
		return err
	}
	items, err := c.layOut(ctx, zipped, progress)
	if err != nil {
		return err
	}
	held, err := folder.Hold(dst)
	if err != nil {
		return err
	}
	drop := func() error { return folder.Drop(held) }
	defer func() { drop() }()
	made := filepath.Join(held.Dir, disk.DraftNew)
	if zipped {
		err = writeArchive(ctx, made, c, items)
	} else {
		err = writeFolder(ctx, made, items)
	}
	if err != nil {
		return err
	}
	if err := disk.SyncTree(made); err != nil {
		return err
	}
	if err := mayReplace(ctx, dst, zipped); err != nil {
		return err
	}
	unsure, err := folder.Replace(held, made, dst)
	if err != nil {
		return err
	}
	if unsure != nil {
		drop = func() error { return nil } // what was there before stays in it
		return fmt.Errorf("%s: it is written, but may be lost in a power cut: %w", dst, unsure)
	}
	return nil
}

// Writable returns the error that Write would return because of what stands at
// dst, before any work is done for it.
func Writable(ctx context.Context, dst string) error {
	dst, err := folder.Follow(dst)
	if err != nil {
		return err
	}
	return mayReplace(ctx, dst, strings.EqualFold(filepath.Ext(dst), ".zip"))
}

// mayReplace returns why dst must stay as it is, nil when it may go.
func mayReplace(ctx context.Context, dst string, zipped bool) error {
	stays := func(why string) error {
		return &folder.NotOursError{Dir: dst, Why: why, Do: "name another file or folder, or move it elsewhere"}
	}
	info, err := os.Lstat(dst)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case zipped && info.IsDir():
		return stays("there is a folder of this name")
	case !zipped && !info.IsDir():
		return stays("there is a file of this name; an archive file's name ends in .zip")
	}
	if !zipped {
		entries, err := os.ReadDir(dst)
		if err != nil || len(entries) == 0 {
			return err
		}
	}
	const not = "it was not made by evenhand"
	if kind, err := folder.KindOf(dst); !zipped && err == nil && kind != folder.Archive && kind != folder.Foreign {
		return stays(fmt.Sprintf("it holds %v, which would be lost; evenhand pack replaces only an archive", kind))
	}
	bag, err := Open(dst)
	if err != nil {
		return stays(not)
	}
	defer bag.Close()
	res, err := bag.Check(ctx, nil)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil || !strings.HasPrefix(bag.Info(LabelAgent), "evenhand "):
		return stays(not)
	case len(res.Faults) > 0:
		return stays("it was changed since evenhand made it (" + res.Faults[0].String() + ")")
	}
	return nil
}

// bagItem is a file of the bag, with all that is known of it.
type bagItem struct {
	meter *meter
	Item
	sums
}

// layOut hashes the payload and adds the tag files; the result is in the order
// of the names.
func (c Content) layOut(ctx context.Context, zipped bool, progress func(done, total int64)) ([]bagItem, error) {
	items := make([]bagItem, len(c.Items))
	seen := newNames()
	var total int64
	for i, it := range c.Items {
		items[i].Item = it
		items[i].Name = PayloadDir + it.Name
		if why := seen.add(items[i].Name, false); why != "" {
			return nil, fmt.Errorf("pack: %q: %s: some systems cannot unpack it; rename the file", it.Name, why)
		}
		if it.Source != "" {
			info, err := os.Stat(it.Source)
			if err != nil {
				return nil, err
			}
			total += info.Size()
		}
	}
	meter := newMeter(2*total, progress)
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range items {
		g.Go(func() (err error) {
			it := &items[i]
			it.sums, err = it.hash(gctx, meter)
			if err == nil && it.SHA256 != "" && it.SHA256 != it.sha256 {
				err = changed(it.Source)
			}
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	var bytes int64
	var short, long []digest
	for _, it := range items {
		bytes += it.size
		short = append(short, digest{it.sha256, it.Name})
		long = append(long, digest{it.sha512, it.Name})
	}
	info := []Field{{LabelAgent, c.Agent}}
	if c.Date != "" {
		info = append(info, Field{LabelDate, c.Date})
	}
	info = append(info, c.Info...)
	if zipped {
		info = append(info, Field{LabelArchive, "zip"})
	}
	info = append(info, Field{LabelOxum, fmt.Sprintf("%d.%d", bytes, len(items))})

	tags := []Item{
		{Name: "bag-info.txt", Data: formatInfo(info)},
		{Name: "bagit.txt", Data: []byte(declaration)},
		{Name: "manifest-sha256.txt", Data: formatDigests(short)},
		{Name: "manifest-sha512.txt", Data: formatDigests(long)},
	}
	var tags256, tags512 []digest
	add := func(it Item) error {
		s, err := it.hash(ctx, nil)
		items = append(items, bagItem{Item: it, sums: s})
		tags256 = append(tags256, digest{s.sha256, it.Name})
		tags512 = append(tags512, digest{s.sha512, it.Name})
		return err
	}
	for _, it := range tags {
		if err := add(it); err != nil {
			return nil, err
		}
	}
	list256, list512 := formatDigests(tags256), formatDigests(tags512)
	for _, it := range []Item{{Name: "tagmanifest-sha256.txt", Data: list256}, {Name: "tagmanifest-sha512.txt", Data: list512}} {
		if err := add(it); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(items, func(a, b bagItem) int { return strings.Compare(a.Name, b.Name) })
	for i := range items {
		items[i].meter = meter
	}
	return items, nil
}

func (it Item) open() (io.ReadCloser, error) {
	if it.Source == "" {
		return io.NopCloser(bytes.NewReader(it.Data)), nil
	}
	return os.Open(it.Source)
}

func (it Item) hash(ctx context.Context, m *meter) (s sums, err error) {
	r, err := it.open()
	if err != nil {
		return s, err
	}
	defer r.Close()
	short, long, crc := sha256.New(), sha512.New(), crc32.NewIEEE()
	s.size, err = copyContext(ctx, io.MultiWriter(short, long, crc), r, m)
	if err != nil {
		return s, fmt.Errorf("pack: %s: %w", it.Name, err)
	}
	s.crc = crc.Sum32()
	s.sha256, s.sha512 = hex.EncodeToString(short.Sum(nil)), hex.EncodeToString(long.Sum(nil))
	return s, nil
}

// copyTo writes an item and makes sure that it is still what was hashed.
func (it bagItem) copyTo(ctx context.Context, w io.Writer) error {
	r, err := it.open()
	if err != nil {
		return err
	}
	defer r.Close()
	sum := sha256.New()
	n, err := copyContext(ctx, io.MultiWriter(w, sum), io.LimitReader(r, it.size+1), it.meter)
	if err != nil {
		return fmt.Errorf("pack: %s: %w", it.Name, err)
	}
	if n != it.size || hex.EncodeToString(sum.Sum(nil)) != it.sha256 {
		return changed(it.Source)
	}
	return nil
}

// changed says that a file changed between two readings of it.
func changed(path string) error {
	return mistake.Errorf("%s: the file changed while pack read it; pack again when no program writes to it", path)
}

func writeArchive(ctx context.Context, path string, c Content, items []bagItem) (err error) {
	f, err := disk.CreateNew(path, 0o666)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	w := bufio.NewWriterSize(f, 1<<18)
	a := archive{w: w, date: c.Date}
	for _, it := range items {
		err := a.add(c.Base+"/"+it.Name, uint64(it.size), it.crc, func(w io.Writer) error { return it.copyTo(ctx, w) })
		if err != nil {
			return err
		}
	}
	return errors.Join(a.close(), w.Flush())
}

func writeFolder(ctx context.Context, path string, items []bagItem) error {
	for _, it := range items {
		name := filepath.Join(path, filepath.FromSlash(it.Name))
		if err := disk.MkdirAll(filepath.Dir(name), 0o777); err != nil {
			return err
		}
		f, err := disk.CreateNew(name, 0o666)
		if err != nil {
			return err
		}
		if err := errors.Join(it.copyTo(ctx, f), f.Close()); err != nil {
			return err
		}
	}
	return nil
}
