// Package dsp holds the transforms and windows that several measurements
// share. It is the only door to the FFT library.
package dsp

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// FFT transforms real sequences of one length. It keeps work space, so a
// value must not be used by two goroutines at once.
type FFT struct{ f *fourier.FFT }

// NewFFT returns a transform of length n, n ≥ 1.
func NewFFT(n int) *FFT { return &FFT{fourier.NewFFT(n)} }

// Len returns the length of the real sequences.
func (t *FFT) Len() int { return t.f.Len() }

// Forward returns the n/2+1 coefficients Σ x[i]·exp(−2πi·k·i/n), k = 0…n/2,
// unnormalised, in dst when it has that length and else in a new slice. x must
// have length n and is not changed.
func (t *FFT) Forward(dst []complex128, x []float64) []complex128 {
	return t.f.Coefficients(dst, x)
}

// Inverse returns the real sequence of length n that Forward turns into c,
// scaled so that Inverse(Forward(x)) is x. dst is used when it has length n.
func (t *FFT) Inverse(dst []float64, c []complex128) []float64 {
	dst = t.f.Sequence(dst, c)
	s := 1 / float64(t.f.Len())
	for i := range dst {
		dst[i] *= s
	}
	return dst
}

// Hann returns the periodic Hann window of length n: 0.5 − 0.5·cos(2πi/n). Its
// equivalent noise bandwidth is 1.5 bins and its mean 0.5.
//
// Source: F. J. Harris, On the use of windows for harmonic analysis with the
// discrete Fourier transform, Proc. IEEE 66(1), 1978 (from memory); the
// periodic form is the one for spectral averaging.
func Hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
	}
	return w
}

// NextPow2 returns the least power of two that is at least n; it panics for
// n > 2^62.
func NextPow2(n int) int {
	if n > 1<<62 {
		panic(fmt.Sprintf("dsp: no power of two above %d", n))
	}
	p := 1
	for p < n {
		p <<= 1
	}
	return p
}
