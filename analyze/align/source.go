package align

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// Source is a mono view of a recording with random access. A Source given to
// this package is read from one goroutine at a time by each call, but calls
// that share a Source may run at once if its ReadAt allows that.
type Source interface {
	// Rate returns the sample rate in Hz.
	Rate() int
	// Len returns the number of sample frames.
	Len() int64
	// ReadAt fills all of dst with the samples that begin at frame first and
	// returns how many of them lie inside the recording. Frames before the
	// beginning and after the end read as zeros and are no error; first may
	// be negative. Samples are linear, full scale ±1.
	ReadAt(dst []float64, first int64) (int, error)
}

// Memory is a Source that holds its samples.
type Memory struct {
	rate    int
	samples []float64
}

// NewMemory returns a Source over samples, which it keeps and does not change.
func NewMemory(rate int, samples []float64) *Memory { return &Memory{rate, samples} }

// Rate returns the sample rate in Hz.
func (m *Memory) Rate() int { return m.rate }

// Len returns the number of sample frames.
func (m *Memory) Len() int64 { return int64(len(m.samples)) }

// ReadAt fills dst as Source says; it never fails.
func (m *Memory) ReadAt(dst []float64, first int64) (int, error) {
	clear(dst)
	from, to := max(first, 0), min(first+int64(len(dst)), m.Len())
	if from >= to {
		return 0, nil
	}
	return copy(dst[from-first:], m.samples[from:to]), nil
}

// Options are the settings of a search; zero values mean the defaults.
type Options struct {
	// MaxLag is the largest lag that is looked for, either way, 0.05 to 60 s; where it
	// is not set, larger ones up to 30 s are looked for where nothing certain is found;
	// default 2 s.
	MaxLag unit.Seconds
	// MaxDrift is the largest clock difference that the coarse search
	// follows, either way, up to 1000 ppm; default 200 ppm.
	MaxDrift unit.PPM
	// Low and High bound the band of the fine search; defaults 80 Hz and
	// 6 kHz. High is lowered to 0.45 times the sample rate where it exceeds it.
	Low, High unit.Hertz
	// Windows is the number of fine windows, 4 to 64; default 16.
	Windows int
}

// CoarseBlock is the length of a block of the coarse search's envelope, rounded
// to whole frames.
const CoarseBlock unit.Seconds = 0.001

// FineWindow returns the length of a fine window in frames at a sample rate:
// the power of two from 0.5 s.
func FineWindow(rate int) int { return dsp.NextPow2(int(windowSeconds * float64(rate))) }

// DefaultOptions returns the options that zero values stand for at a sample
// rate.
func DefaultOptions(rate int) Options {
	return Options{MaxLag: 2, MaxDrift: 200, Low: 80, High: unit.Hertz(min(6000, 0.45*float64(rate))), Windows: 16}
}

// ErrRates is wrapped by the error for recordings of different sample rates.
var ErrRates = errors.New("sample rates differ")

// ErrOptions is wrapped by the error for options out of range.
var ErrOptions = errors.New("alignment option out of range")

// withDefaults fills zero values and checks the ranges.
func (o Options) withDefaults(rate int) (Options, error) {
	d := DefaultOptions(rate)
	o.MaxLag = cmp.Or(o.MaxLag, d.MaxLag)
	o.MaxDrift = cmp.Or(o.MaxDrift, d.MaxDrift)
	o.Low = cmp.Or(o.Low, d.Low)
	o.High = cmp.Or(o.High, d.High)
	o.Windows = cmp.Or(o.Windows, d.Windows)
	o.High = min(o.High, unit.Hertz(0.45*float64(rate)))
	switch {
	case !(o.MaxLag >= 0.05 && o.MaxLag <= 60):
		return o, fmt.Errorf("align: %w: largest lag %g s, allowed 0.05 to 60 s", ErrOptions, float64(o.MaxLag))
	case !(o.MaxDrift > 0 && o.MaxDrift <= 1000):
		return o, fmt.Errorf("align: %w: largest drift %g ppm, allowed above 0 to 1000 ppm", ErrOptions, float64(o.MaxDrift))
	case !(o.Low >= 20 && o.High >= 2*o.Low):
		return o, fmt.Errorf("align: %w: band %g to %g Hz, allowed from 20 Hz and at least an octave, up to 0.45 times the sample rate", ErrOptions, float64(o.Low), float64(o.High))
	case o.Windows < 4 || o.Windows > 64:
		return o, fmt.Errorf("align: %w: %d windows, allowed 4 to 64", ErrOptions, o.Windows)
	}
	return o, nil
}

// checkRate refuses sample rates that no block length fits.
func checkRate(rate int) error {
	if rate < 4000 || rate > 1<<20 {
		return fmt.Errorf("align: sample rate %d Hz, allowed 4000 to %d Hz", rate, 1<<20)
	}
	return nil
}

// sameRate refuses recordings of different sample rates.
func sameRate(a, b Source) error {
	if a.Rate() != b.Rate() {
		return fmt.Errorf("align: %w: %d Hz and %d Hz; convert one of the recordings first", ErrRates, a.Rate(), b.Rate())
	}
	return nil
}

// finite reports whether v is neither NaN nor infinite.
func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
