package folder

import (
	"errors"
	"os"
	"path/filepath"
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
	d, err := Begin(dst)
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
	if err := commit(t, dst, map[string]string{"index.html": "one", "audio/a.flac": "abc"}); err != nil {
		t.Fatal(err)
	}
	// SHA-256 of "abc": FIPS 180-4, example B.1.
	sums, err := ReadSums(dst)
	if err != nil || len(sums) != 2 || sums[0] != (Sum{"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", "audio/a.flac"}) {
		t.Fatalf("sums %v, %v", sums, err)
	}
	if err := commit(t, dst, map[string]string{"index.html": "two"}); err != nil {
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
	if err := commit(t, dst, map[string]string{"index.html": "three"}); !errors.As(err, &notOurs) || notOurs.Path != "mine.txt" {
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
	if err := commit(t, dst, map[string]string{"index.html": "three"}); !errors.As(err, &notOurs) || !notOurs.Changed {
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
	d, err := Begin(filepath.Join(parent, "deep", "out"))
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
