package level

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
)

// response is a filter by its analogue transfer function, s in rad/s. The
// formulas here are written apart from those that are fitted: products of poles
// and zeros, not magnitudes.
type response func(s complex128) complex128

// through is x through a response that is applied to the whole recording at
// once, exact at every frequency; a second of silence takes what rings on.
func through(x []float64, h response) []float64 {
	n := dsp.NextPow2(len(x) + rate)
	fft := dsp.NewFFT(n)
	y := make([]float64, n)
	copy(y, x)
	c := fft.Forward(nil, y)
	for k := range c {
		c[k] *= h(complex(0, 2*math.Pi*float64(k)*rate/float64(n)))
	}
	c[0], c[n/2] = 0, complex(real(c[n/2]), 0)
	return fft.Inverse(y, c)[:len(x)]
}

func rad(hz float64) complex128 { return complex(2*math.Pi*hz, 0) }

func lessLow(hz float64) response {
	return func(s complex128) complex128 { return s / (s + rad(hz)) }
}

func lessTreble(hz float64) response {
	return func(s complex128) complex128 { return rad(hz) / (s + rad(hz)) }
}

func flat(complex128) complex128 { return 1 }

func chain(all ...response) response {
	return func(s complex128) complex128 {
		h := complex128(1)
		for _, f := range all {
			h *= f(s)
		}
		return h
	}
}

// shelf is a second-order shelf, peak a bell of quality 1, as in R.
// Bristow-Johnson's Audio EQ Cookbook (analogue prototypes, from memory).
func shelf(hz, db float64, high bool) response {
	a := complex(math.Pow(10, db/40), 0)
	return func(s complex128) complex128 {
		s /= rad(hz)
		if !high {
			s = 1 / s
		}
		r := math.Sqrt2 * cmplx.Sqrt(a) * s
		return a * (a*s*s + r + 1) / (s*s + r + a)
	}
}

func peak(hz, db float64) response {
	a := complex(math.Pow(10, db/40), 0)
	return func(s complex128) complex128 { s /= rad(hz); return (s*s + s*a + 1) / (s*s + s/a + 1) }
}

// dries are what is played into the loops: the riff, noise in strokes, and the
// riff brightened and darkened.
func dries(t testing.TB) map[string][]float64 {
	dry := dryRiff(t)
	rng := rand.New(rand.NewPCG(5, 6))
	noise, bright := make([]float64, len(dry)), make([]float64, len(dry))
	for i := range noise {
		noise[i] = 0.05 * (0.1 + math.Abs(math.Sin(float64(i)/9000))) * rng.NormFloat64()
		if i > 4*rate && i < 5*rate {
			noise[i] *= 1e-3
		}
		if i > 0 {
			bright[i] = dry[i] + 6*(dry[i]-dry[i-1]) + 0.5*dry[i]*rng.NormFloat64()
		}
	}
	return map[string][]float64{"guitar": dry, "noise": noise, "bright": bright, "dark": through(dry, lessTreble(400))}
}

// called writes a shape with each frequency in two digits, and each shelf in 0.1 dB.
func called(shape []finding.Text) string {
	var out []string
	for _, x := range shape {
		hz := float64(x.With["at_hz"].(unit.Number))
		step := math.Pow(10, math.Floor(math.Log10(hz))-1)
		s := strings.TrimPrefix(x.Found, "shape.") + map[bool]string{true: " treble", false: " lows"}[x.With["treble"] == true]
		if by, ok := x.With["by_db"].(unit.Number); ok {
			s += fmt.Sprintf(" %+.1f", float64(by))
		}
		s += fmt.Sprintf(" %g", math.Round(hz/step)*step)
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

// TestShapes sends guitar and noise, and bright and dark material by turns, through loops that are not even, at gains from
// −3 to +3 dB, clean or with hiss of −70 dBFS and hum of −50 dBFS, and asks for
// the gain of the passband within 0.02 dB and within the error that is stated.
// For a bump, a dip or a tilt nothing may be claimed to be separated.
func TestShapes(t *testing.T) {
	if underRace {
		t.Skip("eighty loops are slow under the race detector; TestLevel runs the same code with it")
	}
	tilt := func(s complex128) complex128 { // −1 dB per octave
		return complex(math.Pow(max(1, cmplx.Abs(s))/cmplx.Abs(rad(500)), -1/6.02), 0)
	}
	all := dries(t)
	for i, c := range []struct {
		name      string
		h         response
		separated bool
		shape     string // part of what called makes of it
	}{
		{"flat", flat, true, ""},
		{"treble 2 kHz", lessTreble(2000), true, "first-order treble 2000"},
		{"treble 3 kHz", lessTreble(3000), true, "first-order treble 3000"},
		{"treble 5 kHz", lessTreble(5000), true, "order treble 5000"},
		{"treble 8 kHz", lessTreble(8000), true, "order treble"},
		{"treble 12 kHz", lessTreble(12000), true, "order treble"},
		{"treble twice 5 kHz", chain(lessTreble(5000), lessTreble(5000)), true, "second-order treble 3200"}, // 5·√(√2−1)
		{"treble 5 kHz, Butterworth", func(s complex128) complex128 { s /= rad(5000); return 1 / (s*s + math.Sqrt2*s + 1) }, true, "second-order treble 5000"},
		{"treble 3 kHz, digital", func(s complex128) complex128 { // y += (1−p)(x−y), which falls less towards half the rate
			p := complex(math.Exp(-2*math.Pi*3000/rate), 0)
			return (1 - p) / (1 - p*cmplx.Exp(-s/rate))
		}, true, "order treble"},
		{"treble 5 kHz and a peak far out", chain(lessTreble(5000), peak(17000, 3)), true, "shelf treble"},
		{"lows 20 Hz", lessLow(20), true, "order lows 20"},
		{"lows 50 Hz", lessLow(50), true, "order lows 50"},
		{"lows 100 Hz", lessLow(100), true, "order lows 100"},
		{"lows 150 Hz", lessLow(150), true, "order lows 150"},
		{"lows twice 60 Hz", chain(lessLow(60), lessLow(60)), true, "second-order lows 93"}, // 60/√(√2−1)
		{"lows 150 Hz, treble 3 kHz", chain(lessLow(150), lessTreble(3000)), true, "order lows 150; first-order treble 3000"},
		{"lows 50 Hz, treble 8 kHz", chain(lessLow(50), lessTreble(8000)), true, "; first-order treble"},
		{"shelf +2 dB at 200 Hz", shelf(200, 2, false), true, "shelf lows +2.0 200"},
		{"shelf −2 dB at 200 Hz", shelf(200, -2, false), true, "shelf lows -2.0 200"},
		{"shelf +2 dB at 4 kHz", shelf(4000, 2, true), true, "shelf treble +2"},
		{"shelf −2 dB at 4 kHz", shelf(4000, -2, true), true, ""},
		{"bump of 1 dB at 1 kHz", peak(1000, 1), false, ""},
		{"bump of 0.3 dB at 1 kHz", peak(1000, 0.3), false, ""},
		{"dip of 1 dB at 700 Hz", peak(700, -1), false, ""},
		{"tilt of 1 dB per octave", tilt, false, ""},
		// Not fitted as such; near the middle other shapes explain it.
		{"two shelves", chain(shelf(150, 1, false), shelf(4000, -1, true)), true, "shelf lows +1.0 150"},
	} {
		for k, name := range []string{"guitar", "noise", "bright", "dark"} {
			if k > 1 && (i/2+k)%2 > 0 {
				continue
			}
			t.Run(name+", "+c.name, func(t *testing.T) {
				if k > 0 {
					campaign.Long(t)
				}
				t.Parallel()
				dry := all[name]
				l := loop{gain: -3 + float64((5*i+2*k)%13)/2, lag: 40, noise: -100}
				if (i+k)%2 == 0 {
					l.noise, l.hum = -70, -50
				}
				r := compare(t, dry, l.run(through(dry, c.h)))
				off := math.Abs(float64(r.Level) - l.gain)
				t.Logf("gain %+.1f dB, noise %v: off by %.3f ± %.3f dB, octaves by %+.3f; separated %v, %s", l.gain, l.noise, float64(r.Level)-l.gain, float64(r.LevelError), float64(r.Middle)-l.gain, r.Separated, called(r.Shape))
				if !r.Certain || off > float64(r.LevelError) {
					t.Errorf("certain %v; off by more than is stated", r.Certain)
				}
				if c.separated && (!r.Separated || off > 0.02 || r.LevelError > 0.05) {
					t.Error("not separated within 0.02 dB")
				}
				if c.separated && name != "dark" && (!strings.Contains(called(r.Shape), c.shape) || (c.name == "flat") != (len(r.Shape) == 0)) {
					t.Errorf("the shape is %q, want %q", called(r.Shape), c.shape)
				}
				if !c.separated && (r.Separated || r.Level != r.Middle) {
					t.Errorf("claims to have separated %v", r.Shape)
				}
				text := fmt.Sprint(r.Warnings)
				if !c.separated && !strings.Contains(text, "loop.uneven") {
					t.Errorf("does not say that nothing was separated: %q", r.Warnings)
				}
				if differ := math.Abs(float64(r.Level-r.Middle)) > 0.02; differ && !strings.Contains(text, fmt.Sprint("middle_db:", finding.Say("", "m", r.Middle).With["m"])) {
					t.Errorf("does not say what the octaves return: %q", r.Warnings)
				}
			})
		}
	}
}
