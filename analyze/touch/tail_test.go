package touch_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/touch"
)

// TestTail: an echo that holds 0.09 of 1.09 of the power is found at any sample rate, less
// what of it is after the end of a block; without one there is nothing.
func TestTail(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	const echo, late, blocks = 0.3, 0.3, 3
	for _, rate := range []int{16000, 44100, 48000, 88200} {
		r := rand.New(rand.NewPCG(7, 7))
		dry := make([]float64, 4*blocks*rate)
		for i := range dry {
			step := i * 5 / (2 * rate) // of 0.4 s
			dry[i] = 0.1 * math.Pow(10, -float64(step*7%4)/5) * r.NormFloat64()
		}
		lag := int(late * float64(rate))
		var all []touch.Stretch
		for k := range blocks {
			all = append(all, touch.Stretch{First: int64(4 * k * rate), Frames: int64(4 * rate)})
		}
		tail := func(echo, gain float64) float64 {
			take := make([]float64, len(dry))
			for i, v := range dry {
				if take[i] = v; i >= lag {
					take[i] += echo * dry[i-lag]
				}
				take[i] *= gain
			}
			var read [2]*touch.Take
			for i, x := range [][]float64{dry, take} {
				var err error
				if read[i], err = touch.Read(align.NewMemory(rate, x), 0, all, nil); err != nil {
					t.Fatal(err)
				}
			}
			got, _, err := touch.Measure(read[0], read[1])
			if err != nil {
				t.Fatal(err)
			}
			return float64(got.Tail)
		}
		want := echo * echo / (1 + echo*echo) * (1 - late/4)
		with, without := tail(echo, 1), tail(0, 1)
		t.Logf("%d Hz: %.4f with an echo of %.4f, %.5f without", rate, with, want, without)
		if math.Abs(with-want) > 0.05*want || math.Abs(without) > 0.01*want {
			t.Errorf("%d Hz: %.4f with an echo of %.4f, %.5f without", rate, with, want, without)
		}
		if rate != 16000 {
			continue // the level is the same matter at any
		}
		// How loud the take was recorded changes nothing but rounding.
		for _, gain := range []float64{math.Pow(10, -30.0/20), math.Pow(10, 20.0/20)} {
			if at, none := tail(echo, gain), tail(0, gain); !(math.Abs(at-with) <= 1e-6) || !(math.Abs(none-without) <= 1e-6) {
				t.Errorf("%d Hz: the take times %.3g has %.5f with the echo and %.5f without, at its own level %.5f and %.5f", rate, gain, at, none, with, without)
			}
		}
	}
}
