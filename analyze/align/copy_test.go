package align

import (
	"math"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
)

// plucks are decaying harmonic notes with pauses, over a little noise.
func plucks(seconds int) []float64 {
	rng := rand.New(rand.NewPCG(3, 3))
	x := make([]float64, seconds*48000)
	for at := 24000; at < len(x)-48000; at += 12000 + rng.IntN(12000) {
		f := 82 * math.Pow(2, rng.Float64()*2)
		for h := 1.0; h < 40 && h*f < 12000; h++ {
			phase := rng.Float64() * 2 * math.Pi
			for i := range 40000 {
				x[at+i] += 0.2 / h * math.Exp(-float64(i)*(1+h)/30000) * math.Sin(phase+2*math.Pi*f*h*float64(i)/48000)
			}
		}
	}
	for i := range x {
		x[i] += 3e-5 * rng.NormFloat64()
	}
	return x
}

// TestCopyOf asks what counts as the same recording: gain, delay, polarity and
// noise do not matter; a gentle filter, a little distortion and other music do.
func TestCopyOf(t *testing.T) {
	campaign.Serial(t)
	const rate = 48000
	dry := plucks(12)
	excerpt := func(x []float64, lag float64) *Excerpt {
		e, err := NewExcerpt(NewMemory(rate, x), unit.Samples(lag), rate, 10*rate, 96)
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	noisy := func(x []float64, db float64) []float64 {
		rng := rand.New(rand.NewPCG(5, 9))
		out := make([]float64, len(x))
		for i, v := range x {
			out[i] = v + unit.ToAmplitude(db)*rng.NormFloat64()
		}
		return out
	}
	mapped := func(f func(float64) float64) []float64 {
		out := make([]float64, len(dry))
		for i, v := range dry {
			out[i] = f(v)
		}
		return out
	}
	shelf := func(gain float64) []float64 { // of one pole around 2 kHz
		low, a := 0.0, 1-math.Exp(-2*math.Pi*2000/rate)
		return mapped(func(v float64) float64 { low += a * (v - low); return low + gain*(v-low) })
	}
	ref := excerpt(dry, 0)
	for _, c := range []struct {
		name string
		x    []float64
		lag  float64
		copy bool
	}{
		{"itself", dry, 0, true},
		{"rounded to 16 bits", mapped(func(v float64) float64 { return math.Round(v*32768) / 32768 }), 0, true},
		{"quieter, inverted", mapped(func(v float64) float64 { return -0.3 * v }), 0, true},
		{"with a lag that is 0.4 frames off", dry, 0.4, true},
		{"with a lag that is a frame off", dry, -1, true},
		{"with noise of −70 dBFS", noisy(dry, -70), 0, true},
		{"with noise of −55 dBFS", noisy(mapped(func(v float64) float64 { return 0.5 * v }), -55), 0, true},
		{"a shelf of 0.5 dB", shelf(unit.ToAmplitude(0.5)), 0, false},
		{"a shelf of −3 dB and noise of −70 dBFS", noisy(shelf(unit.ToAmplitude(-3)), -70), 0, false},
		{"a shelf of −3 dB and noise of −60 dBFS", noisy(shelf(unit.ToAmplitude(-3)), -60), 0, false},
		{"a soft limit", mapped(func(v float64) float64 { return math.Tanh(v) }), 0, false},
		{"a little of the second harmonic", mapped(func(v float64) float64 { return v + 0.05*v*v }), 0, false},
		{"other music", plucks(13)[rate:], 0, false},
	} {
		got, err := excerpt(c.x, c.lag).CopyOf(ref)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%-40s %.1f dB, at least %.1f, from %.0f to %.0f Hz", c.name, float64(got.Deviation), float64(got.Least), float64(got.From), float64(got.To))
		if is, other := got.Deviation < -40, got.Least > -40; is != c.copy || other == c.copy {
			t.Errorf("%s: deviation %v, at least %v", c.name, got.Deviation, got.Least)
		}
	}
	silent, err := excerpt(make([]float64, len(dry)), 0).CopyOf(ref)
	if err != nil || !math.IsNaN(float64(silent.Deviation)) {
		t.Errorf("silence: %+v, %v", silent, err)
	}
}
