package dsp

import (
	"fmt"
	"math"
)

// Complex transforms complex sequences whose length is a power of two. With
// two real channels as real and imaginary part it does the work of two real
// transforms in well under half their time. It keeps work space, so a value
// must not be used by two goroutines at once.
//
// The algorithm sorts itself: passes of radix 4 from one buffer to another, then
// one of radix 2 where the length asks for it.
//
// Source: T. G. Stockham, High-speed convolution and correlation, AFIPS Spring
// Joint Computer Conf. 1966 (from memory).
type Complex struct {
	n    int
	root []complex128 // exp(−2πi·k/n), k = 0 … 3n/4
	a, b []complex128
}

// NewComplex returns a transform of length n, a power of two, n ≥ 1; it panics
// for any other n.
func NewComplex(n int) *Complex {
	if n < 1 || n&(n-1) != 0 {
		panic(fmt.Sprintf("dsp: length %d is not a power of two", n))
	}
	t := &Complex{n: n, root: make([]complex128, 3*n/4+1), a: make([]complex128, n), b: make([]complex128, n)}
	for k := range t.root {
		t.root[k] = turned(t.root, k, n)
	}
	return t
}

// turned returns exp(−2πi·k/n) for k ≤ 3n/4, n a power of two, where root holds
// those of smaller k. Only an eighth of the circle is computed: that is quick,
// and symmetric values are equal.
func turned(root []complex128, k, n int) complex128 {
	switch {
	case 8*k <= n:
		s, c := math.Sincos(2 * math.Pi * float64(k) / float64(n))
		return complex(c, -s)
	case 4*k <= n: // 45° … 90°
		w := root[n/4-k]
		return complex(-imag(w), -real(w))
	}
	w := root[k-n/4] // a quarter back
	return complex(imag(w), -real(w))
}

// Len returns the length of the sequences.
func (t *Complex) Len() int { return t.n }

// Forward replaces z, of length n, by its coefficients
// Σ z[i]·exp(−2πi·k·i/n), k = 0 … n−1, unnormalised.
func (t *Complex) Forward(z []complex128) {
	if len(z) != t.n {
		panic(fmt.Sprintf("dsp: got %d values for a transform of length %d", len(z), t.n))
	}
	copy(t.a, z)
	copy(z, t.run())
}

// Pair returns the n/2+1 coefficients of the real sequences x and y, both of
// length n, from one transform, in dstX and dstY where these have that length
// and else in new slices.
func (t *Complex) Pair(dstX, dstY []complex128, x, y []float64) (cx, cy []complex128) {
	n, h := t.n, t.n/2+1
	if len(dstX) != h {
		dstX = make([]complex128, h)
	}
	if len(dstY) != h {
		dstY = make([]complex128, h)
	}
	for i := range t.a {
		t.a[i] = complex(x[i], y[i])
	}
	z := t.run()
	for k := range dstX {
		p, q := z[k], z[(n-k)&(n-1)]
		dstX[k] = complex((real(p)+real(q))/2, (imag(p)-imag(q))/2)
		dstY[k] = complex((imag(p)+imag(q))/2, (real(q)-real(p))/2)
	}
	return dstX, dstY
}

// PairPower writes |X[k]|² + |Y[k]|², k = 0 … n/2, to dst, where X and Y are the
// unnormalised transforms of the real sequences x·w and y·w. All of x, y and
// the window w have length n, dst has n/2+1; y may be nil for one channel.
func (t *Complex) PairPower(dst, x, y, w []float64) {
	n := t.n
	a := t.a
	x, w = x[:len(a)], w[:len(a)]
	if y == nil {
		for i := range a {
			a[i] = complex(x[i]*w[i], 0)
		}
	} else {
		y = y[:len(a)]
		for i := range a {
			a[i] = complex(x[i]*w[i], y[i]*w[i])
		}
	}
	z := t.run()
	dst = dst[:n/2+1]
	square := func(c complex128) float64 { return real(c)*real(c) + imag(c)*imag(c) }
	dst[0], dst[n/2] = square(z[0]), square(z[n/2])
	for k := 1; k < n/2; k++ {
		dst[k] = (square(z[k]) + square(z[n-k])) / 2
	}
}

// run transforms t.a and returns the buffer that holds the result.
func (t *Complex) run() []complex128 {
	src, dst := t.a, t.b
	n, stride := t.n, 1
	for ; n >= 4; n, stride = n/4, stride*4 {
		m := n / 4
		switch {
		case stride == 1:
			t.firstPass(src, dst)
		case stride == 4:
			t.secondPass(src, dst)
		default:
			for p := range m {
				w1, w2, w3 := t.root[p*stride], t.root[2*p*stride], t.root[3*p*stride]
				pass4(src[p*stride:], dst[4*p*stride:], stride, m*stride, w1, w2, w3)
			}
		}
		src, dst = dst, src
	}
	if n == 2 { // an odd power of two
		lo, hi := src[:stride], src[stride:][:stride]
		x, y := dst[:stride], dst[stride:][:stride]
		for i, u := range lo {
			v := hi[i]
			x[i], y[i] = u+v, u-v
		}
		src = dst
	}
	return src
}

// firstPass is the pass of stride 1.
func (t *Complex) firstPass(src, dst []complex128) {
	m := t.n / 4
	a, b, c, d := src[:m], src[m:][:m], src[2*m:][:m], src[3*m:][:m]
	for p := range a {
		w1, w2, w3 := t.root[p], t.root[2*p], t.root[3*p]
		s, u := a[p]+c[p], a[p]-c[p]
		q, v := b[p]+d[p], b[p]-d[p]
		jv := complex(imag(v), -real(v)) // −i·v
		o := dst[4*p:][:4]
		o[0] = s + q
		o[1] = (u + jv) * w1
		o[2] = (s - q) * w2
		o[3] = (u - jv) * w3
	}
}

// secondPass is the pass of stride 4, whose inner loop is too short for a call.
func (t *Complex) secondPass(src, dst []complex128) {
	q := t.n / 4
	a, b, c, d := src[:q], src[q:][:q], src[2*q:][:q], src[3*q:][:q]
	var w1, w2, w3 complex128
	for i := range a {
		p := i &^ 3
		if i == p {
			w1, w2, w3 = t.root[p], t.root[2*p], t.root[3*p]
		}
		s, u := a[i]+c[i], a[i]-c[i]
		q, v := b[i]+d[i], b[i]-d[i]
		jv := complex(imag(v), -real(v)) // −i·v
		o := dst[4*p+i-p:][:13]
		o[0] = s + q
		o[4] = (u + jv) * w1
		o[8] = (s - q) * w2
		o[12] = (u - jv) * w3
	}
}

// pass4 does the butterflies that share their twiddles: n of them, their
// inputs apart from each other by step, their outputs by n.
func pass4(src, dst []complex128, n, step int, w1, w2, w3 complex128) {
	a, b, c, d := src[:n], src[step:][:n], src[2*step:][:n], src[3*step:][:n]
	o0, o1, o2, o3 := dst[:n], dst[n:][:n], dst[2*n:][:n], dst[3*n:][:n]
	for i := range a {
		s, u := a[i]+c[i], a[i]-c[i]
		q, v := b[i]+d[i], b[i]-d[i]
		jv := complex(imag(v), -real(v)) // −i·v
		o0[i] = s + q
		o1[i] = (u + jv) * w1
		o2[i] = (s - q) * w2
		o3[i] = (u - jv) * w3
	}
}
