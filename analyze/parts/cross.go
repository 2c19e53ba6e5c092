package parts

import (
	"cmp"
	"math"
	"math/cmplx"
	"sync"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
)

const (
	windowSeconds = 0.3  // a window is the power of two from here
	mostWindows   = 768  // spread over the recording, and as many between, 17 MB at 48 kHz for each curve
	phaseLow      = 100  // Hz
	phaseHigh     = 4000 // Hz
	phaseQuiet    = 1e-4 // of the loudest window's power, below which none is compared
)

// window is a stretch of both recordings.
type window struct {
	time  float64 // s, its middle, on the timeline of a
	first int64   // its first frame in a
	lag   float64 // frames by which b was read later
	off   float64 // frames of these that are rounding
	half  float64 // s: half its length
	// between says that it overlaps its neighbours by half: it is no part of the path,
	// and adds to what the others say of small steps.
	between bool
}

// curve is what a goes through before it is compared.
type curve int

const (
	asItIs curve = iota
	magnitude
	curves
)

// crossing gives the cross-spectra of the windows of two recordings. It keeps them: windows
// are compared several times, and most lie at the same lag again.
type crossing struct {
	a, b    align.Source
	reading sync.Mutex // a source is read by one at a time
	size    int
	hop     int64
	lo, hi  int // bins
	taper   []float64
	kept    [curves][]crossed // of each window
}

// crossed is what was found in one window.
type crossed struct {
	lag   float64     // at which it was
	power float64     // of a
	g     []complex64 // nil where nothing was
}

func newCrossing(a, b align.Source) *crossing {
	rate := float64(a.Rate())
	size := dsp.NextPow2(int(windowSeconds * rate))
	x := &crossing{a: a, b: b, size: size, hop: max(int64(size), (a.Len()-int64(size))/mostWindows) / 2, taper: dsp.Hann(size),
		lo: int(math.Ceil(phaseLow * float64(size) / rate)), hi: int(min(phaseHigh, 0.45*rate) * float64(size) / rate)}
	for k := range x.kept {
		x.kept[k] = make([]crossed, max(0, a.Len()-int64(size))/x.hop+1)
	}
	return x
}

// windows returns those of the times that may be compared that lie in both recordings, where
// b is lag(t) frames later.
func (x *crossing) windows(lag func(t float64) float64, keep func(from, to float64) bool) (all []window) {
	rate, size := float64(x.a.Rate()), int64(x.size)
	for first := int64(0); first+size <= x.a.Len(); first += x.hop {
		from, to := float64(first)/rate, float64(first+size)/rate
		exact := lag((from + to) / 2)
		w := window{time: (from + to) / 2, first: first, lag: math.Round(exact), half: (to - from) / 2, between: first/x.hop%2 == 1}
		w.off = w.lag - exact
		if keep(from, to) && first+int64(w.lag) >= 0 && first+int64(w.lag)+size <= x.b.Len() {
			all = append(all, w)
		}
	}
	return all
}

// spectra returns the whitened cross-spectrum of each window; nil where there is nothing to
// compare.
func (x *crossing) spectra(curve curve, all []window) ([][]complex64, error) {
	found := func(w window) *crossed { return &x.kept[curve][w.first/x.hop] }
	err := inShares(len(all), func(from, to int) error {
		fft := dsp.NewFFT(x.size)
		a, b := stretch{x.a, -1, make([]float64, x.size)}, stretch{x.b, -1, make([]float64, x.size)}
		u, v := make([]float64, x.size), make([]float64, x.size)
		cu, cv := make([]complex128, x.size/2+1), make([]complex128, x.size/2+1)
		loud := 0.0
		for _, w := range all[from:to] {
			c := found(w)
			if c.g != nil && c.lag == w.lag {
				loud = max(loud, c.power)
				continue
			}
			x.reading.Lock()
			err := cmp.Or(a.to(w.first), b.to(w.first+int64(w.lag)))
			x.reading.Unlock()
			if err != nil {
				return err
			}
			*c = crossed{lag: w.lag, power: dsp.MeanSquare(a.x)}
			if loud = max(loud, c.power); c.power <= phaseQuiet*loud || dsp.MeanSquare(b.x) == 0 {
				continue
			}
			for k, t := range x.taper {
				s := a.x[k]
				if curve == magnitude {
					s = math.Abs(s)
				}
				u[k] = s * t
				v[k] = b.x[k] * t
			}
			cu, cv = fft.Forward(cu, u), fft.Forward(cv, v)
			c.g = whitened(cu[x.lo:x.hi], cv[x.lo:x.hi])
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	loud := 0.0
	for _, w := range all {
		loud = max(loud, found(w).power)
	}
	out := make([][]complex64, len(all))
	for i, w := range all {
		if c := found(w); c.power > phaseQuiet*loud {
			out[i] = c.g
		}
	}
	return out, nil
}

// stretch is as much of a source as a window holds. What two in a row share is read once.
type stretch struct {
	from align.Source
	at   int64 // −1: nothing was read
	x    []float64
}

// to reads the stretch that begins at a frame.
func (s *stretch) to(at int64) error {
	fresh := s.x
	if by := at - s.at; s.at >= 0 && by > 0 && by < int64(len(s.x)) {
		fresh = s.x[len(s.x)-int(by):]
		copy(s.x, s.x[by:])
	}
	s.at = at
	_, err := s.from.ReadAt(fresh, at+int64(len(s.x)-len(fresh)))
	return err
}

// whitened returns the cross-spectrum of x and y over the root of its magnitude,
// with an energy of 1.
func whitened(x, y []complex128) []complex64 {
	out := make([]complex64, len(x))
	sum := 0.0
	for k := range x {
		c := cmplx.Conj(x[k]) * y[k]
		if m := cmplx.Abs(c); m > 0 {
			r := math.Sqrt(m)
			c = complex(real(c)/r, imag(c)/r)
			sum += m
		}
		out[k] = complex64(c)
	}
	if sum > 0 {
		s := complex(float32(1/math.Sqrt(sum)), 0)
		for k := range out {
			out[k] *= s
		}
	}
	return out
}
