package studio

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/unit"
)

// spectrum is the amplitude of the first half of x's bins; len(x) is a power
// of two.
func spectrum(x []float64) []float64 {
	n := len(x)
	z := make([]complex128, n)
	twiddle := make([]complex128, n/2)
	for i, v := range x {
		z[i] = complex(v, 0)
	}
	for i := range twiddle {
		twiddle[i] = cmplx.Rect(1, -2*math.Pi*float64(i)/float64(n))
	}
	forward(z, twiddle)
	out := make([]float64, n/2)
	for i := range out {
		out[i] = 2 * cmplx.Abs(z[reversed(i, n)]) / float64(n)
	}
	return out
}

// demodulate is the complex amplitude of x at hz, by a Hann-windowed sum.
func demodulate(x []float64, hz, rate float64) complex128 {
	var sum complex128
	for i, v := range x {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(len(x)))
		sum += cmplx.Rect(4*v*w/float64(len(x)), -2*math.Pi*hz*float64(i)/rate)
	}
	return sum
}

// noise is uniform in ±1.
func noise(n int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = 2*rng.Float64() - 1
	}
	return x
}

func TestForwardIsTheDefinition(t *testing.T) {
	const n = 64
	x := noise(n, 1)
	got := spectrum(x)
	for k := range got {
		var want complex128
		for i, v := range x {
			want += cmplx.Rect(v, -2*math.Pi*float64(i*k)/n)
		}
		if d := got[k] - 2*cmplx.Abs(want)/n; math.Abs(d) > 1e-12 {
			t.Errorf("bin %d: off by %g", k, d)
		}
	}
}

func TestConvolverIsTheDefinition(t *testing.T) {
	x, left, right := noise(15000, 2), noise(1983, 3), noise(1983, 4)
	c := newConvolver(left, right)
	gotLeft, gotRight := make([]float64, len(x)), make([]float64, len(x))
	for at := 0; at < len(x); at += 4001 { // blocks of any length up to hop
		end := min(at+4001, len(x))
		c.run(gotLeft[at:end], gotRight[at:end], x[at:end])
	}
	wantLeft, wantRight := convolve(x, left), convolve(x, right)
	for i := range x {
		if math.Abs(gotLeft[i]-wantLeft[i]) > 1e-10 || math.Abs(gotRight[i]-wantRight[i]) > 1e-10 {
			t.Fatalf("frame %d: got %g, %g, want %g, %g", i, gotLeft[i], gotRight[i], wantLeft[i], wantRight[i])
		}
	}
}

// TestFractionalDelay checks gain and phase against the ideal delay.
func TestFractionalDelay(t *testing.T) {
	for _, frac := range []float64{0, 0.1, 0.5, 0.75, 0.999} {
		h := fractionalDelay(frac)
		for _, f := range []float64{0.001, 0.05, 0.2, 0.35, 0.4} {
			var got complex128
			for i, v := range h {
				got += cmplx.Rect(v, -2*math.Pi*f*float64(i))
			}
			want := cmplx.Rect(1, -2*math.Pi*f*(delayCentre+frac))
			if d := cmplx.Abs(got - want); d > 2e-4 {
				t.Errorf("delay %g at %g of the rate: off by %.2g", frac, f, d)
			}
		}
	}
}

// TestOversamplerIsTransparent: with nothing in between, the way up and down is
// a delay of the stated length and nothing else up to 16 kHz.
func TestOversamplerIsTransparent(t *testing.T) {
	const rate = 48000.0
	for _, stages := range []int{2, 3} {
		for _, hz := range []float64{100, 1000, 5000, 10000, 16000} {
			o := newOversampler(stages)
			x := make([]float64, 8192)
			for i := range x {
				x[i] = math.Cos(2 * math.Pi * hz * float64(i) / rate)
			}
			o.run(x, func([]float64) {})
			got := demodulate(x[2048:], hz, rate)
			want := cmplx.Rect(1, 2*math.Pi*hz/rate*(2048-o.delay()))
			if d := cmplx.Abs(got - want); d > 5e-4 {
				t.Errorf("%d stages, %g Hz: off by %.2g (gain %.6f)", stages, hz, d, cmplx.Abs(got))
			}
		}
	}
}

// TestAliasing sends a tone at 3.1 kHz and −12 dBFS, more treble than any
// string here has, through each circuit. Its harmonics fall on multiples of its
// bin; all the rest is folded. It counts below 16 kHz: from there to half the
// rate the filters are in transition, and the cabinet lets nothing through. The
// limit is 70 dB below the fundamental for
// every circuit; without oversampling each is at least 30 dB worse.
func TestAliasing(t *testing.T) {
	const n, bin, rate = 16384, 1061, 48000
	worst := func(out []float64) float64 {
		s := spectrum(out)
		folded := 0.0
		for k := 1; k < n*16/48; k++ {
			if k%bin != 0 {
				folded = max(folded, s[k])
			}
		}
		return unit.FromAmplitude(folded / s[bin])
	}
	tone := func() []float64 {
		x := make([]float64, 2*n)
		for i := range x {
			x[i] = 0.25 * math.Cos(2*math.Pi*float64(bin*i)/n)
		}
		return x
	}
	for _, c := range Circuits() {
		if c.Curve == Sagging {
			c.Curve = Leaning // a bias that still moves is no steady spectrum; its curves are the softest
		}
		drive := unit.ToAmplitude(float64(c.Drive))
		x := tone()
		newOversampler(3).run(x, c.Curve.shaper(8*rate, drive))
		over := worst(x[n:])
		x = tone()
		c.Curve.shaper(rate, drive)(x)
		plain := worst(x[n:])
		t.Logf("%s: %.1f dB, without oversampling %.1f dB", c.Name, over, plain)
		if over > -70 || over > plain-30 {
			t.Errorf("%s: folded products at %.1f dB, without oversampling %.1f dB", c.Name, over, plain)
		}
	}
}

func TestNoiseLevels(t *testing.T) {
	x := make([]float64, 480000)
	newHiss(1, 2).add(x, 0.01)
	if got := level(x); math.Abs(float64(got)+40) > 0.03 {
		t.Errorf("hiss of −40 dBFS measures %.3f", float64(got))
	}
	// White: the same power in each eighth of the spectrum, within 4 standard
	// deviations of a sum of 1024 exponential variables.
	s := spectrum(x[:16384])
	var total float64
	var parts [8]float64
	for k, a := range s {
		parts[k*8/len(s)] += a * a
		total += a * a
	}
	for i, p := range parts {
		if r := 8 * p / total; math.Abs(r-1) > 4/math.Sqrt(1024) {
			t.Errorf("eighth %d holds %.3f of the mean", i, r)
		}
	}
	for _, harmonics := range [][]float64{pickedUp(), rectified()} {
		x := make([]float64, 48000)
		newHum(48000, mainsHz, harmonics).add(x, 0.001)
		if got := level(x); math.Abs(float64(got)+60) > 1e-9 {
			t.Errorf("hum of −60 dBFS measures %.6f", float64(got))
		}
	}
}

// TestFilters checks gains that the filters' definitions fix.
func TestFilters(t *testing.T) {
	gain := func(f Filter, hz float64) float64 {
		b := f.design(48000)
		z := cmplx.Rect(1, -2*math.Pi*hz/48000)
		return unit.FromAmplitude(cmplx.Abs((complex(b.b0, 0) + complex(b.b1, 0)*z + complex(b.b2, 0)*z*z) /
			(1 + complex(b.a1, 0)*z + complex(b.a2, 0)*z*z)))
	}
	half := math.Sqrt2 / 2
	for _, c := range []struct {
		filter   Filter
		hz, want float64
	}{
		{Filter{LowPass, 1000, half, 0}, 1, 0},
		{Filter{LowPass, 1000, half, 0}, 1000, -3.0103},
		{Filter{HighPass, 1000, 2, 0}, 1000, 6.0206},
		{Filter{HighPass, 1000, half, 0}, 23999, 0},
		{Filter{Peak, 1000, 1, -7}, 1000, -7},
		{Filter{Peak, 1000, 1, -7}, 1, 0},
		{Filter{LowShelf, 1000, half, 6}, 1, 6},
		{Filter{LowShelf, 1000, half, 6}, 1000, 3},
		{Filter{LowShelf, 1000, half, 6}, 23999, 0},
		{Filter{HighShelf, 1000, half, -4}, 1, 0},
		{Filter{HighShelf, 1000, half, -4}, 1000, -2},
		{Filter{HighShelf, 1000, half, -4}, 23999, -4},
	} {
		if got := gain(c.filter, c.hz); math.Abs(got-c.want) > 0.001 {
			t.Errorf("%v at %g Hz: %.4f dB, want %.4f", c.filter, c.hz, got, c.want)
		}
	}
}

// TestCabinet: a resonance between 90 and 110 Hz, 24 dB per octave above
// 5 kHz (the microphones' own filters add or take little), nothing before the
// sound arrives, and an end without a step.
func TestCabinet(t *testing.T) {
	for _, rate := range []int{44100, 48000} {
		for _, m := range append([]Microphone{dynamicCapEdge(), ribbonOffAxis()}, positions()...) {
			h := Cabinet(rate, m)
			if last := math.Abs(h[len(h)-1]); last > 1e-6 {
				t.Errorf("%s, %d Hz: ends at %g", m.Name, rate, last)
			}
			for i := range int(m.Delay*float64(rate)) - delayCentre - 1 {
				if h[i] != 0 {
					t.Errorf("%s, %d Hz: sound %d frames after the start, before it can arrive", m.Name, rate, i)
					break
				}
			}
			gain := func(hz float64) float64 {
				var sum complex128
				for i, v := range h {
					sum += cmplx.Rect(v, -2*math.Pi*hz*float64(i)/float64(rate))
				}
				return unit.FromAmplitude(cmplx.Abs(sum))
			}
			best, at := math.Inf(-1), 0.0
			for hz := 50.0; hz < 170; hz++ {
				if g := gain(hz); g > best {
					best, at = g, hz
				}
			}
			if at < 90 || at > 110 {
				t.Errorf("%s, %d Hz: low resonance at %g Hz", m.Name, rate, at)
			}
			if len(m.Echoes) > 2 {
				continue // the room's reflections comb the treble
			}
			if fall := gain(6000) - gain(12000); fall < 20 || fall > 36 {
				t.Errorf("%s, %d Hz: falls %.1f dB from 6 to 12 kHz", m.Name, rate, fall)
			}
		}
	}
}

// TestSlowed: a sine on a slower clock is a sine of a lower frequency.
func TestSlowed(t *testing.T) {
	const rate, hz, ppm = 48000, 3000.0, 40.0
	x := make([]float64, 4*rate)
	for i := range x {
		x[i] = math.Sin(2 * math.Pi * hz * float64(i) / rate)
	}
	for i, got := range Slowed(x, ppm)[100 : len(x)-100] {
		want := math.Sin(2 * math.Pi * hz * (1 - ppm*1e-6) * float64(i+100) / rate)
		if math.Abs(got-want) > 1e-3 {
			t.Fatalf("frame %d: %v, want %v", i+100, got, want)
		}
	}
}
