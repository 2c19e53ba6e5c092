package cut

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/studio"
)

// scenario is a short comparison at one sample rate: 12 s, three takes of one
// performance in three sections, two of them parted by pauses.
type scenario struct {
	rate int
	once sync.Once
	c    *manifest.Comparison
	s    *analyze.Session
	err  error
}

var at48k, at44k = &scenario{rate: 48000}, &scenario{rate: 44100}

const scenarioManifest = `title: Three circuits & a <dry> one
by: Fern Street Recording
date: 2026-03-14
varies: fuzz
disclosure: Synthetic.
performance:
  instrument: Baritone guitar
  dry: dry.wav
  sections:
    - {name: Riff, from: "0:00.8", to: "0:04.2"}
    - {name: Chords, from: "0:05.0", to: "0:08.2"}
    - {name: Riff again, from: "0:09.0", to: "0:11.5"}
chain:
  - slot: fuzz
  - slot: amp
    device: Kestrel 20
    kind: valve power amp
    controls: {volume: noon}
takes:
  - name: Mossback
    file: render-1.wav
    fuzz: {device: Mossback, controls: {sustain: "3 o'clock", level: 5}}
  - name: Kiln <b>
    file: render-2.wav
    fuzz: {device: Kiln, notes: Hard corners., controls: {heat: "2:30", level: 4}}
  - name: Plain wire
    file: render-3.wav
    fuzz: {device: Patch cable}
`

func (s *scenario) session(t *testing.T) *analyze.Session {
	t.Helper()
	s.once.Do(func() { s.err = s.make() })
	if s.err != nil {
		t.Fatal(s.err)
	}
	return s.s
}

func (s *scenario) make() error {
	dir, err := os.MkdirTemp("", "cut-scenario-")
	if err != nil {
		return err
	}
	folders = append(folders, dir)
	riff := "60m 60m 63 60m 65 63 60m 62 60m 60m 63"
	dry, err := studio.Performance(s.rate, 7, studio.Score{
		Parts: []studio.Part{
			{Name: "Riff", Start: 0.8, Tempo: 130, Step: 0.5, Notes: riff},
			{Name: "Chords", Start: 5, Tempo: 100, Step: 2, Notes: "60+52+42 63+55+45"},
			{Name: "Riff again", Start: 9, Tempo: 130, Step: 0.5, Notes: riff},
		},
		Length: 12,
	})
	if err != nil {
		return err
	}
	if err := writeMono(filepath.Join(dir, "dry.wav"), s.rate, dry); err != nil {
		return err
	}
	circuits := studio.Circuits()
	mic := studio.Cabinet(s.rate, studio.Microphone{Name: "close"})
	for i, circuit := range []*studio.Circuit{&circuits[0], &circuits[3], nil} {
		out := studio.Render(dry, studio.Chain{
			Rate: s.rate, Circuit: circuit, Amp: studio.Amp{Hiss: -86}, Mics: [][]float64{mic}, Lag: unit.Samples(20 * i),
			Gain: unit.DB(-9 - 3*i), Floor: -88, Seed: uint64(20 + i),
		})
		if err := writeMono(filepath.Join(dir, fmt.Sprintf("render-%d.wav", i+1)), s.rate, out[0]); err != nil {
			return err
		}
	}
	name := filepath.Join(dir, "comparison.yaml")
	if err := os.WriteFile(name, []byte(scenarioManifest), 0o666); err != nil {
		return err
	}
	if s.c, err = manifest.Load(name); err != nil {
		return err
	}
	s.s, err = analyze.Measure(context.Background(), s.c, analyze.Options{Version: "test"})
	return err
}

var folders []string // of the scenarios, for TestMain to remove

func TestMain(m *testing.M) {
	status := m.Run()
	for _, dir := range folders {
		os.RemoveAll(dir)
	}
	os.Exit(status)
}

func writeMono(path string, rate int, x []float64) error {
	w, err := wavio.Create(path, wavio.Spec{SampleRate: rate, Channels: 1, Bits: 24})
	if err != nil {
		return err
	}
	return errors.Join(w.Write([][]float64{x}), w.Close())
}

// write makes an edit in a new folder and returns it.
func write(t *testing.T, sc *scenario, o Options) (string, *Record) {
	t.Helper()
	s := sc.session(t)
	if err := o.Check(s.Manifest); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	rec, err := Write(t.Context(), dir, s, o)
	if err != nil {
		t.Fatal(err)
	}
	return dir, rec
}

// mono decodes a file whole.
func mono(t *testing.T, dir, name string) ([]float64, wavio.Info) {
	t.Helper()
	r, err := wavio.Open(filepath.Join(dir, filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	x := make([]float64, r.Info().Frames)
	if n, err := r.Read([][]float64{x}); err != nil || n != len(x) {
		t.Fatalf("%s: %d of %d frames, %v", name, n, len(x), err)
	}
	return x, r.Info()
}

// cue is a line of cues.csv as a reader takes it.
type cue struct {
	take, section, in, out, file, settings string
	first, end, fadeFirst, fadeEnd         int
}

func readCues(t *testing.T, dir string) []cue {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, cueFile))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	var out []cue
	for _, row := range rows[1:] {
		n := func(name string) int {
			v, err := strconv.Atoi(row[column[name]])
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			return v
		}
		text := func(name string) string { return row[column[name]] }
		out = append(out, cue{text("take"), text("section"), text("timecode in"), text("timecode out"), text("file"), text("settings"),
			n("first sample"), n("end sample"), n("fade first sample"), n("fade end sample")})
	}
	return out
}
