// Package loudness measures programme loudness, loudness range, true peak and
// the plain levels beside them, in one pass with bounded memory, of a whole
// stream or of any number of stretches of it.
//
// Loudness follows ITU-R BS.1770-5 (11/2023), Annex 1: K-weighting, 400 ms
// gating blocks every 100 ms, an absolute gate at −70 LUFS and a relative one
// at −10 LU; an incomplete last block is left out. Momentary (400 ms) and
// short-term (3 s) loudness follow EBU Tech 3341 (11/2023), the loudness range
// EBU Tech 3342 (11/2023). Hops: 10 ms for the greatest momentary loudness
// (Tech 3341 case 13 cannot be met with 100 ms), 100 ms for gating, short-term
// loudness and loudness range.
//
// The K filter is designed for the actual sample rate so that its response
// stays that at 48 kHz (see kWeighting). It runs over the whole stream: a
// stretch that begins in the middle is measured with the filter settled on
// what came before, and windows are counted from the stretch's first frame, so
// its edges are exact at any frame.
//
// True peak follows Annex 2: the filter printed there at 48 kHz, at other
// rates a windowed sinc that reaches at least 192 kHz (see Oversampling); it
// is never below the sample peak. The interpolated signal is that of the
// recording as it is, also at the edges of a stretch: a cut without a fade can
// overshoot more.
//
// Levels: full scale is ±1.0. Peak levels are 20·log10 of the amplitude; rms
// levels are 20·log10 of the rms amplitude, so that a full-scale sine is
// −3.01 dBFS, the power averaged over the channels.
//
// Silence has −Inf; what could not be measured is NaN and a warning says why.
package loudness

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// Limits of NewMeter.
const (
	MinRate     = 8000
	MaxRate     = 384000
	MaxChannels = 32
)

// Errors that NewMeter and Write return, wrapped with the values found.
var (
	ErrFormat    = errors.New("loudness: unusable format")
	ErrRange     = errors.New("loudness: unusable stretch")
	ErrBlock     = errors.New("loudness: unusable block")
	ErrNotFinite = errors.New("loudness: sample is not a finite number")
	ErrFinished  = errors.New("loudness: already finished")
)

// Range is a stretch of Frames frames from First on, counted from the
// stream's first frame.
type Range struct{ First, Frames int64 }

// Series is a loudness over time. Max[i] is the greatest value among the
// windows whose centre lies at or after i·Step and before (i+1)·Step from the
// stretch's first frame: −Inf for silence, NaN where no whole window is
// centred there (the first and last 0.2 s of momentary and 1.5 s of short-term
// loudness). Both series of a Measurement have the same Step, a power of two
// times 0.1 s, and the same length, at most 1200.
type Series struct {
	Step unit.Seconds
	Max  []unit.LUFS
}

// Measurement is what is known of one stretch. See the package comment for
// definitions; silence is −Inf and what could not be measured NaN.
type Measurement struct {
	Integrated, MaxMomentary, MaxShortTerm unit.LUFS
	Range                                  unit.LU
	TruePeak                               unit.DBTP
	SamplePeak                             unit.DBFS
	RMS                                    unit.DBFS // not weighted, not gated
	Crest                                  unit.DB   // SamplePeak less RMS
	PeakToLoudness                         unit.LU   // TruePeak less Integrated
	Momentary, ShortTerm                   Series
	Warnings                               []finding.Text // never nil

	// Gating and Ranging are what IntegratedAt and NearGate need; nil when there is no
	// loudness.
	Gating, Ranging *Windows
}

// IntegratedAt returns the integrated loudness in LUFS that the stretch has
// after a gain in dB. That is not always Integrated plus the gain: the absolute
// gate at −70 LUFS does not move with the gain, so that pauses which it left
// out may count after it, and the relative gate moves with them. It is exact
// for gains up to +60 dB. −Inf for silence, NaN when Integrated is.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, eqs (5) to (7).
func (m Measurement) IntegratedAt(gain unit.DB) unit.LUFS {
	if m.Gating == nil {
		return m.Integrated
	}
	return unit.LUFS(m.Gating.integrated(float64(gain)))
}

// NearGate reports whether a window lies so near a gate, in dB, that one measured
// that much louder or quieter could count or not: then Integrated, or Range, moves
// in a step. within is asked for the loudness of each gate in LUFS.
func (m Measurement) NearGate(within func(gate unit.LUFS) unit.DB) (integrated, loudnessRange bool) {
	if m.Gating == nil {
		return false, false
	}
	near := func(s *Windows, gate float64) bool { return s.near(gate, float64(within(unit.LUFS(gate)))) }
	absolute, relative := m.Gating.gates(absoluteGate, relativeGate)
	_, low := m.Ranging.gates(math.Inf(-1), rangeGate)
	return near(m.Gating, absolute) || near(m.Gating, relative), near(m.Ranging, low) || near(m.Ranging, absoluteGate)
}

// Meter measures a stream. It must not be used by two goroutines at once.
type Meter struct {
	filter   kFilter
	channels []channel
	weights  []float64
	rate     int

	spans   []*span // in the order of Track
	waiting []*span // not begun, by first frame
	active  []*span
	peaks   *peakMeter

	pos     int64 // frames written
	from    int64 // first frame of the running sums
	until   int64 // frame at which the running sums are handed out
	started bool
	err     error
}

// NewMeter returns a meter for a sample rate of 8 000 to 384 000 Hz and 1 to
// 32 channels. Every channel counts as a front channel does, with weight 1; a single
// channel counts once. Errors wrap ErrFormat.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, Table 3.
func NewMeter(rate, channels int) (*Meter, error) {
	if rate < MinRate || rate > MaxRate {
		return nil, fmt.Errorf("%w: sample rate %d Hz, allowed are %d to %d Hz", ErrFormat, rate, MinRate, MaxRate)
	}
	if channels < 1 || channels > MaxChannels {
		return nil, fmt.Errorf("%w: %d channels, allowed are 1 to %d", ErrFormat, channels, MaxChannels)
	}
	return &Meter{
		filter:   newKFilter(float64(rate)),
		channels: make([]channel, channels),
		weights:  slices.Repeat([]float64{1}, channels),
		rate:     rate,
		peaks:    newPeakMeter(rate, channels),
	}, nil
}

// Track asks for one measurement per span, which may overlap and come in any
// order. It must be called before the first Write and adds to earlier calls;
// misuse is reported by Write. Without it everything written is one span.
func (m *Meter) Track(spans ...Range) {
	if m.started {
		m.fail(fmt.Errorf("%w: given after the first block", ErrRange))
	}
	for _, r := range spans {
		if r.First < 0 || r.Frames < 0 || r.First > math.MaxInt64/2-r.Frames {
			m.fail(fmt.Errorf("%w: first frame %d, %d frames; both must be 0 or more", ErrRange, r.First, r.Frames))
			r = Range{}
		}
		m.spans = append(m.spans, newSpan(r.First, r.Frames, m.rate))
	}
}

func (m *Meter) fail(err error) {
	if m.err == nil {
		m.err = err
	}
}

// Write takes the next frames: one slice of equal length per channel, which
// is neither changed nor kept. Results do not depend on how a stream is cut
// into blocks. Errors wrap ErrBlock, ErrNotFinite, ErrRange or ErrFinished;
// after one, the meter is of no use.
func (m *Meter) Write(block [][]float64) error {
	if m.err != nil {
		return m.err
	}
	if len(block) != len(m.channels) {
		m.fail(fmt.Errorf("%w: %d channels, allowed are %d", ErrBlock, len(block), len(m.channels)))
		return m.err
	}
	n := len(block[0])
	for c, x := range block {
		if len(x) != n {
			m.fail(fmt.Errorf("%w: channel %d has %d frames, channel 1 has %d", ErrBlock, c+1, len(x), n))
			return m.err
		}
	}
	m.start()
	for i := 0; i < n; {
		if m.pos == m.until {
			m.handOut()
		}
		k := int(min(int64(n-i), m.until-m.pos, peakBlock))
		if err := m.take(block, i, i+k); err != nil {
			m.fail(err)
			return err
		}
		i += k
	}
	return nil
}

// start orders the spans and begins those of frame 0.
func (m *Meter) start() {
	if m.started {
		return
	}
	m.started = true
	if len(m.spans) == 0 {
		m.spans = []*span{newSpan(0, unlimited, m.rate)}
	}
	for _, s := range m.spans {
		if s.end > s.first {
			m.waiting = append(m.waiting, s)
		}
	}
	slices.SortStableFunc(m.waiting, func(a, b *span) int { return cmp.Compare(a.first, b.first) })
	m.peaks.spans = slices.Clone(m.waiting)
	m.schedule()
}

// take filters frames from to to of block.
func (m *Meter) take(block [][]float64, from, to int) error {
	for c := range m.channels {
		m.filter.run(&m.channels[c], block[c][from:to])
	}
	for c := range m.channels {
		if m.channels[c].peak >= infiniteBits {
			for i, v := range block[c][from:to] {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					return fmt.Errorf("%w: channel %d, frame %d: %v", ErrNotFinite, c+1, m.pos+int64(i), v)
				}
			}
		}
	}
	m.peaks.write(block, from, to)
	m.pos += int64(to - from)
	return nil
}

// handOut gives what was summed since the last time to the active spans.
func (m *Meter) handOut() {
	var energy, plain, peak float64
	for c := range m.channels {
		ch := &m.channels[c]
		energy += m.weights[c] * ch.weighted
		plain += ch.plain
		peak = max(peak, math.Float64frombits(ch.peak))
		ch.settle()
	}
	for _, s := range m.active {
		s.add(energy, plain, peak, m.pos-m.from, m.pos)
	}
	m.schedule()
}

// schedule brings the active spans up to date and sets where the next sums
// end: at the next boundary of any span's grid, or where one begins or ends.
func (m *Meter) schedule() {
	m.from = m.pos
	m.active = slices.DeleteFunc(m.active, func(s *span) bool { return s.end <= m.pos })
	for len(m.waiting) > 0 && m.waiting[0].first <= m.pos {
		m.active = append(m.active, m.waiting[0])
		m.waiting = m.waiting[1:]
	}
	m.until = m.pos + int64(m.rate)/perSecond
	for _, s := range m.active {
		m.until = min(m.until, s.next, s.end)
	}
	if len(m.waiting) > 0 {
		m.until = min(m.until, m.waiting[0].first)
	}
}

// Finish returns one measurement per span, in the order of Track. A span that
// the stream did not reach to the end is measured as far as it goes and says
// so. After it, Write fails.
func (m *Meter) Finish() []Measurement {
	m.start()
	m.handOut()
	for _, s := range m.peaks.spans {
		s.end = min(s.end, m.pos)
	}
	m.peaks.finish()
	m.fail(ErrFinished)
	out := make([]Measurement, len(m.spans))
	for i, s := range m.spans {
		out[i] = s.measurement(len(m.channels))
	}
	return out
}
