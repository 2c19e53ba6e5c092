package noise

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"

	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// Source gives samples of one channel, as io.ReaderAt gives bytes: it fills dst
// from frame first and returns how many it could fill, with io.EOF at the end.
type Source interface {
	ReadAt(dst []float64, first int64) (int, error)
}

// Signal is a recording for Split: one channel, its pauses in its own frames
// and what a Meter said about it.
type Signal struct {
	Source Source
	Pauses []Stretch
	Result Result
}

// SplitResult tells the noise that the dry recording carried in from the noise
// that the chain added. Hum is in neither: lines at the mains frequency are
// alike in every recording, wherever they came from, and are taken off first.
type SplitResult struct {
	// CarriedIn and Added are rms levels in the measuring band; NaN where they
	// cannot be told.
	CarriedIn, Added unit.DBFS
	Reason           finding.Text // why one or both cannot be told
	Averages         unit.Number  // equivalent independent averages
}

// LeastAverages is the least number of equivalent independent averages for
// which Split gives figures.
const LeastAverages = 8

// Split divides the take's noise in the pauses by its coherence with the dry
// recording's noise in the same pauses: in a pause the chain sees a small
// signal, to which even a distorting chain is close to linear, so what is
// coherent was carried in and the rest was added. The two lists of pauses have
// the same length and order, pauses of one pair the same length, aligned within
// a few frames. Frames are those of the sample rate in Hz, which both share.
//
// The incoherent part of n averages is too small by (n−1)/n on average, which
// is corrected. A part of less than three standard errors is not given.
//
// Source: the residual of a regression on one complex variable; mean 1/n and
// variance (n−1)/(n²(n+1)) of the coherence estimate at zero coherence after
// G. C. Carter, C. H. Knapp, A. H. Nuttall, Estimation of the magnitude-squared
// coherence function via overlapped FFT processing, IEEE Trans. Audio
// Electroacoust. AU-21(4), 1973 (from memory).
func Split(dry, take Signal, rate int, p Params) (SplitResult, error) {
	r := SplitResult{CarriedIn: unit.DBFS(math.NaN()), Added: unit.DBFS(math.NaN())}
	if len(dry.Pauses) != len(take.Pauses) {
		return r, fmt.Errorf("noise: %d pauses of the dry recording and %d of the take", len(dry.Pauses), len(take.Pauses))
	}
	p, err := p.resolved(rate)
	if err != nil {
		return r, err
	}
	switch {
	case !take.Result.Measured:
		r.Reason = finding.Say("split.take")
	case !dry.Result.Measured:
		r.Reason = finding.Say("split.dry")
	case take.Result.Gated || take.Result.Silent:
		r.Reason = finding.Say("split.take-gated")
	case dry.Result.Gated || dry.Result.Silent:
		r.Reason = finding.Say("split.dry-gated")
	}
	if r.Reason.Found != "" {
		return r, nil
	}
	s := newSplitter(rate, p)
	dp, _, err := usable(rate, dry.Pauses, p, s.w.n)
	if err != nil {
		return r, err
	}
	tp, _, err := usable(rate, take.Pauses, p, s.w.n)
	if err != nil {
		return r, err
	}
	for i, j := 0, 0; i < len(dp) && j < len(tp); {
		switch a, b := dp[i], tp[j]; {
		case a.index < b.index:
			i++
			continue
		case a.index > b.index:
			j++
			continue
		default:
			if err := s.pause(dry, take, a, b); err != nil {
				return r, err
			}
		}
		i++
		j++
	}
	if l := float64(take.Result.Hum); !math.IsNaN(l) {
		s.hum = unit.ToPower(l)
	}
	s.result(&r)
	return r, nil
}

// humLeft is how far below the hum a carried-in part is not believed, in dB:
// the mains frequency wanders, so that the lines do not cancel wholly.
const humLeft = 35

type splitter struct {
	rate     int
	w        *welch
	comb     *comb
	x, y     []float64
	xx, yy   []float64
	xy       []complex128
	segments int
	averages float64
	window   []float64
	cos, sin [turnFrames]float64 // of the line that is taken off
	hum      float64             // power of the lines taken off the take
}

func newSplitter(rate int, p Params) *splitter {
	w := newWelch(rate, p)
	n := len(w.sum)
	return &splitter{rate: rate, w: w, comb: newComb(rate, p), x: make([]float64, pieceFrames(rate)), y: make([]float64, pieceFrames(rate)),
		xx: make([]float64, n), yy: make([]float64, n), xy: make([]complex128, n)}
}

func (s *splitter) pause(dry, take Signal, a, b *pause) error {
	length := min(a.end-a.first, b.end-b.first)
	pieces := (length + int64(len(s.x)) - 1) / int64(len(s.x))
	settled := false
	for i := range pieces {
		from, to := length*i/pieces, length*(i+1)/pieces
		x, err := read(dry.Source, s.x[:to-from], a.first+from, "dry recording")
		if err != nil {
			return err
		}
		y, err := read(take.Source, s.y[:to-from], b.first+from, "take")
		if err != nil {
			return err
		}
		n := min(len(x), len(y))
		x, y = x[:n], y[:n]
		if !settled {
			u, ok := settle(s.rate, [][]float64{x})
			v, ok2 := settle(s.rate, [][]float64{y})
			u = max(u, v)
			if !ok || !ok2 || n-u < s.w.n {
				continue
			}
			settled = true
			x, y = x[u:], y[u:]
		}
		s.removeHum(x, dry.Result)
		s.removeHum(y, take.Result)
		s.add(x, y)
	}
	return nil
}

func read(src Source, dst []float64, first int64, name string) ([]float64, error) {
	n, err := src.ReadAt(dst, first)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("noise: %s at frame %d: %w", name, first, err)
	}
	return dst[:n], nil
}

// removeHum takes the lines found in r off x, after finding the mains frequency
// of this piece near r's.
func (s *splitter) removeHum(x []float64, r Result) {
	if len(r.Lines) == 0 {
		return
	}
	t := s.comb.transform([][]float64{x})
	if t == 0 {
		return
	}
	const reach = 40 // steps of the grid to both sides: 0.2 Hz
	var fit [2*reach + 1]float64
	at := 0
	for i := range fit {
		f := float64(r.Mains) + float64(i-reach)*gridStep
		for _, l := range r.Lines {
			if l.Harmonic <= searchHarmonics || l.Harmonic == r.Lines[0].Harmonic {
				fit[i] += s.comb.interpolated(f * float64(l.Harmonic))
			}
		}
		if fit[i] > fit[at] {
			at = i
		}
	}
	f := float64(r.Mains) + (float64(at-reach)+vertex(fit[:], at))*gridStep
	w := s.hann(len(x))
	for _, l := range r.Lines {
		s.subtract(x, w, 2*math.Pi*f*float64(l.Harmonic)/float64(s.rate))
	}
}

// turnFrames is how many frames of a line are computed with one table: from block
// to block the table is turned, which takes one rotation in place of many.
const turnFrames = 128

// subtract takes the sine of an angular frequency in radians a frame off x, as
// the window w shows it.
func (s *splitter) subtract(x, w []float64, angle float64) {
	c, d := &s.cos, &s.sin
	for i := range c {
		d[i], c[i] = math.Sincos(float64(i) * angle)
	}
	var sum complex128
	for at := 0; at < len(x); at += turnFrames {
		u := x[at:min(at+turnFrames, len(x))]
		v := w[at:][:len(u)]
		var re, im, re2, im2 float64
		for i := 0; i+1 < len(u); i += 2 { // in two sums, because an addition waits for the one before
			p, q := u[i]*v[i], u[i+1]*v[i+1]
			re += p * c[i&(turnFrames-1)]
			im += p * d[i&(turnFrames-1)]
			re2 += q * c[(i+1)&(turnFrames-1)]
			im2 += q * d[(i+1)&(turnFrames-1)]
		}
		if i := len(u) - 1; i&1 == 0 {
			re += u[i] * v[i] * c[i]
			im += u[i] * v[i] * d[i]
		}
		sum += complex(re+re2, im+im2) * cmplx.Rect(1, float64(at)*angle)
	}
	sum *= complex(4/float64(len(x)), 0) // the window's mean is ½
	for at := 0; at < len(x); at += turnFrames {
		z := cmplx.Conj(sum) * cmplx.Rect(1, float64(at)*angle)
		re, im := real(z), imag(z)
		for i := range x[at:min(at+turnFrames, len(x))] {
			x[at+i] -= re*c[i&(turnFrames-1)] - im*d[i&(turnFrames-1)]
		}
	}
}

// hann returns the window of n frames, kept while n stays the same.
func (s *splitter) hann(n int) []float64 {
	if len(s.window) != n {
		s.window = dsp.Hann(n)
	}
	return s.window
}

func (s *splitter) add(x, y []float64) {
	n := s.w.n
	for o := 0; o+n <= len(x); o += n / 2 {
		first, second := s.w.transform(x[o:o+n], y[o:o+n])
		for k, u := range first {
			v := second[k]
			s.xx[k] += real(u)*real(u) + imag(u)*imag(u)
			s.yy[k] += real(v)*real(v) + imag(v)*imag(v)
			s.xy[k] += complex(real(u), -imag(u)) * v
		}
	}
	k := segmentsIn(len(x), n)
	s.segments += k
	s.averages += equivalent(k)
}

func (s *splitter) result(r *SplitResult) {
	n := s.averages
	r.Averages = unit.Number(n)
	if n < LeastAverages {
		r.Reason = finding.Say("split.few", "averages", n, "least", LeastAverages)
		return
	}
	var carried, added, variance, variance2 float64
	for k := range s.yy {
		p := s.yy[k] / float64(s.segments) * s.w.scale * s.w.flat[k]
		c := 0.0
		if s.xx[k] > 0 && s.yy[k] > 0 {
			c = (real(s.xy[k])*real(s.xy[k]) + imag(s.xy[k])*imag(s.xy[k])) / (s.xx[k] * s.yy[k])
		}
		rest := (1 - c) * n / (n - 1)
		added += p * rest
		carried += p * (1 - rest)
		// Variance of the carried power over this bin: at zero coherence the
		// exact one, else the large-n one; neighbouring bins are correlated
		// (a Hann bin is worth 1/1.94).
		v := 1.94 * p * p
		variance += v * (1/(n*n) + 2*c*(1-c)*(1-c)/n + c*c/n)
		variance2 += v * (1 - c) * (1 - c) / n
	}
	total := carried + added
	told := max(carried, 0) + 3*math.Sqrt(variance)
	if hum := s.hum * unit.ToPower(-humLeft); carried < hum {
		told = max(told, hum)
		carried = 0
	}
	switch {
	case carried > 3*math.Sqrt(variance) && added > 3*math.Sqrt(variance2):
		r.CarriedIn, r.Added = level(carried), level(added)
	case added > 3*math.Sqrt(variance2):
		r.Added = level(total)
		r.Reason = finding.Say("split.below", "below_dbfs", level(told))
	default:
		r.CarriedIn = level(total)
		r.Reason = finding.Say("split.less")
	}
}
