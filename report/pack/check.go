package pack

import (
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/disk"
	"evenhand/report/folder"
)

// Checked is what Check found.
type Checked struct {
	Files      int   // payload files whose hashes were compared
	Bytes      int64 // in them
	Algorithms []string
	Faults     []Fault // in the order of the names
	Notes      []string
}

// algorithms are those that RFC 8493, 2.4, says every reader must know.
var algorithms = []struct {
	name string
	size int
	new  func() hash.Hash
}{{"sha256", sha256.Size, sha256.New}, {"sha512", sha512.Size, sha512.New}}

// Check reads the whole bag and compares it with its lists of hashes, and a
// zip file that Write made with the bytes that it wrote, so that a change of
// any byte is found. What is wrong with the content are faults; the error is
// *RefusedError when the bag has no list that can be used. progress, which may
// be nil, is called with bytes done and in all.
//
// Source: RFC 8493, 3 (complete and valid bags).
func (b *Bag) Check(ctx context.Context, progress func(done, total int64)) (*Checked, error) {
	out := &Checked{Faults: []Fault{}, Notes: []string{}}
	want := map[string][]string{} // digests by file, in the order of algorithms
	lists := 0
	for k, a := range algorithms {
		for _, kind := range []string{"manifest-", "tagmanifest-"} {
			name := kind + a.name + ".txt"
			if _, ok := b.index[name]; !ok {
				continue
			}
			text, err := b.tag(name)
			var s structureError
			if errors.As(err, &s) {
				return nil, &RefusedError{b.path, s.file, s.reason}
			}
			if err != nil {
				return nil, err
			}
			list, err := parseDigests(text, a.size)
			if err != nil {
				return nil, &RefusedError{b.path, name, err.Error()}
			}
			listed := map[string]bool{}
			for _, d := range list {
				payload := strings.HasPrefix(d.path, PayloadDir)
				if payload != (kind == "manifest-") {
					return nil, &RefusedError{b.path, name, fmt.Sprintf("it lists %q, which belongs in the other list", d.path)}
				}
				listed[d.path] = true
				if want[d.path] == nil {
					want[d.path] = make([]string, len(algorithms))
				}
				want[d.path][k] = d.sum
				if _, ok := b.index[d.path]; !ok {
					out.Faults = append(out.Faults, Fault{d.path, "missing: it is listed in " + name})
				}
			}
			if kind == "tagmanifest-" {
				continue
			}
			lists++
			out.Algorithms = append(out.Algorithms, a.name)
			for _, f := range b.files {
				if strings.HasPrefix(f.Name, PayloadDir) && !listed[f.Name] && !b.litter(f.Name) {
					out.Faults = append(out.Faults, Fault{f.Name, "not listed in " + name + ": it was put there after the bag was made"})
				}
			}
		}
	}
	if lists == 0 {
		return nil, &RefusedError{b.path, "", "there is neither a manifest-sha256.txt nor a manifest-sha512.txt to check it by"}
	}
	if err := b.hashAll(ctx, want, out, progress); err != nil {
		return nil, err
	}
	b.checkTagFiles(want, out)
	if err := b.checkFraming(out); err != nil {
		return nil, err
	}
	slices.SortStableFunc(out.Faults, func(x, y Fault) int { return strings.Compare(x.File, y.File) })
	return out, nil
}

// litter tells whether a file that no list names is one that operating systems
// put into folders. A zip file has none but those that were put into it.
func (b *Bag) litter(name string) bool { return b.dir != "" && folder.LitterName(path.Base(name)) }

// hashAll compares every file of the bag that a list names, and reads those
// that no list names, since a zip file knows their CRC-32.
func (b *Bag) hashAll(ctx context.Context, want map[string][]string, out *Checked, progress func(done, total int64)) error {
	var total int64
	for _, f := range b.files {
		total += f.Size
	}
	m := newMeter(total, progress)
	faults := make([][]Fault, len(b.files))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, f := range b.files {
		if strings.HasPrefix(f.Name, PayloadDir) && (want[f.Name] != nil || !b.litter(f.Name)) {
			out.Files++
			out.Bytes += f.Size
		}
		g.Go(func() (err error) {
			faults[i], err = b.hashFile(gctx, f, want[f.Name], m)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	for _, f := range faults {
		out.Faults = append(out.Faults, f...)
	}
	// With a file more or less, it follows that the sum is wrong.
	payload := slices.ContainsFunc(out.Faults, func(f Fault) bool { return strings.HasPrefix(f.File, PayloadDir) })
	if oxum := b.Info(LabelOxum); !payload && oxum != "" && oxum != fmt.Sprintf("%d.%d", out.Bytes, out.Files) {
		out.Faults = append(out.Faults, Fault{"bag-info.txt", fmt.Sprintf("%s says %s, the payload has %d.%d", LabelOxum, oxum, out.Bytes, out.Files)})
	}
	return nil
}

func (b *Bag) hashFile(ctx context.Context, f File, want []string, m *meter) ([]Fault, error) {
	r, err := b.Read(f.Name)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	hashes := make([]hash.Hash, len(algorithms))
	writers := []io.Writer{}
	for k := range want {
		if want[k] != "" {
			hashes[k] = algorithms[k].new()
			writers = append(writers, hashes[k])
		}
	}
	_, err = copyContext(ctx, io.MultiWriter(writers...), r, m)
	if errors.Is(err, errContent) {
		return []Fault{{f.Name, err.Error()}}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %s: %w", b.path, f.Name, err)
	}
	var bad []string
	for k, h := range hashes {
		if h != nil && hex.EncodeToString(h.Sum(nil)) != want[k] {
			bad = append(bad, algorithms[k].name)
		}
	}
	if bad == nil {
		return nil, nil
	}
	return []Fault{{f.Name, "its content is not what was packed (" + strings.Join(bad, " and ") + " differ)"}}, nil
}

// checkTagFiles reports tag files that a tag manifest should list and does not.
func (b *Bag) checkTagFiles(want map[string][]string, out *Checked) {
	tagged := false
	for name := range b.index {
		tagged = tagged || strings.HasPrefix(name, "tagmanifest-sha")
	}
	for _, f := range b.files {
		switch {
		case want[f.Name] == nil && b.litter(f.Name):
			out.Notes = append(out.Notes, f.Name+": an operating system put it there; it is not of the bag, and other programs may call the bag incomplete for it: delete it")
		case strings.HasPrefix(f.Name, PayloadDir), strings.HasPrefix(f.Name, "tagmanifest-"), want[f.Name] != nil:
		case !tagged:
			out.Notes = append(out.Notes, f.Name+": no tag manifest gives its hash, so a change of it would not be seen")
		default:
			out.Faults = append(out.Faults, Fault{f.Name, "no tag manifest lists it: it was put there after the bag was made"})
		}
	}
}

// checkFraming compares what a zip file of ours has outside its files' content.
func (b *Bag) checkFraming(out *Checked) error {
	if b.zip == nil {
		return nil
	}
	if b.Info(LabelArchive) == "zip" {
		faults, length, err := b.zip.framing(b.Info(LabelDate))
		if err != nil {
			return err
		}
		if length {
			for i := range faults {
				faults[i].File = strings.TrimPrefix(faults[i].File, b.base)
			}
			out.Faults = append(out.Faults, faults...)
			return nil
		}
	}
	out.Notes = append(out.Notes, "the zip file was made by another program: its files' content is checked, the bytes around them only as far as they say where the files are")
	return nil
}

// Extract writes the files of the bag whose names begin with prefix into dir,
// an existing folder that was made for it, under the rest of their names. Call it after Check found
// no fault. Nothing is written outside dir.
func (b *Bag) Extract(ctx context.Context, prefix, dir string) error {
	for _, f := range b.files {
		rest, ok := strings.CutPrefix(f.Name, prefix)
		if !ok {
			continue
		}
		name := filepath.FromSlash(rest)
		if !filepath.IsLocal(name) {
			return &RefusedError{b.path, f.Name, "it leads out of the archive"}
		}
		name = filepath.Join(dir, name)
		if err := disk.MkdirAll(filepath.Dir(name), 0o777); err != nil {
			return err
		}
		if err := b.extract(ctx, f, name); err != nil {
			return fmt.Errorf("%s: %s: %w", b.path, f.Name, err)
		}
	}
	return nil
}

func (b *Bag) extract(ctx context.Context, f File, name string) (err error) {
	r, err := b.Read(f.Name)
	if err != nil {
		return err
	}
	defer r.Close()
	w, err := disk.CreateNew(name, 0o666)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	_, err = copyContext(ctx, w, r, nil)
	return err
}

// Dir returns the folder in which the bag's files lie; "" for a zip file.
func (b *Bag) Dir() string { return b.dir }
