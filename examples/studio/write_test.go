package studio

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/wavio"
)

// short is a session cut to a few notes.
func short(t *testing.T, scenario string) Session {
	s, err := Open(scenario)
	if err != nil {
		t.Fatal(err)
	}
	s.Score = Score{Length: 1.2, Parts: []Part{{Name: "Few", Start: 0.2, Tempo: 120, Step: 0.5, Notes: "60m 63 39b 60+52"}}}
	return s
}

// sums are the SHA-256 values of all files below dir, by name.
func sums(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		name, _ := filepath.Rel(dir, path)
		out[filepath.ToSlash(name)] = fmt.Sprintf("%x", sha256.Sum256(data))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestSameBytes: the files do not depend on the run, on the number of takes
// rendered at once or on the number of processors.
func TestSameBytes(t *testing.T) {
	for _, scenario := range Scenarios() {
		var first map[string]string
		for _, run := range []struct{ workers, processors int }{{1, 1}, {4, 3}} {
			before := runtime.GOMAXPROCS(run.processors)
			s := short(t, scenario)
			dir := t.TempDir()
			jobs, err := s.jobs()
			if err != nil {
				t.Fatal(err)
			}
			for _, folder := range []string{"audio", "ir"} {
				if err := os.Mkdir(filepath.Join(dir, folder), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			last := 0
			err = s.run(dir, jobs, run.workers, func(done, total int) {
				if done < last || done > total {
					t.Errorf("progress went from %d to %d of %d", last, done, total)
				}
				last = done
			})
			runtime.GOMAXPROCS(before)
			if err != nil {
				t.Fatal(err)
			}
			got := sums(t, dir)
			if len(got) != len(jobs) {
				t.Errorf("%d files from %d jobs", len(got), len(jobs))
			}
			if first == nil {
				first = got
			}
			for name, sum := range got {
				if first[name] != sum {
					t.Errorf("%s, %+v: %s has other bytes", scenario, run, name)
				}
			}
		}
		seen := map[string]string{}
		for name, sum := range first {
			if other, ok := seen[sum]; ok {
				t.Errorf("%s and %s are the same", name, other)
			}
			seen[sum] = name
		}
	}
}

// TestWrite makes the shorter scenario as a user would and reads it back.
func TestWrite(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "folder")
	done, total := 0, 1
	if err := Write(dir, Options{Scenario: "microphones"}, func(d, n int) { done, total = d, n }); err != nil {
		t.Fatal(err)
	}
	if done != total {
		t.Errorf("progress ended at %d of %d", done, total)
	}
	got := sums(t, dir)
	for _, name := range []string{"microphones.yaml", "notes.md", "audio/dry.wav", "audio/cap-centre.wav", "audio/cap-edge.wav", "audio/cone.wav", "audio/room.wav"} {
		if got[name] == "" {
			t.Errorf("%s is missing", name)
		}
		delete(got, name)
	}
	if len(got) != 0 {
		t.Errorf("left over: %v", got)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 3 {
		t.Errorf("%v, %v", entries, err)
	}
	info, err := wavio.Inspect(filepath.Join(dir, "audio", "dry.wav"))
	if err != nil {
		t.Fatal(err)
	}
	s, _ := Open("microphones")
	if info.SampleRate != 44100 || info.Channels != 1 || info.Bits != 16 || info.Frames != int64(s.Score.Length*44100) {
		t.Errorf("%+v", info)
	}
	if len(info.Cues) != len(s.Score.Parts) {
		t.Fatalf("%d cues", len(info.Cues))
	}
	for i, p := range s.Score.Parts {
		from, _ := p.Span()
		if c := info.Cues[i]; c.Label != p.Name || c.Frame != int64(from*44100) {
			t.Errorf("cue %d: %+v", i, c)
		}
	}

	// Every file that the manifest names is there.
	if _, err := manifest.Load(filepath.Join(dir, "microphones.yaml"), nil); err != nil {
		t.Error(err)
	}

	// A second run must not touch the first.
	before := sums(t, dir)
	if err := Write(dir, Options{Scenario: "microphones"}, nil); !errors.Is(err, ErrExists) {
		t.Errorf("writing over it: %v", err)
	}
	for name, sum := range sums(t, dir) {
		if before[name] != sum {
			t.Errorf("%s changed", name)
		}
	}
}

func TestWriteLeavesNothingAfterAnError(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	if err := Write(dir, Options{Scenario: "drums"}, nil); err == nil {
		t.Fatal("an unknown scenario was written")
	}
	if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the folder was made: %v", err)
	}
	// A job that fails half way stops the others and is the error returned.
	s := short(t, "four-fuzzes")
	boom := errors.New("boom")
	jobs, err := s.jobs()
	if err != nil {
		t.Fatal(err)
	}
	jobs[0].render = func(emit func([][]float64) error) error { return boom }
	base := t.TempDir()
	for _, folder := range []string{"audio", "ir"} {
		if err := os.Mkdir(filepath.Join(base, folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.run(base, jobs, 1, nil); !errors.Is(err, boom) {
		t.Errorf("got %v", err)
	}
	if n := len(sums(t, base)); n != 1 {
		t.Errorf("%d files were begun after the failure", n-1)
	}
}

func BenchmarkWrite(b *testing.B) {
	for _, scenario := range Scenarios() {
		b.Run("scenario="+scenario, func(b *testing.B) {
			s, err := Open(scenario)
			if err != nil {
				b.Fatal(err)
			}
			base := b.TempDir()
			n := 0
			for b.Loop() {
				dir := filepath.Join(base, fmt.Sprint(n))
				n++
				if err := Write(dir, Options{Scenario: scenario}, nil); err != nil {
					b.Fatal(err)
				}
				os.RemoveAll(dir)
			}
			seconds := s.Score.Length * float64(len(s.Takes)) * float64(b.N)
			b.ReportMetric(seconds/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}

func BenchmarkPerformance(b *testing.B) {
	score := fiveRiffs()
	for b.Loop() {
		if _, err := Performance(48000, 1, score); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(score.Length*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
