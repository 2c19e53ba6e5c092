package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"evenhand/analyze/wavio"
)

// many writes a comparison of n takes of 6 s: one recording with noise of its own in
// each, through one of twelve curves.
func many(t *testing.T, dir string, n int) string {
	t.Helper()
	const rate, frames = 8000, 6 * 8000
	rng := rand.New(rand.NewPCG(500, 1))
	dry := make([]float64, frames)
	for at := 0.6; at < 3.8; at += 0.2 + 0.2*rng.Float64() {
		hz := 80 * math.Pow(2, float64(rng.IntN(24))/12)
		for k := range rate / 2 {
			s := float64(k) / rate
			dry[int(at*rate)+k] += 0.2 * math.Exp(-8*s) * (math.Sin(2*math.Pi*hz*s) + 0.4*math.Sin(6*math.Pi*hz*s))
		}
	}
	write := func(name string, x []float64) {
		w, err := wavio.Create(filepath.Join(dir, name), wavio.Spec{SampleRate: rate, Channels: 1, Bits: 24})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write([][]float64{x}); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	write("dry.wav", dry)
	text := "title: Many\nvaries: circuit\nmains: 50 Hz\nreference: Take 7\nperformance: {dry: dry.wav}\nchain: [{slot: circuit}]\ntakes:\n"
	x := make([]float64, frames)
	for i := range n {
		for k, v := range dry {
			x[k] = 0.4*math.Tanh(float64(1+i%12)*v) + 1e-4*rng.NormFloat64()
		}
		write(fmt.Sprintf("take%d.wav", i), x)
		text += fmt.Sprintf("  - {name: Take %d, file: take%d.wav, circuit: {device: D%d, controls: {gain: %d}}}\n", i, i, i, i%11)
	}
	path := filepath.Join(dir, "many.yaml")
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}
