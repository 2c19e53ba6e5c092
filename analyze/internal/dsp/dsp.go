// Package dsp holds the transforms and windows that several measurements
// share. It is the only door to the FFT library.
package dsp

import (
	"fmt"
	"math"
)

// Hann returns the periodic Hann window of length n: 0.5 − 0.5·cos(2πi/n). Its
// equivalent noise bandwidth is 1.5 bins and its mean 0.5.
//
// Source: F. J. Harris, On the use of windows for harmonic analysis with the
// discrete Fourier transform, Proc. IEEE 66(1), 1978 (from memory); the
// periodic form is the one for spectral averaging.
func Hann(n int) []float64 {
	w := make([]float64, n)
	for i := 1; i <= n/2; i++ { // the second half is the first, backwards
		w[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(n))
		w[n-i] = w[i]
	}
	return w
}

// BesselI0 returns the modified Bessel function of the first kind and order 0, of
// which Kaiser's window is made, by its power series; it is for x below some 700.
//
// Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 9.6.12 (from
// memory).
func BesselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= x / (2 * k) * (x / (2 * k))
		sum += term
	}
	return sum
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

// MeanSquare returns the mean square of x, 0 for an empty one.
func MeanSquare(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum / float64(len(x))
}
