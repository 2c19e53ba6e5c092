package analyze

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"evenhand/analyze/flacio"
	"evenhand/analyze/manifest"
	"evenhand/analyze/wavio"
)

func entries(t *testing.T, dir string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, "*", "*"))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func TestCache(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "cache")
	c := OpenCache(dir)
	work := t.TempDir()
	file := func(name string, content []byte) string {
		path := filepath.Join(work, name)
		if err := os.WriteFile(path, content, 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	audio := bytes.Repeat([]byte("audio"), 100_000)
	out := filepath.Join(work, "out")
	get := func(key string) bool {
		t.Helper()
		os.Remove(out)
		had, err := c.get(key, out)
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(out)
		if had && !bytes.Equal(got, audio) {
			t.Errorf("%d bytes came back, %d went in", len(got), len(audio))
		}
		if !had && !os.IsNotExist(err) {
			t.Errorf("a miss left a file: %v", err)
		}
		return had
	}
	one, two := cacheKey("one"), cacheKey("two")
	if get(one) {
		t.Error("an empty cache had something")
	}
	if err := c.put(one, file("in", audio)); err != nil {
		t.Fatal(err)
	}
	if !get(one) || get(two) || c.Hits() != 1 {
		t.Errorf("one is there and two is not; %d hits", c.Hits())
	}

	// Each kind of damage is a miss, and the entry is gone.
	for name, damage := range map[string]func(b []byte) []byte{
		"a byte of the audio": func(b []byte) []byte { b[len(b)/2]++; return b },
		"a byte of the hash":  func(b []byte) []byte { b[3] ^= 1; return b },
		"cut short":           func(b []byte) []byte { return b[:len(b)-1] },
		"longer":              func(b []byte) []byte { return append(b, 0) },
		"only the hash":       func(b []byte) []byte { return b[:cacheHeader] },
		"empty":               func(b []byte) []byte { return nil },
	} {
		if err := c.put(one, file("in", audio)); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(c.path(one))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(c.path(one), damage(b), 0o666); err != nil {
			t.Fatal(err)
		}
		if get(one) || len(entries(t, dir)) != 0 {
			t.Errorf("%s: the entry was used or stays: %v", name, entries(t, dir))
		}
	}

	// The whole entry of other audio, under this one's name.
	if err := c.put(two, file("in", []byte("other audio"))); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(c.path(two))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(c.path(one)), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(c.path(one), b, 0o666); err != nil {
		t.Fatal(err)
	}
	if get(one) {
		t.Error("another entry's audio was used")
	}

	// Deleted while in use, and written by two builds at once.
	var wg sync.WaitGroup
	in := file("in", audio)
	for k := range 8 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for range 20 {
				if k == 0 {
					os.RemoveAll(dir)
					continue
				}
				err := c.put(one, in)
				name := filepath.Join(work, fmt.Sprint("out", k))
				had, err2 := c.get(one, name)
				if err2 != nil {
					t.Errorf("%v after %v", err2, err)
				}
				if got, _ := os.ReadFile(name); had && !bytes.Equal(got, audio) {
					t.Error("something else came back")
				}
			}
		}()
	}
	wg.Wait()

	// A nil cache has nothing and keeps nothing.
	var none *Cache
	if had, err := none.get(one, out); had || err != nil || none.put(one, in) != nil || none.Trim(0) != nil || none.Hits() != 0 || none.Err() != nil {
		t.Error("a nil cache does something")
	}
}

// TestCacheTrim: what was used longest ago goes first, and what is not the
// cache's stays.
func TestCacheTrim(t *testing.T) {
	dir := t.TempDir()
	c := OpenCache(dir)
	in := filepath.Join(t.TempDir(), "in")
	if err := os.WriteFile(in, make([]byte, 1000-cacheHeader), 0o666); err != nil {
		t.Fatal(err)
	}
	keys := []string{cacheKey("a"), cacheKey("b"), cacheKey("c")}
	for i, k := range keys {
		if err := c.put(k, in); err != nil {
			t.Fatal(err)
		}
		old := time.Now().Add(time.Duration(i-10) * time.Hour)
		if err := os.Chtimes(c.path(k), old, old); err != nil {
			t.Fatal(err)
		}
	}
	mine := filepath.Join(dir, "mine.txt")
	abandoned, fresh := filepath.Join(dir, keys[0][:2], cacheDraft+"1"), filepath.Join(dir, keys[0][:2], cacheDraft+"2")
	for _, p := range []string{mine, abandoned, fresh} {
		if err := os.WriteFile(p, nil, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	long := time.Now().Add(-2 * draftAfter)
	if err := os.Chtimes(abandoned, long, long); err != nil {
		t.Fatal(err)
	}
	if had, err := c.get(keys[0], filepath.Join(t.TempDir(), "out")); !had || err != nil { // used now
		t.Fatal(had, err)
	}
	if err := c.Trim(2000); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]bool{c.path(keys[0]): true, c.path(keys[1]): false, c.path(keys[2]): true, mine: true, abandoned: false, fresh: true} {
		if _, err := os.Stat(path); (err == nil) != want {
			t.Errorf("%s: there %v, want %v", path, err == nil, want)
		}
	}
	if err := OpenCache(filepath.Join(dir, "nothing")).Trim(0); err != nil {
		t.Errorf("a cache that is not there: %v", err)
	}
}

// TestAudioKey: everything that the audio depends on is in the key.
func TestAudioKey(t *testing.T) {
	session := func(change func(s *Session, span *Span, bits *int)) string {
		s := &Session{
			Manifest: &manifest.Comparison{},
			Result:   &Result{Takes: []Take{{Gain: -3}}},
			takes:    []*signal{{sha256: "abc", info: wavio.Info{SampleRate: 48000}, mix: [][]float64{{1, 0.5}}}},
			offsets:  []int64{7},
		}
		span, bits := Span{FirstFrame: 10, Frames: 100}, 24
		change(s, &span, &bits)
		return s.audioKey(0, span, bits)
	}
	keys := map[string]string{}
	for name, change := range map[string]func(s *Session, span *Span, bits *int){
		"nothing":  func(*Session, *Span, *int) {},
		"source":   func(s *Session, _ *Span, _ *int) { s.takes[0].sha256 = "abd" },
		"gain":     func(s *Session, _ *Span, _ *int) { s.Result.Takes[0].Gain = -3.0000000000000004 },
		"lag":      func(s *Session, _ *Span, _ *int) { s.offsets[0]++ },
		"frames":   func(_ *Session, span *Span, _ *int) { span.Frames++ },
		"rate":     func(s *Session, _ *Span, _ *int) { s.takes[0].info.SampleRate = 44100 },
		"bits":     func(_ *Session, _ *Span, bits *int) { *bits = 16 },
		"blend":    func(s *Session, _ *Span, _ *int) { s.takes[0].mix[0][1] = 0.25 },
		"channels": func(s *Session, _ *Span, _ *int) { s.takes[0].mix = append(s.takes[0].mix, s.takes[0].mix[0]) },
	} {
		k := session(change)
		for other, have := range keys {
			if have == k {
				t.Errorf("%s and %s have the same key", name, other)
			}
		}
		keys[name] = k
	}
	if session(func(*Session, *Span, *int) {}) != keys["nothing"] {
		t.Error("the same audio has two keys")
	}
}

// TestEncoderVersion pins the bytes of a known signal to encoderVersion: when
// this fails because encoder, quantiser or dither changed, raise the version
// and put the new hashes here, or caches would go on giving the old bytes.
func TestEncoderVersion(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the encoder weighs its choices in floating point, which other processors fuse")
	}
	const wantVersion = 1
	want := map[int]string{
		16: "dd08ba1b30fb4214f75169f7c307cd21a8a6b02bbd52a47092b4f6b25dfda4e0",
		24: "3ddb2213b6938614fa2f99028da27533c1a670b11a1e2855430b6714f801193c",
	}
	if encoderVersion != wantVersion {
		t.Fatalf("encoderVersion is %d: pin its bytes here", encoderVersion)
	}
	for bits, sum := range want {
		path := filepath.Join(t.TempDir(), "x.flac")
		enc, err := flacio.Create(path, flacio.Spec{SampleRate: 48000, Channels: 1, Bits: bits})
		if err != nil {
			t.Fatal(err)
		}
		sig := &signal{sha256: "0123456789abcdef"}
		q := flacio.NewQuantiser(bits, bits <= 16, sig.ditherSeed(0))
		x, ints, state := make([]float64, 20_000), make([]int32, 20_000), uint32(1)
		level := 0.0
		for i := range x {
			state = state*1664525 + 1013904223
			level += float64(int32(state)>>8) / (1 << 27)
			level = float64(level * 0.96875) // not fused
			x[i] = level * 0.25
		}
		if n := q.Quantise(ints, x); n > 0 {
			t.Fatalf("%d samples over full scale", n)
		}
		if err := enc.Write([][]int32{ints}); err != nil {
			t.Fatal(err)
		}
		if err := enc.Close(); err != nil {
			t.Fatal(err)
		}
		got, n, err := SHA256File(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		if got != sum {
			t.Errorf("%d bits: %d bytes, SHA-256 %s, want %s", bits, n, got, sum)
		}
	}
	if cacheKey("a", "b") != fmt.Sprintf("%x", sha256.Sum256([]byte("a\nb"))) {
		t.Error("the form of a key changed")
	}
}
