package analyze

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/recording"
	"evenhand/analyze/store"
)

// A recording that is replaced, as a DAW's export does, or written to while it
// is worked on must not be published under the hash of the earlier one, nor be
// kept in the cache for it.
func TestChangedMeanwhile(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector")
	}
	s := newScene(t)
	s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
	s.manifest = strings.Replace(s.manifest, "  loopback: loop.wav\n", "", 1)
	delete(s.files, "loop")
	from, to := strings.Index(s.manifest, "  sections:"), strings.Index(s.manifest, "chain:")
	s.manifest = s.manifest[:from] + s.manifest[to:]
	for _, x := range s.files {
		x[0] = x[0][:4*sceneRate]
	}
	path := s.write(t)
	dir := filepath.Dir(path)
	two, spare := filepath.Join(dir, "two.wav"), filepath.Join(dir, "spare.wav")
	original, err := os.ReadFile(two)
	if err != nil {
		t.Fatal(err)
	}
	other := append([]byte{}, original...)
	for i := len(other) / 2; i < len(other)/2+3000; i += 3 {
		other[i]++ // the lowest byte of 24: nothing else notices
	}
	put := func(name string, b []byte) {
		if err := os.WriteFile(name, b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	moved := func() {
		put(spare, other)
		if err := os.Rename(spare, two); err != nil {
			t.Fatal(err)
		}
	}
	cacheDir := filepath.Join(t.TempDir(), "cache")
	build := func(kept *store.Store, before string, change func()) (*Session, error) {
		c, err := manifest.Load(path, nil)
		if err != nil {
			t.Fatal(err)
		}
		done := change == nil
		opts := Options{Store: kept, Workers: 1, Progress: func(stage string, _, _ int64) {
			if stage == before && !done {
				done = true
				change()
			}
		}}
		session, err := Measure(context.Background(), c, opts)
		if err == nil && before == "" && change != nil {
			change()
		}
		if err == nil {
			err = session.Publish(context.Background(), t.TempDir(), PublishOptions{})
		}
		return session, err
	}
	for _, x := range []struct {
		name, stage string
		change      func()
	}{
		{"exported again while it is measured", "measuring", moved},
		{"exported again before it is published", "", moved},
		{"written over in place", "writing matched audio", func() { put(two, other) }},
		{"gone", "", func() {
			if err := os.Remove(two); err != nil {
				t.Fatal(err)
			}
		}},
	} {
		_, err := build(store.Open(cacheDir), x.stage, x.change)
		if changed := (*recording.ChangedError)(nil); !errors.As(err, &changed) || changed.Path != two {
			t.Errorf("%s: error %v", x.name, err)
		}
		put(two, original)
	}
	fresh, err := build(nil, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := build(store.Open(cacheDir), "", nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := range fresh.Result.Takes {
		if a, b := fresh.Result.Takes[i].Published.SHA256, kept.Result.Takes[i].Published.SHA256; a != b {
			t.Errorf("%s: the cache gives other audio than encoding does", fresh.Result.Takes[i].Name)
		}
	}
	// What changes after publishing is for the caller to ask.
	if err := kept.Unchanged(); err != nil {
		t.Error(err)
	}
	moved()
	if changed := (*recording.ChangedError)(nil); !errors.As(kept.Unchanged(), &changed) {
		t.Error("a file that was replaced after publishing is not noticed")
	}

	// The manifest is as much an input as a recording.
	c, err := manifest.Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	put(path, []byte(strings.Replace(s.manifest, "Two circuits", "Three circuits", 1)))
	_, err = Measure(context.Background(), c, Options{ChecksOnly: true})
	if changed := (*recording.ChangedError)(nil); !errors.As(err, &changed) || changed.Path != path {
		t.Errorf("a manifest that changed since it was read: error %v", err)
	}
}
