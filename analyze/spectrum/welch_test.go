package spectrum

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
	"evenhand/analyze/weighting"
)

func white(seed uint64, channels, frames int) [][]float64 {
	r := rand.New(rand.NewPCG(seed, 3))
	x := make([][]float64, channels)
	for c := range x {
		x[c] = make([]float64, frames)
		for i := range x[c] {
			x[c][i] = 0.1 * r.NormFloat64()
		}
	}
	return x
}

// estimate writes x in blocks of the given size.
func estimate(t testing.TB, rate int, p Params, x [][]float64, size int, spans ...[]Range) []PSD {
	t.Helper()
	w, err := NewWelch(rate, len(x), p)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range spans {
		if err := w.TrackUnion(s...); err != nil {
			t.Fatal(err)
		}
	}
	for at := 0; at < len(x[0]); at += size {
		block := make([][]float64, len(x))
		for c := range x {
			block[c] = x[c][at:min(at+size, len(x[c]))]
		}
		if err := w.Write(block); err != nil {
			t.Fatal(err)
		}
	}
	return w.Finish()
}

func whole(x [][]float64) []Range { return []Range{{0, int64(len(x[0]))}} }

// scipy 1.10.1, signal.welch with the parameters in the file's first line.
func TestAgainstScipy(t *testing.T) {
	const rate, n = 44100, 5000
	x := [][]float64{make([]float64, n), make([]float64, n)}
	state := int64(12345)
	for c := range x {
		for i := range x[c] {
			state = (1103515245*state + 12345) % (1 << 31)
			x[c][i] = 0.1 * (float64(state)/(1<<30) - 1)
		}
	}
	for i := range n {
		x[0][i] += 0.5*math.Sin(2*math.Pi*997*float64(i)/rate) + 0.01
		x[1][i] += 0.25 * math.Cos(2*math.Pi*5000*float64(i)/rate)
	}
	rows := table(t, "testdata/scipy_welch.csv", "bin", "density")
	got := estimate(t, rate, Params{1024, 512}, x, 1000, whole(x))[0]
	if len(rows) != 513 || len(got.Density) != 513 {
		t.Fatalf("got %d bins and %d rows, want 513", len(got.Density), len(rows))
	}
	if got.Segments != 8 {
		t.Errorf("got %d segments, want 8", got.Segments)
	}
	worst := 0.0
	for k, r := range rows {
		worst = math.Max(worst, math.Abs(got.Density[k]/r[1]-1))
	}
	t.Logf("greatest relative deviation %.2g", worst)
	if !(worst < 1e-10) {
		t.Errorf("greatest relative deviation is %g", worst)
	}
}

// Periodic Hann, worked by scipy.signal.welch and by hand: a sine of amplitude A
// on a bin has the density (A²/2)/(1.5·df) there, a quarter beside it, and the
// power A²/2. Mark C.
func TestWorkedSines(t *testing.T) {
	for _, r := range table(t, "testdata/welch_worked.csv", "fs", "n", "bin", "amplitude", "df_hz", "spectrum_peak", "spectrum_before", "spectrum_after", "density_peak", "band_power") {
		rate, n, bin := int(r[0]), int(r[1]), int(r[2])
		x := [][]float64{make([]float64, 5*n)}
		for i := range x[0] {
			x[0][i] = r[3] * math.Sin(2*math.Pi*float64(bin)*float64(i)/float64(n)+0.3)
		}
		p := estimate(t, rate, Params{n, n / 2}, x, 5*n, whole(x))[0]
		near(t, "df", p.Resolution(), r[4], 5.1e-8)
		enbw := 1.5 * p.Resolution()
		near(t, "spectrum peak", p.Density[bin]*enbw, r[5], 1e-9)
		near(t, "bin before", p.Density[bin-1]*enbw, r[6], 1e-9)
		near(t, "bin after", p.Density[bin+1]*enbw, r[7], 1e-9)
		near(t, "density peak", p.Density[bin], r[8], 6e-10)
		df := p.Resolution()
		lo, hi := (float64(bin)-3.5)*df, (float64(bin)+3.5)*df
		near(t, "band power", p.Power(unit.Hertz(lo), unit.Hertz(hi)), r[9], 1e-9)
	}
}

// Window figures of merit for the periodic Hann window; mark C.
func TestWindow(t *testing.T) {
	for _, r := range tableOf(t, "testdata/window_facts.csv") {
		if r["window"] != "hann" {
			continue
		}
		const n = 65536
		w := dsp.Hann(n)
		var s, s2, lag float64
		for i, v := range w {
			s, s2, lag = s+v, s2+v*v, lag+v*w[(i+n/2)%n]*float64(1-i/(n/2))
		}
		near(t, "coherent gain", s/n, number(t, r["coherent_gain"]), 1e-12)
		near(t, "ENBW", n*s2/(s*s), number(t, r["enbw_bins"]), 1e-12)
		near(t, "overlap correlation", lag/s2, number(t, r["overlap_corr_50"]), 5.1e-6)
		return
	}
	t.Fatal("no row for the window")
}

// Parseval's theorem: the density's integral is the mean square of the windowed
// signal over that of the window, here for segments of a stereo signal with an
// offset and energy up to half the rate.
func TestParseval(t *testing.T) {
	const n = 512
	x := white(1, 2, 5*n)
	for i := range x[0] {
		x[0][i] += 0.2
		x[1][i] += 0.1 * float64(1-2*(i%2))
	}
	p := estimate(t, 8000, Params{n, n / 2}, x, 100, whole(x))[0]
	w, want, norm := dsp.Hann(n), 0.0, 0.0
	for _, v := range w {
		norm += v * v
	}
	for s := range p.Segments {
		for c := range x {
			for i, v := range w {
				want += v * v * x[c][s*n/2+i] * x[c][s*n/2+i]
			}
		}
	}
	want /= norm * float64(p.Segments)
	if p.Segments != 9 {
		t.Errorf("got %d segments, want 9", p.Segments)
	}
	near(t, "integral", p.Power(0, 4000), want, 1e-12)
	near(t, "in parts", p.Power(0, 1.234)+p.Power(1.234, 777.7)+p.Power(777.7, 3999)+p.Power(3999, 9999), want, 1e-12)
	near(t, "nothing", p.Power(500, 500)+p.Power(600, 500)+p.Power(5000, 6000)+p.Power(-2, 0), 0, 0)
}

func TestLaws(t *testing.T) {
	p := Params{1024, 512}
	x := white(2, 3, 10000)
	spans := [][]Range{whole(x), {{100, 5000}}, {{0, 3000}, {6000, 3000}}}
	want := estimate(t, 48000, p, x, 10000, spans...)
	for _, size := range []int{1, 7, 512, 1024, 4097} {
		if got := estimate(t, 48000, p, x, size, spans...); !reflect.DeepEqual(got, want) {
			t.Errorf("blocks of %d frames give another result", size)
		}
	}
	change := func(f func(c, i int) float64) PSD {
		y := make([][]float64, len(x))
		for c := range y {
			y[c] = make([]float64, len(x[0]))
			for i := range y[c] {
				y[c][i] = f(c, i)
			}
		}
		return estimate(t, 48000, p, y, 10000, spans...)[0]
	}
	for name, r := range map[string]struct {
		psd    PSD
		factor float64
	}{
		"gain of 6.02 dB": {change(func(c, i int) float64 { return 2 * x[c][i] }), 4},
		"polarity":        {change(func(c, i int) float64 { return -x[c][i] }), 1},
		"channels":        {change(func(c, i int) float64 { return x[2-c][i] }), 1},
	} {
		for k, v := range r.psd.Density {
			if math.Abs(v/(r.factor*want[0].Density[k])-1) > 1e-11 {
				t.Fatalf("%s: bin %d is %g, want %g times %g", name, k, v, r.factor, want[0].Density[k])
			}
		}
		bands := Bands(3, 500, 20000)
		a, b := r.psd.DegreesOfFreedom(bands), want[0].DegreesOfFreedom(bands)
		for i := range a {
			if r.psd.Resolved(bands[i]) && !(math.Abs(a[i]/b[i]-1) < 1e-9) {
				t.Errorf("%s: degrees of freedom %g, want %g", name, a[i], b[i])
			}
		}
	}
}

// A span holds exactly the segments of the grid that lie inside its ranges.
func TestSpans(t *testing.T) {
	p := Params{256, 128}
	x := white(4, 1, 256+128*40+77)
	spans := [][]Range{
		whole(x),
		{{1, 256 + 128 + 127}}, // frames 128 to 511 hold the segments at 128 and 256
		{{128, 255}},
		{{0, 256}, {1280, 512}},
		{},
		{{-1000, 1 << 40}},
	}
	want := []int{41, 2, 0, 1 + 3, 0, 41}
	got := estimate(t, 8000, p, x, 1000, spans...)
	for i := range got {
		if got[i].Segments != want[i] {
			t.Errorf("span %d: %d segments, want %d", i, got[i].Segments, want[i])
		}
	}
	near(t, "the same as the whole", got[5].Power(0, 4000), got[0].Power(0, 4000), 1e-15)
	two := [][]float64{x[0][128 : 128+256+128]}
	for k, v := range estimate(t, 8000, p, two, 1000, whole(two))[0].Density {
		if math.Abs(got[1].Density[k]/v-1) > 1e-12 {
			t.Fatalf("bin %d of a section: %g, the section by itself has %g", k, got[1].Density[k], v)
		}
	}
	if e := got[2]; len(e.Warnings) == 0 || !math.IsNaN(e.Density[3]) || !math.IsNaN(e.Power(100, 200)) || e.Effective != 0 {
		t.Errorf("a span without a segment: %v, %v", e.Power(100, 200), e.Warnings)
	}
	for _, v := range got[2].Bands(Bands(1, 500, 1000)) {
		if !math.IsNaN(v) {
			t.Errorf("a span without a segment has a band of %g", v)
		}
	}
}

func TestErrors(t *testing.T) {
	var pe *ParamError
	for _, p := range []Params{{0, 0}, {1000, 500}, {1024, 256}, {1024, 1024}, {32, 16}, {1 << 25, 1 << 24}} {
		if _, err := NewWelch(48000, 2, p); !errors.As(err, &pe) {
			t.Errorf("%+v: got %v", p, err)
		}
	}
	if _, err := NewWelch(0, 2, Params{1024, 512}); !errors.As(err, &pe) || pe.Name != "rate" {
		t.Errorf("rate 0: got %v", err)
	}
	if _, err := NewWelch(48000, 0, Params{1024, 512}); !errors.As(err, &pe) || pe.Name != "channels" {
		t.Errorf("no channels: got %v", err)
	}
	w, err := NewWelch(48000, 2, Params{1024, 512})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Track(Range{0, 5000}); err != nil {
		t.Fatal(err)
	}
	if err := w.Write([][]float64{{1}}); !errors.Is(err, ErrShape) {
		t.Errorf("one channel for two: got %v", err)
	}
	if err := w.Write([][]float64{{1}, {1, 2}}); !errors.Is(err, ErrShape) {
		t.Errorf("unequal lengths: got %v", err)
	}
	if err := w.Track(Range{0, 10}); !errors.Is(err, ErrLate) {
		t.Errorf("a late span: got %v", err)
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1)} {
		w, _ := NewWelch(48000, 2, Params{1024, 512})
		_ = w.Track(Range{0, 5000})
		x := white(5, 2, 3000)
		x[1][1700] = bad
		var nf *NotFiniteError
		if err := w.Write(x); !errors.As(err, &nf) || nf.First != 1024 || nf.Frames != 1024 {
			t.Errorf("%g: got %v", bad, err)
		}
	}
}

func TestDefaultParams(t *testing.T) {
	for rate, want := range map[int]int{8000: 8192, 44100: 32768, 48000: 32768, 88200: 65536, 96000: 65536, 192000: 131072, 384000: 262144} {
		p := DefaultParams(rate)
		if p.Length != want || p.Hop != want/2 {
			t.Errorf("%d Hz: got %+v, want length %d", rate, p, want)
		}
		x := PSD{Rate: rate, Length: p.Length, Segments: 1}
		if b := Bands(3, 20, 20)[0]; !x.Resolved(b) {
			t.Errorf("%d Hz: the third octave at %v is not resolved", rate, b.Centre)
		}
		if b := Bands(12, 54, 57)[0]; !x.Resolved(b) {
			t.Errorf("%d Hz: the twelfth octave at %v is not resolved", rate, b.Centre)
		}
	}
	x := PSD{Rate: 44100, Length: 32768, Segments: 1}
	if b := Bands(3, 20000, 20000)[0]; x.Resolved(b) {
		t.Errorf("%v reaches beyond half of 44.1 kHz and is resolved", b)
	}
}

// Weighted noise: the white noise's A-weighted level from the density against a
// numeric integral of the weighting's own power (IEC 61672-1:2013, Annex E).
func TestWeighted(t *testing.T) {
	p := PSD{Rate: 48000, Length: 32768, Segments: 1, Density: make([]float64, 16385)}
	for k := range p.Density {
		p.Density[k] = 1
	}
	want := 0.0
	const steps = 200000
	for i := range steps {
		want += weighting.APower((float64(i)+0.5)*20000/steps) * 20000 / steps
	}
	near(t, "A-weighted", p.Weighted(weighting.APower, 0, 20000)/want, 1, 1e-6)
	near(t, "unweighted", p.Power(20, 20000), 19980, 1e-6)
}

func BenchmarkWelch(b *testing.B) {
	for _, ch := range []int{1, 2} {
		b.Run(fmt.Sprintf("rate=48000/ch=%d/spans=5", ch), func(b *testing.B) {
			x := white(6, ch, 48000*60)
			n := int64(len(x[0]))
			for b.Loop() {
				w, _ := NewWelch(48000, ch, DefaultParams(48000))
				_ = w.Track(Range{0, n}, Range{0, n / 4}, Range{n / 4, n / 4}, Range{n / 2, n / 4}, Range{n * 3 / 4, n / 4})
				for at := 0; at < len(x[0]); at += 8192 {
					block := make([][]float64, ch)
					for c := range block {
						block[c] = x[c][at:min(at+8192, len(x[c]))]
					}
					if err := w.Write(block); err != nil {
						b.Fatal(err)
					}
				}
				w.Finish()
			}
			b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}

func BenchmarkCompare(b *testing.B) {
	x, y := white(7, 1, 48000*10), white(8, 1, 48000*10)
	p := measure(b, 48000, DefaultParams(48000), x[0], whole(x)...)[0]
	q := measure(b, 48000, DefaultParams(48000), y[0], whole(y)...)[0]
	for _, f := range []int{3, 6, 12} {
		bands := Bands(f, 20, 20000)
		b.Run(fmt.Sprintf("fraction=%d", f), func(b *testing.B) {
			for b.Loop() {
				Compare(p, q, 0, 0, bands, 0.999)
			}
		})
	}
}
