package record

import (
	"context"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/templates"
)

// The files that WriteTo writes.
const (
	JSONName  = "record.json"
	CSVName   = "record.csv"
	SheetName = "recall.html"
	styleName = "recall.css"
	photoDir  = "photos"
)

// Published is a picture that was written.
type Published struct {
	Path          string // in the folder, with forward slashes
	Source        string // as the manifest names it
	Alt           string
	Width, Height int // pixels
}

// WriteTo writes the settings record of a comparison into dir, an existing
// folder: record.json, record.csv, the sheet recall.html with its style, and
// under photos the pictures, resized and without metadata. A picture that must
// not be passed on, said anywhere, is left out. The pictures are read where c's folder says; r
// is the record of c, in which the pictures' places are filled in. It returns
// the pictures in the order of the chain and the takes.
//
// The same input gives the same bytes. Errors: *PhotoError, and those of files.
func WriteTo(ctx context.Context, dir string, c *manifest.Comparison, r *Record) ([]Published, error) {
	put := func(name string, data []byte) error {
		full := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			return err
		}
		return os.WriteFile(full, data, 0o644)
	}
	withheld := map[string]bool{}
	for _, p := range r.photos() {
		if !p.File.Redistribute {
			withheld[p.File.Path] = true
		}
	}
	published := map[string]*Published{}
	taken := map[string]bool{}
	list := []Published{}
	for _, p := range r.photos() {
		if withheld[p.File.Path] {
			p.Published = ""
			continue
		}
		done := published[p.File.Path]
		if done == nil {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			from := filepath.FromSlash(p.File.Path)
			if !filepath.IsAbs(from) {
				from = filepath.Join(c.Dir, from)
			}
			pic, err := shrinkFile(p.File.Path, from)
			if err != nil {
				return nil, err
			}
			done = &Published{Path: photoName(p.File.Path, pic.Extension, taken), Source: p.File.Path, Alt: p.Alt, Width: pic.Width, Height: pic.Height}
			if err := put(done.Path, pic.Data); err != nil {
				return nil, err
			}
			published[p.File.Path] = done
			list = append(list, *done)
		}
		p.Published = done.Path
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
	return list, nil
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
