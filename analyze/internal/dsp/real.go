package dsp

import (
	"fmt"

	"gonum.org/v1/gonum/dsp/fourier"
)

// FFT transforms real sequences of one length. It keeps work space, so a
// value must not be used by two goroutines at once.
//
// A power of two goes through a Complex of half the length, whose real and
// imaginary parts are the even and the odd samples: less than half the time of
// the library, which does all other lengths.
type FFT struct {
	n    int
	c    *Complex     // nil: f does the work
	root []complex128 // exp(−2πi·k/n), k = 0 … n/4
	f    *fourier.FFT
}

// NewFFT returns a transform of length n, n ≥ 1.
func NewFFT(n int) *FFT {
	if n < 4 || n&(n-1) != 0 {
		return &FFT{n: n, f: fourier.NewFFT(n)}
	}
	t := &FFT{n: n, c: NewComplex(n / 2), root: make([]complex128, n/4+1)}
	for k := range t.root {
		t.root[k] = turned(t.root, k, n)
	}
	return t
}

// Len returns the length of the real sequences.
func (t *FFT) Len() int { return t.n }

// Forward returns the n/2+1 coefficients Σ x[i]·exp(−2πi·k·i/n), k = 0…n/2,
// unnormalised, in dst when it has that length and else in a new slice. x must
// have length n and is not changed.
func (t *FFT) Forward(dst []complex128, x []float64) []complex128 {
	if t.f != nil {
		return t.f.Coefficients(dst, x)
	}
	if len(x) != t.n {
		panic(fmt.Sprintf("dsp: got %d values for a transform of length %d", len(x), t.n))
	}
	h := t.n / 2
	if len(dst) != h+1 {
		dst = make([]complex128, h+1)
	}
	for i := range t.c.a {
		t.c.a[i] = complex(x[2*i], x[2*i+1])
	}
	z := t.c.run()
	dst[0], dst[h] = complex(real(z[0])+imag(z[0]), 0), complex(real(z[0])-imag(z[0]), 0)
	for k := 1; k <= h/2; k++ {
		p, q := z[k], z[h-k]
		even := complex((real(p)+real(q))/2, (imag(p)-imag(q))/2)
		odd := complex((imag(p)+imag(q))/2, (real(q)-real(p))/2) * t.root[k]
		dst[k] = even + odd
		d := even - odd
		dst[h-k] = complex(real(d), -imag(d))
	}
	return dst
}

// Inverse returns the real sequence of length n that Forward turns into c,
// scaled so that Inverse(Forward(x)) is x. dst is used when it has length n.
func (t *FFT) Inverse(dst []float64, c []complex128) []float64 {
	if t.f != nil {
		dst = t.f.Sequence(dst, c)
		s := 1 / float64(t.n)
		for i := range dst {
			dst[i] *= s
		}
		return dst
	}
	h := t.n / 2
	if len(c) != h+1 {
		panic(fmt.Sprintf("dsp: got %d coefficients for a transform of length %d", len(c), t.n))
	}
	if len(dst) != t.n {
		dst = make([]float64, t.n)
	}
	// The conjugate of what Forward found for the packed samples, so that a
	// forward transform runs backwards.
	z := t.c.a
	z[0] = complex((real(c[0])+real(c[h]))/2, (real(c[h])-real(c[0]))/2)
	for k := 1; k <= h/2; k++ {
		p, q := c[k], c[h-k]
		even := complex((real(p)+real(q))/2, (imag(p)-imag(q))/2)
		odd := complex((real(p)-real(q))/2, (imag(p)+imag(q))/2)
		w := t.root[k]
		odd *= complex(real(w), -imag(w))
		// even + i·odd for k, and its mirror for h−k
		z[k] = complex(real(even)-imag(odd), -imag(even)-real(odd))
		z[h-k] = complex(real(even)+imag(odd), imag(even)-real(odd))
	}
	s := 1 / float64(h)
	for i, v := range t.c.run() {
		dst[2*i], dst[2*i+1] = real(v)*s, -imag(v)*s
	}
	return dst
}
