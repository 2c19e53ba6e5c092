package store

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"sync"
	"testing"
	"time"
)

func entries(t *testing.T, dir string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, "*", "*"))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func write(t *testing.T, path string, content []byte) string {
	t.Helper()
	if err := os.WriteFile(path, content, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

type level float64

type facts struct {
	Levels     []level
	None, Zero []int
	Pair       [2]float64
	Deep       []struct{ Names map[string]*int }
	Text       string
}

// TestDo: what was made comes back bit by bit, and is made once.
func TestDo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	seven := 7
	want := facts{
		Levels: []level{level(math.Inf(-1)), level(math.NaN()), level(math.Copysign(0, -1)), 1.0 / 3, 5e-324, math.MaxFloat64},
		Zero:   []int{}, Pair: [2]float64{math.Copysign(0, -1), 1},
		Deep: []struct{ Names map[string]*int }{{map[string]*int{"a": &seven, "b": nil}}}, Text: "−6 dB",
	}
	made := 0
	do := func(in any) (facts, error) {
		return Do(Open(dir), "facts", in, func() (facts, error) { made++; return want, nil })
	}
	for range 3 {
		got, err := do([]int{1, 2})
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range want.Levels {
			if math.Float64bits(float64(v)) != math.Float64bits(float64(got.Levels[i])) && !math.IsNaN(float64(v)) {
				t.Errorf("%v came back as %v", v, got.Levels[i])
			}
		}
		if math.IsNaN(float64(want.Levels[1])) != math.IsNaN(float64(got.Levels[1])) || math.Signbit(got.Pair[0]) != math.Signbit(want.Pair[0]) {
			t.Errorf("%+v", got)
		}
		got.Levels, want.Levels = nil, nil
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%+v, want %+v", got, want)
		}
		want.Levels = []level{level(math.Inf(-1)), level(math.NaN()), level(math.Copysign(0, -1)), 1.0 / 3, 5e-324, math.MaxFloat64}
	}
	if made != 1 {
		t.Errorf("it was made %d times", made)
	}
	if do([]int{1, 3}); made != 2 {
		t.Error("another input gave the same")
	}

	// What fails is not kept.
	failing := errors.New("no")
	s := Open(dir)
	for range 2 {
		if _, err := Do(s, "failing", 1, func() (int, error) { return 0, failing }); err != failing {
			t.Error(err)
		}
	}
	if n := s.Made()["failing"]; n != 2 || s.Err() != nil {
		t.Errorf("%d, %v", n, s.Err())
	}

	// Where nothing can be kept, the result is the same, and it is said.
	s = Open(write(t, filepath.Join(t.TempDir(), "file"), nil))
	if v, err := Do(s, "x", 1, func() (int, error) { return 5, nil }); v != 5 || err != nil || s.Err() == nil {
		t.Error(v, err, s.Err())
	}
	if v, err := Do[int, int](nil, "x", 1, func() (int, error) { return 5, nil }); v != 5 || err != nil {
		t.Error(v, err)
	}
}

// TestDamagedFacts: each kind of damage is a miss, and the right fact comes back.
func TestDamagedFacts(t *testing.T) {
	dir := t.TempDir()
	do := func(s *Store, stage string) int {
		v, err := Do(s, stage, "in", func() (int, error) { return 1234567, nil })
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	do(Open(dir), "a")
	for name, damage := range map[string]func(b []byte) []byte{
		"a byte":    func(b []byte) []byte { b[len(b)-1]++; return b },
		"the hash":  func(b []byte) []byte { b[3] ^= 1; return b },
		"cut short": func(b []byte) []byte { return b[:len(b)-1] },
		"longer":    func(b []byte) []byte { return append(b, 0) },
		"empty":     func([]byte) []byte { return nil },
	} {
		path := entries(t, dir)[0]
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		write(t, path, damage(b))
		s := Open(dir)
		if v := do(s, "a"); v != 1234567 || s.Made()["a"] != 1 {
			t.Errorf("%s: %d, made %d times", name, v, s.Made()["a"])
		}
	}
	// Another entry under this name, with its own right hash.
	a := entries(t, dir)[0]
	if err := os.Rename(a, a+".kept"); err != nil {
		t.Fatal(err)
	}
	Do(Open(dir), "b", "in", func() (int, error) { return 1, nil })
	for _, p := range entries(t, dir) {
		if p != a+".kept" {
			if err := os.Rename(p, a); err != nil {
				t.Fatal(err)
			}
		}
	}
	s := Open(dir)
	if v := do(s, "a"); v != 1234567 || s.Made()["a"] != 1 {
		t.Errorf("another entry's fact was used: %d", v)
	}
	// A fact of another type under the right key cannot be decoded, and is made again.
	if v, err := Do(Open(dir), "a", "in", func() (string, error) { return "text", nil }); v != "text" || err != nil {
		t.Error(v, err)
	}
}

// TestPlain: what CBOR would leave out is refused.
func TestPlain(t *testing.T) {
	for name, in := range map[string]any{
		"a hidden field": struct{ a int }{},
		"a hidden field far": struct {
			A []map[string][2]*struct{ b int }
		}{},
		"a function":   struct{ F func() }{},
		"an interface": struct{ E error }{},
		"left out when zero": struct {
			A int `json:"a,omitempty"`
		}{},
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s was taken", name)
				}
			}()
			Key("x", in)
		}()
	}
}

func TestAudio(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	s := Open(dir)
	work := t.TempDir()
	audio := bytes.Repeat([]byte("audio"), 100_000)
	in, out := write(t, filepath.Join(work, "in"), audio), filepath.Join(work, "out")
	get := func(key string) bool {
		t.Helper()
		os.Remove(out)
		sum, n, err := s.Get(key, out)
		if err != nil {
			t.Fatal(err)
		}
		had := sum != ""
		got, err := os.ReadFile(out)
		if had && (sum != fmt.Sprintf("%x", sha256.Sum256(got)) || n != int64(len(got))) {
			t.Errorf("the hash is %s of %d bytes", sum, n)
		}
		if had && !bytes.Equal(got, audio) {
			t.Errorf("%d bytes came back, %d went in", len(got), len(audio))
		}
		if !had && !os.IsNotExist(err) {
			t.Errorf("a miss left a file: %v", err)
		}
		return had
	}
	one, two := Key("audio", "one"), Key("audio", "two")
	if get(one) {
		t.Error("an empty store had something")
	}
	s.Put(one, in)
	if !get(one) || get(two) {
		t.Error("one is there and two is not")
	}
	if runtime.GOOS != "windows" {
		err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
			if info, err2 := e.Info(); err != nil || err2 != nil || info.Mode().Perm()&0o077 != 0 {
				t.Errorf("%s can be read by others: %v, %v, %v", path, info.Mode(), err, err2)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	path := s.path(one, audioSuffix)
	for name, damage := range map[string]func(b []byte) []byte{
		"a byte of the audio": func(b []byte) []byte { b[len(b)/2]++; return b },
		"a byte of the hash":  func(b []byte) []byte { b[3] ^= 1; return b },
		"cut short":           func(b []byte) []byte { return b[:len(b)-1] },
		"longer":              func(b []byte) []byte { return append(b, 0) },
		"only the hash":       func(b []byte) []byte { return b[:headBytes] },
		"empty":               func(b []byte) []byte { return nil },
	} {
		s.Put(one, in)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		write(t, path, damage(b))
		if get(one) || len(entries(t, dir)) != 0 {
			t.Errorf("%s: the entry was used or stays: %v", name, entries(t, dir))
		}
	}

	// The whole entry of other audio, under this one's name.
	s.Put(two, write(t, filepath.Join(work, "other"), []byte("other audio")))
	b, err := os.ReadFile(s.path(two, audioSuffix))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	write(t, path, b)
	if get(one) {
		t.Error("another entry's audio was used")
	}
	if s.Err() != nil {
		t.Error(s.Err())
	}

	// Deleted while in use, and written by two builds at once.
	var wg sync.WaitGroup
	for k := range 8 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			own := Open(dir)
			for range 20 {
				if k == 0 {
					os.RemoveAll(dir)
					continue
				}
				own.Put(one, in)
				name := filepath.Join(work, fmt.Sprint("out", k))
				sum, _, err := own.Get(one, name)
				if err != nil {
					t.Error(err)
				}
				if got, _ := os.ReadFile(name); sum != "" && !bytes.Equal(got, audio) {
					t.Error("something else came back")
				}
				if v, err := Do(own, "n", 1, func() (int, error) { return 9, nil }); v != 9 || err != nil {
					t.Error(v, err)
				}
			}
		}()
	}
	wg.Wait()

	var none *Store
	none.Put(one, in)
	if sum, _, err := none.Get(one, out); sum != "" || err != nil || none.Trim(0) != nil || len(none.Had()) != 0 || none.Err() != nil {
		t.Error("a nil store does something")
	}
}

// TestTrim: what was used longest ago goes first, and what is not the store's stays.
func TestTrim(t *testing.T) {
	dir := t.TempDir()
	s := Open(dir)
	in := write(t, filepath.Join(t.TempDir(), "in"), make([]byte, 1000-headBytes))
	keys := []string{Key("audio", "a"), Key("audio", "b"), Key("audio", "c")}
	path := func(i int) string { return s.path(keys[i], audioSuffix) }
	for i, k := range keys {
		s.Put(k, in)
		old := time.Now().Add(time.Duration(i-10) * time.Hour)
		if err := os.Chtimes(path(i), old, old); err != nil {
			t.Fatal(err)
		}
	}
	folder := filepath.Dir(path(0))
	mine, abandoned, fresh := filepath.Join(dir, "mine.txt"), filepath.Join(folder, draftPrefix+"1"), filepath.Join(folder, draftPrefix+"2")
	for _, p := range []string{mine, abandoned, fresh} {
		write(t, p, nil)
	}
	long := time.Now().Add(-2 * draftAfter)
	if err := os.Chtimes(abandoned, long, long); err != nil {
		t.Fatal(err)
	}
	if sum, _, err := s.Get(keys[0], filepath.Join(t.TempDir(), "out")); sum == "" || err != nil { // used now
		t.Fatal(sum, err)
	}
	if err := s.Trim(2000); err != nil {
		t.Fatal(err)
	}
	for p, want := range map[string]bool{path(0): true, path(1): false, path(2): true, mine: true, abandoned: false, fresh: true} {
		if _, err := os.Stat(p); (err == nil) != want {
			t.Errorf("%s: there %v, want %v", p, err == nil, want)
		}
	}
	// Facts go as audio does.
	Do(s, "n", 1, func() (int, error) { return 9, nil })
	if err := s.Trim(0); err != nil {
		t.Fatal(err)
	}
	for _, p := range entries(t, dir) {
		if p != fresh {
			t.Errorf("%s is left", p)
		}
	}
	if err := Open(filepath.Join(dir, "nothing")).Trim(0); err != nil {
		t.Errorf("a store that is not there: %v", err)
	}
}
