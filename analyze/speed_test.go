package analyze_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/store"
	"evenhand/analyze/wavio"
	"evenhand/examples/studio"
)

const speedSeconds = 60

// eightTakes renders a dry recording of 60 s at 48 kHz, and eight stereo takes
// of it: those of the demo and two of its circuits with more drive.
var eightTakes = sync.OnceValues(func() (map[string][][]float64, error) {
	session, err := studio.Open("four-fuzzes")
	if err != nil {
		return nil, err
	}
	score := session.Score
	score.Length = speedSeconds
	score.Parts = append(score.Parts, studio.Part{Name: "Coda", Start: 52, Tempo: 108, Step: 0.5,
		Notes: "60m 60m 63 60m 60m 65 60m 61 60+52+42 . . ."})
	dry, err := studio.Performance(session.Rate, session.Seed, score)
	if err != nil {
		return nil, err
	}
	takes := session.Takes
	for _, k := range []int{0, 3} {
		more, circuit := takes[k], *takes[k].Chain.Circuit
		circuit.Drive += 3
		more.Chain.Circuit = &circuit
		more.Chain.Seed += 100
		takes = append(takes, more)
	}
	rendered := make([][][]float64, len(takes))
	var wg sync.WaitGroup
	for i, t := range takes {
		t.Chain.Extra = 0
		wg.Go(func() { rendered[i] = studio.Render(dry, t.Chain) })
	}
	wg.Wait()
	out := map[string][][]float64{"dry": {dry}}
	for i, x := range rendered {
		out[fmt.Sprint("take", i+1)] = x
	}
	return out, nil
})

// writeEight writes the recordings of eightTakes with a manifest and returns
// its path.
func writeEight(tb testing.TB) string {
	tb.Helper()
	files, err := eightTakes()
	if err != nil {
		tb.Fatal(err)
	}
	dir := tb.TempDir()
	text := "title: Eight takes\nvaries: circuit\nreference: take1\nmains: 50 Hz\nperformance:\n  dry: dry.wav\nchain:\n  - slot: circuit\ntakes:\n"
	for i := range 8 {
		name := fmt.Sprint("take", i+1)
		text += fmt.Sprintf("  - {name: %s, file: %s.wav, circuit: {device: D%d}}\n", name, name, i)
	}
	text = strings.Replace(text, "circuit: {device: D5}}", "circuit: {device: D0}, repeat_of: take1}", 1)
	for name, x := range files {
		w, err := wavio.Create(filepath.Join(dir, name+".wav"), wavio.Spec{SampleRate: 48000, Channels: len(x), Bits: 24})
		if err != nil {
			tb.Fatal(err)
		}
		if err := w.Write(x); err != nil {
			tb.Fatal(err)
		}
		if err := w.Close(); err != nil {
			tb.Fatal(err)
		}
	}
	path := filepath.Join(dir, "eight.yaml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		tb.Fatal(err)
	}
	return path
}

// BenchmarkEight measures the whole at the size that the aims for speed name:
// eight stereo takes of 60 s with their dry recording at 48 kHz and 24 bits, 480 s of
// audio. "measure" is every measurement, "build" all but the pages, "again" the same where
// the store has everything, "replaced" where it has all but one take and its pairs.
//
// As processor time of whole commands, with the pages, against a first build before there
// was a store, which is 1 (two busy virtual cores, one run each; the first build now is the
// median of seven, each after a run of the old one: 1.4 to 2.1):
//
//	                                        before what gear does to the
//	                                        playing was measured           now
//	first build                                    0.74                    1.6
//	again after a changed title                    0.045                   0.05
//	one take replaced                              0.15                    0.33
//	check, build, cut and pack, in turn            0.84                    2.1
//	verify of the archive, without a store         1.05                    2.2
//
// Of a first build now, a sixth is what can be heard equalised, a seventh what is left
// between each two takes, a tenth touch and drive.
//
// Loudness alone (integrated, range and true peak of stereo) runs at 1900 (noise) to
// 3200 (clean guitar) seconds of audio per second on a free core, Welch spectra at 1100.
//
// What keeps it fast: nothing is made twice (package store); each published file is
// decoded once, to be measured again and to find its pieces (flacio.Decoder.Find), while
// filters are fitted to the same samples from its recording (publish.Player); what is
// found in the dry recording is found once (parts.Timeline, align.Feature); two windows
// share a transform (dsp.Complex.Pair), and only lags near zero are computed
// (dsp.Narrow); faults are looked for while the other steps run; filters keep their state
// in variables, because the compiler keeps arrays in memory, and are emptied in digital
// silence, where numbers too small for the processor made them several times slower; and
// inner loops run several sums side by side.
func BenchmarkEight(b *testing.B) {
	path := writeEight(b)
	c, err := manifest.Load(path, nil)
	if err != nil {
		b.Fatal(err)
	}
	ctx := context.Background()
	measure := func(b *testing.B, kept *store.Store) *analyze.Session {
		s, err := analyze.Measure(ctx, c, analyze.Options{Store: kept})
		if err != nil {
			b.Fatal(err)
		}
		return s
	}
	build := func(b *testing.B, kept *store.Store) {
		s := measure(b, kept)
		if err := s.Publish(ctx, b.TempDir(), analyze.PublishOptions{Pieces: true}); err != nil {
			b.Fatal(err)
		}
		s.Check()
	}
	kept := store.Open(b.TempDir())
	for _, stage := range []struct {
		name   string
		before func(b *testing.B) // each run
		run    func(b *testing.B)
	}{
		{"measure", nil, func(b *testing.B) { measure(b, nil) }},
		{"build", nil, func(b *testing.B) { build(b, nil) }},
		{"again", nil, func(b *testing.B) { build(b, kept) }},
		{"replaced", func(b *testing.B) { makeSofter(b, filepath.Join(filepath.Dir(path), "take8.wav")) }, func(b *testing.B) { build(b, kept) }},
	} {
		b.Run("stage="+stage.name, func(b *testing.B) {
			if stage.name == "again" {
				build(b, kept)
				b.ResetTimer()
			}
			for b.Loop() {
				if stage.before != nil {
					b.StopTimer()
					stage.before(b)
					b.StartTimer()
				}
				stage.run(b)
			}
			b.ReportMetric(8*speedSeconds*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}

// makeSofter turns a recording down by a tenth.
func makeSofter(tb testing.TB, path string) {
	tb.Helper()
	r, err := wavio.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	x := make([][]float64, r.Info().Channels)
	for c := range x {
		x[c] = make([]float64, r.Info().Frames)
	}
	if n, err := r.Read(x); int64(n) != r.Info().Frames {
		tb.Fatal(n, err)
	}
	r.Close()
	for c := range x {
		for i := range x[c] {
			x[c][i] *= 0.9
		}
	}
	w, err := wavio.Create(path, wavio.Spec{SampleRate: 48000, Channels: len(x), Bits: 24})
	if err == nil {
		err = errors.Join(w.Write(x), w.Close())
	}
	if err != nil {
		tb.Fatal(err)
	}
}
