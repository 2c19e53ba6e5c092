package settings

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/templates"
)

// The files that WriteTo writes.
const (
	JSONName = "settings.json"
	CSVName  = "settings.csv"
	// EarlierName is what JSONName was in earlier versions.
	EarlierName = "record.json"
	SheetName   = "recall.html"
	styleName   = "recall.css"
	photoDir    = "photos"
)

// Published is a picture that was written.
type Published struct {
	Path          string // in the folder, with forward slashes
	Of            string // the slot and the device
	Alt           string
	Width, Height int // pixels
}

// WriteTo writes the settings record of a comparison into dir, an existing
// folder: settings.json, settings.csv, the sheet recall.html with its style, and
// under photos the pictures, resized and without metadata. A picture that must
// not be passed on, said anywhere, is left out. The pictures are read where c's folder says; r
// is the record of c, in which the pictures' places are filled in. It returns
// the pictures as Pictures does.
//
// The same input gives the same bytes. Errors: those of Shrink and of files.
func WriteTo(ctx context.Context, dir string, c *manifest.Comparison, r *Record) ([]Published, error) {
	put := func(name string, data []byte) error {
		full := filepath.Join(dir, filepath.FromSlash(name))
		if err := disk.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			return err
		}
		return disk.WriteFile(full, data, 0o644)
	}
	withheld := r.withheld()
	published := map[string]*Published{}
	taken := map[string]bool{}
	for _, p := range r.photos() {
		if withheld[p.File.Path] {
			p.Published, p.Width, p.Height = "", 0, 0
			continue
		}
		done := published[p.File.Path]
		if done == nil {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			pic, err := shrinkFile(p.File.Path, manifest.OnDisk(c.Dir, p.File.Path))
			if err != nil {
				return nil, err
			}
			done = &Published{Path: photoName(p.File.Path, pic.Extension, taken), Alt: p.Alt, Width: pic.Width, Height: pic.Height}
			if err := put(done.Path, pic.Data); err != nil {
				return nil, err
			}
			published[p.File.Path] = done
		}
		p.Published, p.Width, p.Height = done.Path, done.Width, done.Height
	}
	blocks := blocksOf(c)
	data, err := r.JSON()
	if err != nil {
		return nil, err
	}
	table, err := csvTable(blocks)
	if err != nil {
		return nil, err
	}
	page, err := sheet(c, r, blocks, published)
	if err != nil {
		return nil, err
	}
	style, err := templates.Files().ReadFile(styleName)
	if err != nil {
		return nil, err
	}
	for _, f := range []struct {
		name string
		data []byte
	}{{JSONName, data}, {CSVName, table}, {SheetName, page}, {styleName, style}} {
		if err := put(f.name, f.data); err != nil {
			return nil, err
		}
	}
	return r.Pictures(), nil
}

// withheld are the paths of the pictures that must not be passed on.
func (r *Record) withheld() map[string]bool {
	out := map[string]bool{}
	for _, p := range r.photos() {
		if !p.File.Redistribute {
			out[p.File.Path] = true
		}
	}
	return out
}

// Pictures lists the published pictures in the order of the chain and then of
// the takes, each once, with the first alternative text that is given for it.
func (r *Record) Pictures() []Published {
	out := []Published{}
	seen := map[string]bool{}
	add := func(p *Photo, slot, device string) {
		if p == nil || p.Published == "" || seen[p.Published] {
			return
		}
		seen[p.Published] = true
		of := slot
		if device != "" {
			of += ": " + device
		}
		out = append(out, Published{p.Published, of, p.Alt, p.Width, p.Height})
	}
	names := map[string]string{}
	for d := range r.devices() {
		name := d.Device
		if name == "" {
			name = names[d.Slot]
		}
		if names[d.Slot] == "" {
			names[d.Slot] = d.Device
		}
		add(d.Photo, d.Slot, name)
	}
	for _, t := range r.Takes {
		add(t.Photo, "set-up", t.Name)
		if t.Left != nil {
			add(t.Left.Photo, leftMic, t.Left.Name)
		}
		if t.Right != nil {
			add(t.Right.Photo, rightMic, t.Right.Name)
		}
	}
	return out
}

// Find returns the pictures of the settings in a folder and the name of their file;
// "" where they or their sheet are not there. It is for a page next to them.
func Find(dir string) (pictures []Published, name string, err error) {
	name = nameIn(dir)
	f, err := foreign.OpenIn(dir, name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, "", nil
	}
	if err != nil {
		return nil, "", err
	}
	defer f.Close()
	rec, _, err := Read(name, f)
	if err != nil {
		return nil, "", err
	}
	if _, err := os.Stat(filepath.Join(dir, SheetName)); err != nil {
		return nil, "", nil
	}
	return rec.Pictures(), name, nil
}

// photoName makes a new name in the folder of pictures from a source's name.
func photoName(source, extension string, taken map[string]bool) string {
	base := path.Base(source)
	slug := manifest.Slug(strings.TrimSuffix(base, path.Ext(base)))
	name := slug
	for n := 2; taken[name]; n++ {
		name = fmt.Sprintf("%s-%d", slug, n)
	}
	taken[name] = true
	return photoDir + "/" + name + extension
}
