package studio

import (
	"math"
	"math/bits"
)

// The studio makes test material for the measurements, so it shares no
// transform with them: an error there must not cancel here.

// hop is the block that a convolver takes; its transform is at least transform
// long, longer where a response has more than transform − hop + 1 samples.
const (
	transform = 8192
	hop       = 6144
)

// convolver convolves one real signal with one or two real responses by
// overlap-save: the second response rides as the imaginary part.
type convolver struct {
	response []complex128 // spectrum in bit-reversed order, divided by the length
	twiddle  []complex128
	past     []float64 // the last transform−hop input samples
	work     []complex128
}

func newConvolver(left, right []float64) *convolver {
	size := transform
	for size-hop+1 < max(len(left), len(right)) {
		size *= 2
	}
	c := &convolver{
		response: make([]complex128, size),
		twiddle:  make([]complex128, size/2),
		past:     make([]float64, size-hop),
		work:     make([]complex128, size),
	}
	for i := range c.twiddle {
		sin, cos := math.Sincos(-2 * math.Pi * float64(i) / float64(size))
		c.twiddle[i] = complex(cos, sin)
	}
	for i, v := range left {
		c.response[i] = complex(v/float64(size), 0)
	}
	for i, v := range right {
		c.response[i] += complex(0, v/float64(size))
	}
	forward(c.response, c.twiddle)
	return c
}

// run convolves at most hop samples; right may be nil.
func (c *convolver) run(left, right, x []float64) {
	keep := len(c.past)
	for i, v := range c.past {
		c.work[i] = complex(v, 0)
	}
	for i, v := range x {
		c.work[keep+i] = complex(v, 0)
	}
	clear(c.work[keep+len(x):])
	for i := range c.past {
		j := i + len(x)
		if j < keep {
			c.past[i] = c.past[j]
		} else {
			c.past[i] = x[j-keep]
		}
	}
	forward(c.work, c.twiddle)
	for i, r := range c.response {
		c.work[i] *= r
	}
	inverse(c.work, c.twiddle)
	for i := range x {
		left[i] = real(c.work[keep+i])
	}
	if right != nil {
		for i := range x {
			right[i] = imag(c.work[keep+i])
		}
	}
}

// forward is a decimation-in-frequency transform: natural order in,
// bit-reversed order out.
func forward(x, twiddle []complex128) {
	n := len(x)
	for size, step := n, 1; size > 1; size, step = size/2, step*2 {
		half := size / 2
		for base := 0; base < n; base += size {
			a, b := x[base:base+half], x[base+half:base+size]
			for i := range a {
				u, v := a[i], b[i]
				a[i] = u + v
				b[i] = (u - v) * twiddle[i*step]
			}
		}
	}
}

// inverse is the matching decimation-in-time transform without the division:
// bit-reversed order in, natural order out.
func inverse(x, twiddle []complex128) {
	n := len(x)
	for size, step := 2, n/2; size <= n; size, step = size*2, step/2 {
		half := size / 2
		for base := 0; base < n; base += size {
			a, b := x[base:base+half], x[base+half:base+size]
			for i := range a {
				w := twiddle[i*step]
				u, v := a[i], b[i]*complex(real(w), -imag(w))
				a[i], b[i] = u+v, u-v
			}
		}
	}
}

// reversed is the place of frequency bin i in the output of forward.
func reversed(i, n int) int {
	return int(bits.Reverse64(uint64(i)) >> (64 - bits.Len(uint(n-1))))
}
