package loudness

import (
	"fmt"
	"math"
	"testing"
)

// ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2 (valid at 48 kHz).
func TestKWeightingCoefficients48k(t *testing.T) {
	shelf, pass := kWeighting(48000)
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"stage 1 b0", shelf.b0, 1.53512485958697},
		{"stage 1 b1", shelf.b1, -2.69169618940638},
		{"stage 1 b2", shelf.b2, 1.19839281085285},
		{"stage 1 a1", shelf.a1, -1.69065929318241},
		{"stage 1 a2", shelf.a2, 0.73248077421585},
		{"stage 2 b0", pass.b0, 1},
		{"stage 2 b1", pass.b1, -2},
		{"stage 2 b2", pass.b2, 1},
		{"stage 2 a1", pass.a1, -1.99004745483398},
		{"stage 2 a2", pass.a2, 0.99007225036621},
	} {
		if d := math.Abs(c.got - c.want); !(d <= 1e-12) {
			t.Errorf("%s = %.15f, want %.15f", c.name, c.got, c.want)
		}
	}
}

// Coefficients recomputed from the prototype in double precision by an
// independent program; the denominators and the shelf only, as that program
// keeps the pass stage's numerator at 1, −2, 1.
func TestKWeightingCoefficientsOtherRates(t *testing.T) {
	for _, c := range []struct {
		rate float64
		want [7]float64 // shelf b0 b1 b2 a1 a2, pass a1 a2
	}{
		{32000, [7]float64{1.51117789956876, -2.46488941336014, 1.0416332735223, -1.53904509625064, 0.626966855981559, -1.98508966898869, 0.985145320669552}},
		{192000, [7]float64{1.57222721509128, -3.04728305156155, 1.47797134097961, -1.92220223060749, 0.925117735116826, -1.9975072228407, 0.99750877835551}},
	} {
		s, p := kWeighting(c.rate)
		for i, got := range []float64{s.b0, s.b1, s.b2, s.a1, s.a2, p.a1, p.a2} {
			if !(math.Abs(got-c.want[i]) <= 1e-12) {
				t.Errorf("%v Hz, coefficient %d = %.15f, want %.15f", c.rate, i, got, c.want[i])
			}
		}
	}
}

func (b biquad) dB(f, rate float64) float64 { return 10 * math.Log10(b.power(f, rate)) }

// Response computed from the printed coefficients of BS.1770-5 Tables 1 and 2
// by an independent program, printed to 0.0001 dB.
func TestKWeightingResponse48k(t *testing.T) {
	shelf, pass := kWeighting(48000)
	for _, c := range [][2]float64{
		{20, -13.2754}, {25, -10.3928}, {31.5, -7.7900}, {40, -5.5669}, {50, -3.9341}, {63, -2.6639}, {80, -1.7318},
		{100, -1.1335}, {125, -0.7278}, {160, -0.4350}, {200, -0.2649}, {250, -0.1529}, {315, -0.0750}, {400, -0.0148},
		{500, 0.0425}, {630, 0.1342}, {800, 0.3275}, {997, 0.6910}, {1000, 0.6977}, {1250, 1.3417}, {1600, 2.2904},
		{2000, 3.0713}, {2500, 3.5798}, {3150, 3.8482}, {4000, 3.9680}, {5000, 4.0134}, {6300, 4.0321}, {8000, 4.0394},
		{10000, 4.0419}, {12500, 4.0428}, {16000, 4.0431}, {20000, 4.0431},
	} {
		if got := shelf.dB(c[0], 48000) + pass.dB(c[0], 48000); !(math.Abs(got-c[1]) <= 6e-5) {
			t.Errorf("%v Hz: %.4f dB, want %.4f", c[0], got, c[1])
		}
		if got := 10 * math.Log10(KPower(c[0])); !(math.Abs(got-c[1]) <= 6e-5) {
			t.Errorf("%v Hz: a power of %.4f dB, want %.4f", c[0], got, c[1])
		}
	}
}

// Response less that at 48 kHz, with the scaled numerator; an independent
// program's values, printed to 0.0001 dB.
func TestKWeightingResponseOtherRates(t *testing.T) {
	s48, p48 := kWeighting(48000)
	for _, c := range []struct {
		rate float64
		diff map[float64]float64
	}{
		{32000, map[float64]float64{25: 0, 40: 0, 63: 0, 100: 0, 200: 0, 500: -0.0009, 997: -0.0072, 1000: -0.0072, 2000: 0.0062, 4000: 0.0070, 8000: 0.0015, 10000: 0.0008, 12500: 0.0003}},
		{192000, map[float64]float64{25: 0, 40: 0, 63: 0, 100: 0, 200: 0, 500: 0.0006, 997: 0.0054, 1000: 0.0054, 2000: -0.0046, 4000: -0.0055, 8000: -0.0015, 10000: -0.0009, 12500: -0.0005, 16000: -0.0003, 20000: -0.0001}},
	} {
		s, p := kWeighting(c.rate)
		for f, want := range c.diff {
			got := s.dB(f, c.rate) + p.dB(f, c.rate) - s48.dB(f, 48000) - p48.dB(f, 48000)
			if !(math.Abs(got-want) <= 6e-5) {
				t.Errorf("%v Hz at %v Hz: %+.4f dB from 48 kHz, want %+.4f", f, c.rate, got, want)
			}
		}
	}
}

// The state equations that are run must be the two sections in cascade.
func TestKFilterIsTheCascade(t *testing.T) {
	for _, rate := range []float64{8000, 44100, 48000, 384000} {
		t.Run(fmt.Sprint(rate), func(t *testing.T) {
			x := noise(int(rate), 1, 0.5, 0.3)[0]
			s, p := kWeighting(rate)
			var want float64
			y := p.direct(s.direct(x))
			for _, v := range y {
				want += v * v
			}
			k := newKFilter(rate)
			var c channel
			k.run(&c, x)
			if d := math.Abs(c.weighted/want - 1); !(d < 1e-10) {
				t.Errorf("energy differs by %.2g", d)
			}
		})
	}
}

// direct runs the difference equation as it stands.
func (b biquad) direct(x []float64) []float64 {
	y := make([]float64, len(x))
	at := func(v []float64, i int) float64 {
		if i < 0 {
			return 0
		}
		return v[i]
	}
	for i := range x {
		y[i] = b.b0*x[i] + b.b1*at(x, i-1) + b.b2*at(x, i-2) - b.a1*at(y, i-1) - b.a2*at(y, i-2)
	}
	return y
}

// Silence after signal must not leave the filter in subnormal numbers.
func TestKFilterSettlesToZero(t *testing.T) {
	m, _ := NewMeter(48000, 1)
	x := noise(48000, 1, 0.5, 0.3)
	writeBlocks(t, m, x, 4096)
	writeBlocks(t, m, [][]float64{make([]float64, 48000*3)}, 4096)
	if c := m.channels[0]; c.s1 != 0 || c.s2 != 0 || c.t1 != 0 || c.t2 != 0 {
		t.Errorf("filter memory %v %v %v %v after 3 s of silence", c.s1, c.s2, c.t1, c.t2)
	}
}
