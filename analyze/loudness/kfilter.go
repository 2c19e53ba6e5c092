package loudness

import (
	"math"
	"math/cmplx"
)

// biquad holds the coefficients of a second-order section with a0 = 1.
type biquad struct{ b0, b1, b2, a1, a2 float64 }

// The analogue prototype of the K filter. The Recommendation prints digital
// coefficients for 48 kHz only and asks for the same frequency response at
// other rates; these parameters reproduce its Tables 1 and 2 to 1e-14.
// Source: V. Leunam, ITU-R BS.1770-1 filter specifications (unofficial),
// 15 January 2011; vbExponent solved from Table 1.
const (
	shelfHz    = 1681.974450955533
	shelfDB    = 3.999843853973347
	shelfQ     = 0.7071752369554196
	vbExponent = 0.4996667741545416
	passHz     = 38.13547087602444
	passQ      = 0.5003270373238773
)

// kWeighting returns the two sections of the K filter for a sample rate in Hz.
//
// The printed numerator 1, −2, 1 of stage 2 is not that of a unity-gain
// high-pass: at 48 kHz it has +0.043 dB in its pass band. Keeping it at other
// rates would move every reading (−0.03 dB at 192 kHz). Here the numerator is
// scaled by a0(48 kHz)/a0(rate), which is the bilinear transform of one fixed
// analogue filter: it is 1, −2, 1 at 48 kHz, and elsewhere stays within
// 0.008 dB of the 48 kHz response up to 4 kHz.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2.
func kWeighting(rate float64) (shelf, pass biquad) {
	k := math.Tan(math.Pi * shelfHz / rate)
	vh := math.Pow(10, shelfDB/20)
	vb := math.Pow(vh, vbExponent)
	a0 := 1 + k/shelfQ + k*k
	shelf = biquad{
		b0: (vh + vb*k/shelfQ + k*k) / a0,
		b1: 2 * (k*k - vh) / a0,
		b2: (vh - vb*k/shelfQ + k*k) / a0,
		a1: 2 * (k*k - 1) / a0,
		a2: (1 - k/shelfQ + k*k) / a0,
	}
	passA0 := func(rate float64) (k, a0 float64) {
		k = math.Tan(math.Pi * passHz / rate)
		return k, 1 + k/passQ + k*k
	}
	_, ref := passA0(48000)
	k, a0 = passA0(rate)
	s := ref / a0
	pass = biquad{
		b0: s, b1: -2 * s, b2: s,
		a1: 2 * (k*k - 1) / a0,
		a2: (1 - k/passQ + k*k) / a0,
	}
	return shelf, pass
}

// power returns |H|² of the section at hz.
func (b biquad) power(hz, rate float64) float64 {
	z := cmplx.Exp(complex(0, -2*math.Pi*hz/rate))
	h := (complex(b.b0, 0) + complex(b.b1, 0)*z + complex(b.b2, 0)*z*z) / (1 + complex(b.a1, 0)*z + complex(b.a2, 0)*z*z)
	return real(h)*real(h) + imag(h)*imag(h)
}

// KPower returns the K weighting at hz, from 0 to 24 kHz, as a factor on power: that
// of the filter at 48 kHz, 1.17 (+0.69 dB) at 997 Hz.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2.
func KPower(hz float64) float64 {
	shelf, pass := kWeighting(48000)
	return shelf.power(hz, 48000) * pass.power(hz, 48000)
}

// kFilter is the cascade as it is run: transposed direct form II with the
// output put into the state equations, so that each state waits for one
// multiplication and one addition only. The scale of the pass stage's
// numerator is moved into the shelf's.
type kFilter struct {
	b0, d1, d2, a1, a2 float64 // shelf: u = b0·x + s1; s1 ← d1·x + s2 − a1·s1; s2 ← d2·x − a2·s1
	e1, e2, c1, c2     float64 // pass: y = u + t1; t1 ← e1·u + t2 − c1·t1; t2 ← e2·u − c2·t1
}

func newKFilter(rate float64) kFilter {
	s, p := kWeighting(rate)
	b0, b1, b2 := p.b0*s.b0, p.b0*s.b1, p.b0*s.b2
	return kFilter{
		b0: b0, d1: b1 - s.a1*b0, d2: b2 - s.a2*b0, a1: s.a1, a2: s.a2,
		e1: -2 - p.a1, e2: 1 - p.a2, c1: p.a1, c2: p.a2,
	}
}

// channel is the running state of one channel: the filter's memory and what
// has been summed since the last reset.
type channel struct {
	s1, s2, t1, t2 float64
	sums
}

// sums are over one channel of a stretch of frames.
type sums struct {
	weighted float64 // Σ y², y the K-weighted signal
	plain    float64 // Σ x²
	peak     uint64  // bits of the greatest |x|; not below infiniteBits when a sample was not finite
}

const (
	signBit      = 1 << 63
	infiniteBits = 0x7FF << 52
)

// run filters x and adds to the channel's sums.
func (k *kFilter) run(c *channel, x []float64) {
	f := *k
	s1, s2, t1, t2 := c.s1, c.s2, c.t1, c.t2
	w, p, top := c.weighted, c.plain, c.peak
	for _, v := range x {
		u := f.b0*v + s1
		y := u + t1
		s1, s2 = (f.d1*v+s2)-f.a1*s1, f.d2*v-f.a2*s1
		t1, t2 = (f.e1*u+t2)-f.c1*t1, f.e2*u-f.c2*t1
		w += y * y
		p += v * v
		top = max(top, math.Float64bits(v)&^signBit)
	}
	c.s1, c.s2, c.t1, c.t2 = s1, s2, t1, t2
	c.weighted, c.plain, c.peak = w, p, top
}

// settle clears the sums, and filter memory that has decayed so far
// (−1000 dB) that it would soon be subnormal, which slows arithmetic down and,
// by rounding, can stay so for ever.
func (c *channel) settle() {
	c.sums = sums{}
	for _, s := range []*float64{&c.s1, &c.s2, &c.t1, &c.t2} {
		if math.Abs(*s) < 1e-50 {
			*s = 0
		}
	}
}
