package spectrum

import (
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// PSD is the power spectral density of one span.
type PSD struct {
	Rate   int // Hz
	Length int // frames in a segment
	// Density is one-sided, in full scale squared per hertz, at the frequencies
	// k·Rate/Length, k = 0 … Length/2, all channels summed. NaN without segments.
	Density  []float64
	Segments int
	// Effective is the number of independent segments that these overlapped ones
	// are worth for stationary noise. It counts time only: two independent
	// channels have up to twice as many degrees of freedom, equal ones no more.
	Effective float64
	Warnings  []finding.Text

	// NoiseVariance and BeatVariance are the variance of Density: that of noise alone and
	// that of noise beating with the signal, for DegreesOfFreedom; nil without.
	NoiseVariance, BeatVariance []float64
}

// Resolution returns the distance of two bins in Hz. The window's equivalent
// noise bandwidth is 1.5 times that.
func (p PSD) Resolution() float64 { return float64(p.Rate) / float64(p.Length) }

// minimumBins is how wide a band must at least be: the window then spreads less
// than half of a tone at the band's middle into its neighbours, and a band's
// level is its own.
const minimumBins = 2

// Resolved reports whether a band's level means anything: it lies below half the
// sample rate and is at least two bins wide, and there was a segment.
func (p PSD) Resolved(b Band) bool {
	return p.Segments > 0 && float64(b.High) <= float64(p.Rate)/2 && float64(b.High-b.Low) >= minimumBins*p.Resolution()
}

// reach tells which bins lie at least partly from lo to hi Hz: the first and the
// last, and the share that each of these two has in power per density. Those
// between have a whole bin. A bin reaches half a bin to both sides of its
// frequency; the spectrum's first and last reach to one side only and hold in
// that half the power of a whole bin. It returns ok false for no bins.
func (p PSD) reach(lo, hi float64) (first, last int, sFirst, sLast float64, ok bool) {
	df, end := p.Resolution(), len(p.Density)-1
	lo, hi = math.Max(lo, 0), math.Min(hi, float64(p.Rate)/2)
	if end < 1 || !(lo < hi) {
		return 0, 0, 0, 0, false
	}
	first = min(int(math.Floor(lo/df+0.5)), end)
	last = min(int(math.Ceil(hi/df-0.5)), end)
	share := func(k int) float64 {
		s := math.Min(hi, (float64(k)+0.5)*df) - math.Max(lo, (float64(k)-0.5)*df)
		if k == 0 || k == end {
			s *= 2
		}
		return math.Max(s, 0)
	}
	return first, last, share(first), share(last), last >= first
}

// Power returns the power from lo to hi Hz in full scale squared (a full-scale
// sine in one channel has 0.5), bins at the edges counted by the part that lies
// inside. Frequencies outside 0 … Rate/2 count as none. From 0 to Rate/2 it is
// the mean square of the windowed signal. NaN without segments.
func (p PSD) Power(lo, hi unit.Hertz) float64 {
	if p.Segments == 0 {
		return math.NaN()
	}
	first, last, sFirst, sLast, ok := p.reach(float64(lo), float64(hi))
	if !ok {
		return 0
	}
	if first == last {
		return p.Density[first] * sFirst
	}
	sum := 0.0
	for _, v := range p.Density[first+1 : last] {
		sum += v
	}
	return p.Density[first]*sFirst + sum*p.Resolution() + p.Density[last]*sLast
}

// Weighted returns the same with each bin multiplied by w, a factor on power at a
// frequency in Hz, taken at the bin's frequency.
func (p PSD) Weighted(w func(hz float64) float64, lo, hi unit.Hertz) float64 {
	if p.Segments == 0 {
		return math.NaN()
	}
	first, last, sFirst, sLast, ok := p.reach(float64(lo), float64(hi))
	if !ok {
		return 0
	}
	df := p.Resolution()
	sum := p.Density[first] * sFirst * w(float64(first)*df)
	for k := first + 1; k < last; k++ {
		sum += p.Density[k] * df * w(float64(k)*df)
	}
	if last > first {
		sum += p.Density[last] * sLast * w(float64(last)*df)
	}
	return sum
}

// Bands returns the power in each band, in full scale squared; NaN for a band
// that is not Resolved.
func (p PSD) Bands(bands []Band) []float64 {
	out := make([]float64, len(bands))
	for i, b := range bands {
		if out[i] = math.NaN(); p.Resolved(b) {
			out[i] = p.Power(b.Low, b.High)
		}
	}
	return out
}

// Levels returns powers in dB, with a gain added: the one that matches levels,
// or minus the total's level for levels relative to the total. −Inf for no
// power, NaN where the power is NaN.
func Levels(power []float64, gain unit.DB) []unit.DB {
	out := make([]unit.DB, len(power))
	for i, v := range power {
		if out[i] = unit.DB(math.NaN()); !math.IsNaN(v) {
			out[i] = unit.DB(unit.FromPower(v)) + gain
		}
	}
	return out
}

// Correlation of the powers of noise, and of the beats of noise with a signal, in
// bins one and two apart under the Hann window: its transform is −1/4, 1/2, −1/4,
// so amplitudes correlate by −2/3 and 1/6.
const (
	noise1, noise2 = 4. / 9, 1. / 36
	beat1, beat2   = 2. / 3, 1. / 6
)

// DegreesOfFreedom returns, for each band, the degrees of freedom of the
// chi-square that varies as much as the band's power would from one pass to
// the next: 2·mean²/variance, with the variance of the package comment. +Inf for
// a band without noise, NaN for one without power or not Resolved. For a PSD
// that Welch did not make it is StationaryDegreesOfFreedom.
func (p PSD) DegreesOfFreedom(bands []Band) []float64 {
	out := make([]float64, len(bands))
	for i, b := range bands {
		mean := p.Power(b.Low, b.High)
		switch {
		case !p.Resolved(b) || !(mean > 0):
			out[i] = math.NaN()
		case p.NoiseVariance == nil:
			out[i] = p.StationaryDegreesOfFreedom(b.Low, b.High)
		default:
			out[i] = 2 * mean * mean / p.variance(float64(b.Low), float64(b.High))
		}
	}
	return out
}

// variance returns the variance of the power from lo to hi Hz.
func (p PSD) variance(lo, hi float64) float64 {
	first, last, sFirst, sLast, ok := p.reach(lo, hi)
	if !ok {
		return 0
	}
	df := p.Resolution()
	sum := 0.0
	s1, s2 := 0.0, 0.0 // shares of the bins one and two before
	for k := first; k <= last; k++ {
		s := df
		if k == first {
			s = sFirst
		} else if k == last {
			s = sLast
		}
		n, b := p.NoiseVariance[k], p.BeatVariance[k]
		v := s * (n + b)
		// The mean of two variances is at least their geometric mean.
		if k > first {
			v += s1 * (noise1*(n+p.NoiseVariance[k-1]) + beat1*(b+p.BeatVariance[k-1]))
		}
		if k > first+1 {
			v += s2 * (noise2*(n+p.NoiseVariance[k-2]) + beat2*(b+p.BeatVariance[k-2]))
		}
		sum += s * v
		s1, s2 = s, s1
	}
	return sum
}

// StationaryDegreesOfFreedom returns the degrees of freedom of the power from lo
// to hi Hz for stationary noise of even density in one channel: 2·Effective
// times the number of independent bins in the band. For n whole bins that is
// n²/(n + 2·(n−1)·4/9 + 2·(n−2)/36), 1 for a single bin and n/1.944 for many.
// NaN for no bins.
func (p PSD) StationaryDegreesOfFreedom(lo, hi unit.Hertz) float64 {
	first, last, sFirst, sLast, ok := p.reach(float64(lo), float64(hi))
	if !ok {
		return math.NaN()
	}
	df := p.Resolution()
	var sum, square, s1, s2 float64
	for k := first; k <= last; k++ {
		s := df
		if k == first {
			s = sFirst
		} else if k == last {
			s = sLast
		}
		sum += s
		square += s*s + 2*s*(noise1*s1+noise2*s2)
		s1, s2 = s, s1
	}
	return 2 * p.Effective * sum * sum / square
}

// Frame states what Describe's figures refer to.
type Frame struct {
	From, To         unit.Hertz // centroid and shares
	LowMid, MidHigh  unit.Hertz // corners of the shares
	TiltFrom, TiltTo unit.Hertz // centres of the bands that the tilt is of
}

// DefaultFrame returns the frame used for guitar: 40 Hz to 16 kHz, corners at
// 250 Hz and 2 kHz, tilt from 100 Hz to 5 kHz (common practice, no source).
func DefaultFrame() Frame {
	return Frame{From: 40, To: 16000, LowMid: 250, MidHigh: 2000, TiltFrom: 100, TiltTo: 5000}
}

// Descriptors sum up a spectrum. They are NaN without power.
type Descriptors struct {
	// Centroid is the mean of the frequency, weighted by power.
	Centroid unit.Hertz
	// Tilt is the slope, per octave, of the straight line that fits the levels of the
	// third octaves best (least squares, each with its weight): 0 for pink noise,
	// +3.01 for white.
	Tilt unit.DB
	// Low, Mid and High are the shares of the power below, between and above the
	// corners, in dB of the whole.
	Low, Mid, High unit.DB
}

// Describe returns the descriptors in a frame, whose frequencies are cut at half
// the sample rate, over those of the third octaves, which do not overlap, whose weight
// is above 0.
func (p PSD) Describe(f Frame, thirds []Band, weight []float64) Descriptors {
	nan := math.NaN()
	d := Descriptors{unit.Hertz(nan), unit.DB(nan), unit.DB(nan), unit.DB(nan), unit.DB(nan)}
	sum := func(w func(hz float64) float64, lo, hi unit.Hertz) float64 {
		total := 0.0
		for i, b := range thirds {
			if from, to := max(lo, b.Low), min(hi, b.High); weight[i] > 0 && from < to {
				total += p.Weighted(w, from, to)
			}
		}
		return total
	}
	one := func(float64) float64 { return 1 }
	total := sum(one, f.From, f.To)
	if !(total > 0) {
		return d
	}
	d.Centroid = unit.Hertz(sum(func(hz float64) float64 { return hz }, f.From, f.To) / total)
	share := func(lo, hi unit.Hertz) unit.DB { return unit.DB(unit.FromPower(sum(one, lo, hi) / total)) }
	d.Low, d.Mid, d.High = share(f.From, f.LowMid), share(f.LowMid, f.MidHigh), share(f.MidHigh, f.To)

	var n int
	var sw, sx, sy, sxx, sxy float64
	for i, v := range p.Bands(thirds) {
		centre, w := thirds[i].Centre, weight[i]
		if !(v > 0) || !(w > 0) || centre < f.TiltFrom/1.01 || centre > f.TiltTo*1.01 {
			continue
		}
		x, y := math.Log2(float64(centre)), unit.FromPower(v)
		n, sw, sx, sy, sxx, sxy = n+1, sw+w, sx+w*x, sy+w*y, sxx+w*x*x, sxy+w*x*y
	}
	if n >= 3 {
		d.Tilt = unit.DB((sw*sxy - sx*sy) / (sw*sxx - sx*sx))
	}
	return d
}
