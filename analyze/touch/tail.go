package touch

import (
	"math"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

const (
	// tailTo is how long after the music, in seconds, a tail is looked for: most echoes
	// come sooner. Common practice, no source.
	tailTo = 1.5
	// tailFloor is the power of the input, relative to its strongest bin, below which a
	// bin says nothing of a tail. Common practice, no source.
	tailFloor = 1e-4
	// overChance is how many times as much must follow the music as comes before it: of
	// compressors it is up to 2.7, of an echo and a reverberation at least 5.7, as they are
	// tested.
	overChance = 4
)

// tail returns which part of the take follows the music by some 50 ms, as far as the filter
// reaches, to 1.5 s, 0 to 1: an echo or a reverberation. What comes before the music as well
// is chance, and taken off; 0 where that may be all of it.
func (w *work) tail() float64 {
	block := 0
	for _, x := range w.x.blocks {
		block = max(block, len(x))
	}
	n := dsp.NextPow2(2 * block)
	fft := dsp.NewFFT(n)
	xx, xe := make([]float64, n/2+1), make([]complex128, n/2+1)
	var whole float64
	in, out := make([]float64, n), make([]float64, n)
	a, b := make([]complex128, n/2+1), make([]complex128, n/2+1)
	for i, x := range w.x.blocks {
		clear(in)
		clear(out)
		copy(in, x)
		g := w.gain[i]
		for t, v := range w.y.blocks[i] {
			whole += v * v
			u := math.Max(0, math.Min(float64(len(g)-1), float64(t)/float64(w.frame)-0.5))
			k := min(int(u), max(0, len(g)-2))
			out[t] = v - w.filtered[i][t]*unit.ToAmplitude(g[k]+(u-float64(k))*(g[min(k+1, len(g)-1)]-g[k]))
		}
		fft.Forward(a, in)
		fft.Forward(b, out)
		for k, v := range a {
			xx[k] += real(v)*real(v) + imag(v)*imag(v)
			xe[k] += complex(real(v), -imag(v)) * b[k]
		}
	}
	top := 0.0
	for _, v := range xx {
		top = math.Max(top, v)
	}
	for k, v := range xe {
		a[k] = v / complex(xx[k]+tailFloor*top, 0)
	}
	t := fft.Inverse(out, a)
	from, to := taps-before, int(tailTo*w.x.lower)
	part := func(sign int) float64 {
		clear(in)
		for k := from; k < min(to, n/2); k++ {
			in[(sign*k+n)%n] = t[(sign*k+n)%n]
		}
		sum := 0.0
		for k, v := range fft.Forward(b, in) {
			sum += (real(v)*real(v) + imag(v)*imag(v)) * xx[k]
		}
		return 2 * sum / float64(n)
	}
	after, chance := part(1), part(-1)
	if after < overChance*chance {
		return 0
	}
	return (after - chance) / whole
}
