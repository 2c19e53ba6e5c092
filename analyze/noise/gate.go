package noise

import (
	"math"
	"slices"

	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// Limits of the gate finder; common practice, no source.
const (
	traceBefore   = 100 // 10 ms frames kept before a pause
	traceWithin   = 200 // and from its start
	plateauFrames = 9   // steady noise before a gate closes
	closedFrames  = 10  // steady after it
	closingFrames = 25  // longest closing
	closingDrop   = 10  // dB
	steadyRange   = 6   // dB between the greatest and least frame of a plateau
	nearSilence   = -120
)

// Closing is a gate seen closing within a pause: steady noise that falls to
// another steady level.
type Closing struct {
	At            unit.Seconds // after the start of the stretch
	Within        unit.Seconds // how long the fall took
	Before, After unit.DB      // levels of the trace; After is −Inf for digital silence
}

// Trace holds levels in dB of 10 ms frames of the first difference, which
// weighs hiss and not the low notes.
type Trace struct {
	First int // of Level[0], in frames of 10 ms from the start of the stretch; ≤ 0
	Level []float32
}

type tracer struct {
	rate, hop, lag int
	start          int64 // frame where the trace's grid begins
	frames         int   // of 10 ms
	skipped        int
	power          []float64
	mono           []float64 // from the start of the stretch, mean of the channels
	first          int64
	last           []float64 // samples of the channels, lag frames back
	seen           int64     // frames read since start
	finished       bool
	trace          Trace
	closed         *Closing
}

func newTracer(rate int, s Stretch) tracer {
	h := frame(rate)
	before := int(min(traceBefore, s.First/int64(h)))
	within := int(min(traceWithin, s.Frames/int64(h)))
	return tracer{rate: rate, hop: h, lag: max(1, (rate+24000)/48000), first: s.First,
		start: s.First - int64(before*h), frames: before + within, skipped: before}
}

// write takes the frames of the block, which begins at frame pos, that belong
// to the trace, and says whether it is complete.
func (t *tracer) write(block [][]float64, pos int64) (complete bool) {
	from, to := max(0, t.start-pos), min(int64(len(block[0])), t.start+int64(t.frames*t.hop)-pos)
	if from >= to {
		return false
	}
	if t.power == nil {
		t.power = make([]float64, t.frames)
		t.last = make([]float64, len(block)*t.lag)
		for c, b := range block {
			for i := range t.lag {
				t.last[c*t.lag+i] = b[from] // no step at the start
			}
		}
	}
	for c, b := range block {
		last := t.last[c*t.lag : (c+1)*t.lag]
		x := b[from:to]
		slot := int(t.seen) % t.lag
		for i := int(t.seen); len(x) > 0; {
			n := min(len(x), t.hop-i%t.hop)
			sum := 0.0
			for _, v := range x[:n] {
				d := v - last[slot]
				last[slot] = v
				if slot++; slot == t.lag {
					slot = 0
				}
				sum += d * d
			}
			t.power[i/t.hop] += sum
			x = x[n:]
			i += n
		}
	}
	for i := max(from, t.first-pos); i < to; i++ {
		s := 0.0
		for _, b := range block {
			s += b[i]
		}
		t.mono = append(t.mono, s/float64(len(block)))
	}
	if t.seen += to - from; t.seen < int64(t.frames*t.hop) {
		return false
	}
	t.finish()
	return true
}

// finish sets trace and closed from what was written and lets go of the rest.
// It may be called again.
func (t *tracer) finish() {
	if t.finished {
		return
	}
	t.finished = true
	n := int(t.seen) / t.hop
	t.trace = Trace{First: -t.skipped, Level: make([]float32, n)}
	for i := range n {
		t.trace.Level[i] = float32(unit.FromPower(t.power[i] / float64(t.hop)))
	}
	t.closed = t.closing(t.trace)
	t.power, t.last, t.mono = nil, nil, nil
}

// closing looks for a gate that closes within the pause. A fall counts when the
// level before it is steady and noise-like, and not merely the slower start of
// the same decay.
func (t *tracer) closing(r Trace) *Closing {
	if len(r.Level) <= t.skipped {
		return nil
	}
	l := make([]float64, len(r.Level)-t.skipped)
	for i := range l {
		l[i] = float64(r.Level[t.skipped+i])
	}
	for i := plateauFrames; i+closedFrames < len(l); i++ {
		b := l[i-plateauFrames : i]
		before, slope, ok := steady(b)
		if !ok || l[i] > before-1 {
			continue
		}
		for e := 1; e <= closingFrames && i+e+closedFrames <= len(l); e++ {
			after, _, ok := steady(l[i+e : i+e+closedFrames])
			if !ok {
				continue
			}
			// The noise of a slope over nine frames is about 0.1 dB a frame.
			if d := before - after; d >= closingDrop && d/float64(e) > 5*math.Max(slope, 0.15) &&
				t.noiseLike(i-plateauFrames, i) {
				return &Closing{At: unit.Seconds(float64(i) / 100), Within: unit.Seconds(float64(e) / 100),
					Before: unit.DB(before), After: unit.DB(after)}
			}
			break
		}
	}
	return nil
}

// steady returns the mean of levels and their fall per frame; ok is false when
// they range over more than steadyRange dB. Digital silence throughout is
// steady.
func steady(l []float64) (mean, fall float64, ok bool) {
	if !slices.ContainsFunc(l, func(v float64) bool { return !math.IsInf(v, -1) }) {
		return math.Inf(-1), 0, true
	}
	if slices.Max(l)-slices.Min(l) > steadyRange {
		return 0, 0, false
	}
	n := float64(len(l))
	sx, sxx := (n-1)/2, 0.0
	for i, v := range l {
		d := float64(i) - sx
		sxx += d * d
		fall -= d * v
		mean += v / n
	}
	return mean, fall / sxx, true
}

// noiseLike tells noise from notes: in most groups of neighbouring bins, the
// geometric mean of the power lies not far below the arithmetic one. It is
// −2.5 dB for noise and below −7 dB for a harmonic tone.
func (t *tracer) noiseLike(from, to int) bool {
	x := t.mono[from*t.hop : to*t.hop]
	w := dsp.Hann(len(x))
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v * w[i]
	}
	s := dsp.NewFFT(len(y)).Forward(nil, y)
	width := float64(t.rate) / float64(len(y))
	const group = 48
	var flat []float64
	for k := int(500 / width); k+group <= min(len(s), int(6000/width)); k += group {
		sum, logs := 0.0, 0.0
		for _, v := range s[k : k+group] {
			p := real(v)*real(v) + imag(v)*imag(v)
			sum += p
			logs += math.Log(p + 1e-300)
		}
		flat = append(flat, 10*math.Log10(math.E)*logs/group-unit.FromPower(sum/group))
	}
	return len(flat) > 0 && median(flat) > -4.3
}

// decide sets Gated and Silent from the pauses. step is the least magnitude of
// a sample other than 0.
func decide(r *Result, step float64) {
	used, silent, closing, open := 0, 0, 0, 0
	var falls, from, to []float64
	for _, p := range r.PerPause {
		if p.Closing != nil {
			falls = append(falls, float64(p.Closing.Within))
			from, to = append(from, float64(p.Closing.Before)), append(to, float64(p.Closing.After))
			closing++
		}
		switch {
		case math.IsNaN(float64(p.Unweighted)):
			continue
		case p.Silent:
			silent++
		case float64(p.Unweighted) > unit.FromAmplitude(4*step):
			open++
		}
		used++
	}
	switch {
	case closing > 0 && 2*closing >= len(r.PerPause):
		r.Gated = true
		r.GateReason = finding.Say("gate.closes", "closing", closing, "pauses", len(r.PerPause), "by_db", finite(median(from)-median(to)), "within_s", median(falls))
	case silent > 0 && open > 0:
		r.Gated = true
		r.GateReason = finding.Say("gate.mutes", "silent", silent, "pauses", used)
	case silent > 0 && 2*silent >= used:
		r.Silent = true
		r.GateReason = finding.Say("gate.silent", "silent", silent, "pauses", used)
	case r.Unweighted < nearSilence:
		r.Silent = true
		r.GateReason = finding.Say("gate.below", "noise_dbfs", r.Unweighted)
	}
	if closing > 0 && !r.Gated {
		r.Warnings = append(r.Warnings, finding.Say("gate.some", "closing", closing, "pauses", len(r.PerPause)))
	}
}

// Gate looks for a gate with the help of the dry recording: the take falls by
// 12 dB or more within 60 ms and stays down while the dry recording, well above
// its own noise before and after, falls by less than a quarter of that and less
// than 6 dB. Both results are of
// the same pauses, given in the same order, each in its recording's own frames.
// It returns whether most of the pauses that the take and the dry recording
// have in common, or at least two of them, show that, and what was seen. It
// finds a gate that closes on a note that still rings; Result.Gated finds one
// that closes on noise.
func Gate(dry, take Result) (gated bool, seen finding.Text) {
	both, closed := 0, 0
	var falls []float64
	for _, p := range take.PerPause {
		i := slices.IndexFunc(dry.PerPause, func(d PauseLevel) bool { return d.Index == p.Index })
		if i < 0 {
			continue
		}
		both++
		if fall, ok := fallsAlone(dry.PerPause[i].Trace, p.Trace); ok {
			closed++
			falls = append(falls, fall)
		}
	}
	if closed < 2 && 2*closed <= both || closed == 0 {
		return false, seen
	}
	return true, finding.Say("gate.rings", "closing", closed, "pauses", both, "by_db", finite(median(falls)))
}

// finite makes a fall to digital silence NaN, which no text holds.
func finite(fall float64) float64 {
	if math.IsInf(fall, 1) {
		return math.NaN()
	}
	return fall
}

func fallsAlone(dry, take Trace) (fall float64, ok bool) {
	first := max(dry.First, take.First)
	d, t := dry.Level[min(len(dry.Level), first-dry.First):], take.Level[min(len(take.Level), first-take.First):]
	n := min(len(d), len(t))
	if n < 60 {
		return 0, false
	}
	med := func(l []float32) float64 {
		f := make([]float64, len(l))
		for i, v := range l {
			f[i] = float64(v)
		}
		return median(f)
	}
	floor := med(d[n-20 : n])
	for i := 9; i+16 <= n; i++ {
		before := med(t[i-4 : i])
		for e := 1; e <= 6; e++ {
			after := med(t[i+e : i+e+4])
			if before-after < 12 || float64(slices.Max(t[i+e:n])) > after+6 {
				continue
			}
			dryBefore, dryAfter := med(d[i-6:i-2]), med(d[i+e+2:i+e+6])
			if dryBefore-dryAfter < min(6, (before-after)/4) && dryAfter > floor+6 {
				return before - after, true
			}
		}
	}
	return 0, false
}
