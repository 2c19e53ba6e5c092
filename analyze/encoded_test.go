package analyze

import (
	"context"
	"path/filepath"
	"runtime"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/flacio"
	"evenhand/analyze/manifest"
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
		sig := &signal{sha256: "0123456789abcdef"}
		q := flacio.NewQuantiser(bits, bits <= 16, sig.ditherSeed(0))
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
		got, n, err := SHA256File(context.Background(), path)
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
	session := func(change func(s *Session, span *result.Span, bits *int)) string {
		s := &Session{
			Measured: fairness.Measured{Manifest: &manifest.Comparison{}, Result: &result.Result{Takes: []result.Take{{Gain: -3}}}, Evidence: fairness.Evidence{Takes: []fairness.TakeEvidence{{Frame: 7}}}},
			takes:    []*signal{{sha256: "abc", info: wavio.Info{SampleRate: 48000}, mix: [][]float64{{1, 0.5}}}},
		}
		span, bits := result.Span{FirstFrame: 10, Frames: 100}, 24
		change(s, &span, &bits)
		return s.audioKey(0, span, bits)
	}
	keys := map[string]string{}
	for name, change := range map[string]func(s *Session, span *result.Span, bits *int){
		"nothing":  func(*Session, *result.Span, *int) {},
		"source":   func(s *Session, _ *result.Span, _ *int) { s.takes[0].sha256 = "abd" },
		"gain":     func(s *Session, _ *result.Span, _ *int) { s.Result.Takes[0].Gain = -3.0000000000000004 },
		"lag":      func(s *Session, _ *result.Span, _ *int) { s.Takes[0].Frame++ },
		"frames":   func(_ *Session, span *result.Span, _ *int) { span.Frames++ },
		"rate":     func(s *Session, _ *result.Span, _ *int) { s.takes[0].info.SampleRate = 44100 },
		"bits":     func(_ *Session, _ *result.Span, bits *int) { *bits = 16 },
		"blend":    func(s *Session, _ *result.Span, _ *int) { s.takes[0].mix[0][1] = 0.25 },
		"channels": func(s *Session, _ *result.Span, _ *int) { s.takes[0].mix = append(s.takes[0].mix, s.takes[0].mix[0]) },
	} {
		k := session(change)
		for other, have := range keys {
			if have == k {
				t.Errorf("%s and %s have the same key", name, other)
			}
		}
		keys[name] = k
	}
	if session(func(*Session, *result.Span, *int) {}) != keys["nothing"] {
		t.Error("the same audio has two keys")
	}
}
