package manifest

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"evenhand/analyze/mistake"
)

// language is the table of the whole manifest, built when first needed and
// never changed.
var language = sync.OnceValue(comparisonObject)

// Parse reads a manifest from its bytes. The path is used for positions in
// messages and to set Dir; no file is looked at. It returns either a
// comparison or an *Errors with every problem found.
func Parse(path string, src []byte) (*Comparison, error) {
	w := parse(path, src, false)
	return w.result()
}

// LimitRule says what is wrong with a limit of a check, and what to do; message
// is "" when nothing is. The checks themselves are not known here.
type LimitRule func(id, written string) (message, hint string)

// Load opens and reads a manifest and looks for the files that it names, which
// are relative to the manifest's folder; ../ is allowed. Limits of checks are
// judged by the rule, nil for any limit. It returns either a comparison or an
// *Errors with every problem found; when the manifest itself cannot be read, the
// error matches mistake.Err or is the system's.
func Load(path string, rule LimitRule) (*Comparison, error) { return load(path, rule, true) }

// LoadPlan is Load for a comparison of which some or all files are still to come.
func LoadPlan(path string, rule LimitRule) (*Comparison, error) { return load(path, rule, false) }

func load(path string, rule LimitRule, all bool) (*Comparison, error) {
	info, err := os.Stat(path) // first, because opening a named pipe would wait for its writer
	switch {
	case err != nil:
		return nil, fmt.Errorf("manifest %s cannot be opened: %w", path, cause(err))
	case info.IsDir():
		return nil, notManifest(path, "a folder", "name the manifest in it, or start one there with evenhand new "+path)
	case !info.Mode().IsRegular():
		return nil, notManifest(path, "not a regular file", "save the manifest to a file first")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("manifest %s cannot be opened: %w", path, cause(err))
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, MaxSize+1))
	if err != nil {
		return nil, fmt.Errorf("manifest %s cannot be read: %w", path, cause(err))
	}
	if isRecording(src) {
		return nil, notManifest(path, "a recording", "name the manifest that lists the recordings; evenhand new FOLDER writes one")
	}
	w := parse(path, src, true)
	if all {
		w.findFiles(filepath.Dir(path))
	}
	w.c.SHA256 = fmt.Sprintf("%x", sha256.Sum256(src))
	w.c.Inputs = w.inputs(path)
	w.checkLimits(rule)
	return w.result()
}

// Inputs returns what Load would put into Comparison.Inputs, also where files are
// missing or the manifest has mistakes: then it has the files that could be read out of
// it. It is nil where the manifest cannot be read at all.
func Inputs(path string) []string {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() || info.Size() > MaxSize {
		return nil
	}
	src, err := os.ReadFile(path)
	if err != nil {
		return nil
	}
	return parse(path, src, true).inputs(path)
}

func (w *walker) inputs(path string) []string {
	out := []string{path}
	for _, f := range w.files {
		out = append(out, OnDisk(filepath.Dir(path), f.path))
	}
	return out
}

// notManifest says that what was named as a manifest is something else.
func notManifest(path, is, do string) error {
	return mistake.Errorf("%s is %s, not a manifest (YAML); %s", path, is, do)
}

// isRecording tells whether a file begins as a WAVE or a FLAC file does.
func isRecording(b []byte) bool {
	if bytes.HasPrefix(b, []byte("fLaC")) {
		return true
	}
	if len(b) < 12 || string(b[8:12]) != "WAVE" {
		return false
	}
	id := string(b[:4])
	return id == "RIFF" || id == "RF64" || id == "BW64"
}

// cause is an error of the system without the operation and the path, which the
// message has.
func cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

func parse(path string, src []byte, OnDisk bool) *walker {
	w := &walker{path: path, OnDisk: OnDisk, c: &Comparison{Path: path, Dir: filepath.Dir(path)}}
	text, ok := w.clean(src)
	if !ok {
		return w
	}
	root := w.tree(text)
	if root == nil {
		return w
	}
	if language().read(w, newValue(root, Pos{1, 1}, ""), w.c) {
		w.checkAll()
	}
	return w
}

func (w *walker) result() (*Comparison, error) {
	if len(w.problems) > 0 {
		sortProblems(w.problems)
		return nil, &Errors{w.problems}
	}
	sortProblems(w.warnings)
	w.c.Warnings = w.warnings
	return w.c, nil
}

// Schema returns the JSON Schema (draft 2020-12) of the manifest language for
// editors, indented and with a final line end. It is written from the same
// tables that the parser walks by; what depends on other parts of a manifest
// (names of slots and takes, the range of a control) only the parser knows.
func Schema() []byte {
	s := language().schema()
	s["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	s["title"] = "manifest of a comparison"
	b, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		panic(err) // the tables hold nothing that JSON cannot
	}
	return append(b, '\n')
}
