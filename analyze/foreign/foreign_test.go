package foreign

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"evenhand/analyze/mistake"
)

func TestPath(t *testing.T) {
	for _, good := range []string{"a", "audio/a.flac", "audio/pieces/a b.1.flac", "été/ü", "..a", "a/..b", ".hidden"} {
		if err := Path(good); err != nil {
			t.Errorf("%q: %v", good, err)
		}
	}
	for _, bad := range []string{"", ".", "..", "../a", "a/..", "a/../b", "a/./b", "/a", "a/", "a//b", `a\b`, `..\a`, "c:/a", "c:a", "a:stream", "a\x00b", "a\x1b[2J", "a\nb", "\xff",
		strings.Repeat("a", 256), strings.Repeat("a/", 40) + "a", strings.Repeat("abcdefg/", 200) + "a"} {
		if err := Path(bad); !errors.Is(err, mistake.Err) || strings.ContainsAny(err.Error(), "\x1b\n\x00") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func FuzzPath(f *testing.F) {
	for _, s := range []string{"a/b", "../a", "/a", `a\..\b`, "a:b", "a/./b"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, name string) {
		if Path(name) != nil {
			return
		}
		rel, err := filepath.Rel("/top/dir", filepath.Join("/top/dir", filepath.FromSlash(name)))
		if err != nil || filepath.ToSlash(rel) != name {
			t.Errorf("%q leads to %q, %v", name, rel, err)
		}
	})
}

func TestOpenIn(t *testing.T) {
	top := t.TempDir()
	dir := filepath.Join(top, "report")
	for name, text := range map[string]string{"secret": "secret", "report/audio/a": "audio"} {
		full := filepath.Join(top, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(full), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if b, err := ReadFileIn(dir, "audio/a", 5); string(b) != "audio" || err != nil {
		t.Errorf("%q, %v", b, err)
	}
	if _, err := ReadFileIn(dir, "audio/a", 4); !errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), "more than 4 bytes") {
		t.Error(err)
	}
	if _, err := OpenIn(dir, "audio/b"); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
	for name, want := range map[string]string{"audio": "a folder", "../secret": "leads out", "audio/a/b": ""} {
		if f, err := OpenIn(dir, name); err == nil || want != "" && (!errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %v, %v", name, f, err)
		}
	}
	if err := errors.Join(os.Symlink(filepath.Join(top, "secret"), filepath.Join(dir, "link")), os.Symlink(top, filepath.Join(dir, "up")), os.Symlink("audio", filepath.Join(dir, "here"))); err != nil {
		t.Skip(err)
	}
	for _, name := range []string{"link", "up/secret", "here/a"} {
		if f, err := OpenIn(dir, name); !errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), "is a link") {
			t.Errorf("%s: %v, %v", name, f, err)
		}
	}
	// What the user names may be a link to a file.
	if b, err := ReadFile(filepath.Join(dir, "link"), 100); string(b) != "secret" || err != nil {
		t.Errorf("%q, %v", b, err)
	}
	if _, err := Open(os.DevNull); !errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), "a device") {
		t.Error(err)
	}
}

type tree struct {
	Name  string            `json:"name"`
	Big   [64]float64       `json:"big"`
	Subs  []tree            `json:"subs"`
	One   *tree             `json:"one"`
	Words map[string]string `json:"words"`
	Any   any               `json:"any"`
}

// TestMemory: a short text that takes much memory is refused before it does, and
// what is let through takes no more than was estimated.
func TestMemory(t *testing.T) {
	const n = 200_000
	for name, text := range map[string]string{
		"objects":    `{"subs":[` + strings.Repeat(`{},`, n) + `{}]}`,
		"in objects": `{"subs":[{"subs":[` + strings.Repeat(`{},`, n) + `{}]}]}`,
		"large case": `{"SUBS":[` + strings.Repeat(`{},`, n) + `{}]}`,
		"pointers":   `{"subs":[` + strings.Repeat(`{"one":{}},`, n) + `{}]}`,
		"numbers":    `{"any":[` + strings.Repeat(`0,`, 40*n) + `0]}`,
		"lists":      `{"any":[` + strings.Repeat(`[],`, 20*n) + `0]}`,
		"keys":       `{"any":{` + strings.Repeat(`"a":0,`, 20*n) + `"b":0}}`,
		"deep":       `{"any":` + strings.Repeat(`[`, 100) + strings.Repeat(`]`, 100) + `}`,
		"deep alone": `{"none":` + strings.Repeat(`[`, 100) + strings.Repeat(`]`, 100) + `}`,
	} {
		before := allocated()
		err := JSON([]byte(text), &tree{}, 64<<20)
		if took := allocated() - before; !errors.Is(err, mistake.Err) || took > 1<<30 {
			t.Errorf("%s: %v, after %d MiB", name, err, took>>20)
		}
	}
	for name, text := range map[string]string{
		"objects": `{"subs":[` + strings.Repeat(`{},`, 5000) + `{}]}`,
		"numbers": `{"any":[` + strings.Repeat(`123456,`, 50000) + `0]}`,
		"words":   `{"words":{"` + strings.Repeat("a", 30000) + `":"b"}}`,
	} {
		v := &tree{}
		weight, err := Weigh([]byte(text), v)
		if err != nil {
			t.Fatal(err)
		}
		took := int64(math.MaxInt64) // the least of some: what else runs only adds
		for range 3 {
			v = &tree{}
			before := held()
			if err := JSON([]byte(text), v, weight); err != nil {
				t.Errorf("%s: %v", name, err)
			}
			took = min(took, held()-before)
		}
		if took > weight {
			t.Errorf("%s: takes %d bytes, estimated %d", name, took, weight)
		}
		if JSON([]byte(text), v, weight-1) == nil {
			t.Errorf("%s: more than the most is allowed", name)
		}
		runtime.KeepAlive(v)
	}
}

// allocated is how much memory was ever taken; held how much is in use.
func allocated() int64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.TotalAlloc)
}

func held() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// FuzzJSON: what is let through is what encoding/json makes of it.
func FuzzJSON(f *testing.F) {
	for _, s := range []string{`{"name":"a","subs":[{"one":{"name":"b"}}],"words":{"c":"d"}}`, `{"big":[1,2],"x":[[[]]],"SUBS":null}`, `{} {}`, `[`, `{"name":1}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var got, want tree
		err := JSON(text, &got, 1<<20)
		if err != nil {
			if !errors.Is(err, mistake.Err) {
				t.Fatalf("%v is nobody's fault", err)
			}
			return
		}
		// Numbers of any type keep their text here.
		a, err := json.Marshal(got)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text, &want); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		var again tree
		if err := json.Unmarshal(a, &again); err != nil || !reflect.DeepEqual(again, want) {
			t.Fatalf("%q: %s, %v", text, a, err)
		}
	})
}
