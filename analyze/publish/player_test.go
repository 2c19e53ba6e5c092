package publish

import (
	"errors"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"evenhand/analyze/flacio"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/wavio"
	"evenhand/analyze/work"
)

// TestPlayer: what a take's player reads, in parts of any length, is what its file
// decodes to: with dither and without, mixed channels, and silence around the recording.
func TestPlayer(t *testing.T) {
	const rate, frames = 48000, 50_000
	dir := t.TempDir()
	name := filepath.Join(dir, "noise.wav")
	w, err := wavio.Create(name, wavio.Spec{SampleRate: rate, Channels: 2, Bits: 24})
	if err != nil {
		t.Fatal(err)
	}
	x, random := [][]float64{make([]float64, frames), make([]float64, frames)}, rand.New(rand.NewPCG(1, 2))
	for _, ch := range x {
		for i := range ch {
			ch[i] = random.Float64() - 0.5
		}
	}
	if err := errors.Join(w.Write(x), w.Close()); err != nil {
		t.Fatal(err)
	}
	info, err := wavio.Inspect(name)
	if err != nil {
		t.Fatal(err)
	}
	plan := Plan{Timeline: result.Timeline{SampleRate: rate, Spans: []result.Span{{FirstFrame: 100, Frames: frames + 300}}}}
	for k, mix := range [][][]float64{{{1, 0}, {0, 1}}, {{0.3, 0.6}}} {
		for _, bits := range []int{16, 24} {
			sig, err := recording.NewSignal(name, info, nil, nil)
			if err != nil {
				t.Fatal(err)
			}
			sig.Mix, sig.SHA256 = mix, "0123456789abcdef"
			plan.Takes = append(plan.Takes, Take{Slug: string(rune('a'+k)) + string(rune('0'+bits/8)), Signal: sig, Frame: -217, Gain: -1.3, Bits: bits})
		}
	}
	made, err := plan.Write(t.Context(), dir, false, work.Run{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range plan.Takes {
		take, published := &plan.Takes[i], made[i].Published
		d, err := flacio.Open(filepath.Join(dir, filepath.FromSlash(published.Path)))
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		p, err := take.Player(plan.Timeline.Spans[0])
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		want, got := readAll(t, d, published.Channels), readAll(t, p, published.Channels)
		for c := range want {
			if len(want[c]) != frames+300 || !slices.Equal(got[c], want[c]) {
				t.Errorf("%s: channel %d has other samples, %d and %d", take.Slug, c+1, len(got[c]), len(want[c]))
			}
		}
	}
}

// readAll reads in parts of 1, 20,000, 1, … frames.
func readAll(t *testing.T, r recording.BlockReader, channels int) [][]float64 {
	out := make([][]float64, channels)
	for k := 0; ; k++ {
		part := make([][]float64, channels)
		for c := range part {
			part[c] = make([]float64, []int{1, 20_000}[k%2])
		}
		n, err := r.Read(part)
		for c := range out {
			out[c] = append(out[c], part[c][:n]...)
		}
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
