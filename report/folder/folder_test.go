package folder

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
)

func put(t *testing.T, dir, path, text string) {
	t.Helper()
	full := filepath.Join(dir, path)
	if err := os.MkdirAll(filepath.Dir(full), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(full, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

func commit(t *testing.T, dst string, files map[string]string) error {
	t.Helper()
	d, err := Begin(dst, Report)
	if err != nil {
		return err
	}
	defer d.Discard()
	for p, text := range files {
		put(t, d.Dir, p, text)
	}
	return d.Commit()
}

func TestCommitReplacesOnlyItsOwn(t *testing.T) {
	parent := t.TempDir()
	dst := filepath.Join(parent, "out")
	if err := commit(t, dst, map[string]string{"results.json": "{}", "index.html": "one", "audio/a.flac": "abc"}); err != nil {
		t.Fatal(err)
	}
	// SHA-256 of "abc": FIPS 180-4, example B.1.
	sums, err := ReadSums(dst)
	if err != nil || len(sums) != 3 || sums[0] != (Sum{"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", "audio/a.flac"}) {
		t.Fatalf("sums %v, %v", sums, err)
	}
	if err := commit(t, dst, map[string]string{"results.json": "{}", "index.html": "two"}); err != nil {
		t.Fatal(err)
	}
	if b, _ := os.ReadFile(filepath.Join(dst, "index.html")); string(b) != "two" {
		t.Errorf("page holds %q", b)
	}
	if _, err := os.Stat(filepath.Join(dst, "audio")); err == nil {
		t.Error("a file of the earlier folder is still there")
	}

	// Somebody put a file of their own into the folder: it must survive.
	put(t, dst, "mine.txt", "precious")
	var notOurs *NotOursError
	if err := commit(t, dst, map[string]string{"results.json": "{}", "index.html": "three"}); !errors.As(err, &notOurs) || notOurs.Path != "mine.txt" {
		t.Errorf("error %v", err)
	}
	if b, _ := os.ReadFile(filepath.Join(dst, "index.html")); string(b) != "two" {
		t.Errorf("the earlier page was touched: %q", b)
	}
	// And a file of ours that they have edited.
	if err := os.Remove(filepath.Join(dst, "mine.txt")); err != nil {
		t.Fatal(err)
	}
	put(t, dst, "index.html", "edited")
	if err := commit(t, dst, map[string]string{"results.json": "{}", "index.html": "three"}); !errors.As(err, &notOurs) || !notOurs.Changed {
		t.Errorf("error %v", err)
	}
	if b, _ := os.ReadFile(filepath.Join(dst, "index.html")); string(b) != "edited" {
		t.Errorf("the edited page was touched: %q", b)
	}
	if entries, _ := os.ReadDir(parent); len(entries) != 1 {
		t.Errorf("something was left behind: %v", entries)
	}
}

func TestRefusesStrangers(t *testing.T) {
	parent := t.TempDir()
	put(t, parent, "music/song.wav", "x")
	var notOurs *NotOursError
	if err := commit(t, filepath.Join(parent, "music"), nil); !errors.As(err, &notOurs) {
		t.Errorf("a stranger's folder: error %v", err)
	}
	put(t, parent, "file", "x")
	if err := commit(t, filepath.Join(parent, "file"), nil); err == nil {
		t.Error("a file was replaced")
	}
	put(t, parent, "forged/"+Sums, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  ../../etc\n")
	if err := commit(t, filepath.Join(parent, "forged"), nil); err == nil {
		t.Error("a list with a path outside the folder was believed")
	}
	if err := os.Mkdir(filepath.Join(parent, "empty"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := commit(t, filepath.Join(parent, "empty"), map[string]string{"a": "b"}); err != nil {
		t.Errorf("an empty folder was refused: %v", err)
	}
}

func TestDiscardLeavesNothing(t *testing.T) {
	parent := t.TempDir()
	d, err := Begin(filepath.Join(parent, "deep", "out"), Report)
	if err != nil {
		t.Fatal(err)
	}
	put(t, d.Dir, "half", "x")
	if err := d.Discard(); err != nil {
		t.Fatal(err)
	}
	if entries, _ := os.ReadDir(filepath.Join(parent, "deep")); len(entries) != 0 {
		t.Errorf("left behind: %v", entries)
	}
}

// contents are the least files of each kind that a Commit makes.
func contents() map[Kind]map[string]string {
	return map[Kind]map[string]string{
		Report:   {"results.json": "{}", "settings.json": "{}", "index.html": "x"},
		Cut:      {"cut.json": "{}", "edit.wav": "x"},
		Settings: {"settings.json": "{}", "recall.html": "x"},
		Demo:     {"four-fuzzes.yaml": "x", "audio/dry.wav": "x"},
	}
}

// A folder of a kind gives way to one of its kind and to no other.
func TestKinds(t *testing.T) {
	parent := t.TempDir()
	make := func(dst string, k Kind, inputs ...string) error {
		d, err := Begin(dst, k, inputs...)
		if err != nil {
			return err
		}
		defer d.Discard()
		for p, text := range contents()[k] {
			put(t, d.Dir, p, text)
		}
		return d.Commit()
	}
	put(t, parent, "bag/bagit.txt", "BagIt-Version: 1.0\n")
	for is := range contents() {
		dst := filepath.Join(parent, string(is))
		if err := make(dst, is); err != nil {
			t.Fatal(err)
		}
		if got, err := KindOf(dst); got != is || err != nil {
			t.Errorf("a %s is taken for %q, %v", is, got, err)
		}
		for wanted := range contents() {
			err := make(dst, wanted)
			if (err == nil) != (is == wanted) {
				t.Errorf("a %s in the place of a %s: %v", wanted, is, err)
			}
			var notOurs *NotOursError
			if err := make(filepath.Join(parent, "bag"), wanted); !errors.As(err, &notOurs) {
				t.Errorf("a %s in the place of an archive: %v", wanted, err)
			}
		}
		// An input in it, by its name, through a link of a folder, or behind a
		// link that lies in it.
		var notOurs *NotOursError
		for path := range contents()[is] {
			if err := make(dst, is, filepath.Join(parent, "elsewhere"), filepath.Join(dst, path)); !errors.As(err, &notOurs) || notOurs.Path == "" {
				t.Errorf("a %s that holds its input %s: %v", is, path, err)
			}
			link := filepath.Join(t.TempDir(), "link")
			if os.Symlink(dst, link) == nil {
				if err := make(dst, is, filepath.Join(link, path)); !errors.As(err, &notOurs) {
					t.Errorf("a %s that holds its input %s behind a link: %v", is, path, err)
				}
				if err := make(link, is, filepath.Join(dst, path)); !errors.As(err, &notOurs) {
					t.Errorf("a %s by a link that holds its input %s: %v", is, path, err)
				}
			}
		}
	}
}

func TestLitterIsDropped(t *testing.T) {
	dst := filepath.Join(t.TempDir(), "out")
	files := contents()[Report]
	if err := commit(t, dst, files); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{".DS_Store", "audio/Thumbs.db", "desktop.ini", "._index.html"} {
		put(t, dst, name, "x")
	}
	if err := commit(t, dst, files); err != nil {
		t.Fatal(err)
	}
	if entries, _ := os.ReadDir(dst); len(entries) != len(files)+1 {
		t.Errorf("left: %v", entries)
	}
	// A folder of such a name is somebody's.
	put(t, dst, "._mine/song.wav", "x")
	var notOurs *NotOursError
	if err := commit(t, dst, files); !errors.As(err, &notOurs) || notOurs.Path != "._mine/song.wav" {
		t.Errorf("error %v", err)
	}
}

// Many commits at once to one place: each succeeds, one of them stays whole,
// and nothing lies about.
func TestCommitsAtOnce(t *testing.T) {
	parent := t.TempDir()
	dst := filepath.Join(parent, "out")
	var wg sync.WaitGroup
	for k := range 4 {
		wg.Go(func() {
			for n := range 15 {
				d, err := Begin(dst, Report)
				if err != nil {
					t.Errorf("begin: %v", err)
					return
				}
				text := strconv.Itoa(100*k + n)
				err = errors.Join(os.WriteFile(filepath.Join(d.Dir, "results.json"), []byte(text), 0o666), os.WriteFile(filepath.Join(d.Dir, "index.html"), []byte(text), 0o666))
				if err = errors.Join(err, d.Commit(), d.Discard()); err != nil || d.Left != "" {
					t.Errorf("commit: %v; %s", err, d.Left)
				}
			}
		})
	}
	wg.Wait()
	a, err := os.ReadFile(filepath.Join(dst, "results.json"))
	b, err2 := os.ReadFile(filepath.Join(dst, "index.html"))
	if err != nil || err2 != nil || string(a) != string(b) {
		t.Errorf("%q and %q, %v, %v", a, b, err, err2)
	}
	if entries, _ := os.ReadDir(parent); len(entries) != 1 {
		t.Errorf("left behind: %v", entries)
	}
}

// A file that somebody saves into the folder after it was checked outlives it,
// and the new folder is in place all the same.
func TestEarlierFolderThatCannotGo(t *testing.T) {
	parent := t.TempDir()
	dst := filepath.Join(parent, "out")
	if err := commit(t, dst, contents()[Report]); err != nil {
		t.Fatal(err)
	}
	old := filepath.Join(parent, "old")
	if err := os.Rename(dst, old); err != nil {
		t.Fatal(err)
	}
	put(t, old, "late.txt", "precious")
	if err := removeOurs(old); err == nil {
		t.Error("a folder with somebody's file went without a word")
	}
	if b, err := os.ReadFile(filepath.Join(old, "late.txt")); string(b) != "precious" {
		t.Errorf("somebody's file: %v", err)
	}
	if os.Getuid() <= 0 {
		t.Skip("no folder is closed to this user")
	}
	put(t, dst, "x", "")
	if err := os.RemoveAll(dst); err != nil {
		t.Fatal(err)
	}
	files := contents()[Report]
	files["audio/a.flac"] = "x"
	if err := commit(t, dst, files); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(dst, "audio"), 0o555); err != nil {
		t.Fatal(err)
	}
	d, err := Begin(dst, Report)
	if err != nil {
		t.Fatal(err)
	}
	put(t, d.Dir, "results.json", "new")
	if err := d.Commit(); err != nil || d.Left == "" {
		t.Errorf("error %v, left %q", err, d.Left)
	}
	if b, _ := os.ReadFile(filepath.Join(dst, "results.json")); string(b) != "new" {
		t.Error("the new folder is not in place")
	}
	left, _ := filepath.Glob(filepath.Join(parent, ".out.draft-*", "*", "audio"))
	for _, dir := range left {
		os.Chmod(dir, 0o755)
	}
}
