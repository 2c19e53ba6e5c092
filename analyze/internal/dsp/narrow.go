package dsp

import (
	"fmt"
	"math"
)

// Narrow turns the cross-spectra of a band into correlations of which only the
// lags near zero are wanted, for a fraction of the work of a transform that
// gives all. It keeps work space, so a value must not be used by two goroutines
// at once.
//
// Near lag zero the terms of neighbouring bins turn alike, so groups of bins are
// added under a window first: a low-pass filter along the frequency axis, which
// passes small lags and stops those that the coarser transform would fold onto
// them. What the window does to the lags that pass is known and taken back.
// Correlation at other lags remains as 10⁻⁴ of its size (80 dB).
//
// Source: the window of J. F. Kaiser, Nonrecursive digital filter design using
// the I0-sinh window function, IEEE Int. Symp. Circuits and Systems 1974, with
// his estimate of its length (from memory).
type Narrow struct {
	lo, bins, reach int
	group           int       // bins that become one
	taps            []float64 // the window, middle first: it is symmetric
	fft             *Complex
	back            []float64 // what a lag, 0 … reach, is multiplied by
	x, y            []float64 // −reach … reach
	padded          [2][]complex128
}

const (
	narrowStop = 80 // dB
	narrowRoom = 8  // least length of the coarser transform in reaches
)

// NewNarrow returns a transform of the bins lo … lo+bins−1 of a spectrum of
// length n, a power of two, to the lags −reach … reach on its grid of n lags;
// lo ≥ 1, lo+bins ≤ n/2 and 0 ≤ reach < n/2, else it panics.
func NewNarrow(n, lo, bins, reach int) *Narrow {
	if n < 2 || n&(n-1) != 0 || lo < 1 || bins < 0 || lo+bins > n/2 || reach < 0 || reach >= n/2 {
		panic(fmt.Sprintf("dsp: bins %d to %d of %d and lags to %d", lo, lo+bins, n, reach))
	}
	t := &Narrow{lo: lo, bins: bins, reach: reach, group: 1, taps: []float64{1},
		back: make([]float64, reach+1), x: make([]float64, 2*reach+1), y: make([]float64, 2*reach+1)}
	for n/(2*t.group) >= narrowRoom*max(reach, 1) {
		t.group *= 2
	}
	t.fft = NewComplex(n / t.group)
	if t.group > 1 {
		edge := float64(n/t.group-2*reach) / float64(n) // from what passes to what is stopped, cycles per bin
		half := int(math.Ceil((narrowStop - 8) / (2.285 * 2 * math.Pi * edge) / 2))
		t.taps = kaiser(half, float64(reach)/float64(n)+edge/2)
	}
	for i := range t.padded {
		t.padded[i] = make([]complex128, bins+4*(len(t.taps)-1)+1)
	}
	for l := range t.back {
		sum := t.taps[0]
		for j, h := range t.taps[1:] {
			sum += 2 * h * math.Cos(2*math.Pi*float64(j+1)*float64(l)/float64(n))
		}
		t.back[l] = float64(t.group) / sum / 2
	}
	return t
}

// kaiser returns taps 0 … half of a symmetric low-pass filter whose cutoff is in
// cycles per tap.
func kaiser(half int, cutoff float64) []float64 {
	const beta = 0.1102 * (narrowStop - 8.7)
	h := make([]float64, half+1)
	for j := range h {
		u := float64(j) / float64(half+1)
		h[j] = BesselI0(beta*math.Sqrt(1-u*u)) * 2 * cutoff
		if j > 0 {
			a := 2 * math.Pi * cutoff * float64(j)
			h[j] *= math.Sin(a) / a
		}
	}
	return h
}

// Lags returns Σ Re x[k]·exp(2πi(lo+k)·l/n) for l = −reach … reach, and the same of y,
// which may be nil for the sums to be zero. x and y have the length that bins
// says. What it returns holds until the next call.
func (t *Narrow) Lags(x, y []complex128) (rx, ry []float64) {
	work := t.fft.a
	clear(work)
	mask := len(work) - 1
	side := len(t.taps) - 1
	t.pad(0, x)
	t.pad(1, y)
	for m := -((side - t.lo) / t.group); m*t.group < t.lo+t.bins+side; m++ {
		at := m*t.group - t.lo + 2*side // of the group's middle in padded
		if at < side {
			continue
		}
		p := t.add(t.padded[0], at)
		var q complex128
		if y != nil {
			q = t.add(t.padded[1], at)
		}
		// p + i·q, and conj(p) + i·conj(q) at the negative frequency, so that
		// the real parts of the sums are all of the real and the imaginary part.
		work[m&mask] += complex(real(p)-imag(q), imag(p)+real(q))
		work[-m&mask] += complex(real(p)+imag(q), real(q)-imag(p))
	}
	z := t.fft.run()
	for l := -t.reach; l <= t.reach; l++ {
		w := z[-l&mask] // a forward transform runs backwards in lag
		s := t.back[max(l, -l)]
		t.x[l+t.reach], t.y[l+t.reach] = real(w)*s, imag(w)*s
	}
	return t.x, t.y
}

// pad keeps x between zeros, at each end twice as many as the window has to a
// side.
func (t *Narrow) pad(i int, x []complex128) {
	if x != nil {
		copy(t.padded[i][2*(len(t.taps)-1):][:t.bins], x)
	}
}

// add is the sum of x under the window around at.
func (t *Narrow) add(x []complex128, at int) complex128 {
	h := t.taps[1:]
	re, im := t.taps[0]*real(x[at]), t.taps[0]*imag(x[at])
	after, before := x[at+1:][:len(h)], x[at-len(h):][:len(h)]
	for j, w := range h {
		u, v := after[j], before[len(before)-1-j]
		re += w * (real(u) + real(v))
		im += w * (imag(u) + imag(v))
	}
	return complex(re, im)
}
