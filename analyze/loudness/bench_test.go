package loudness

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// music returns seeded synthetic audio: decaying plucked partials every half
// second, driven by tanh and with a little noise; peak is set by gain.
func music(rate, channels int, seconds, drive, gain float64) [][]float64 {
	n := int(seconds * float64(rate))
	out := make([][]float64, channels)
	for c := range out {
		r := rand.New(rand.NewPCG(7, uint64(c)))
		x := make([]float64, n)
		for i := range x {
			t := float64(i) / float64(rate)
			note := math.Floor(t * 2)
			f := 61.7 * math.Pow(2, math.Mod(note*5, 19)/12)
			e := math.Exp(-3 * (t - note/2))
			var v float64
			for h := 1.0; h <= 4; h++ {
				v += math.Sin(2*math.Pi*f*h*t+h*float64(c)) / h
			}
			x[i] = gain*math.Tanh(drive*e*v) + gain*1e-3*r.NormFloat64()
		}
		out[c] = x
	}
	return out
}

func noise(rate, channels int, seconds, sigma float64) [][]float64 {
	out := make([][]float64, channels)
	for c := range out {
		r := rand.New(rand.NewPCG(11, uint64(c)))
		x := make([]float64, int(seconds*float64(rate)))
		for i := range x {
			x[i] = sigma * r.NormFloat64()
		}
		out[c] = x
	}
	return out
}

func BenchmarkMeter(b *testing.B) {
	const seconds = 20
	for _, rate := range []int{44100, 48000, 96000} {
		for _, ch := range []int{1, 2} {
			for _, s := range []struct {
				name string
				x    [][]float64
			}{
				{"clean", music(rate, ch, seconds, 0.3, 0.5)},
				{"driven", music(rate, ch, seconds, 30, 0.9)},
				{"noise", noise(rate, ch, seconds, 0.2)},
			} {
				b.Run(fmt.Sprintf("rate=%d/ch=%d/signal=%s", rate, ch, s.name), func(b *testing.B) {
					b.ReportAllocs()
					for b.Loop() {
						m, err := NewMeter(rate, ch)
						if err != nil {
							b.Fatal(err)
						}
						m.Track(Range{0, int64(seconds * rate)}, Range{0, int64(7 * rate)}, Range{int64(8*rate + 77), int64(9 * rate)})
						writeBlocks(b, m, s.x, 8192)
						m.Finish()
					}
					b.ReportMetric(float64(seconds)*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
				})
			}
		}
	}
}

func writeBlocks(tb testing.TB, m *Meter, x [][]float64, size int) {
	tb.Helper()
	block := make([][]float64, len(x))
	for i := 0; i < len(x[0]); i += size {
		for c := range x {
			block[c] = x[c][i:min(i+size, len(x[c]))]
		}
		if err := m.Write(block); err != nil {
			tb.Fatal(err)
		}
	}
}
