// Package noise measures what is heard in the pauses of a performance: its
// level unweighted, A-weighted and BS.468-weighted, mains hum apart from hiss,
// whether a noise gate or a mute closed the pauses, and how much of the noise
// the dry recording brought along.
//
// All levels are rms levels relative to an amplitude of 1, so a full-scale
// sine reads −3.01 dBFS, of the mean power over the channels. They cover the
// measuring band only, 20 Hz to 20 kHz unless stated otherwise. The first part
// of a pause in which a note is still dying away is left out.
//
// What can be known of a gate is limited. One that closes on audible noise, at
// least 0.1 s after the pause begins, is seen from a fall of 11 dB on (12 dB
// when it takes 0.1 s, more when slower). One that closes on a note which the
// dry recording shows ringing on is seen by Gate. One that mutes is seen as
// digital silence. One that closes together with the note and leaves a floor
// that a quiet chain could have as well cannot be told from such a chain.
package noise

import (
	"fmt"
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
	"evenhand/analyze/weighting"
)

// Stretch is a run of frames of one recording: a pause of the performance.
type Stretch struct{ First, Frames int64 }

// Params are the settings of the measurement. The zero value of a field means
// its default.
type Params struct {
	Mains        unit.Hertz   // stated mains frequency, 50 or 60; 0: find it
	Harmonics    int          // highest multiple of the mains frequency counted as hum, 1 to 40; 0: 40
	MinimumPause unit.Seconds // shorter stretches are not used; 0: 0.4 s
	Guard        unit.Seconds // left out at both ends of each stretch; no default
	From, To     unit.Hertz   // measuring band; 0: 20 Hz and 20 kHz (or half the rate, if less)
}

// Defaults and fixed settings.
const (
	MaxHarmonics        = 40
	DefaultMinimumPause = unit.Seconds(0.4)
	DefaultFrom         = unit.Hertz(20)
	DefaultTo           = unit.Hertz(20000)
)

func (p Params) resolved(rate int) (Params, error) {
	if p.Mains != 0 && p.Mains != 50 && p.Mains != 60 {
		return p, fmt.Errorf("noise: mains frequency %v, want 50 or 60 Hz, or 0 to find it", float64(p.Mains))
	}
	if p.Harmonics == 0 {
		p.Harmonics = MaxHarmonics
	}
	if p.Harmonics < 1 || p.Harmonics > MaxHarmonics {
		return p, fmt.Errorf("noise: %d harmonics, want 1 to %d", p.Harmonics, MaxHarmonics)
	}
	if p.MinimumPause == 0 {
		p.MinimumPause = DefaultMinimumPause
	}
	if p.From == 0 {
		p.From = DefaultFrom
	}
	if p.To == 0 {
		p.To = min(DefaultTo, unit.Hertz(rate)/2)
	}
	if !(p.MinimumPause > 0 && p.MinimumPause < 3600) || !(p.Guard >= 0 && p.Guard < 3600) {
		return p, fmt.Errorf("noise: shortest pause %v s and guard %v s, want times below an hour", float64(p.MinimumPause), float64(p.Guard))
	}
	if !(p.From > 0 && p.From < p.To && p.To <= unit.Hertz(rate)/2) {
		return p, fmt.Errorf("noise: measuring band %v to %v Hz, want a band above 0 and at most half the rate (%v Hz)", float64(p.From), float64(p.To), float64(rate)/2)
	}
	return p, nil
}

// Result is the noise of one recording. Levels that were not measured are NaN.
type Result struct {
	Measured bool
	Reason   finding.Text // why not measured
	// Gated says that a gate was seen to close in the pauses, or that some of
	// them were muted: the levels then describe the gate. See also Gate.
	Gated bool
	// Silent says that the pauses hold digital silence, or less than any
	// converter's own noise: muted, gated at once, or made by a chain that has
	// no noise. The levels say nothing about the chain.
	Silent     bool
	GateReason finding.Text // what was seen when Gated or Silent
	Duration   unit.Seconds
	// Unweighted, AWeighted (IEC 61672-1) and Weighted468 (the curve of
	// BS.468-4 with rms and not its quasi-peak detector).
	Unweighted, AWeighted, Weighted468 unit.DBFS
	// Hum is the power of the lines at the mains frequency and its multiples
	// above the noise around them, but for tones at multiples of 1 kHz that stand
	// alone; Hiss is all the rest. Without a line that
	// stands out of the noise, Hum is NaN and Hiss equals Unweighted.
	Hum, Hiss unit.DBFS
	// HumAWeighted is the A-weighted power of the lines that Hum counts.
	HumAWeighted unit.DBFS
	Mains        unit.Hertz // as measured when found, else as stated; 0 when neither
	MainsSource  string     // "stated", "found", "not found"
	Lines        []Line     // the lines counted in Hum
	// PSD is the power spectral density as the mean over the channels, per Hz;
	// without segments when not measured. Segments of 0.1 to 0.2 s whose mean
	// is taken off, periodic Hann window, half overlap. Of its methods,
	// DegreesOfFreedom must not be used: StationaryDegreesOfFreedom fits noise.
	PSD      spectrum.PSD
	PerPause []PauseLevel
	Warnings []finding.Text
}

// Line is one multiple of the mains frequency.
type Line struct {
	Harmonic int
	Level    unit.DBFS
}

// PauseLevel is one pause.
type PauseLevel struct {
	Index      int // in the list of stretches given
	From       unit.Seconds
	Duration   unit.Seconds // used for the level
	Unweighted unit.DBFS    // NaN when nothing of it could be used
	AWeighted  unit.DBFS
	// Rise is by how much the noise becomes louder over Duration, by a straight line,
	// RiseError its standard error; NaN below 0.3 s and for digital silence. The noise
	// of gear that recovers from the playing rises.
	Rise, RiseError unit.DB
	Decaying        bool     // the note before never settled into a floor
	Silent          bool     // digital silence
	Closing         *Closing // a gate seen closing; nil otherwise
	Trace           Trace    // how it begins, for Gate
}

// Meter measures one recording in one pass. A Meter must not be used by two
// goroutines at once.
type Meter struct {
	rate, channels int
	p              Params
	pos            int64
	pauses         []*pause // usable ones, in order
	next           int      // the one being measured
	traced         int      // the first whose trace is not complete
	longest        int64
	given          int

	buf   [][]float64 // the piece being filled
	fill  int
	welch *welch
	comb  *comb
	step  float64 // least magnitude of a sample other than 0: an upper bound of the quantisation step
}

// pause is one usable stretch and what was seen in it.
type pause struct {
	index       int
	given       Stretch
	first, end  int64 // after the guards
	piece, left int64 // frames of the next piece; pieces left
	settled     bool
	frames      int64
	segments    int
	power, a    float64   // sums over segments
	still, all  int       // 10 ms frames without a change, and all
	powers      []float64 // of 50 ms each, as far as they are used
	tracer      tracer
}

// NewMeter returns a meter for a recording with the given sample rate in Hz (at
// least 8000) and number of channels, whose pauses are known: ascending, not
// overlapping, in frames of this recording. It fails on other input and on
// parameters out of range. Memory depends on the rate, the channels and the
// number of pauses, not on their lengths.
func NewMeter(rate, channels int, pauses []Stretch, p Params) (*Meter, error) {
	if rate < 8000 || rate > 768000 {
		return nil, fmt.Errorf("noise: sample rate %d Hz, want 8000 to 768000", rate)
	}
	if channels < 1 || channels > 64 {
		return nil, fmt.Errorf("noise: %d channels, want 1 to 64", channels)
	}
	p, err := p.resolved(rate)
	if err != nil {
		return nil, err
	}
	m := &Meter{rate: rate, channels: channels, p: p, given: len(pauses), step: math.Inf(1)}
	m.welch = newWelch(rate, p)
	m.comb = newComb(rate, p)
	ps, longest, err := usable(rate, pauses, p, m.welch.n)
	if err != nil {
		return nil, err
	}
	m.pauses, m.longest = ps, longest
	m.buf = make([][]float64, channels)
	for c := range m.buf {
		m.buf[c] = make([]float64, pieceFrames(rate))
	}
	return m, nil
}

// usable checks stretches and returns those that are long enough, with their
// guards taken off and divided into equal pieces.
func usable(rate int, pauses []Stretch, p Params, segment int) (ps []*pause, longest int64, err error) {
	end := int64(0)
	guard := int64(math.Round(float64(p.Guard) * float64(rate)))
	for i, s := range pauses {
		if s.First < end || s.Frames < 0 || s.First > math.MaxInt64-s.Frames {
			return nil, 0, fmt.Errorf("noise: pause %d at frame %d, %d frames long: want ascending stretches that do not overlap", i+1, s.First, s.Frames)
		}
		end = s.First + s.Frames
		longest = max(longest, s.Frames)
		q := &pause{index: i, given: s, first: s.First + guard, end: end - guard}
		if float64(s.Frames) < float64(p.MinimumPause)*float64(rate) || q.end-q.first < int64(segment) {
			continue
		}
		most := int64(pieceFrames(rate))
		q.left = (q.end - q.first + most - 1) / most
		q.piece = (q.end - q.first) / q.left
		q.tracer = newTracer(rate, s)
		ps = append(ps, q)
	}
	return ps, longest, nil
}

// Write measures the next frames: block[c] holds channel c, all of one length,
// full scale ±1. The block is not kept. It fails on another number of channels,
// on channels of different length and on samples that are not finite numbers.
func (m *Meter) Write(block [][]float64) error {
	if len(block) != m.channels {
		return fmt.Errorf("noise: block with %d channels, want %d", len(block), m.channels)
	}
	n := len(block[0])
	for _, b := range block {
		if len(b) != n {
			return fmt.Errorf("noise: channels of %d and %d frames in one block", n, len(b))
		}
	}
	for i := m.traced; i < len(m.pauses) && m.pauses[i].tracer.start < m.pos+int64(n); i++ {
		if m.pauses[i].tracer.write(block, m.pos) {
			m.traced++ // they end in the order in which they begin
		}
	}
	for m.next < len(m.pauses) {
		q := m.pauses[m.next]
		at := q.first + int64(m.fill) // next frame wanted
		if at >= m.pos+int64(n) {
			break
		}
		o := int(at - m.pos)
		k := min(n-o, int(q.piece)-m.fill)
		for c, b := range block {
			for i, v := range b[o : o+k] {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					return fmt.Errorf("noise: sample of channel %d at frame %d is not a finite number", c+1, at+int64(i))
				}
				m.buf[c][m.fill+i] = v
			}
		}
		m.fill += k
		if m.fill < int(q.piece) {
			break
		}
		m.finishPiece(q)
	}
	m.pos += int64(n)
	return nil
}

// finishPiece measures the piece in the buffer and moves to the next.
func (m *Meter) finishPiece(q *pause) {
	x := make([][]float64, m.channels)
	for c := range x {
		x[c] = m.buf[c][:m.fill]
	}
	m.measure(q, x)
	q.first += int64(m.fill)
	m.fill = 0
	if q.left--; q.left > 0 {
		q.piece = (q.end - q.first) / q.left
	} else {
		m.next++
	}
}

func (m *Meter) measure(q *pause, x [][]float64) {
	if !q.settled {
		start, ok := settle(m.rate, x)
		if !ok || len(x[0])-start < m.welch.n {
			return
		}
		q.settled = true
		cut := make([][]float64, len(x))
		for c := range x {
			cut[c] = x[c][start:]
		}
		x = cut
	}
	if len(q.powers) < mostPowers {
		q.powers = append(q.powers, powers(m.rate, x)...)
	}
	still, all := stillFrames(m.rate, x)
	q.still += still
	q.all += all
	for _, b := range x {
		for _, v := range b {
			if a := math.Abs(v); a > 0 && a < m.step {
				m.step = a
			}
		}
	}
	segments, power, a := m.welch.add(x)
	q.segments += segments
	q.power += power
	q.a += a
	q.frames += int64(len(x[0]))
	m.comb.add(x)
}

// Finish returns the result of everything written. The meter must not be used
// after.
func (m *Meter) Finish() Result {
	n := unit.DBFS(math.NaN())
	r := Result{Unweighted: n, AWeighted: n, Weighted468: n, Hum: n, HumAWeighted: n, Hiss: n, MainsSource: "not found"}
	if m.fill > 0 {
		q := m.pauses[m.next]
		if m.fill >= m.welch.n {
			m.finishPiece(q)
		}
		r.Warnings = append(r.Warnings, finding.Say("pauses.cut", "pause", q.index+1))
	}
	if m.p.Mains != 0 {
		r.Mains, r.MainsSource = m.p.Mains, "stated"
	}
	var frames int64
	decaying := 0
	for _, q := range m.pauses {
		l := m.level(q)
		if l.Decaying {
			decaying++
		}
		r.PerPause = append(r.PerPause, l)
		frames += q.frames
	}
	r.Duration = unit.Seconds(float64(frames) / float64(m.rate))
	switch {
	case m.given == 0:
		r.Reason = finding.Say("pauses.none")
	case len(m.pauses) == 0:
		r.Reason = finding.Say("pauses.short", "least_s", max(float64(m.p.MinimumPause), float64(m.welch.n)/float64(m.rate)+2*float64(m.p.Guard)),
			"longest_s", float64(m.longest)/float64(m.rate), "guard_s", m.p.Guard)
	case m.welch.segments == 0 && decaying > 0:
		r.Reason = finding.Say("pauses.all-decaying")
	case m.welch.segments == 0:
		r.Reason = finding.Say("pauses.beyond")
	}
	if r.Reason.Found != "" {
		return r
	}
	if decaying > 0 {
		r.Warnings = append(r.Warnings, finding.Say("pauses.decaying", "decaying", decaying, "pauses", len(m.pauses)))
	}
	r.Measured = true
	r.PSD = m.welch.psd(m.rate, m.channels)
	r.Unweighted = level(r.PSD.Power(m.p.From, m.p.To))
	r.AWeighted = level(r.PSD.Weighted(weighting.APower, m.p.From, m.p.To))
	r.Weighted468 = level(r.PSD.Weighted(weighting.ITU468Power, m.p.From, m.p.To))
	m.split(&r)
	decide(&r, m.step)
	return r
}

// split sets hum and hiss.
func (m *Meter) split(r *Result) {
	r.Hiss = r.Unweighted
	h := m.comb.find(m.channels)
	if !h.found {
		if h.reason.Found != "" {
			r.Warnings = append(r.Warnings, h.reason)
		}
		return
	}
	r.Mains = unit.Hertz(h.mains)
	if m.p.Mains == 0 {
		r.MainsSource = "found"
	}
	if h.whine > 0 {
		r.Warnings = append(r.Warnings, finding.Say("hum.whine", "whine_dbfs", level(h.whine)))
	}
	weighted := 0.0
	for i, p := range h.lines {
		if p > 0 {
			r.Lines = append(r.Lines, Line{i + 1, level(p)})
			weighted += p * weighting.APower(h.mains*float64(i+1))
		}
	}
	r.Hum, r.HumAWeighted = level(h.hum), level(weighted)
	r.Hiss = level(h.below + r.PSD.Power(unit.Hertz(h.corner), m.p.To))
}

func (m *Meter) level(q *pause) PauseLevel {
	l := PauseLevel{
		Index: q.index, From: unit.Seconds(float64(q.given.First) / float64(m.rate)),
		Duration:   unit.Seconds(float64(q.frames) / float64(m.rate)),
		Unweighted: unit.DBFS(math.NaN()), AWeighted: unit.DBFS(math.NaN()),
	}
	l.Rise, l.RiseError = rise(q.powers)
	q.tracer.finish()
	l.Trace, l.Closing = q.tracer.trace, q.tracer.closed
	if q.segments > 0 {
		s := float64(q.segments)
		l.Unweighted, l.AWeighted = level(q.power/s), level(q.a/s)
		l.Silent = q.still*10 >= q.all*9
	} else {
		l.Decaying = q.given.First < m.pos
	}
	return l
}

func level(power float64) unit.DBFS { return unit.DBFS(unit.FromPower(power)) }
