package loudness

import (
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// The grid of a span, in sub-blocks of 10 ms from the span's first frame.
const (
	perSecond    = 100
	momentaryLen = 40  // 400 ms
	shortTermLen = 300 // 3 s
	coarseHop    = 10  // 100 ms: gating blocks, short-term windows, loudness range
	seriesPoints = 1200
)

// span measures one stretch of frames on a grid of its own, so that its edges
// are exact whatever frame it begins at.
type span struct {
	first, end int64 // frames of the stream, half open; Finish moves an end beyond the stream to its end
	asked      int64 // frames asked for, or unlimited
	rate       int64

	seen     int64 // frames taken so far
	next     int64 // frame of the stream at which the current sub-block ends
	closed   int64 // complete sub-blocks
	sub      float64
	ring     [shortTermLen]float64 // weighted energies of the last sub-blocks
	plain    float64               // Σ x² over all channels
	peak     float64               // greatest |x|
	truePeak float64               // greatest |interpolated value|, 0 if all were skipped

	gating, ranging      Windows
	momentary, shortTerm float64 // greatest power
	series               series
}

// unlimited is the length of a span that goes on as long as the stream does.
const unlimited = math.MaxInt64

func newSpan(first, frames int64, rate int) *span {
	s := &span{first: first, end: first + frames, asked: frames, rate: int64(rate), momentary: math.NaN(), shortTerm: math.NaN()}
	s.gating.ExactN, s.ranging.ExactN = defaultExactN, defaultExactN
	s.series.width = coarseHop
	s.next = s.boundary(1)
	return s
}

// boundary returns the frame of the stream at which sub-block i begins. Where
// 10 ms is not a whole number of frames (22 050 Hz: 220.5) sub-blocks differ
// by a frame and windows are divided by the frames they really hold.
func (s *span) boundary(i int64) int64 { return s.first + i*s.rate/perSecond }

// add takes the sums of a stretch of frames inside the span that ends at pos.
func (s *span) add(energy, plain, peak float64, frames, pos int64) {
	s.sub += energy
	s.plain += plain
	s.peak = max(s.peak, peak)
	s.seen += frames
	if pos == s.next {
		s.closeSub()
	}
}

func (s *span) closeSub() {
	s.ring[s.closed%shortTermLen] = s.sub
	s.sub = 0
	s.closed++
	s.next = s.boundary(s.closed + 1)
	onHop := s.closed%coarseHop == 0
	if onHop {
		s.series.extend(s.closed)
	}
	if s.closed >= momentaryLen {
		p := s.window(momentaryLen)
		s.momentary = greater(s.momentary, p)
		s.series.put(&s.series.momentary, s.closed-momentaryLen/2, p)
		if onHop && loudnessOf(p) > keptFrom {
			s.gating.add(p)
		}
	}
	if s.closed >= shortTermLen && onHop {
		p := s.window(shortTermLen)
		s.shortTerm = greater(s.shortTerm, p)
		s.series.put(&s.series.shortTerm, s.closed-shortTermLen/2, p)
		if loudnessOf(p) >= absoluteGate {
			s.ranging.add(p)
		}
	}
}

// window returns the mean power of the last n sub-blocks. They are summed
// afresh each time: a running sum would drift.
func (s *span) window(n int64) float64 {
	var sum float64
	from := (s.closed - n) % shortTermLen
	if to := from + n; to <= shortTermLen {
		for _, e := range s.ring[from:to] {
			sum += e
		}
	} else {
		for _, e := range s.ring[from:] {
			sum += e
		}
		for _, e := range s.ring[:to-shortTermLen] {
			sum += e
		}
	}
	return sum / float64(s.boundary(s.closed)-s.boundary(s.closed-n))
}

// greater returns the greater of a and b, where NaN means nothing yet.
func greater(a, b float64) float64 {
	if a >= b {
		return a
	}
	return b
}

// series keeps the greatest momentary and short-term power per step; when it
// is full the step doubles and neighbours are joined.
type series struct {
	width                int64 // sub-blocks per step
	momentary, shortTerm []float64
}

// extend makes room for a stretch of closed sub-blocks.
func (s *series) extend(closed int64) {
	n := (closed + s.width - 1) / s.width
	if n > seriesPoints {
		s.momentary, s.shortTerm = halved(s.momentary), halved(s.shortTerm)
		s.width *= 2
		n = (closed + s.width - 1) / s.width
	}
	for int64(len(s.momentary)) < n {
		s.momentary = append(s.momentary, math.NaN())
		s.shortTerm = append(s.shortTerm, math.NaN())
	}
}

func halved(v []float64) []float64 {
	n := (len(v) + 1) / 2
	for i := range n {
		g := v[2*i]
		if 2*i+1 < len(v) && !math.IsNaN(v[2*i+1]) {
			g = greater(g, v[2*i+1])
		}
		v[i] = g
	}
	return v[:n]
}

// put records the power of the window whose centre lies at sub-block centre.
func (s *series) put(to *[]float64, centre int64, power float64) {
	v := &(*to)[centre/s.width]
	*v = greater(*v, power)
}

func (s *series) out(v []float64) Series {
	r := Series{Step: unit.Seconds(float64(s.width) / perSecond), Max: make([]unit.LUFS, len(v))}
	for i, p := range v {
		r.Max[i] = unit.LUFS(loudnessOf(p))
	}
	return r
}

// measurement sums up; channels is the number of channels that plain is over.
func (s *span) measurement(channels int) Measurement {
	nan := math.NaN()
	m := Measurement{
		Integrated: unit.LUFS(nan), MaxMomentary: unit.LUFS(nan), MaxShortTerm: unit.LUFS(nan), Range: unit.LU(nan),
		TruePeak: unit.DBTP(nan), SamplePeak: unit.DBFS(nan), RMS: unit.DBFS(nan), Crest: unit.DB(nan), PeakToLoudness: unit.LU(nan),
		Momentary: s.series.out(s.series.momentary), ShortTerm: s.series.out(s.series.shortTerm),
		Warnings: []finding.Text{},
	}
	if s.seen == 0 {
		m.Warnings = append(m.Warnings, finding.Say("loudness.empty"))
		return m
	}
	if s.asked != unlimited && s.seen < s.asked {
		m.Warnings = append(m.Warnings, finding.Say("loudness.ends", "missing_s", float64(s.asked-s.seen)/float64(s.rate)))
	}
	rms := unit.FromPower(s.plain / float64(s.seen) / float64(channels))
	peak := unit.FromAmplitude(s.peak)
	truePeak := unit.FromAmplitude(max(s.truePeak, s.peak))
	m.RMS, m.SamplePeak, m.TruePeak = unit.DBFS(rms), unit.DBFS(peak), unit.DBTP(truePeak)
	if s.peak > 0 {
		m.Crest = unit.DB(peak - rms)
	}
	switch {
	case s.closed < momentaryLen:
		m.Warnings = append(m.Warnings, finding.Say("loudness.none"))
		return m
	case s.closed < shortTermLen:
		m.Warnings = append(m.Warnings, finding.Say("loudness.no-short-term"))
	case s.closed < 60*perSecond:
		m.Warnings = append(m.Warnings, finding.Say("loudness.range-unstable"))
	}
	integrated := s.gating.integrated(0)
	m.Integrated = unit.LUFS(integrated)
	m.Gating, m.Ranging = &s.gating, &s.ranging
	m.MaxMomentary = unit.LUFS(loudnessOf(s.momentary))
	if math.IsInf(integrated, -1) {
		m.Warnings = append(m.Warnings, finding.Say("loudness.below-gate"))
	} else {
		m.PeakToLoudness = unit.LU(truePeak - integrated)
	}
	if s.closed >= shortTermLen {
		m.MaxShortTerm = unit.LUFS(loudnessOf(s.shortTerm))
		m.Range = unit.LU(s.ranging.loudnessRange())
		if math.IsNaN(float64(m.Range)) {
			m.Warnings = append(m.Warnings, finding.Say("loudness.no-range"))
		}
	}
	return m
}
