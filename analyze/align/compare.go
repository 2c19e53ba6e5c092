package align

import (
	"fmt"
	"math"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// Likeness says how alike two recordings are over the same music.
type Likeness struct {
	// Residual is the level of what remains of a when b, moved by the lag and
	// with the gain that leaves least, is subtracted from it: the depth of the
	// null. −Inf for identical audio, 0 dB when nothing is in common. NaN when
	// a or b is silent.
	Residual unit.DB
	// Gain is that gain on b; NaN when a or b is silent, −Inf when no gain of
	// the given polarity helps.
	Gain unit.DB
	// Inverted tells that b was inverted for it.
	Inverted bool
	// Coherence is the magnitude-squared coherence averaged over frequency
	// with the geometric mean of the two power spectra as weight, 0 to 1;
	// NaN when a or b is silent or the stretch is shorter than two segments.
	Coherence unit.Number
	// Averages is the number of independent segments that the overlapped ones
	// are worth. Without any true coherence the estimate is 1/Averages, so
	// figures near that mean nothing.
	Averages unit.Number
}

const (
	coherenceSeconds = 0.085 // a segment is the power of two from here
	shiftHalf        = 48    // half length of the fractional delay's kernel
	shiftBeta        = 9.0   // its Kaiser window
	compareFrames    = 1 << 14
)

// Compare returns how alike a and b are over frames frames of a from frame
// from on, b read lag frames later (lag may be fractional, as Estimate gives
// it). Polarity +1 or −1 fixes the sign of b; 0 takes the one that nulls
// better. It reads both recordings twice, in blocks.
//
// Distortion destroys null and coherence: a poor figure does not show that the
// performances differ.
//
// The coherence is Welch's with a periodic Hann window and half overlap, no
// detrending; segments are the power of two from 85 ms.
//
// Source: P. D. Welch, The use of fast Fourier transform for the estimation of
// power spectra, IEEE Trans. AU-15(2), 1967; G. C. Carter, C. H. Knapp, A. H.
// Nuttall, Estimation of the magnitude-squared coherence function via
// overlapped fast Fourier transform processing, IEEE Trans. AU-21(4), 1973
// (both from memory).
func Compare(a, b Source, lag unit.Samples, polarity int, from, frames int64) (Likeness, error) {
	nan := math.NaN()
	out := Likeness{Residual: unit.DB(nan), Gain: unit.DB(nan), Coherence: unit.Number(nan)}
	if err := sameRate(a, b); err != nil {
		return out, err
	}
	if err := checkRate(a.Rate()); err != nil {
		return out, err
	}
	switch {
	case !finite(float64(lag)) || math.Abs(float64(lag)) > 1<<40:
		return out, fmt.Errorf("align: lag %g, allowed a finite number of frames", float64(lag))
	case frames < 1:
		return out, fmt.Errorf("align: %d frames to compare, at least 1 is needed", frames)
	case polarity < -1 || polarity > 1:
		return out, fmt.Errorf("align: polarity %d, allowed −1, 0 and 1", polarity)
	}
	shifted := newShift(b, float64(lag))
	x, y := make([]float64, compareFrames), make([]float64, compareFrames)
	size := dsp.NextPow2(int(coherenceSeconds * float64(a.Rate())))
	w := newCoherence(size, size/2)
	saa, sab, sbb := 0.0, 0.0, 0.0
	for done := int64(0); done < frames; done += compareFrames {
		n := min(compareFrames, frames-done)
		x, y := x[:n], y[:n]
		if _, err := a.ReadAt(x, from+done); err != nil {
			return out, fmt.Errorf("align: reading frame %d: %w", from+done, err)
		}
		if err := shifted.read(y, from+done); err != nil {
			return out, err
		}
		for i := range x {
			saa += x[i] * x[i]
			sab += x[i] * y[i]
			sbb += y[i] * y[i]
		}
		w.add(x, y)
	}
	if saa == 0 || sbb == 0 {
		return out, nil
	}
	out.Averages = unit.Number(w.averages())
	if w.segments >= 2 {
		out.Coherence = unit.Number(w.mean())
	}
	gain := sab / sbb
	if polarity != 0 && gain*float64(polarity) < 0 {
		gain = 0
	}
	out.Inverted = polarity < 0 || polarity == 0 && gain < 0
	out.Gain = unit.DB(unit.FromAmplitude(gain))
	left := 1.0 // of a's energy
	if gain != 0 {
		left = max(0, 1-sab/saa*(sab/sbb))
	}
	out.Residual = unit.DB(unit.FromPower(left))
	return out, nil
}

// shift reads a source with a constant delay taken off.
type shift struct {
	src    Source
	whole  int64
	kernel []float64 // nil for a whole number of frames
	buf    []float64
}

// newShift returns a reader of src whose frame n is src at n + lag, between
// frames by a Kaiser-windowed sinc of 96 taps (error below −80 dB up to 0.9 of
// the Nyquist frequency).
func newShift(src Source, lag float64) *shift {
	whole := math.Floor(lag)
	s := &shift{src: src, whole: int64(whole)}
	frac := lag - whole
	if frac == 0 {
		return s
	}
	s.kernel = make([]float64, 2*shiftHalf)
	sum := 0.0
	for i := range s.kernel {
		u := float64(i-shiftHalf+1) - frac
		v := u / shiftHalf
		s.kernel[i] = math.Sin(math.Pi*u) / (math.Pi * u) * bessel0(shiftBeta*math.Sqrt(max(0, 1-v*v)))
		sum += s.kernel[i]
	}
	for i := range s.kernel {
		s.kernel[i] /= sum
	}
	return s
}

// read fills dst from frame first on.
func (s *shift) read(dst []float64, first int64) error {
	if s.kernel == nil {
		if _, err := s.src.ReadAt(dst, first+s.whole); err != nil {
			return fmt.Errorf("align: reading frame %d: %w", first+s.whole, err)
		}
		return nil
	}
	n := len(dst) + len(s.kernel) - 1
	if cap(s.buf) < n {
		s.buf = make([]float64, n)
	}
	buf := s.buf[:n]
	at := first + s.whole - shiftHalf + 1
	if _, err := s.src.ReadAt(buf, at); err != nil {
		return fmt.Errorf("align: reading frame %d: %w", at, err)
	}
	for i := range dst {
		x := buf[i : i+len(s.kernel)]
		var s0, s1, s2, s3 float64
		for j := 0; j+3 < len(x) && j+3 < len(s.kernel); j += 4 {
			s0 += s.kernel[j] * x[j]
			s1 += s.kernel[j+1] * x[j+1]
			s2 += s.kernel[j+2] * x[j+2]
			s3 += s.kernel[j+3] * x[j+3]
		}
		dst[i] = (s0 + s1) + (s2 + s3)
	}
	return nil
}

// bessel0 is the modified Bessel function of the first kind, order zero, by
// its power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= (x / (2 * k)) * (x / (2 * k))
		sum += term
	}
	return sum
}

// coherence gathers averaged auto- and cross-spectra of two streams.
type coherence struct {
	fft      *dsp.Complex
	hop      int
	taper    []float64
	x, y     []float64 // not yet used up
	wx, wy   []float64
	cx, cy   []complex128
	pxx, pyy []float64
	pxy      []complex128
	segments int
	half     bool
}

func newCoherence(size, hop int) *coherence {
	n := size/2 + 1
	return &coherence{fft: dsp.NewComplex(size), hop: hop, taper: dsp.Hann(size), wx: make([]float64, size), wy: make([]float64, size),
		pxx: make([]float64, n), pyy: make([]float64, n), pxy: make([]complex128, n), half: 2*hop == size}
}

// add takes the next samples of both streams; what does not fill a segment at
// the end is left out.
func (c *coherence) add(x, y []float64) {
	c.x, c.y = append(c.x, x...), append(c.y, y...)
	at := 0
	for ; at+len(c.taper) <= len(c.x); at += c.hop {
		for i, w := range c.taper {
			c.wx[i], c.wy[i] = w*c.x[at+i], w*c.y[at+i]
		}
		c.cx, c.cy = c.fft.Pair(c.cx, c.cy, c.wx, c.wy)
		for k := range c.cx {
			a, b := c.cx[k], c.cy[k]
			c.pxx[k] += abs2(a)
			c.pyy[k] += abs2(b)
			c.pxy[k] += complex(real(a)*real(b)+imag(a)*imag(b), real(a)*imag(b)-imag(a)*real(b))
		}
		c.segments++
	}
	at = min(at, len(c.x))
	c.x = c.x[:copy(c.x, c.x[at:])]
	c.y = c.y[:copy(c.y, c.y[at:])]
}

// averages returns the number of independent segments: for half-overlapped
// Hann windows K/(1 + (K−1)/(18K)), from the overlap correlation 1/6.
func (c *coherence) averages() float64 {
	k := float64(c.segments)
	if !c.half || k == 0 {
		return k
	}
	return k / (1 + (k-1)/(18*k))
}

// at returns the magnitude-squared coherence of bin k, 0 where one of the two
// has no power.
func (c *coherence) at(k int) float64 {
	p := c.pxx[k] * c.pyy[k]
	if p == 0 {
		return 0
	}
	return min(1, abs2(c.pxy[k])/p)
}

// mean returns the coherence averaged with √(Pxx·Pyy) as weight.
func (c *coherence) mean() float64 {
	s, w := 0.0, 0.0
	for k := range c.pxx {
		p := math.Sqrt(c.pxx[k] * c.pyy[k])
		s += p * c.at(k)
		w += p
	}
	if w == 0 {
		return math.NaN()
	}
	return s / w
}
