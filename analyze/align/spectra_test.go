package align

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
)

// TestPhaseTransform checks the transform's kernel for circular delays.
//
// Source: C. H. Knapp, G. C. Carter, The generalized correlation method for
// estimation of time delay, IEEE Trans. ASSP-24(4), 1976: r = IDFT(Y·X*/|Y·X*|).
// The values are the closed form of that sum for a pure delay: sin(πu)/(N
// sin(πu/N)) for odd N and sin(πu)/(N tan(πu/N)) for even N with the Nyquist
// term cos(πd), u = lag − d. The phase transform makes a Nyquist term of
// magnitude one, or zero where it vanishes; the difference is added here.
func TestPhaseTransform(t *testing.T) {
	for _, c := range []struct {
		n                        int
		delay                    float64
		peak                     int
		value, before, after     float64
		parabolicLag, parabolicE float64
	}{
		{64, 5, 5, 1.00000000, 0.00000000, 0.00000000, 5.000000, 0.000000},
		{64, 5.5, 5, 0.63649194, -0.21182296, 0.63649194, 5.500000, 0.000000},
		{1024, 37.25, 37, 0.90031614, -0.18006238, 0.30010491, 37.142857, -0.107143},
		{255, 10.5, 10, 0.63662380, -0.21221867, 0.63662380, 10.500000, 0.000000},
	} {
		r := rand.New(rand.NewPCG(1, uint64(c.n)))
		x := make([]float64, c.n)
		for i := range x {
			x[i] = r.NormFloat64()
		}
		fft := dsp.NewFFT(c.n)
		a := fft.Forward(nil, x)
		b := append([]complex128(nil), a...)
		for k := range b {
			b[k] *= cmplx.Rect(1, -2*math.Pi*float64(k)*c.delay/float64(c.n))
		}
		if c.n%2 == 0 { // a real sequence has a real Nyquist term
			b[c.n/2] = complex(real(a[c.n/2])*math.Cos(math.Pi*c.delay), 0)
			if math.Abs(math.Cos(math.Pi*c.delay)) < 1e-9 {
				b[c.n/2] = 0
			}
		}
		w := whiten(a, b, 0)
		if c.n%2 == 0 {
			w[c.n/2] = complex(math.Cos(math.Pi*c.delay), 0)
		}
		corr := fft.Inverse(nil, w)
		at := top(corr, 0)
		if math.Abs(corr[c.peak]-c.value) > 1e-8 || math.Abs(corr[c.peak-1]-c.before) > 1e-8 || math.Abs(corr[c.peak+1]-c.after) > 1e-8 {
			t.Errorf("n %d, delay %g: %.8f %.8f %.8f", c.n, c.delay, corr[c.peak-1], corr[c.peak], corr[c.peak+1])
		}
		if math.Abs(corr[at]) > corr[c.peak]+1e-9 {
			t.Errorf("n %d, delay %g: peak at %d", c.n, c.delay, at)
		}
		lag := float64(c.peak) + parabola(corr[c.peak-1], corr[c.peak], corr[c.peak+1])
		if math.Abs(lag-c.parabolicLag) > 1e-6 {
			t.Errorf("n %d, delay %g: parabola %.6f, want %.6f", c.n, c.delay, lag, c.parabolicLag)
		}
		// The exact search has not the parabola's bias.
		q := &pair{p: &plan{size: c.n, lo: 0}, step: 1}
		if c.n%2 == 1 {
			if exact, _ := q.refine(w[1:], lag); math.Abs(exact-c.delay) > 0.5 {
				t.Errorf("n %d: refined to %.6f", c.n, exact)
			}
		}
	}
	zero := whiten([]complex128{0, 1}, []complex128{1, 1}, 0)
	if zero[0] != 0 || zero[1] != 1 {
		t.Errorf("a bin without energy became %v", zero[0])
	}
}

// TestRefine: with all bins of a band, the exact search finds a fractional
// delay that a parabola through the samples misses by a tenth of a sample.
func TestRefine(t *testing.T) {
	p := &plan{size: 1024, lo: 10, hi: 400}
	c := make([]complex128, p.hi-p.lo)
	for k := range c {
		c[k] = cmplx.Rect(1, -2*math.Pi*float64(k+p.lo)*37.25/1024)
	}
	q := &pair{p: p, step: 1}
	if lag, v := q.refine(c, 37.14); math.Abs(lag-37.25) > 1e-6 || math.Abs(v-390) > 1e-6 {
		t.Errorf("lag %.8f, value %.8f", lag, v)
	}
}

// TestCoherenceBias: mean of the estimate from n independent segments.
//
// Source: G. C. Carter, C. H. Knapp, A. H. Nuttall, Estimation of the
// magnitude-squared coherence function via overlapped FFT processing, IEEE
// Trans. AU-21(4), 1973: exact mean (form from memory, recomputed).
func TestCoherenceBias(t *testing.T) {
	campaign.Serial(t)
	for _, c := range []struct {
		true float64
		n    int
		mean float64
	}{
		{0, 2, 0.5}, {0, 8, 0.125}, {0, 32, 0.03125}, {0.25, 16, 0.28623576}, {0.5, 8, 0.5353636},
		{0.5, 32, 0.50806033}, {0.9, 8, 0.90160445}, {0.9, 32, 0.90033106}, {0.99, 16, 0.99000713},
	} {
		const rate, runs = 4000, 60
		size := SegmentLength(rate)
		r := rand.New(rand.NewPCG(3, uint64(c.n)))
		sum, square, count := 0.0, 0.0, 0.0
		for range runs {
			a, b := related(r, size*c.n, c.true)
			x, err := NewExcerpt(NewMemory(rate, a), 0, 0, int64(len(a)), c.n)
			if err != nil {
				t.Fatal(err)
			}
			y, err := NewExcerpt(NewMemory(rate, b), 0, 0, int64(len(b)), c.n)
			if err != nil {
				t.Fatal(err)
			}
			if len(x.spectra) != c.n {
				t.Fatalf("%d segments", len(x.spectra))
			}
			for k := 2; k < size/2-1; k += 4 { // bins of a Hann window are related to their neighbours
				v := coherence(x.bin(y, k))
				sum += v
				square += v * v
				count++
			}
		}
		mean := sum / count
		se := math.Sqrt((square/count - mean*mean) / count)
		if math.Abs(mean-c.mean) > 4*se {
			t.Errorf("coherence %g, %d segments: mean %.5f ± %.5f, want %.5f", c.true, c.n, mean, se, c.mean)
		}
	}
}

// related returns two white noises of magnitude-squared coherence c.
func related(r *rand.Rand, n int, c float64) (x, y []float64) {
	x, y = make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
		y[i] = math.Sqrt(c)*x[i] + math.Sqrt(1-c)*r.NormFloat64()
	}
	return x, y
}

func compare(t *testing.T, a, b []float64, lag unit.Samples, polarity int) Likeness {
	t.Helper()
	l, err := excerpts(NewMemory(48000, a), NewMemory(48000, b), lag, polarity, 2000, int64(len(a))-8000)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// excerpts compares b, lag frames later, with a over a stretch of a.
func excerpts(a, b Source, lag unit.Samples, polarity int, from, frames int64) (Likeness, error) {
	x, err := NewExcerpt(a, 0, from, frames, 1<<16)
	if err != nil {
		return Likeness{}, err
	}
	y, err := NewExcerpt(b, lag, from, frames, 1<<16)
	if err != nil {
		return Likeness{}, err
	}
	return x.Compare(y, polarity)
}

func TestCompare(t *testing.T) {
	x := play(riff(7, 3, 0.006), 48000, 3, 0, 0)
	same := compare(t, x, x, 0, 1)
	if !math.IsInf(float64(same.Residual), -1) || same.Gain != 0 || same.Inverted || math.Abs(float64(same.Coherence)-1) > 1e-9 {
		t.Errorf("identical: %+v", same)
	}
	if l := compare(t, x, scaled(x, -0.25), 0, 0); !math.IsInf(float64(l.Residual), -1) || math.Abs(float64(l.Gain)-12.0412) > 1e-3 || !l.Inverted {
		t.Errorf("inverted quarter: %+v", l)
	}
	if l := compare(t, x, scaled(x, -1), 0, 1); l.Residual != 0 || !math.IsInf(float64(l.Gain), -1) || l.Inverted {
		t.Errorf("wrong polarity: %+v", l)
	}
	for _, d := range []float64{300, 300.37, -41.5} {
		l := compare(t, x, delayed(x, d), unit.Samples(d), 1)
		t.Logf("delay %g: null %.1f dB", d, float64(l.Residual))
		if l.Residual > -95 {
			t.Errorf("delay %g: null only %.1f dB", d, float64(l.Residual))
		}
	}
	// A lag wrong by e samples leaves 2πf·e/fs of a sine: 1 kHz, 0.1 sample.
	sine := make([]float64, 48000)
	for i := range sine {
		sine[i] = math.Sin(2 * math.Pi * 1000 * float64(i) / 48000)
	}
	if l, want := compare(t, sine, sine, 0.1, 1), 20*math.Log10(math.Sin(2*math.Pi*1000*0.1/48000)); math.Abs(float64(l.Residual)-want) > 0.01 {
		t.Errorf("0.1 sample off: null %.3f dB, want %.3f", float64(l.Residual), want)
	}
	for name, c := range map[string]Likeness{
		"silent a": compare(t, make([]float64, 48000), sine, 0, 1), "silent b": compare(t, sine, make([]float64, 48000), 0, 1),
	} {
		if !math.IsNaN(float64(c.Residual)) || !math.IsNaN(float64(c.Gain)) || !math.IsNaN(float64(c.Coherence)) {
			t.Errorf("%s: %+v", name, c)
		}
	}
	for name, f := range map[string]func() (Likeness, error){
		"lag": func() (Likeness, error) {
			m := NewMemory(48000, x)
			return excerpts(m, m, unit.Samples(math.NaN()), 1, 0, 9)
		},
		"polarity": func() (Likeness, error) { m := NewMemory(48000, x); return excerpts(m, m, 0, 2, 0, 9000) },
		"frames":   func() (Likeness, error) { m := NewMemory(48000, x); return excerpts(m, m, 0, 1, 0, 0) },
		"reading":  func() (Likeness, error) { m := NewMemory(48000, x); return excerpts(m, broken{m}, 0, 1, 0, 9000) },
	} {
		if _, err := f(); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// TestCoherenceOfNoise: with noise at the output only, C = SNR/(1 + SNR), and
// the best null is C too: the gain that leaves least leaves 1 − C.
//
// Source: J. S. Bendat, A. G. Piersol, Random Data (from memory); recomputed.
func TestCoherenceOfNoise(t *testing.T) {
	campaign.Serial(t)
	for _, c := range []struct{ coherence, snr float64 }{{0.1, -9.5424}, {0.5, 0}, {0.75, 4.7712}, {0.9, 9.5424}, {0.99, 19.9564}, {0.999, 29.9957}} {
		r := rand.New(rand.NewPCG(9, 9))
		n := 48000 * 20
		x, y := make([]float64, n), make([]float64, n)
		g := math.Pow(10, -c.snr/20)
		for i := range x {
			x[i] = r.NormFloat64()
			y[i] = x[i] + g*r.NormFloat64()
		}
		l := compare(t, x, y, 0, 1)
		want := 1/float64(l.Averages) + (1-2/float64(l.Averages))*c.coherence // to first order in 1/n at small C
		if c.coherence > 0.4 {
			want = c.coherence + (1-c.coherence)*(1-c.coherence)/float64(l.Averages)
		}
		if math.Abs(float64(l.Coherence)-want) > 0.002 {
			t.Errorf("SNR %g dB: coherence %.4f, want %.4f", c.snr, float64(l.Coherence), want)
		}
		if null := 10 * math.Log10(1-c.coherence); math.Abs(float64(l.Residual)-null) > 0.05 {
			t.Errorf("SNR %g dB: null %.3f dB, want %.3f", c.snr, float64(l.Residual), null)
		}
	}
}

func TestMemory(t *testing.T) {
	m := NewMemory(48000, []float64{1, 2, 3})
	dst := []float64{9, 9, 9, 9, 9}
	for _, c := range []struct {
		first int64
		n     int
		want  [5]float64
	}{{-1, 3, [5]float64{0, 1, 2, 3, 0}}, {2, 1, [5]float64{3}}, {7, 0, [5]float64{}}, {-9, 0, [5]float64{}}} {
		n, err := m.ReadAt(dst, c.first)
		if n != c.n || err != nil || [5]float64(dst) != c.want {
			t.Errorf("from %d: %d, %v, %v", c.first, n, err, dst)
		}
	}
}

// TestLine: the robust line, by hand.
func TestLine(t *testing.T) {
	var ws []WindowLag
	for i := range 16 {
		w := WindowLag{Time: unit.Seconds(i), Lag: unit.Samples(5 + 0.25*float64(i)), Weight: 1}
		if i == 3 || i == 9 {
			w.Lag += 200
		}
		ws = append(ws, w)
	}
	if l := fit(ws); math.Abs(l.slope-0.25) > 1e-9 || math.Abs(l.at(0)-5) > 1e-9 || l.spread > 1e-9 {
		t.Errorf("%+v", l)
	}
	if got := median([]float64{5, 1, 3, 2}, []float64{1, 1, 1, 1}); got != 2.5 {
		t.Errorf("median %g", got)
	}
	if got := median([]float64{5, 1, 3}, []float64{10, 1, 1}); got != 5 {
		t.Errorf("weighted median %g", got)
	}
}
