package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"evenhand/analyze/flacio"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/studio"
)

// programs are what the test binary can be run as.
var programs = map[string]func(){
	"evenhand": main,
	"loopback": makeLoopback,
	"answers":  answers,
}

func TestMain(m *testing.M) { testscript.Main(ownCache{m}, programs) }

// ownCache runs the tests with a cache folder of their own: nothing that an earlier
// run made is used, and nothing is left.
type ownCache struct{ *testing.M }

func (o ownCache) Run() int {
	dir, err := os.MkdirTemp("", "evenhand-test-cache-")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	if was, err := os.UserCacheDir(); err == nil && os.Getenv("GOCACHE") == "" {
		os.Setenv("GOCACHE", filepath.Join(was, "go-build")) // for tests that run go
	}
	for _, name := range []string{"XDG_CACHE_HOME", "LocalAppData"} {
		os.Setenv(name, dir)
	}
	return o.M.Run()
}

// TestScripts runs testdata/script: one behaviour of the command to a file.
//
//	record DIR        puts the recordings of a comparison into a folder, see recordTo
//	record -long DIR  the same performance to its end
//	flac DIR          turns the WAVE files of a folder into FLAC files
//	shorten FROM TO S the first seconds of a recording
func TestScripts(t *testing.T) {
	cmds := archiveCommands()
	// Every script has the same recordings: they are made once.
	audio := t.TempDir()
	made := sync.OnceValue(func() error { return recordTo(audio) })
	cmds["shorten"], cmds["louder"] = shorten, louder
	cmds["record"] = func(ts *testscript.TestScript, neg bool, args []string) {
		from := "short"
		if len(args) > 1 && args[0] == "-long" {
			from, args = "long", args[1:]
		}
		if neg || len(args) != 1 {
			ts.Fatalf("usage: record [-long] DIR")
		}
		ts.Check(made())
		ts.Check(os.CopyFS(ts.MkAbs(args[0]), os.DirFS(filepath.Join(audio, from))))
	}
	cmds["stored"] = stored
	cmds["flac"] = func(ts *testscript.TestScript, _ bool, args []string) {
		for _, dir := range args {
			files, err := filepath.Glob(filepath.Join(ts.MkAbs(dir), "*.wav"))
			ts.Check(err)
			for _, f := range files {
				ts.Check(toFLAC(f))
				ts.Check(os.Remove(f))
			}
		}
	}
	testscript.Run(t, testscript.Params{
		Dir:  filepath.Join("testdata", "script"),
		Cmds: cmds,
		// Scripts that run no concurrent code beside that of the others are left
		// out under the race detector, where a build takes five seconds.
		Condition: func(name string) (bool, error) {
			if name != "race" {
				return false, fmt.Errorf("unknown condition %q", name)
			}
			return raceDetector, nil
		},
		Setup: func(e *testscript.Env) error {
			// The cache of each script is its own, wherever the system keeps it.
			cache := filepath.Join(e.WorkDir, ".cache")
			for _, name := range []string{"XDG_CACHE_HOME", "HOME", "LocalAppData"} {
				e.Setenv(name, cache)
			}
			return nil
		},
	})
}

// recordTo makes the recordings of a comparison in dir/long: dry.wav, and
// one.wav, two.wav and three.wav, which are the same performance through three
// circuits, 6.9 s, mono, 16 bits, 48 kHz, later than it by 100, 37.5 and −20
// frames. dir/short holds the first shortSeconds of each: one part and its
// pause, for scripts that ask for no more.
func recordTo(dir string) error {
	const rate = 48000
	score := studio.Score{
		Parts: []studio.Part{
			{Name: "Riff", Start: 0.6, Tempo: 130, Step: 0.5, Notes: "60m 65 63 60m 62 60m 60m 63 60m"},
			{Name: "Chords", Start: 4, Tempo: 100, Step: 2, Notes: "60+52+42 63+55+45", Ring: true},
		},
		Length: 6.9,
	}
	dry, err := studio.Performance(rate, 7, score)
	if err != nil {
		return err
	}
	put := func(name string, x []float64) error {
		short := x[:int(shortSeconds*rate)]
		return errors.Join(writeWAV(filepath.Join(dir, "long", name), rate, x), writeWAV(filepath.Join(dir, "short", name), rate, short))
	}
	for _, sub := range []string{"long", "short"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o777); err != nil {
			return err
		}
	}
	if err := put("dry.wav", dry); err != nil {
		return err
	}
	circuits := studio.Circuits()
	mic := studio.Cabinet(rate, studio.Microphone{Name: "close"})
	for i, take := range []struct {
		name    string
		circuit *studio.Circuit
		lag     float64
	}{{"one", nil, 100}, {"two", &circuits[0], 37.5}, {"three", &circuits[3], -20}} {
		out := studio.Render(dry, studio.Chain{
			Rate: rate, Circuit: take.circuit, Amp: studio.Amp{Hiss: -90}, Mics: [][]float64{mic}, Lag: unit.Samples(take.lag),
			Gain: -9, Floor: -88, Seed: uint64(20 + i),
		})
		if err := put(take.name+".wav", out[0]); err != nil {
			return err
		}
	}
	return nil
}

// toFLAC writes a FLAC file of the samples and the depth of a WAVE file beside it.
func toFLAC(path string) error {
	r, err := wavio.Open(path)
	if err != nil {
		return err
	}
	defer r.Close()
	info := r.Info()
	e, err := flacio.Create(strings.TrimSuffix(path, ".wav")+".flac", flacio.Spec{SampleRate: info.SampleRate, Channels: info.Channels, Bits: info.Bits})
	if err != nil {
		return err
	}
	x, ints := make([][]float64, info.Channels), make([][]int32, info.Channels)
	for c := range x {
		x[c], ints[c] = make([]float64, info.Frames), make([]int32, info.Frames)
	}
	_, err = r.Read(x)
	for c := range x {
		flacio.NewQuantiser(info.Bits, false, 0).Quantise(ints[c], x[c])
	}
	return errors.Join(err, e.Write(ints), e.Close())
}

// shortSeconds ends in the pause between the two parts.
const shortSeconds = 3.9

// writeWAV writes a mono file with 16 bits.
func writeWAV(path string, rate int, x []float64) error {
	w, err := wavio.Create(path, wavio.Spec{SampleRate: rate, Channels: 1, Bits: 16})
	if err != nil {
		return err
	}
	return errors.Join(w.Write([][]float64{x}), w.Close())
}
