package publish

import (
	"context"
	"path/filepath"
	"runtime"
	"testing"

	"evenhand/analyze/flacio"
	"evenhand/analyze/foreign"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/wavio"
)

// TestEncodedBytes pins the bytes of a known signal: when encoder, quantiser or dither
// give others, the audio of every published report changes when it is built again,
// and the answers of its listeners are about files that are gone.
func TestEncodedBytes(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the encoder weighs its choices in floating point, which other processors fuse")
	}
	want := map[int]string{
		16: "dd08ba1b30fb4214f75169f7c307cd21a8a6b02bbd52a47092b4f6b25dfda4e0",
		24: "3ddb2213b6938614fa2f99028da27533c1a670b11a1e2855430b6714f801193c",
	}
	for bits, sum := range want {
		path := filepath.Join(t.TempDir(), "x.flac")
		enc, err := flacio.Create(path, flacio.Spec{SampleRate: 48000, Channels: 1, Bits: bits})
		if err != nil {
			t.Fatal(err)
		}
		sig := &recording.Signal{SHA256: "0123456789abcdef"}
		q := flacio.NewQuantiser(bits, bits <= 16, sig.DitherSeed(0))
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
		got, n, err := foreign.SHA256File(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		if got != sum {
			t.Errorf("%d bits: %d bytes, SHA-256 %s, want %s", bits, n, got, sum)
		}
	}
}

// TestAudioKey: everything that the audio depends on is in the key.
func TestAudioKey(t *testing.T) {
	of := func(change func(t *Take, span *result.Span)) string {
		take := Take{Signal: &recording.Signal{SHA256: "abc", Info: wavio.Info{SampleRate: 48000}, Mix: [][]float64{{1, 0.5}}}, Frame: 7, Gain: -3, Bits: 24}
		span := result.Span{FirstFrame: 10, Frames: 100}
		change(&take, &span)
		return take.Key(span)
	}
	keys := map[string]string{}
	for name, change := range map[string]func(t *Take, span *result.Span){
		"nothing":  func(*Take, *result.Span) {},
		"source":   func(t *Take, _ *result.Span) { t.Signal.SHA256 = "abd" },
		"gain":     func(t *Take, _ *result.Span) { t.Gain = -3.0000000000000004 },
		"lag":      func(t *Take, _ *result.Span) { t.Frame++ },
		"frames":   func(_ *Take, span *result.Span) { span.Frames++ },
		"rate":     func(t *Take, _ *result.Span) { t.Signal.Info.SampleRate = 44100 },
		"bits":     func(t *Take, _ *result.Span) { t.Bits = 16 },
		"alone":    func(t *Take, _ *result.Span) { t.alone = "left" },
		"blend":    func(t *Take, _ *result.Span) { t.Signal.Mix[0][1] = 0.25 },
		"channels": func(t *Take, _ *result.Span) { t.Signal.Mix = append(t.Signal.Mix, t.Signal.Mix[0]) },
	} {
		k := of(change)
		for other, have := range keys {
			if have == k {
				t.Errorf("%s and %s have the same key", name, other)
			}
		}
		keys[name] = k
	}
	if of(func(*Take, *result.Span) {}) != keys["nothing"] {
		t.Error("the same audio has two keys")
	}
}
