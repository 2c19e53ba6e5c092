package clock

import (
	"fmt"
	"math"
	"math/cmplx"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
)

const (
	curves      = 5    // outputs of a bank
	bankWindow  = 0.08 // s, and on to the next power of two
	bankLow     = 80   // Hz
	bankHigh    = 12000
	bankBand    = 60    // Hz: width within which a filter is one number
	bankPass    = 150   // Hz: corner of the high-pass before the curves
	bankSettle  = 0.006 // s: six of its time constants
	bankQuiet   = 1e-4  // of the loudest window's power, below which nothing is learnt
	bankWindows = 256   // at most, spread over the recording
)

// Method says in a few sentences how drift and slips are told, first in plain
// words, then for those who want to repeat it.
func Method() string {
	return fmt.Sprintf("The lag of windows of a third of a second is compared with what all windows have in common. "+
		"Gear that distorts also moves each note a little, in its own way, which could be taken for a clock. "+
		"For such gear a model of it is therefore fitted to the take: each of %d to %d passages lies where the model that is fitted to all other passages predicts it best. "+
		"The model is the sum of %d signals, each with one complex gain for every %d Hz from %d Hz to %d kHz: "+
		"the recording that the take is compared with, and %d distortions of it. "+
		"For these it goes through a first-order high-pass at %d Hz and is brought to an RMS of %d, %d and %d for the curve v/(1+|v|), and of %d for the curve √(1+v²). "+
		"The clock's drift is the slope of the line through the lags of the passages.",
		minSegments, maxSegments, curves, bankBand, bankLow, bankHigh/1000, curves-1, bankPass, bankGains[0], bankGains[1], bankGains[2], bankEven)
}

// bankGains and bankEven are the gains before the curves.
var bankGains = [...]int{1, 6, 36}

const bankEven = 4

// bank feeds a recording through fixed curves. What gear does to it is then
// nearly a sum of filters, one after each curve: filters before a curve, several
// stages and other curves are met well enough for the delay of what is left not
// to depend on the notes.
//
// The curves are the recording itself, and behind a high-pass, at which most
// circuits that distort begin, v/(1+|v|) with v at an RMS of 1, 6 and 36, and
// √(1+v²) with v at an RMS of 4, which is even.
type bank struct {
	rate, size int
	lo, hi     int     // bins lo ≤ k < hi
	width      float64 // bins of a band
	settle     int
	pass       float64 // pole of the high-pass
	gain       float64 // one over the RMS behind it
	taper      []float64
	fft        *dsp.Complex
	in         []float64
	x          [curves][]float64
	y          []float64
	cx         [curves][]complex128
	cy         []complex128
}

func newBank(rate int) *bank {
	b := &bank{rate: rate, size: dsp.NextPow2(int(bankWindow * float64(rate)))}
	high := math.Min(bankHigh, 0.45*float64(rate))
	b.lo = int(math.Ceil(bankLow * float64(b.size) / float64(rate)))
	b.hi = int(high * float64(b.size) / float64(rate))
	b.width = bankBand * float64(b.size) / float64(rate)
	b.settle = int(bankSettle * float64(rate))
	b.pass = math.Exp(-2 * math.Pi * bankPass / float64(rate))
	b.taper, b.fft = dsp.Hann(b.size), dsp.NewComplex(b.size)
	b.in, b.y = make([]float64, b.settle+b.size), make([]float64, b.size)
	for i := range b.x {
		b.x[i] = make([]float64, b.size)
	}
	return b
}

// bands returns the number of bands.
func (b *bank) bands() int { return int(math.Ceil(float64(b.hi-b.lo) / b.width)) }

// middle returns the middle of a band in radians a frame.
func (b *bank) middle(band int) float64 {
	from, to := b.bins(band)
	return 2 * math.Pi * (float64(from+to-1) / 2) / float64(b.size)
}

// bins returns the bins from ≤ k < to of a band.
func (b *bank) bins(band int) (from, to int) {
	at := func(n int) int { return min(b.hi, b.lo+int(math.Round(float64(n)*b.width))) }
	return at(band), at(band + 1)
}

// read reads the window of a that begins at first, and returns its mean square
// and that behind the high-pass, which it leaves in b.x[1].
func (b *bank) read(a align.Source, first int64) (whole, passed float64, err error) {
	if _, err := a.ReadAt(b.in, first-int64(b.settle)); err != nil {
		return 0, 0, err
	}
	last, u := b.in[0], 0.0
	half := (1 + b.pass) / 2
	for i, v := range b.in[1:] {
		u = half*(v-last) + b.pass*u
		last = v
		if i -= b.settle - 1; i >= 0 {
			b.x[0][i], b.x[1][i] = v, u
			whole += v * v
			passed += u * u
		}
	}
	n := float64(b.size)
	return whole / n, passed / n, nil
}

// bend replaces what read left by the outputs of the bank.
func (b *bank) bend() {
	for i, u := range b.x[1] {
		u *= b.gain
		t, s := b.taper[i], math.Abs(u)
		b.x[0][i] *= t * b.gain
		for k, g := range bankGains {
			b.x[1+k][i] = t * float64(g) * u / (1 + float64(g)*s)
		}
		b.x[4][i] = t * math.Sqrt(1+bankEven*bankEven*u*u)
	}
}

// sums are what a fit needs to know of one band over some time.
type sums struct {
	xx [curves][curves]complex128 // Σ X̄i·Xj, for i ≤ j
	xy [curves]complex128         // Σ X̄i·Y
	yy float64                    // Σ |Y|²
}

func (s *sums) add(t *sums) {
	for i := range s.xy {
		for j := i; j < curves; j++ {
			s.xx[i][j] += t.xx[i][j]
		}
		s.xy[i] += t.xy[i]
	}
	s.yy += t.yy
}

// take is the opposite of add.
func (s *sums) take(t *sums) {
	for i := range s.xy {
		for j := i; j < curves; j++ {
			s.xx[i][j] -= t.xx[i][j]
		}
		s.xy[i] -= t.xy[i]
	}
	s.yy -= t.yy
}

// gather adds the window of a that begins at first and the one of b that is lag
// frames later to the bands' sums, and returns the power of b there.
func (b *bank) gather(dst []sums, a, other align.Source, first int64, lag float64) (float64, error) {
	if _, _, err := b.read(a, first); err != nil {
		return 0, err
	}
	b.bend()
	if _, err := other.ReadAt(b.y, first+int64(math.Round(lag))); err != nil {
		return 0, err
	}
	for i, t := range b.taper {
		b.y[i] *= t
	}
	b.cx[0], b.cx[1] = b.fft.Pair(b.cx[0], b.cx[1], b.x[0], b.x[1])
	b.cx[2], b.cx[3] = b.fft.Pair(b.cx[2], b.cx[3], b.x[2], b.x[3])
	b.cx[4], b.cy = b.fft.Pair(b.cx[4], b.cy, b.x[4], b.y)
	z, turn := rotation(math.Round(lag)-lag, b.lo, b.size)
	power := 0.0
	for n := range dst {
		s := &dst[n]
		for k, to := b.bins(n); k < to; k++ {
			y := b.cy[k] * z
			z *= turn
			s.yy += abs2(y)
			power += abs2(y)
			for i := range curves {
				x := cmplx.Conj(b.cx[i][k])
				s.xy[i] += x * y
				for j := i; j < curves; j++ {
					s.xx[i][j] += x * b.cx[j][k]
				}
			}
		}
	}
	return power, nil
}

// factor is the Cholesky factor of a Hermitian matrix.
type factor [curves][curves]complex128

const ridge = 1e-6 // of the mean of the diagonal, added to it

// factorise returns the lower factor of m, of which the upper half is given.
func factorise(m *[curves][curves]complex128) (l factor) {
	mean := 0.0
	for i := range m {
		mean += real(m[i][i]) / curves
	}
	for i := range m {
		for j := range i + 1 {
			v := cmplx.Conj(m[j][i])
			for k := range j {
				v -= l[i][k] * cmplx.Conj(l[j][k])
			}
			if i > j {
				l[i][j] = v / l[j][j]
				continue
			}
			l[i][i] = complex(math.Sqrt(math.Max(real(v), 0)+ridge*mean+math.SmallestNonzeroFloat32), 0)
		}
	}
	return l
}

// solve returns x with L·L*·x = c.
func (l *factor) solve(c [curves]complex128) (x [curves]complex128) {
	for i := range c {
		v := c[i]
		for k := range i {
			v -= l[i][k] * x[k]
		}
		x[i] = v / l[i][i]
	}
	for i := curves - 1; i >= 0; i-- {
		v := x[i]
		for k := i + 1; k < curves; k++ {
			v -= cmplx.Conj(l[k][i]) * x[k]
		}
		x[i] = v / l[i][i]
	}
	return x
}

// predicted returns Σ P̄·Y and Σ |P|² for the filters h.
func (s *sums) predicted(h [curves]complex128) (py complex128, pp float64) {
	for i := range h {
		py += cmplx.Conj(h[i]) * s.xy[i]
		pp += abs2(h[i]) * real(s.xx[i][i])
		for j := i + 1; j < curves; j++ {
			pp += 2 * real(cmplx.Conj(h[i])*h[j]*s.xx[i][j])
		}
	}
	return py, pp
}

func abs2(c complex128) float64 { return real(c)*real(c) + imag(c)*imag(c) }

// rotation returns the factor of bin lo and that from bin to bin that delay a
// spectrum by lag frames.
func rotation(lag float64, lo, size int) (first, turn complex128) {
	theta := -2 * math.Pi * lag / float64(size)
	return cmplx.Rect(1, theta*float64(lo)), cmplx.Rect(1, theta)
}
