package studio

import "math"

// halfband changes the rate by two with a linear-phase FIR whose every second
// coefficient but the middle one is zero. It has 4·pairs−1 taps.
type halfband struct {
	c    []float64 // off-centre coefficients from the outermost inwards; their sum is ¼
	even []float64 // history, then the block: the input when going up, its even samples when going down
	odd  []float64 // the odd samples when going down
}

// newHalfband designs by the Kaiser window. beta 8.6 gives about 85 dB.
func newHalfband(pairs int, beta float64, block int) *halfband {
	m := 2*pairs - 1 // the middle tap
	c := make([]float64, pairs)
	var sum float64
	for i := range c {
		t := float64(2*i - m)
		c[i] = sinc(t/2) / 2 * kaiser(t/float64(m+1), beta)
		sum += c[i]
	}
	for i := range c {
		c[i] *= 0.25 / sum
	}
	return &halfband{c: c, even: make([]float64, m+block), odd: make([]float64, m+block)}
}

// delay is the delay of one way in samples of the higher rate.
func (h *halfband) delay() float64 { return float64(2*len(h.c) - 1) }

// up writes 2·len(src) samples into dst.
func (h *halfband) up(dst, src []float64) {
	k := len(h.c)
	m := 2*k - 1
	buf := h.even[:m+len(src)]
	copy(buf[m:], src)
	for n := range src {
		p := buf[n : n+m+1]
		var acc float64
		for i, c := range h.c {
			acc += c * (p[i] + p[m-i])
		}
		dst[2*n] = 2 * acc
		dst[2*n+1] = p[k]
	}
	copy(h.even[:m], buf[len(src):])
}

// down writes len(src)/2 samples into dst.
func (h *halfband) down(dst, src []float64) {
	k := len(h.c)
	m := 2*k - 1
	n := len(src) / 2
	even, odd := h.even[:m+n], h.odd[:m+n]
	for i := range n {
		even[m+i], odd[m+i] = src[2*i], src[2*i+1]
	}
	for i := range n {
		p := even[i : i+m+1]
		acc := 0.5 * odd[m+i-k]
		for j, c := range h.c {
			acc += c * (p[j] + p[m-j])
		}
		dst[i] = acc
	}
	copy(h.even[:m], even[n:])
	copy(h.odd[:m], odd[n:])
}

// oversampler runs a memoryless or slow nonlinearity at a multiple of the
// rate, so that the overtones it makes do not fold back into the audible band.
type oversampler struct {
	ups, downs []*halfband
	work       [][]float64 // work[s] holds a block at 2^s times the rate
}

// overBlock is how many samples an oversampler takes at once.
const overBlock = 512

// newOversampler returns one of 2^stages times.
func newOversampler(stages int) *oversampler {
	// The first stage has the narrow transition (17 to 31 kHz at a rate of
	// 48 kHz); the images that later stages must stop lie further off.
	pairs := []int{11, 5, 4}
	o := &oversampler{work: [][]float64{nil}}
	for s := range stages {
		o.ups = append(o.ups, newHalfband(pairs[s], 8.6, overBlock<<s))
		o.downs = append(o.downs, newHalfband(pairs[s], 8.6, overBlock<<s))
		o.work = append(o.work, make([]float64, overBlock<<(s+1)))
	}
	return o
}

// delay is the delay of the way up and down, in samples at the base rate.
func (o *oversampler) delay() float64 {
	var d float64
	for s, h := range o.ups {
		d += 2 * h.delay() / math.Pow(2, float64(s+1))
	}
	return d
}

// run applies f, which works in place at the high rate, to x in place.
func (o *oversampler) run(x []float64, f func([]float64)) {
	for len(x) > 0 {
		n := min(len(x), overBlock)
		src := x[:n]
		for s, h := range o.ups {
			dst := o.work[s+1][:n<<(s+1)]
			h.up(dst, src)
			src = dst
		}
		f(src)
		for s := len(o.downs) - 1; s >= 0; s-- {
			dst := x[:n]
			if s > 0 {
				dst = o.work[s][:n<<s]
			}
			o.downs[s].down(dst, src)
			src = dst
		}
		x = x[n:]
	}
}
