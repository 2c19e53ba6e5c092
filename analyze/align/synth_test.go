package align

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"sync"

	"evenhand/analyze/internal/dsp"
)

// note is one plucked string of a test riff.
type note struct {
	at, freq, level, decay float64
	seed                   uint64
}

// riff writes notes with human timing: mostly eighths at a tempo, some chords
// and pauses. Deviations of the onsets have the given rms in seconds.
func riff(seed uint64, seconds, deviation float64) []note {
	r := rand.New(rand.NewPCG(seed, 1))
	var out []note
	strings := []float64{61.735, 82.407, 110, 146.83, 185, 246.94} // B1 E2 A2 D3 F#3 B3
	eighth := 0.21
	for t := 0.3; t < seconds-0.5; t += eighth {
		switch k := r.IntN(10); {
		case k < 2: // rest
		case k < 4: // chord
			fret := math.Pow(2, float64(r.IntN(6))/12)
			for s := range 4 {
				out = append(out, note{t + 0.006*float64(s) + deviation*r.NormFloat64(), strings[s] * fret, 0.2 + 0.1*r.Float64(), 1.1, r.Uint64()})
			}
		default:
			out = append(out, note{t + deviation*r.NormFloat64(), strings[r.IntN(3)] * math.Pow(2, float64(r.IntN(8))/12), 0.3 + 0.4*r.Float64(), 0.3 + 0.5*r.Float64(), r.Uint64()})
		}
		if r.IntN(25) == 0 {
			t += 1.2 // pause
		}
	}
	return out
}

// replayed returns the notes as another pass: onsets moved by a normal
// deviation of the given rms and every pluck with its own phases and level.
func replayed(notes []note, seed uint64, jitter float64) []note {
	r := rand.New(rand.NewPCG(seed, 2))
	out := append([]note(nil), notes...)
	for i := range out {
		out[i].at += jitter * r.NormFloat64()
		out[i].level *= 0.8 + 0.4*r.Float64()
		out[i].freq *= 1 + 0.0007*r.NormFloat64()
		out[i].seed = r.Uint64()
	}
	return out
}

// play synthesizes the notes: stretched partials with a pick's comb, each
// decaying the faster the higher it is. The clock runs ppm slow, and the whole
// begins delay frames later.
func play(notes []note, rate int, seconds, delay, ppm float64) []float64 {
	x := make([]float64, int(seconds*float64(rate)))
	fs := float64(rate) * (1 + ppm*1e-6)
	for _, n := range notes {
		r := rand.New(rand.NewPCG(n.seed, 3))
		pick := 0.1 + 0.1*r.Float64()
		onset := n.at*fs + delay
		first := max(0, int(math.Ceil(onset)))
		for k := 1.0; k <= 16; k++ {
			f := n.freq * k * math.Sqrt(1+4e-5*k*k)
			if f > 7000 {
				break
			}
			tau := n.decay / (1 + 0.12*k)
			last := min(len(x), int(onset+4.5*tau*fs))
			if first >= last {
				continue
			}
			amp := n.level / math.Pow(k, 0.9) * math.Sin(math.Pi*k*pick)
			step := cmplx.Rect(math.Exp(-1/(tau*fs)), 2*math.Pi*f/fs)
			z := cmplx.Rect(amp, 0) * cmplx.Exp(complex(-1/(tau*fs), 2*math.Pi*f/fs)*complex(float64(first)-onset, 0)) * cmplx.Rect(1, 0.6*r.Float64())
			for i := first; i < last; i++ {
				v := imag(z)
				if rise := (float64(i) - onset) / (0.001 * fs); rise < 1 { // the pick lets go within 1 ms
					v *= rise
				}
				x[i] += v
				z *= step
			}
		}
	}
	return x
}

// low is the sample rate of the tests in which the rate does not matter: it
// holds the whole band of the fine search and is quick.
const low = 16000

var dry = sync.OnceValue(func() []float64 { return play(riff(7, 20, 0.006), low, 20, 0, 0) })

// delayed returns x later by d frames, exactly for band-limited x.
func delayed(x []float64, d float64) []float64 {
	n := dsp.NextPow2(len(x) + int(math.Abs(d)) + 4096)
	fft := dsp.NewFFT(n)
	p := make([]float64, n)
	copy(p, x)
	c := fft.Forward(nil, p)
	for k := range c {
		c[k] *= cmplx.Rect(1, -2*math.Pi*float64(k)*d/float64(n))
	}
	return fft.Inverse(p, c)[:len(x)]
}

func scaled(x []float64, g float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = g * v
	}
	return y
}

func driven(x []float64, g float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = 0.5 * math.Tanh(g*v)
	}
	return y
}

// onePole is a first-order low-pass.
func onePole(x []float64, rate int, corner float64) []float64 {
	a := math.Exp(-2 * math.Pi * corner / float64(rate))
	y := make([]float64, len(x))
	s := 0.0
	for i, v := range x {
		s = (1-a)*v + a*s
		y[i] = s
	}
	return y
}

// biquad filters in place.
func biquad(x []float64, b0, b1, b2, a0, a1, a2 float64) {
	var x1, x2, y1, y2 float64
	for i, v := range x {
		y := (b0*v + b1*x1 + b2*x2 - a1*y1 - a2*y2) / a0
		x2, x1, y2, y1 = x1, v, y1, y
		x[i] = y
	}
}

// peaking boosts or cuts around a frequency, the bilinear second-order bell.
func peaking(x []float64, rate int, f, q, db float64) {
	w, a := 2*math.Pi*f/float64(rate), math.Pow(10, db/40)
	al := math.Sin(w) / (2 * q)
	biquad(x, 1+al*a, -2*math.Cos(w), 1-al*a, 1+al/a, -2*math.Cos(w), 1-al/a)
}

func pass(x []float64, rate int, f, q float64, high bool) {
	w := 2 * math.Pi * f / float64(rate)
	c, al := math.Cos(w), math.Sin(w)/(2*q)
	if high {
		biquad(x, (1+c)/2, -(1 + c), (1+c)/2, 1+al, -2*c, 1-al)
		return
	}
	biquad(x, (1-c)/2, 1-c, (1-c)/2, 1+al, -2*c, 1-al)
}

// cabinet is a loudspeaker-like response: 90 Hz second-order high-pass with a
// resonance, a broad dip at 450 Hz, a presence peak, a steep 5 kHz low-pass
// and two short reflections.
func cabinet(x []float64, rate int) []float64 {
	y := append([]float64(nil), x...)
	pass(y, rate, 90, 1.2, true)
	peaking(y, rate, 120, 2, 5)
	peaking(y, rate, 450, 0.8, -5)
	peaking(y, rate, 2600, 1.5, 9)
	pass(y, rate, 4800, 0.9, false)
	pass(y, rate, 5200, 0.7, false)
	z := append([]float64(nil), y...)
	for i := range z {
		for _, e := range [2][2]float64{{0.0011, -0.25}, {0.0027, 0.18}} {
			if j := i - int(e[0]*float64(rate)); j >= 0 {
				z[i] += e[1] * y[j]
			}
		}
	}
	return z
}

// toneStack is a scooped tone control.
func toneStack(x []float64, rate int, mid float64) []float64 {
	y := append([]float64(nil), x...)
	peaking(y, rate, 600, 0.6, mid)
	pass(y, rate, 70, 0.7, true)
	return y
}

// hissy adds white noise at db below the signal's rms.
func hissy(x []float64, seed uint64, db float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 4))
	s := math.Sqrt(dsp.MeanSquare(x)) * math.Pow(10, db/20)
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v + s*r.NormFloat64()
	}
	return y
}
