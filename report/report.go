// Package report turns a result into a folder that can be published: a page
// with plots, the numbers behind it as JSON and CSV, and the hashes of what
// was read. It measures nothing: every number comes from the result.
package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"evenhand/analyze/disk"
	"evenhand/analyze/result"
	"evenhand/report/chart"
	"evenhand/report/sentences"
	"evenhand/report/settings"
	"evenhand/report/tables"
	"evenhand/templates"
)

// Options are what Write needs beside the result.
type Options struct {
	// Manifest is the manifest as it was read, published beside the results;
	// nil to leave it out.
	Manifest []byte
	// WebOnly leaves out the second copy of the audio, in scripts, which is more than
	// half of a report and needed only when the page is opened from a disk; opened so, it
	// then has plain players.
	WebOnly bool

	sheet    string // the file of the settings in the folder, next to their sheet; "" for none
	pictures []settings.Published
}

const manifestName = "manifest.yaml"

// ContentPolicy lets the page use its own files and nothing else. The page
// states it itself; a server may state it too.
const ContentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'"

// ErrNoTakes is returned for a result without a take.
var ErrNoTakes = errors.New("report: the result holds no take")

// Write writes the report into dir, an existing folder in which the published
// audio files already are where Published.Path says: index.html, details.html,
// listen.html, the picture that a link to it is shown with, the style sheets and
// scripts, results.json, the CSV files under data and, when given, the manifest. A settings record in dir is linked and its pictures are shown.
// The same result gives the same bytes. On an error dir may hold a part of the
// report; the caller throws it away.
func Write(dir string, res *result.Result, opts Options) error {
	if res == nil || len(res.Takes) == 0 {
		return ErrNoTakes
	}
	put := func(name string, data []byte) error {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := disk.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return fmt.Errorf("report: %w", err)
		}
		// A file in the way is replaced, not written into: it may be a link.
		if err := disk.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("report: %w", err)
		}
		if err := disk.WriteFile(path, data, 0o644); err != nil {
			return fmt.Errorf("report: %w", err)
		}
		return nil
	}
	var err error
	if opts.pictures, opts.sheet, err = settings.Find(dir); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	said := sentences.Result(res)
	b, err := newBuilder(said, opts)
	if err != nil {
		return fmt.Errorf("report: page: %w", err)
	}
	for _, page := range []struct {
		name string
		make func() ([]byte, error)
	}{{indexName, b.indexPage}, {detailsName, b.detailsPage}, {frameName, b.framePage}} {
		html, err := page.make()
		if err != nil {
			return fmt.Errorf("report: %s: %w", page.name, err)
		}
		if err := put(page.name, html); err != nil {
			return err
		}
	}
	picture, err := preview(said)
	if err != nil {
		return fmt.Errorf("report: %s: %w", previewName, err)
	}
	if err := put(previewName, picture); err != nil {
		return err
	}
	style, err := templates.Files().ReadFile("style.css")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	if err := put("style.css", append(style, chart.Palette()...)); err != nil {
		return err
	}
	if err := writePlayer(dir, put, res, opts.WebOnly); err != nil {
		return err
	}
	results, err := encode(res)
	if err != nil {
		return fmt.Errorf("report: results: %w", err)
	}
	if err := put(result.FileName, results); err != nil {
		return err
	}
	for _, f := range tables.Of(said) {
		data, err := f.Bytes(said)
		if err != nil {
			return fmt.Errorf("report: %s: %w", f.Path, err)
		}
		if err := put(f.Path, data); err != nil {
			return err
		}
	}
	if len(opts.Manifest) > 0 {
		return put(manifestName, opts.Manifest)
	}
	return nil
}

// encode makes results.json: indented, fields in the order of the types.
func encode(res *result.Result) ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(res); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}
