package clock

import (
	"math"
	"math/cmplx"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
)

const (
	smoothHertz = 60    // half width over which the magnitudes are smoothed
	fineReach   = 0.003 // s: largest lag of a window from the line, either way
)

// spectra forms whitened cross-spectra of windows.
type spectra struct {
	size   int
	lo, hi int // bins lo ≤ k < hi
	half   int
	taper  []float64
	fft    *dsp.FFT
	a, b   window
	x      []float64
	cx, cy []complex128
	pa, pb []float64
	c      []complex128

	memo  *Memo // of the windows of a; nil: none is kept
	first int64 // of the window of a
	known bool  // its spectrum is in cx already
}

// window is a stretch of a recording.
type window struct {
	x     []float64
	first int64
	read  bool
}

// move reads the stretch that begins at first; what it shares with the one
// before is not read again.
func (w *window) move(s align.Source, first int64) error {
	rest := w.x
	if by := first - w.first; w.read && by >= 0 && by < int64(len(w.x)) {
		rest = w.x[copy(w.x, w.x[by:]):]
	}
	w.first, w.read = first, true
	err := read(s, rest, first+int64(len(w.x)-len(rest)))
	w.read = err == nil
	return err
}

// power is the mean square.
func (w *window) power() float64 {
	sum := 0.0
	for _, v := range w.x {
		sum += v * v
	}
	return sum / float64(len(w.x))
}

func newSpectra(size, rate int, p Params) *spectra {
	w := &spectra{size: size, taper: dsp.Hann(size), fft: dsp.NewFFT(size), x: make([]float64, size)}
	w.a.x, w.b.x = make([]float64, size), make([]float64, size)
	w.lo = max(1, int(math.Ceil(float64(p.Low)*float64(size)/float64(rate))))
	w.hi = min(size/2, int(float64(p.High)*float64(size)/float64(rate))+1)
	w.half = max(1, int(smoothHertz*float64(size)/float64(rate)))
	w.pa, w.pb = make([]float64, w.hi-w.lo+1), make([]float64, w.hi-w.lo+1)
	w.c = make([]complex128, w.hi-w.lo)
	w.cx, w.cy = make([]complex128, size/2+1), make([]complex128, size/2+1)
	return w
}

func read(s align.Source, dst []float64, first int64) error {
	if _, err := s.ReadAt(dst, first); err != nil {
		return err // the source names the file and the place
	}
	return nil
}

// load reads the windows that begin at first in a and lag frames later in b,
// and returns their mean squares.
func (w *spectra) load(a, b align.Source, first int64, lag float64) (pa, pb float64, err error) {
	w.first, w.known = first, false
	if w.memo != nil {
		pa, w.known = w.memo.spectrum(w.place(), w.cx[w.lo:w.hi])
	}
	if !w.known {
		if err := w.a.move(a, first); err != nil {
			return 0, 0, err
		}
		pa = w.a.power()
	}
	if err := w.b.move(b, first+int64(math.Round(lag))); err != nil {
		return 0, 0, err
	}
	return pa, w.b.power(), nil
}

// place says of which window, and of which band, a spectrum is.
func (w *spectra) place() windowPlace { return windowPlace{w.first, w.size, w.lo, w.hi} }

// transform writes the spectrum of a window to dst.
func (w *spectra) transform(dst []complex128, from *window) {
	for i, t := range w.taper {
		w.x[i] = from.x[i] * t
	}
	w.fft.Forward(dst, w.x)
}

// cross returns the whitened cross-spectrum of the windows that were loaded, as
// if lag were not rounded. It is valid until the next call.
func (w *spectra) cross(lag float64) []complex128 {
	if !w.known {
		w.transform(w.cx, &w.a)
		if w.memo != nil {
			w.memo.keep(w.place(), w.a.power(), w.cx[w.lo:w.hi])
		}
		w.known = true
	}
	w.transform(w.cy, &w.b)
	n := w.hi - w.lo
	cx, cy := w.cx[w.lo:w.hi], w.cy[w.lo:w.hi]
	for k := range n {
		w.pa[k+1] = w.pa[k] + abs2(cx[k])
		w.pb[k+1] = w.pb[k] + abs2(cy[k])
	}
	z, turn := rotation(math.Round(lag)-lag, w.lo, w.size)
	for k := range w.c {
		from, to := max(0, k-w.half), min(n, k+w.half+1)
		d := math.Sqrt((w.pa[to] - w.pa[from]) * (w.pb[to] - w.pb[from]))
		if d > 0 {
			d = float64(to-from) / d
		}
		v := cmplx.Conj(cx[k]) * cy[k] * z
		w.c[k] = complex(real(v)*d, imag(v)*d)
		z *= turn
	}
	return w.c
}

func abs2(c complex128) float64 { return real(c)*real(c) + imag(c)*imag(c) }

// correlator finds the lags between cross-spectra.
type correlator struct {
	lo, size int
	fft      *dsp.Narrow
	step     float64 // frames
	rng      int     // steps
	d        [2][]complex128
}

func newCorrelator(bins, lo, size, rate int) *correlator {
	n := dsp.NextPow2(3 * (lo + bins))
	c := &correlator{lo: lo, size: size, step: float64(size) / float64(n)}
	c.d[0], c.d[1] = make([]complex128, bins), make([]complex128, bins)
	c.rng = min(n/2-2, int(fineReach*float64(rate)/c.step))
	c.fft = dsp.NewNarrow(n, lo, bins, c.rng+1)
	return c
}

// lag returns how much later y is than x, in frames, within fineReach, and the
// height of their correlation there, at most 1. It does two pairs at a time,
// because one transform does both; x[1] and y[1] may be nil.
func (c *correlator) lag(x, y [2][]complex128) (lag, height [2]float64) {
	var scale [2]float64
	for m := range x {
		xx, yy := 0.0, 0.0
		d := c.d[m][:len(x[m])]
		for k, u := range x[m] {
			v := y[m][k]
			xx += abs2(u)
			yy += abs2(v)
			d[k] = cmplx.Conj(u) * v
		}
		if xx > 0 && yy > 0 {
			scale[m] = 1 / math.Sqrt(xx*yy)
		}
	}
	second := c.d[1]
	if x[1] == nil {
		second = nil
	}
	var corr [2][]float64
	corr[0], corr[1] = c.fft.Lags(c.d[0], second)
	for m := range x {
		if x[m] == nil {
			continue
		}
		at, val := c.rng+1, corr[m]
		for i, v := range val[1 : len(val)-1] {
			if v > val[at] {
				at = i + 1
			}
		}
		p, q, r := val[at-1], val[at], val[at+1]
		height[m] = q * scale[m]
		tau := float64(at - c.rng - 1)
		if d := p - 2*q + r; d < 0 {
			tau += max(-0.5, min(0.5, 0.5*(p-r)/d))
		}
		lag[m] = c.refine(c.d[m], tau*c.step)
	}
	return lag, height
}

// turned writes the cross-spectrum x, whose first bin is lo, delayed by lag
// frames to dst. It turns four bins at a time, because each step of a rotation
// waits for the one before.
func turned(dst []complex128, x []complex64, lag float64, lo, size int) {
	z0, turn := rotation(lag, lo, size)
	z1, two := z0*turn, turn*turn
	z2, z3, four := z0*two, z1*two, two*two
	dst = dst[:len(x)]
	whole := len(x) &^ 3
	for k := 0; k < whole; k += 4 {
		u, v := dst[k:k+4:k+4], x[k:k+4:k+4]
		u[0], u[1], u[2], u[3] = complex128(v[0])*z0, complex128(v[1])*z1, complex128(v[2])*z2, complex128(v[3])*z3
		z0, z1, z2, z3 = z0*four, z1*four, z2*four, z3*four
	}
	for k, v := range x[whole:] {
		dst[whole+k] = complex128(v) * z0
		z0 *= turn
	}
}

// rotation returns the factor of bin lo and that from bin to bin that delay a
// spectrum by lag frames.
func rotation(lag float64, lo, size int) (first, turn complex128) {
	theta := -2 * math.Pi * lag / float64(size)
	return cmplx.Rect(1, theta*float64(lo)), cmplx.Rect(1, theta)
}

// refine moves tau to the nearby extremum of Σ Re d[k]·exp(iθ(k+lo)τ).
func (c *correlator) refine(d []complex128, tau float64) float64 {
	theta := 2 * math.Pi / float64(c.size)
	start := tau
	for range 5 {
		// Two bins at a time, because each step of a rotation waits for the
		// one before.
		turn, z := cmplx.Rect(1, theta*tau), cmplx.Rect(1, theta*tau*float64(c.lo))
		z2, two := z*turn, turn*turn
		w := theta * float64(c.lo)
		r1, r2 := 0.0, 0.0
		add := func(v, z complex128, w float64) {
			r1 -= w * (real(v)*imag(z) + imag(v)*real(z))
			r2 -= w * w * (real(v)*real(z) - imag(v)*imag(z))
		}
		k := 0
		for ; k+1 < len(d); k += 2 {
			add(d[k], z, w)
			add(d[k+1], z2, w+theta)
			w += 2 * theta
			z, z2 = z*two, z2*two
		}
		if k < len(d) {
			add(d[k], z, w)
		}
		if r2 >= 0 {
			return start
		}
		move := -r1 / r2
		if math.Abs(tau+move-start) > c.step {
			return start
		}
		tau += move
		if math.Abs(move) < 1e-3 {
			break
		}
	}
	return tau
}
