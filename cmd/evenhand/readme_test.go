package main

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"evenhand/examples/campaign"
)

// readme returns README.md and the commands of its first block of shell.
func readme(t *testing.T) (text string, commands []string) {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, block, ok := strings.Cut(string(b), "```sh\n")
	block, _, closed := strings.Cut(block, "\n```")
	if !ok || !closed {
		t.Fatal("README.md has no block of shell")
	}
	for _, line := range strings.Split(block, "\n") {
		if line != "" && !strings.HasPrefix(line, "#") {
			commands = append(commands, line)
		}
	}
	return string(b), commands
}

// TestReadmeRuns runs the commands of README.md as they stand, in a copy of the
// sources, all but the last: that runs the tests.
func TestReadmeRuns(t *testing.T) {
	_, commands := readme(t)
	if n := len(commands); n < 2 || commands[n-1] != "go test ./..." {
		t.Fatalf("the last command does not run the tests: %q", commands)
	}
	if raceDetector || testing.Short() {
		t.Skip("slow; its concurrent code runs in scripts")
	}
	campaign.Long(t)
	dir := t.TempDir()
	if err := copySources(filepath.Join("..", ".."), dir); err != nil {
		t.Fatal(err)
	}
	for _, line := range commands[:len(commands)-1] {
		words := strings.Fields(line)
		cmd := exec.Command(words[0], words[1:]...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+t.TempDir(), "GOCACHE="+goCache(t))
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", line, err, out)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "demo-report", "index.html")); err != nil {
		t.Error(err)
	}
}

// goCache returns the go command's cache, which must not move with that of evenhand.
func goCache(t *testing.T) string {
	t.Helper()
	out, err := exec.Command("go", "env", "GOCACHE").Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(out))
}

// copySources copies what go run needs: all but tests, their data and hidden folders.
func copySources(from, to string) error {
	return filepath.WalkDir(from, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if e.IsDir() {
			if rel != "." && (strings.HasPrefix(e.Name(), ".") || e.Name() == "testdata") {
				return filepath.SkipDir
			}
			return os.MkdirAll(filepath.Join(to, rel), 0o777)
		}
		if !e.Type().IsRegular() || strings.HasSuffix(rel, "_test.go") {
			return nil
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, rel), b, 0o666)
	})
}

// TestReadmeNamesCommands: README.md names every command, and no other; the files
// that README.md and DEVELOPERS.md link or quote are there.
func TestReadmeNamesCommands(t *testing.T) {
	text, _ := readme(t)
	_, table, _ := strings.Cut(text, "## All commands")
	table, _, _ = strings.Cut(table, "\n`evenhand help` has more")
	var named, have []string
	for _, m := range regexp.MustCompile("(?m)^\\| ((?:`[^`]*`(?:, )?)+)").FindAllStringSubmatch(table, -1) {
		for _, q := range regexp.MustCompile("`([a-z-]+)( manifest)?").FindAllStringSubmatch(m[1], -1) {
			if q[1] != "help" {
				named = append(named, q[1])
			}
		}
	}
	for _, c := range commands() {
		if c.Runnable() {
			have = append(have, c.Name())
		}
	}
	slices.Sort(named)
	slices.Sort(have)
	if !slices.Equal(named, have) {
		t.Errorf("README.md names %q; the commands are %q", named, have)
	}
	guide, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(guide), "\n"); n > 150 {
		t.Errorf("DEVELOPERS.md has %d lines, more than a guide of 150", n)
	}
	links := regexp.MustCompile(`\]\(([^):]+)\)`).FindAllStringSubmatch(text, -1)
	quoted := regexp.MustCompile("`((?:analyze|cmd|examples|report|templates|testdata|\\.ci)/[A-Za-z0-9_./-]*)`").FindAllStringSubmatch(text+string(guide), -1)
	if len(links) < 4 || len(quoted) < 20 {
		t.Errorf("%d links and %d quoted paths", len(links), len(quoted))
	}
	for _, m := range append(links, quoted...) {
		if _, err := os.Stat(filepath.Join("..", "..", filepath.FromSlash(m[1]))); err != nil {
			t.Errorf("%s is named and is not there", m[1])
		}
	}
	declared := map[string]bool{}
	err = filepath.WalkDir(filepath.Join("..", ".."), func(path string, e fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		b, err := os.ReadFile(path)
		for _, m := range regexp.MustCompile(`(?m)^func ((?:Test|Benchmark)\w+)\(`).FindAllSubmatch(b, -1) {
			declared[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range regexp.MustCompile(`\b(?:Test|Benchmark)[A-Z]\w+`).FindAllString(string(guide), -1) {
		if name != "TestEarlier" && !declared[name] { // a prefix of several
			t.Errorf("DEVELOPERS.md names %s, which is not there", name)
		}
	}
}
