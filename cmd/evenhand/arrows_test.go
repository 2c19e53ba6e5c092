package main

import (
	"go/ast"
	"go/parser"
	"go/scanner"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestArrows reads every import of the project and fails on one that goes
// against the direction of the data: cmd → report → analyze → measurements →
// unit and internal/dsp. Test files may also import the studio, the oracles and
// each other's readers.
func TestArrows(t *testing.T) {
	// May a package with the prefix on the left import one with a prefix on
	// the right? The longest prefix on the left decides.
	may := map[string][]string{
		"cmd":                   {"analyze", "report", "examples", "cmd", "templates"},
		"examples":              {"examples", "analyze/wavio", "analyze/unit", "analyze/disk"},
		"report":                {"analyze", "report", "templates"},
		"report/chart":          {"analyze/unit"},
		"report/csvtext":        {},
		"report/terminal":       {},
		"report/timeline":       {},
		"report/video":          {"analyze/mistake"},
		"report/picture":        {"analyze/manifest", "analyze/result", "analyze/unit", "report/chart", "report/verdict"},
		"report/view":           {"templates", "report/words"},
		"report/audience":       {"analyze/listening", "analyze/manifest", "analyze/result", "analyze/unit", "report/chart", "report/tables", "report/view", "report/words"},
		"report/notes":          {"report/words"},
		"report/fair":           {"analyze/manifest", "analyze/result", "analyze/unit", "report/sentences", "report/verdict", "report/view", "report/words"},
		"report/settings/panel": {"analyze/manifest", "analyze/result", "report/chart", "report/settings", "report/view", "report/words"},
		"report/console":        {"analyze/listening", "analyze/manifest", "analyze/result", "analyze/unit", "report/sentences", "report/terminal", "report/verdict", "report/words"},
		"report/tables":         {"analyze/listening", "analyze/result", "analyze/unit", "report/csvtext"},
		"report/serve":          {"analyze/foreign", "report", "report/folder"},
		"report/preview":        {"analyze/disk", "analyze/foreign", "analyze/manifest", "analyze/notice", "report/serve", "templates"},
		"report/words":          {"analyze/manifest", "analyze/result", "analyze/unit"},
		"templates":             {},
		"analyze":               {"analyze"},
		"analyze/finding":       {"analyze/unit"},
		"analyze/result":        {"analyze/finding", "analyze/unit", "analyze/listening", "analyze/loudness", "analyze/manifest", "analyze/parts", "analyze/foreign", "analyze/mistake"},
		"analyze/fairness": {"analyze/result", "analyze/unit", "analyze/manifest", "analyze/mistake", "analyze/wavio", "analyze/activity", "analyze/align", "analyze/clock",
			"analyze/faults", "analyze/level", "analyze/loudness", "analyze/noise", "analyze/parts", "analyze/spectrum", "analyze/steady"},
		"analyze/unit":           {},
		"analyze/internal/dsp":   {},
		"analyze/weighting":      {},
		"analyze/faults":         {"analyze/unit", "analyze/internal/dsp"},
		"analyze/parts":          {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/align"},
		"analyze/clock":          {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/align"},
		"analyze/level":          {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/align", "analyze/loudness", "analyze/spectrum", "analyze/weighting"},
		"analyze/steady":         {"analyze/unit", "analyze/internal/dsp", "analyze/align", "analyze/spectrum"},
		"analyze/resample":       {"analyze/unit", "analyze/internal/dsp"},
		"analyze/listening":      {"analyze/unit"},
		"analyze/mistake":        {},
		"analyze/notice":         {},
		"analyze/disk":           {"analyze/disk"},
		"analyze/store":          {"analyze/disk", "analyze/foreign"},
		"analyze/manifest":       {"analyze/unit", "analyze/mistake"},
		"analyze/manifest/draft": {"analyze/manifest", "analyze/mistake", "analyze/wavio", "analyze/recording"},
		"analyze/wavio":          {"analyze/unit", "analyze/mistake", "analyze/disk"},
		"analyze/flacio":         {"analyze/unit", "analyze/mistake", "analyze/disk"},
		"analyze/loopback":       {"analyze/align", "analyze/foreign", "analyze/level", "analyze/mistake", "analyze/recording", "analyze/result", "analyze/unit", "analyze/wavio"},
		"analyze/match":          {"analyze/fairness", "analyze/loudness", "analyze/manifest", "analyze/mistake", "analyze/result", "analyze/unit"},
		"analyze/recording":      {"analyze/disk", "analyze/unit", "analyze/mistake", "analyze/wavio", "analyze/flacio"},
		"analyze/work":           {"analyze/recording", "analyze/store"},
		"analyze/loudness":       {"analyze/finding", "analyze/unit", "analyze/internal/dsp"},
		"analyze/activity":       {"analyze/finding", "analyze/unit", "analyze/internal/dsp"},
		"analyze/align":          {"analyze/finding", "analyze/unit", "analyze/internal/dsp"},
		"analyze/spectrum":       {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/weighting"},
		"analyze/touch":          {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/align"},
		"analyze/drive":          {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/align", "analyze/loudness", "analyze/spectrum", "analyze/touch"},
		"analyze/compressor":     {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/drive", "analyze/touch"},
		"analyze/leftover":       {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/align", "analyze/loudness", "analyze/spectrum"},
		"analyze/noise":          {"analyze/finding", "analyze/unit", "analyze/internal/dsp", "analyze/weighting", "analyze/spectrum"},
		"analyze/equalise": {"analyze/disk", "analyze/flacio", "analyze/foreign", "analyze/leftover", "analyze/manifest", "analyze/mistake", "analyze/publish", "analyze/recording",
			"analyze/result", "analyze/unit", "analyze/work"},
		"analyze/again": {"analyze"},
		"analyze/publish": {"analyze/disk", "analyze/flacio", "analyze/foreign", "analyze/loudness", "analyze/recording", "analyze/result", "analyze/store", "analyze/unit",
			"analyze/wavio", "analyze/weighting", "analyze/work"},
	}
	// The one door of each library.
	doors := map[string]string{
		"golang.org/x/sys":               "analyze/disk",
		"github.com/go-audio/":           "analyze/wavio",
		"github.com/mewkiz/flac":         "analyze/flacio",
		"github.com/fxamacker/cbor":      "analyze/store",
		"github.com/fsnotify/":           "analyze/notice",
		"gonum.org/v1/gonum/dsp":         "analyze/internal/dsp",
		"gonum.org/v1/gonum/optimize":    "analyze/listening",
		"gonum.org/v1/plot":              "report/chart",
		"github.com/yuin/goldmark":       "report/notes",
		"github.com/goccy/go-yaml":       "analyze/manifest",
		"github.com/chromedp/":           "examples/oracle/chromium",
		"github.com/spf13/":              "cmd/evenhand",
		"github.com/schollz/progressbar": "cmd/evenhand",
	}
	root := filepath.Join("..", "..")
	files := 0
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if e.IsDir() && (strings.HasPrefix(e.Name(), ".") && path != root || e.Name() == "testdata") {
			if path != root && path != ".." {
				return filepath.SkipDir
			}
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		files++
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		from := filepath.ToSlash(rel)
		for _, imp := range f.Imports {
			to, _ := strconv.Unquote(imp.Path.Value)
			for lib, door := range doors {
				if strings.HasPrefix(to, lib) && from != door {
					t.Errorf("%s imports %s; its one door is %s", from, to, door)
				}
			}
			own, ok := strings.CutPrefix(to, "evenhand/")
			if !ok {
				continue
			}
			if tests(own) && !tests(from) {
				t.Errorf("%s imports %s, which is for tests", from, own)
			}
			rule := ""
			for prefix := range may {
				if under(from, prefix) && len(prefix) > len(rule) {
					rule = prefix
				}
			}
			allowed := false
			for _, prefix := range may[rule] {
				allowed = allowed || under(own, prefix)
			}
			if !allowed {
				t.Errorf("%s imports %s: against the direction of the data (rule %q)", from, own, rule)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if files < 10 {
		t.Fatalf("only %d files were read", files)
	}
}

// mostLines is how many lines of code a package may have, comments, blank lines and tests
// aside: more nobody reads at a time. Split one along what others can use of it.
const mostLines = 3500

// TestPackagesAreSmall counts the lines of every package.
func TestPackagesAreSmall(t *testing.T) {
	root, lines := filepath.Join("..", ".."), map[string]int{}
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.Contains(filepath.ToSlash(path), "/testdata/") {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		var s scanner.Scanner
		file := token.NewFileSet().AddFile(path, -1, len(text))
		s.Init(file, text, nil, 0)
		last := 0
		for {
			at, what, written := s.Scan()
			if what == token.EOF {
				return nil
			}
			if what == token.SEMICOLON && written == "\n" {
				continue // the end of a line
			}
			first := file.Line(at)
			end := first + strings.Count(written, "\n")
			lines[filepath.Dir(path)] += end - max(first-1, last)
			last = max(last, end)
		}
	})
	if err != nil || len(lines) < 50 {
		t.Fatalf("%d packages, %v", len(lines), err)
	}
	for dir, n := range lines {
		if n > mostLines {
			t.Errorf("%s has %d lines of code, more than %d", dir, n, mostLines)
		}
	}
}

// TestChangesGoThroughDisk: nothing but analyze/disk changes files (analyze/foreign
// only reads them), so that what
// its tests show of power cuts and full disks holds for all.
func TestChangesGoThroughDisk(t *testing.T) {
	changes := regexp.MustCompile(`^(Create|CreateTemp|WriteFile|OpenFile|Mkdir|MkdirAll|MkdirTemp|Rename|Remove|RemoveAll|Link|Symlink|Chmod|Chtimes|Chown|Truncate|CopyFS)$`)
	root := filepath.Join("..", "..")
	files := 0
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		rel, _ := filepath.Rel(root, path)
		rel = filepath.ToSlash(rel)
		if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || under(rel, "analyze/disk") || under(rel, "analyze/foreign") || tests(rel) || strings.Contains(rel, "/testdata/") {
			return err
		}
		files++
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(f, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "os" && changes.MatchString(s.Sel.Name) {
					t.Errorf("%s: os.%s; use analyze/disk", rel, s.Sel.Name)
				}
			}
			return true
		})
		return nil
	})
	if err != nil || files < 100 {
		t.Errorf("%d files, %v", files, err)
	}
}

// tests says whether only tests may import a package.
func tests(path string) bool {
	return under(path, "examples/oracle") || under(path, "examples/guitar") || under(path, "examples/campaign") || under(path, "examples/gap") || under(path, "examples/circuits") || under(path, "analyze/disk/disktest")
}

func under(path, prefix string) bool {
	return path == prefix || strings.HasPrefix(path, prefix+"/")
}
