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
	// Averages is the number of independent segments. Without any true coherence the estimate is 1/Averages, so
	// figures near that mean nothing.
	Averages unit.Number
}

const (
	segmentSeconds = 0.085 // a segment is the power of two from here
	shiftHalf      = 48    // half length of the fractional delay's kernel
	shiftBeta      = 9.0   // its Kaiser window
)

// SegmentLength returns the frames in a segment of an Excerpt at a sample rate.
func SegmentLength(rate int) int { return dsp.NextPow2(int(segmentSeconds * float64(rate))) }

// Excerpt is what is kept of a recording to compare it with others: spectra of
// short segments spread evenly over a stretch of the music. It does not change
// once made and may be shared by goroutines.
type Excerpt struct {
	rate    int
	from    int64
	frames  int64
	size    int
	spectra [][]complex128 // of each segment; size/2+1 values
}

// NewExcerpt reads up to segments segments of the frames frames that begin at
// frame from of the timeline; the recording lies lag frames later than that,
// and a fraction is taken off by a windowed sinc (error below −80 dB up to 0.9
// of the Nyquist frequency). Segments do not overlap; fewer are read when the
// stretch does not hold as many. A segment takes 33 kB at 48 kHz.
//
// It returns an error for a lag that is no number, for a stretch or a number of
// segments below 1, and when reading fails.
func NewExcerpt(src Source, lag unit.Samples, from, frames int64, segments int) (*Excerpt, error) {
	if err := checkRate(src.Rate()); err != nil {
		return nil, err
	}
	switch {
	case !finite(float64(lag)) || math.Abs(float64(lag)) > 1<<40:
		return nil, fmt.Errorf("align: lag %g, allowed a finite number of frames", float64(lag))
	case frames < 1:
		return nil, fmt.Errorf("align: %d frames to compare, at least 1 is needed", frames)
	case segments < 1:
		return nil, fmt.Errorf("align: %d segments to compare, at least 1 is needed", segments)
	}
	e := &Excerpt{rate: src.Rate(), from: from, frames: frames, size: SegmentLength(src.Rate())}
	n := int(min(int64(segments), frames/int64(e.size)))
	shifted := newShift(src, float64(lag))
	fft, taper := dsp.NewComplex(e.size), dsp.Hann(e.size)
	x, y := make([]float64, e.size), make([]float64, e.size)
	read := func(dst []float64, k int) error {
		at := int64(0)
		if n > 1 {
			at = (frames - int64(e.size)) * int64(k) / int64(n-1)
		}
		if err := shifted.read(dst, from+at); err != nil {
			return err
		}
		for i, w := range taper {
			dst[i] *= w
		}
		return nil
	}
	for k := 0; k < n; k += 2 {
		if err := read(x, k); err != nil {
			return nil, err
		}
		clear(y)
		if k+1 < n {
			if err := read(y, k+1); err != nil {
				return nil, err
			}
		}
		cx, cy := fft.Pair(nil, nil, x, y)
		e.spectra = append(e.spectra, cx)
		if k+1 < n {
			e.spectra = append(e.spectra, cy)
		}
	}
	return e, nil
}

// Compare returns how alike two excerpts are, of the same stretch of the music
// and with as many segments. Polarity +1 or −1 fixes the sign of b; 0 takes the
// one that nulls better.
//
// Distortion destroys null and coherence: a poor figure does not show that the
// performances differ. Both are of segments under a periodic Hann window, as
// Welch's method averages them, with nothing detrended.
//
// Source: P. D. Welch, The use of fast Fourier transform for the estimation of
// power spectra, IEEE Trans. AU-15(2), 1967; G. C. Carter, C. H. Knapp, A. H.
// Nuttall, Estimation of the magnitude-squared coherence function via
// overlapped fast Fourier transform processing, IEEE Trans. AU-21(4), 1973
// (both from memory).
func (a *Excerpt) Compare(b *Excerpt, polarity int) (Likeness, error) {
	nan := math.NaN()
	out := Likeness{Residual: unit.DB(nan), Gain: unit.DB(nan), Coherence: unit.Number(nan)}
	switch {
	case a.rate != b.rate:
		return out, fmt.Errorf("align: %w: %d Hz and %d Hz; convert one of the recordings first", ErrRates, a.rate, b.rate)
	case a.from != b.from || a.frames != b.frames || len(a.spectra) != len(b.spectra):
		return out, fmt.Errorf("align: excerpts of different stretches: %d frames from %d and %d from %d", a.frames, a.from, b.frames, b.from)
	case polarity < -1 || polarity > 1:
		return out, fmt.Errorf("align: polarity %d, allowed −1, 0 and 1", polarity)
	}
	out.Averages = unit.Number(len(a.spectra))
	var saa, sab, sbb, sum, weights float64
	last := a.size / 2
	for k := 0; k <= last; k++ {
		pxx, pyy, re, im := a.bin(b, k)
		// Parseval: a bin stands for its mirror image too, 0 and the last do not.
		double := 2.0
		if k == 0 || k == last {
			double = 1
		}
		saa, sab, sbb = saa+double*pxx, sab+double*re, sbb+double*pyy
		weight := math.Sqrt(pxx * pyy)
		sum += weight * coherence(pxx, pyy, re, im)
		weights += weight
	}
	if saa == 0 || sbb == 0 {
		return out, nil
	}
	if len(a.spectra) >= 2 {
		out.Coherence = unit.Number(sum / weights)
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
		if left < 1e-15 {
			left = 0 // the same audio, but for the last bits of the sums
		}
	}
	out.Residual = unit.DB(unit.FromPower(left))
	return out, nil
}

// bin returns the auto spectra of a and b and the real and imaginary parts of
// their cross-spectrum in bin k, summed over the segments.
func (a *Excerpt) bin(b *Excerpt, k int) (pxx, pyy, re, im float64) {
	for s := range a.spectra {
		x, y := a.spectra[s][k], b.spectra[s][k]
		pxx += real(x)*real(x) + imag(x)*imag(x)
		pyy += real(y)*real(y) + imag(y)*imag(y)
		re += real(x)*real(y) + imag(x)*imag(y)
		im += real(x)*imag(y) - imag(x)*real(y)
	}
	return pxx, pyy, re, im
}

// coherence is the magnitude-squared coherence, 0 where one of the two has no
// power.
func coherence(pxx, pyy, re, im float64) float64 {
	p := pxx * pyy
	if p == 0 {
		return 0
	}
	return min(1, (re*re+im*im)/p)
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
		s.kernel[i] = math.Sin(math.Pi*u) / (math.Pi * u) * dsp.BesselI0(shiftBeta*math.Sqrt(max(0, 1-v*v)))
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
			return err // the source names the file and the place
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
		return err // the source names the file and the place
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
