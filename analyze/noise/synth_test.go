package noise

import (
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

const testRate = 48000

// clip is a recording under construction, one channel.
type clip struct {
	x   []float64
	rng *rand.Rand
}

func newClip(seconds float64, seed uint64) *clip {
	return &clip{make([]float64, int(seconds*testRate)), rand.New(rand.NewPCG(seed, 99))}
}

func at(s float64) int { return int(math.Round(s * testRate)) }

// white adds Gaussian noise of the given rms level.
func (c *clip) white(db float64) *clip {
	a := unit.ToAmplitude(db)
	for i := range c.x {
		c.x[i] += a * c.rng.NormFloat64()
	}
	return c
}

// pink adds noise whose density falls 3 dB an octave above 10 Hz, with the
// given level in 20 Hz to 20 kHz, shaped by FFT, and returns c.
func (c *clip) pink(db float64) *clip {
	n := dsp.NextPow2(len(c.x))
	f := dsp.NewFFT(n)
	w := make([]float64, n)
	for i := range w {
		w[i] = c.rng.NormFloat64()
	}
	s := f.Forward(nil, w)
	power := 0.0
	for k := range s {
		hz := float64(k) * testRate / float64(n)
		g := 1 / math.Sqrt(math.Max(hz, 10))
		s[k] *= complex(g, 0)
		if hz >= 20 && hz < 20000 {
			power += g * g * 2 / float64(n)
		}
	}
	w = f.Inverse(w, s)
	a := unit.ToAmplitude(db) / math.Sqrt(power)
	for i := range c.x {
		c.x[i] += a * w[i]
	}
	return c
}

// line adds a sine of the given rms level.
func (c *clip) line(hz, db float64) *clip {
	z := cmplx.Rect(unit.ToAmplitude(db)*math.Sqrt2, c.rng.Float64()*2*math.Pi)
	turn := cmplx.Rect(1, 2*math.Pi*hz/testRate)
	for i := range c.x {
		c.x[i] += real(z)
		z *= turn
	}
	return c
}

// hum adds levels[k−1] dB rms at multiples k of the mains frequency.
func (c *clip) hum(mains float64, levels ...float64) *clip {
	for k, l := range levels {
		if !math.IsInf(l, -1) {
			c.line(mains*float64(k+1), l)
		}
	}
	return c
}

// note adds a plucked tone of many harmonics from one time on, peak −12 dBFS,
// that decays by the given dB/s and is stopped at another time within release
// seconds (60 dB).
func (c *clip) note(hz, from, stop, decay, release float64) *clip {
	var turn, z [30]complex128
	top := 1
	for ; top < 30 && float64(top)*hz < 8000; top++ {
		k := float64(top)
		turn[top] = cmplx.Rect(1, 2*math.Pi*hz*k*(1+1e-5*k*k)/testRate)
		z[top] = cmplx.Rect(1/k, k)
	}
	for i := at(from); i < len(c.x); i++ {
		t := float64(i)/testRate - from
		g := -decay * t
		if u := float64(i)/testRate - stop; u > 0 {
			g -= 60 * u / release
		}
		if g < -160 {
			break
		}
		v := 0.0
		for k := 1; k < top; k++ {
			v += imag(z[k])
			z[k] *= turn[k]
		}
		c.x[i] += 0.12 * math.Min(1, t/0.003) * unit.ToAmplitude(g) * v
	}
	return c
}

func (c *clip) each(f func(v float64) float64) *clip {
	for i, v := range c.x {
		c.x[i] = f(v)
	}
	return c
}

// lowpass is one pole.
func (c *clip) lowpass(hz float64) *clip {
	a, y := 1-math.Exp(-2*math.Pi*hz/testRate), 0.0
	return c.each(func(v float64) float64 { y += a * (v - y); return y })
}

func (c *clip) quantise(bits int, dither bool) *clip {
	q := math.Pow(2, float64(1-bits))
	return c.each(func(v float64) float64 {
		d := 0.0
		if dither {
			d = (c.rng.Float64() - c.rng.Float64()) * q
		}
		return math.Round((v+d)/q) * q
	})
}

// gate multiplies by a closing gain: from each time in closes, the gain falls
// by depth dB over release seconds, linearly in dB, until the time in opens.
func (c *clip) gate(depth, release float64, closes, opens []float64) *clip {
	for j := range closes {
		for i := at(closes[j]); i < min(at(opens[j]), len(c.x)); i++ {
			u := math.Min(1, (float64(i)/testRate-closes[j])/release)
			if d := depth * u; d > 0 { // not so for Inf·0
				c.x[i] *= unit.ToAmplitude(-d)
			}
		}
	}
	return c
}

// measure runs a Meter over channels in blocks of the given length.
func measure(t testing.TB, x [][]float64, pauses []Stretch, p Params, block int) Result {
	t.Helper()
	m, err := NewMeter(testRate, len(x), pauses, p)
	if err != nil {
		t.Fatal(err)
	}
	for o := 0; o < len(x[0]); o += block {
		b := make([][]float64, len(x))
		for c := range b {
			b[c] = x[c][o:min(o+block, len(x[c]))]
		}
		if err := m.Write(b); err != nil {
			t.Fatal(err)
		}
	}
	return m.Finish()
}

func (c *clip) measure(t testing.TB, p Params, pauses ...Stretch) Result {
	t.Helper()
	return measure(t, [][]float64{c.x}, pauses, p, 4096)
}

// stretch is from and to in seconds.
func stretch(from, to float64) Stretch {
	return Stretch{int64(at(from)), int64(at(to) - at(from))}
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.3f, want %.3f ± %.2f", what, got, want, tol)
	}
}

type memory []float64

func (m memory) ReadAt(dst []float64, first int64) (int, error) {
	if first < 0 {
		return 0, fmt.Errorf("frame %d", first)
	}
	if first >= int64(len(m)) {
		return 0, io.EOF
	}
	n := copy(dst, m[first:])
	if n < len(dst) {
		return n, io.EOF
	}
	return n, nil
}
