package cut

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/wavio"
)

// scenario is a short comparison at one sample rate: 12 s, three takes of one
// performance in three sections, two of them parted by pauses.
type scenario struct {
	rate   int
	bright bool // takes are hiss up to half the rate, of one level in the audible range
	once   sync.Once
	c      *manifest.Comparison
	s      *analyze.Session
	err    error

	// The edit with no options but the default reach, which several tests read.
	onceEdit sync.Once
	dir      string
	rec      *Record
}

var at48k, at44k, bright = &scenario{rate: 48000}, &scenario{rate: 44100}, &scenario{rate: 48000, bright: true}

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
    device: Kestrel
    kind: valve power amp
    controls: {volume: noon}
takes:
  - name: Leaning
    file: render-1.wav
    fuzz: {device: Leaning, controls: {sustain: "3 o'clock", level: 5}}
  - name: Splitting <b>
    file: render-2.wav
    fuzz: {device: Splitting, notes: Hard corners., controls: {heat: "2:30", level: 4}}
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
	dry := performance(s.rate)
	if s.bright {
		r := rand.New(rand.NewPCG(3, 3))
		for i := range dry {
			dry[i] = (0.2 + 2*math.Abs(dry[i])) * (r.Float64() - 0.5)
		}
	}
	if err := writeMono(filepath.Join(dir, "dry.wav"), s.rate, dry); err != nil {
		return err
	}
	for i, circuit := range []func(float64) float64{
		func(x float64) float64 { return 0.3 * math.Tanh(9*x) },
		func(x float64) float64 { return 0.2 * (math.Tanh(14*x+0.4) - math.Tanh(0.4)) },
		func(x float64) float64 { return 0.6 * x },
	} {
		take := render(dry, s.rate, 20*i, uint64(i), circuit)
		if s.bright {
			for k := range take {
				take[k] = dry[k] * float64(i+1) / 3
				if i == 2 && k > 0 {
					take[k] = (dry[k] - 0.9*dry[k-1]) / 2
				}
			}
		}
		if err := writeMono(filepath.Join(dir, fmt.Sprintf("render-%d.wav", i+1)), s.rate, take); err != nil {
			return err
		}
	}
	name := filepath.Join(dir, "comparison.yaml")
	if err := os.WriteFile(name, []byte(scenarioManifest), 0o666); err != nil {
		return err
	}
	if s.c, err = manifest.Load(name, nil); err != nil {
		return err
	}
	s.s, err = analyze.Measure(context.Background(), s.c, analyze.Options{Version: "test"})
	if err == nil {
		s.s.Check()
	}
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

// performance is 12 s of plucked notes of random pitch with pauses before,
// between and after the three sections, over a little hiss.
func performance(rate int) []float64 {
	r := rand.New(rand.NewPCG(7, 0))
	x := make([]float64, 12*rate)
	for _, part := range [][2]float64{{0.9, 3.7}, {5.1, 7.9}, {9.1, 11.2}} {
		for at := part[0]; at < part[1]; at += 0.15 + 0.2*r.Float64() {
			hz, loud := 80*math.Pow(2, 2*r.Float64()), 0.1+0.2*r.Float64()
			for k := range rate / 3 {
				s := float64(k) / float64(rate)
				env := loud * math.Min(1, s/0.002) * math.Exp(-9*s) * math.Min(1, 20*(1.0/3-s))
				v := 0.0
				for h := 1.0; h <= 5; h++ {
					v += math.Sin(2*math.Pi*hz*h*s) / h
				}
				x[int(at*float64(rate))+k] += env * v
			}
		}
	}
	for i := range x {
		x[i] += 2e-5 * r.NormFloat64()
	}
	return x
}

// render sends a performance through a curve and a dull loudspeaker, later by
// some frames and with hiss of its own.
func render(dry []float64, rate, lag int, seed uint64, curve func(float64) float64) []float64 {
	r := rand.New(rand.NewPCG(100+seed, 0))
	out := make([]float64, len(dry))
	a := 1 - math.Exp(-2*math.Pi*2500/float64(rate))
	var poles [4]float64
	for i := range out {
		v := 0.0
		if i >= lag {
			v = curve(dry[i-lag])
		}
		for k := range poles {
			poles[k] += a * (v - poles[k])
			v = poles[k]
		}
		out[i] = v + 1e-5*r.NormFloat64()
	}
	return out
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

// edit returns the folder of the scenario's plainest edit, to be read only.
func (s *scenario) edit(t *testing.T) (string, *Record) {
	t.Helper()
	session := s.session(t)
	s.onceEdit.Do(func() {
		dir, err := os.MkdirTemp("", "cut-edit-")
		if err == nil {
			folders = append(folders, dir)
			s.dir = dir
			s.rec, err = Write(context.Background(), dir, session, Options{Reach: DefaultReach, Report: "https://example.org/r/"})
		}
		s.err = err
	})
	if s.err != nil {
		t.Fatal(s.err)
	}
	return s.dir, s.rec
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
	take, section, in, out, file, settings, picture string
	first, end, fadeFirst, fadeEnd, source          int
	correlation                                     float64
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
		r, err := strconv.ParseFloat(row[column["fade correlation"]], 64)
		if err != nil {
			t.Fatal(err)
		}
		text := func(name string) string { return row[column[name]] }
		out = append(out, cue{text("take"), text("section"), text("timecode in"), text("timecode out"), text("file"), text("settings"), text("picture"),
			n("first sample"), n("end sample"), n("fade first sample"), n("fade end sample"), n("first sample in file"), r})
	}
	return out
}
