package noise

import (
	"math"
	"slices"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
	"evenhand/analyze/weighting"
)

// pieceFrames is the greatest number of frames that are measured at once: 1 to
// 2 s, a power of two.
func pieceFrames(rate int) int { return dsp.NextPow2(rate) }

// welch averages power spectra over pieces. Segments last 0.1 to 0.2 s.
//
// Source: P. D. Welch, The use of fast Fourier transform for the estimation of
// power spectra, IEEE Trans. Audio Electroacoust. AU-15, 1967 (from memory).
type welch struct {
	n             int
	width         float64 // of a bin, Hz
	from, to      float64
	fft           *dsp.Complex
	window        []float64
	scale         float64 // |X|² to one-sided density
	x, y          []float64
	first, second []complex128
	sum           []float64
	piece         []float64
	flat, a       []float64 // band weights per bin: share of the bin in the band, and that by A
	segments      int
	averages      float64
}

func newWelch(rate int, p Params) *welch {
	n := dsp.NextPow2((rate + 9) / 10)
	w := &welch{n: n, width: float64(rate) / float64(n), from: float64(p.From), to: float64(p.To),
		fft: dsp.NewComplex(n), window: dsp.Hann(n), x: make([]float64, n), y: make([]float64, n),
		first: make([]complex128, n/2+1), second: make([]complex128, n/2+1),
		sum: make([]float64, n/2+1), piece: make([]float64, n/2+1), flat: make([]float64, n/2+1), a: make([]float64, n/2+1)}
	energy := 0.0
	for _, v := range w.window {
		energy += v * v
	}
	w.scale = 2 / (float64(rate) * energy)
	for k := range w.flat {
		w.flat[k] = w.share(k, w.from)
		if w.flat[k] > 0 {
			w.a[k] = w.flat[k] * weighting.APower(float64(k)*w.width)
		}
	}
	return w
}

// share is the part of bin k, in Hz, that lies in from … w.to.
func (w *welch) share(k int, from float64) float64 {
	f := float64(k) * w.width
	return max(0, min(f+w.width/2, w.to)-max(f-w.width/2, from))
}

// transform returns the coefficients of the windowed segments x and y without
// their means; they hold until the next call. y may be nil.
func (w *welch) transform(x, y []float64) (cx, cy []complex128) {
	w.prepare(w.x, x)
	w.prepare(w.y, y)
	w.first, w.second = w.fft.Pair(w.first, w.second, w.x, w.y)
	return w.first, w.second
}

func (w *welch) prepare(dst, x []float64) {
	mean := 0.0
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	for i, v := range x {
		dst[i] = (v - mean) * w.window[i]
	}
	clear(dst[len(x):])
}

// add averages a piece and returns the number of its segments and the sums
// over them of the power in the band, unweighted and A-weighted, as means over
// the channels.
func (w *welch) add(x [][]float64) (segments int, power, a float64) {
	clear(w.piece)
	var held []float64 // a segment that waits for a second one
	take := func(x, y []float64) {
		first, second := w.transform(x, y)
		for k, u := range first {
			v := second[k]
			w.piece[k] += (real(u)*real(u) + imag(u)*imag(u) + real(v)*real(v) + imag(v)*imag(v)) * w.scale
		}
	}
	for o := 0; o+w.n <= len(x[0]); o += w.n / 2 {
		for _, b := range x {
			if s := b[o : o+w.n]; held == nil {
				held = s
			} else {
				take(held, s)
				held = nil
			}
		}
	}
	if held != nil {
		take(held, nil)
	}
	segments = segmentsIn(len(x[0]), w.n)
	last := len(w.piece) - 1
	w.piece[0] /= 2
	w.piece[last] /= 2
	for k, v := range w.piece {
		w.sum[k] += v
		power += v * w.flat[k]
		a += v * w.a[k]
	}
	w.segments += segments
	w.averages += equivalent(segments)
	return segments, power / float64(len(x)), a / float64(len(x))
}

func segmentsIn(frames, n int) int { return max(0, (frames-n/2)/(n/2)) }

// equivalent is the number of independent averages that k half-overlapping
// segments with a Hann window are worth.
//
// Source: P. D. Welch 1967 (formula from memory); the overlap correlation of
// the Hann window is 1/6.
func equivalent(k int) float64 {
	if k == 0 {
		return 0
	}
	n := float64(k)
	return n / (1 + (n-1)/(18*n))
}

func (w *welch) psd(rate, channels int) spectrum.PSD {
	p := spectrum.PSD{Rate: rate, Length: w.n, Density: make([]float64, len(w.sum)), Segments: w.segments, Effective: w.averages}
	for k, v := range w.sum {
		p.Density[k] = v / float64(w.segments*channels)
	}
	return p
}

// frame is the number of frames in 10 ms.
func frame(rate int) int { return (rate + 50) / 100 }

// Powers of 50 ms tell whether a pause is steady. Common practice, no source.
const (
	mostPowers = 1200 // kept of a pause: a minute
	leastRise  = 6    // powers that a rise is measured from
)

// falls reports whether a rise and its error are of a level that falls, by so much
// and so surely that it is not a floor: 1.5 dB surely or 3 dB probably. An echo
// falls in steps.
func falls(rise, err unit.DB) bool {
	return rise < -1.5 && rise < -4*err || rise < -3 && rise < -1.5*err
}

// powers returns the mean square of each 50 ms, summed over the channels, without
// the mean of the whole.
func powers(rate int, x [][]float64) []float64 {
	h := 5 * frame(rate)
	out := make([]float64, len(x[0])/h)
	for _, b := range x {
		mean := 0.0
		for _, v := range b {
			mean += v
		}
		mean /= float64(len(b))
		for i := range out {
			s := 0.0
			for _, v := range b[i*h : (i+1)*h] {
				s += (v - mean) * (v - mean)
			}
			out[i] += s / float64(h)
		}
	}
	return out
}

// rise is by how many dB the straight line through the levels of some powers rises
// from the first to the last, with its standard error; NaN for fewer than leastRise
// and for digital silence.
func rise(p []float64) (rise, err unit.DB) {
	n := float64(len(p))
	if n < leastRise || slices.Min(p) <= 0 {
		return unit.DB(math.NaN()), unit.DB(math.NaN())
	}
	mean, slope, sxx := 0.0, 0.0, 0.0
	for i, v := range p {
		l, d := unit.FromPower(v), float64(i)-(n-1)/2
		mean += l / n
		slope += d * l
		sxx += d * d
	}
	slope /= sxx
	rest := 0.0
	for i, v := range p {
		d := unit.FromPower(v) - mean - slope*(float64(i)-(n-1)/2)
		rest += d * d
	}
	return unit.DB(slope * (n - 1)), unit.DB(math.Sqrt(rest/(n-2)/sxx) * (n - 1))
}

// settle returns where the noise of a pause's first piece becomes steady: the
// first 50 ms whose level is not more than 3 dB above the median of the piece's
// second half. ok is false when that half falls by more than 3 dB between its
// quarters, or what follows falls: a note, an echo or a reverberation is dying away
// throughout.
func settle(rate int, x [][]float64) (start int, ok bool) {
	l := powers(rate, x)
	n := len(l)
	if n < 4 {
		return 0, true
	}
	if third, fourth := median(l[n/2:n-n/4]), median(l[n-n/4:]); third > 2*fourth && fourth > 0 {
		return 0, false
	}
	limit := 2 * median(l[n/2:])
	for start < n && l[start] > limit {
		start++
	}
	if falls(rise(l[start:])) {
		return 0, false
	}
	return start * 5 * frame(rate), true
}

// stillFrames counts the 10 ms frames in which no channel changes at all.
func stillFrames(rate int, x [][]float64) (still, all int) {
	h := frame(rate)
	for o := 0; o+h <= len(x[0]); o += h {
		all++
		if constant(x, o, o+h) {
			still++
		}
	}
	return still, all
}

func constant(x [][]float64, from, to int) bool {
	for _, b := range x {
		for _, v := range b[from:to] {
			if v != b[from] {
				return false
			}
		}
	}
	return true
}

func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	n := len(s)
	if n == 0 {
		return math.NaN()
	}
	return (s[(n-1)/2] + s[n/2]) / 2
}
