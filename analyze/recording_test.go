package analyze

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/flacio"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/recording"
	"evenhand/report/sentences"
)

// toFLAC puts a FLAC file of the same depth in the place of a scene's WAVE file,
// and its name into the manifest.
func toFLAC(t *testing.T, path, name string, bits int, x [][]float64) {
	t.Helper()
	dir := filepath.Dir(path)
	e, err := flacio.Create(filepath.Join(dir, name+".flac"), flacio.Spec{SampleRate: sceneRate, Channels: len(x), Bits: bits})
	if err != nil {
		t.Fatal(err)
	}
	ints := make([][]int32, len(x))
	for c := range x {
		ints[c] = make([]int32, len(x[c]))
		flacio.NewQuantiser(bits, false, 0).Quantise(ints[c], x[c])
	}
	if err := errors.Join(e.Write(ints), e.Close(), os.Remove(filepath.Join(dir, name+".wav"))); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err == nil {
		err = os.WriteFile(path, []byte(strings.ReplaceAll(string(text), name+".wav", name+".flac")), 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestFLACTwin: a comparison of FLAC files has the figures of the same comparison
// of WAVE files; only the facts of the files differ.
func TestFLACTwin(t *testing.T) {
	measured := func(flac bool) map[string]any {
		s := newScene(t)
		path := s.write(t)
		if flac {
			for name, x := range s.files {
				toFLAC(t, path, name, 24, x)
			}
		}
		c, err := manifest.Load(path, nil)
		if err != nil {
			t.Fatal(err)
		}
		session, err := Measure(context.Background(), c, Options{})
		if err != nil {
			t.Fatal(err)
		}
		session.Check()
		session.Result = sentences.Result(session.Result)
		held := session.scratch.Dir()
		if (held != "") != flac {
			t.Fatalf("unpacked to %q", held)
		}
		if err := errors.Join(session.Unchanged(), session.Close()); err != nil {
			t.Fatal(err)
		}
		if flac {
			if _, err := os.Stat(held); !os.IsNotExist(err) {
				t.Errorf("what was unpacked is still there: %v", err)
			}
		}
		for _, f := range session.Result.Files {
			if f.Audio != nil && (f.Audio.Container == "FLAC") != flac {
				t.Errorf("%s: %+v", f.Path, *f.Audio)
			}
		}
		b, err := json.Marshal(session.Result)
		if err != nil {
			t.Fatal(err)
		}
		var tree map[string]any
		if err := json.Unmarshal([]byte(strings.ReplaceAll(string(b), ".flac", ".wav")), &tree); err != nil {
			t.Fatal(err)
		}
		if n := len(tree["files"].([]any)); n != len(s.files)+1 {
			t.Errorf("%d files", n)
		}
		delete(tree, "files")
		return tree
	}
	wave, flac := measured(false), measured(true)
	if len(wave) < 10 {
		t.Fatalf("a result of %d fields", len(wave))
	}
	for name := range wave {
		a, _ := json.Marshal(wave[name])
		b, _ := json.Marshal(flac[name])
		if string(a) != string(b) {
			t.Errorf("%s:\nWAVE %.600s\nFLAC %.600s", name, a, b)
		}
	}
}

// TestFLACChangedMeanwhile: what is read is the copy, what counts is the file.
func TestFLACChangedMeanwhile(t *testing.T) {
	s := newScene(t)
	path := s.write(t)
	toFLAC(t, path, "two", 24, s.files["two"])
	two := filepath.Join(filepath.Dir(path), "two.flac")
	c, err := manifest.Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	done := false
	_, err = Measure(context.Background(), c, Options{ChecksOnly: true, Progress: func(stage string, _, _ int64) {
		if stage != "reading" && !done {
			done = true
			b, err := os.ReadFile(two)
			if err == nil {
				err = os.WriteFile(two, append(b, 0), 0o666)
			}
			if err != nil {
				t.Error(err)
			}
		}
	}})
	var changed *recording.ChangedError
	if !errors.As(err, &changed) || changed.Path != two {
		t.Errorf("%v", err)
	}
}

// TestFLACDamaged: every damaged recording is named in one run.
func TestFLACDamaged(t *testing.T) {
	s := newScene(t)
	path := s.write(t)
	for name, damage := range map[string]func(b []byte) []byte{
		"one": func(b []byte) []byte { return b[:len(b)*2/3] },
		"two": func(b []byte) []byte { b[len(b)/2] ^= 16; return b },
	} {
		toFLAC(t, path, name, 24, s.files[name])
		file := filepath.Join(filepath.Dir(path), name+".flac")
		b, err := os.ReadFile(file)
		if err == nil {
			err = os.WriteFile(file, damage(b), 0o666)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	c, err := manifest.Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	_, err = Measure(context.Background(), c, Options{ChecksOnly: true})
	if !errors.Is(err, mistake.Err) {
		t.Fatal(err)
	}
	for _, want := range []string{"one.flac: the file ends within the block that begins at frame ", "two.flac: the block that begins at frame "} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in:\n%v", want, err)
		}
	}
}
