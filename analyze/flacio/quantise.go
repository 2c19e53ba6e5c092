package flacio

import (
	"math"
	"math/rand/v2"
)

// Quantiser turns samples at full scale ±1 into integers of a fixed depth. It
// is meant for one channel and carries the state of the dither from block to
// block.
type Quantiser struct {
	full float64 // 2^(bits-1)
	pcg  *rand.PCG
}

// NewQuantiser makes a quantiser to integers of bits bits, 2 to 32. With
// dither it adds noise of triangular density between -1 and +1 steps, the sum
// of two uniform ones, before rounding: mean and power of the error then do
// not depend on the signal. The noise is fixed by seed; give each channel its
// own.
//
// Source: Lipshitz, Wannamaker, Vanderkooy, Quantization and Dither: A
// Theoretical Survey, J. Audio Eng. Soc. 40(5), 1992 (from memory).
func NewQuantiser(bits int, dither bool, seed uint64) *Quantiser {
	q := &Quantiser{full: math.Ldexp(1, bits-1)}
	if dither {
		q.pcg = rand.NewPCG(seed, 0x9E3779B97F4A7C15)
	}
	return q
}

// Quantise fills dst, which is as long as src, and returns how many samples
// lay outside the range of the integers and were set to its nearest end.
// Without dither values are rounded to the nearest integer, halves to even.
// NaN becomes 0 and counts as clipped.
func (q *Quantiser) Quantise(dst []int32, src []float64) (clipped int) {
	dst = dst[:len(src)]
	for i, x := range src {
		v := float64(x * q.full)
		if q.pcg != nil {
			r := q.pcg.Uint64()
			v += float64(float64(int64(r>>32)-int64(r&math.MaxUint32)) * 0x1p-32)
		}
		v = math.RoundToEven(v)
		switch {
		case v > q.full-1:
			v = q.full - 1
			clipped++
		case v < -q.full:
			v = -q.full
			clipped++
		case v != v:
			v = 0
			clipped++
		}
		dst[i] = int32(v)
	}
	return clipped
}
