package leftover_test

import (
	"io"
	"math"
	"testing"

	"evenhand/analyze/leftover"
	"evenhand/analyze/unit"
)

// memory gives the samples of a take in blocks of odd length.
type memory struct {
	channels [][]float64
	at       int
}

func (m *memory) Read(dst [][]float64) (int, error) {
	if m.at == len(m.channels[0]) {
		return 0, io.EOF
	}
	n := 0
	for c, x := range m.channels {
		n = copy(dst[c][:min(len(dst[c]), 4099)], x[m.at:])
	}
	m.at += n
	return n, nil
}

func fit(t testing.TB, rate int, x, y [][]float64) (leftover.Linear, leftover.Heard) {
	t.Helper()
	l, h, err := leftover.Fit(t.Context(), rate, len(x), func() (a, b leftover.Reader, stop func() error, err error) {
		return &memory{channels: x}, &memory{channels: y}, func() error { return nil }, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return l, h
}

// filtered is x through one channel of a filter, by the definition of a convolution.
func filtered(l leftover.Linear, channel int, x []float64) []float64 {
	out := make([]float64, len(x))
	for k, v := range l.Taps[channel] {
		by := k - l.Before // late
		from, to := max(0, by), min(len(x), len(x)+by)
		in, out := x[from-by:to-by], out[from:to]
		for i := range out {
			out[i] += float64(v) * in[i]
		}
	}
	return out
}

func power(x []float64) (sum float64) {
	for _, v := range x {
		sum += v * v
	}
	return sum
}

// TestFitLeaves: what the filter that is fitted on all leaves is what is left in each
// channel when it is applied by the definition of a convolution, its highest sample too,
// and what has to be left: of a filtered and delayed copy next to nothing, of one with
// independent noise 20 dB below it the noise, of Gaussian noise through a cube two fifths
// of the power. That part follows from J. J. Bussgang (1952): the power is 15, that of the
// linear part 9. Of what it cannot explain, a filter explains as much as it has taps for
// frames.
func TestFitLeaves(t *testing.T) {
	const low = 16000 // Hz, for speed
	x, other, n := coloured(11, 1.5), coloured(12, 1.5), coloured(13, 1.5)
	copied := append(make([]float64, 30), x[:len(x)-30]...)
	section{highShelf, 2000, 0.7, 8}.run(copied)
	section{peak, 420, 0.9, -3}.run(copied)
	noisy, cubed, second := make([]float64, len(x)), make([]float64, len(x)), make([]float64, len(x))
	for i := range x {
		noisy[i], second[i], cubed[i] = -0.5*(x[i]+0.1*n[i]), other[i]-0.1*n[i], x[i]*x[i]*x[i]
	}
	for _, c := range []struct {
		name string
		x, y [][]float64
		want float64 // dB
	}{
		{"copy", [][]float64{x}, [][]float64{copied}, math.Inf(-1)},
		{"noise", [][]float64{x}, [][]float64{noisy}, unit.FromPower(0.01 / 1.01)},
		{"cube", [][]float64{x}, [][]float64{cubed}, unit.FromPower(0.4)},
		{"two channels", [][]float64{x, other}, [][]float64{noisy, second}, unit.FromPower(0.01 / 1.01)},
	} {
		l, h := fit(t, low, c.x, c.y)
		var left, all, peak float64
		for k := range c.x {
			e := filtered(l, k, c.x[k])
			for i, v := range e {
				e[i] = c.y[k][i] - v
				peak = math.Max(peak, math.Max(math.Abs(v), math.Abs(e[i])))
			}
			left, all = left+power(e), all+power(c.y[k])
		}
		got, is := float64(h.Unweighted), unit.FromPower(left/all)
		want := c.want + unit.FromPower(1-float64(len(l.Taps[0]))/float64(len(x)))
		t.Logf("%s: %.2f dB, by convolution %.2f dB, K-weighted %.2f dB, peak %.2f dBFS", c.name, got, is, float64(h.K), float64(h.Peak))
		switch {
		// Below 20 Hz, where this noise has a hundredth of its power, nothing is fitted.
		case math.IsInf(want, -1) && !(got < -45 && is < -30):
			t.Errorf("%s: %.2f dB is left, by convolution %.2f", c.name, got, is)
		case !math.IsInf(want, -1) && !(math.Abs(got-is) < 0.05 && math.Abs(got-want) < 0.1):
			t.Errorf("%s: %.3f dB is left, by convolution %.3f, want %.3f", c.name, got, is, want)
		}
		if d := float64(h.Peak) - unit.FromAmplitude(peak); math.Abs(d) > 1e-4 {
			t.Errorf("%s: the peak is %.5f dB off", c.name, d)
		}
	}
}

// TestFitLength: filters have at most MostTaps taps at any rate.
func TestFitLength(t *testing.T) {
	x := [][]float64{noise(14, 1)}
	for rate, want := range map[int]int{16000: 4096, 44100: 8192, 48000: 8192, 96000: 8192} {
		if l, _ := fit(t, rate, x, x); len(l.Taps[0]) != want || want > leftover.MostTaps || l.Before != want/4 {
			t.Errorf("%d Hz: %d taps, %d of them before time 0", rate, len(l.Taps[0]), l.Before)
		}
	}
}

// TestFitRefuses: takes of different lengths, and a reader that fails.
func TestFitRefuses(t *testing.T) {
	x := noise(14, 1)
	for _, y := range [][]float64{x[1:], append(x[:len(x):len(x)], 0)} {
		_, _, err := leftover.Fit(t.Context(), rate, 1, func() (a, b leftover.Reader, stop func() error, err error) {
			return &memory{channels: [][]float64{x}}, &memory{channels: [][]float64{y}}, func() error { return nil }, nil
		})
		if err == nil {
			t.Errorf("%d frames and %d", len(x), len(y))
		}
	}
	_, _, err := leftover.Fit(t.Context(), rate, 1, func() (a, b leftover.Reader, stop func() error, err error) {
		return &memory{channels: [][]float64{x}}, &memory{channels: [][]float64{x}}, func() error { return io.ErrUnexpectedEOF }, nil
	})
	if err == nil {
		t.Error("what fails to stop is passed over")
	}
}

func BenchmarkFit(b *testing.B) {
	x := noise(1, 30)
	for b.Loop() {
		fit(b, rate, [][]float64{x}, [][]float64{x})
	}
	b.ReportMetric(30*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
