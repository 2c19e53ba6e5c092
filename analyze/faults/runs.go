package faults

import (
	"math"

	"evenhand/analyze/unit"
)

const (
	// lsb is a step of 16 bits; samples within flatness of each other are
	// flat, whatever depth and dither a file has.
	lsb      = 1.0 / 32768
	flatness = 1.5 * lsb
	// A crest cut off flat falls by corner on both sides within its own
	// length; a rounded crest of three equal 16-bit samples by less than 40.
	corner    = 64 * lsb
	leastFlat = 0.02 // amplitude from which on flat tops are looked for
	flatRun   = 3
	// ceiling is the share of the greatest sample from which on a level may be
	// that at which everything is cut off; below it flat tops must be
	// belowCeiling times as many.
	ceiling      = 0.98
	belowCeiling = 5
	quietTops    = 0.25    // amplitude below which more flat tops are needed, in proportion
	richness     = 2 * lsb // bend from one sample to the next
	levels       = 64      // flat tops' levels kept
	shortRun     = 0.02    // s: shorter runs need no jump at their edges
	strokes      = 0.1     // s: the least silence between the strokes of a count-in
	// The steps of a sound of few bits: at least leastStep (of 13 bits), all
	// differences of up to gridReach steps a whole number of them to within offGrid.
	leastStep = 2.0 / 8192
	nearly    = 4 * lsb // what is between samples of one step, through a converter's noise
	gridReach = 8
	offGrid   = 0.05
	// heldShare is the share of samples equal to the one before from which on a
	// stretch is made of held values.
	heldShare = 0.25
	jump      = 0.1 // of the rms over 5 ms beside a run: an edge
)

// held is a run of equal samples that waits for the context behind it.
type held struct {
	from, to int64 // frames from … to−1
	flat     bool  // nearly equal only: for flat tops
	before   side  // of a run that may be a dropout
}

// side is the sound beside a run.
type side struct {
	nearLow, nearHigh float64 // over a quarter of a millisecond
	low, high         float64 // over 5 ms
	power             float64 // mean square over 5 ms
	next              float64 // the nearest sample
}

// match is a stretch that repeats what was lag frames earlier.
type match struct {
	from, lag int64
	active    bool
	pending   []Click // at its beginning
}

// doubt is a run within sound that is a dropout if its edges are clicks.
type doubt struct {
	held
	long    bool
	a, b    bool // a jump or a click at its beginning, at its end
	sounds  bool // on both sides
	kind    string
	pending []Click
}

// topLevel counts flat tops of about one level.
type topLevel struct {
	key   int64
	n     int64
	first int64
	sum   float64
}

// runs finds stretches of one value and stretches that are repeated.
type runs struct {
	ring  []float64
	n     int64 // frames in it so far
	hold  int64
	ctx   int64 // frames behind a run that must be known: 5 ms
	quart int   // a quarter of a millisecond

	same    int64 // samples equal to the one before, in a row
	flat    int64
	flatAt  float64 // value that the running flat stretch began with
	waiting []held
	level   []topLevel
	low     float64 // least and greatest sample so far
	high    float64

	table   []int64 // last frame of each anchor, +1
	m       match
	within  int64
	repeat  int64
	stepped int64   // runs and repetitions that are steps of the sound itself
	zeros   int64   // samples of digital silence in runs so far
	shown   float64 // peak to peak of Sounding

	before  side     // what came before the run of equal samples that is going on
	pending []Click  // at the beginning of the run that is going on
	edges   [16]held // dropouts reported last
	edge    int
	doubts  [16]doubt
	nDoubt  int
}

func (r *runs) init(m *Meter) {
	rate := float64(m.rate)
	r.within = int64(float64(m.p.Within) * rate)
	size := int64(1)
	for size < r.within+4*chunk+int64(0.05*rate) {
		size <<= 1
	}
	r.ring = make([]float64, size)
	r.hold = max(int64(m.p.Hold), int64(float64(m.p.Hold)*rate/48000))
	r.ctx = int64(0.005 * rate)
	r.quart = max(6, int(0.00025*rate))
	r.repeat = int64(m.p.Repeat)
	r.table = make([]int64, 1<<12)
	r.shown = 2 * unit.ToAmplitude(float64(m.p.Sounding))
}

func (r *runs) at(i int64) float64 {
	if i < 0 || i >= r.n || i <= r.n-int64(len(r.ring)) {
		return 0
	}
	return r.ring[i&int64(len(r.ring)-1)]
}

// runs takes the next samples.
func (s *channel) runs(x []float64) {
	r := &s.r
	at := int(r.n & int64(len(r.ring)-1))
	copy(r.ring, x[copy(r.ring[at:], x):])
	base := r.n
	r.n += int64(len(x))
	prev, prev2 := r.at(base-1), r.at(base-2)
	// In variables of their own, which the compiler keeps in registers.
	same, flat, flatAt := r.same, r.flat, r.flatAt
	for i, v := range x {
		if v == prev && base+int64(i) > 0 {
			if same++; same+1 == r.hold {
				from := base + int64(i) - same
				r.before = r.beside(from-int64(r.quart), from-r.ctx, from, from-1)
			}
		} else {
			if same+1 >= r.hold {
				n := base + int64(i)
				r.waiting = append(r.waiting, held{n - same - 1, n, false, r.before})
			}
			same = 0
			// An anchor: one sample value in 16, chosen by its bits.
			if b := math.Float64bits(v) * 0x9E3779B97F4A7C15; b>>60 == 0 && (v > 1e-3 || v < -1e-3) {
				s.anchor(base+int64(i), v, prev, prev2)
			}
		}
		if r.m.active && v != r.at(base+int64(i)-r.m.lag) {
			s.endMatch(base + int64(i))
		}
		if d := v - flatAt; d <= flatness && d >= -flatness {
			flat++
		} else {
			if flat >= flatRun && (flatAt > leastFlat || flatAt < -leastFlat) {
				n := base + int64(i)
				r.waiting = append(r.waiting, held{n - flat, n, true, side{}})
			}
			flat, flatAt = 1, v
		}
		prev2, prev = prev, v
	}
	r.same, r.flat, r.flatAt = same, flat, flatAt
	done := 0
	for _, h := range r.waiting {
		if h.to+r.ctx > r.n {
			break
		}
		s.settle(h)
		done++
	}
	r.waiting = r.waiting[:copy(r.waiting, r.waiting[done:])]
}

// endRuns settles what waits at the end of the recording.
func (s *channel) endRuns() {
	r := &s.r
	if r.m.active {
		s.endMatch(r.n)
	}
	for _, h := range r.waiting {
		s.settle(h)
	}
	r.waiting = nil
	s.release(&r.pending)
}

// endDoubts reports what still waits when all clicks are known.
func (s *channel) endDoubts() {
	s.release(&s.r.pending)
	for i := range s.r.doubts {
		s.release(&s.r.doubts[(s.r.nDoubt+i)%len(s.r.doubts)].pending)
	}
}

// settle judges a run whose context is known.
func (s *channel) settle(h held) {
	if h.flat {
		s.r.top(h)
		return
	}
	r := &s.r
	d, sure := r.surroundings(h)
	d.pending, r.pending = r.pending, nil
	if r.at(h.to-1) == 0 {
		r.zeros += h.to - h.from
		if 2*r.zeros >= h.to && float64(h.to-h.from) >= strokes/0.005*float64(r.ctx) {
			s.own(h) // between the strokes of a count-in
			return
		}
	}
	if (sure || d.sounds) && r.steps(h) {
		sure, d.sounds = false, false
		r.stepped++
	}
	if sure {
		s.drop(Dropout{Frame: h.from, Frames: h.to - h.from, Channel: s.index, Kind: kindOf(r.at(h.to - 1))})
		return
	}
	if !d.sounds {
		s.release(&d.pending)
		return
	}
	d.a = d.a || len(d.pending) > 0
	if s.decide(&d) {
		return
	}
	old := &r.doubts[r.nDoubt]
	s.release(&old.pending)
	*old = d
	r.nDoubt = (r.nDoubt + 1) % len(r.doubts)
}

func kindOf(v float64) string {
	if v == 0 {
		return Zeros
	}
	return Held
}

// decide reports a doubtful run whose edges turned out to be clicks.
func (s *channel) decide(d *doubt) bool {
	if !d.sounds || !(d.a && d.b || !d.long && (d.a || d.b)) {
		return false
	}
	s.drop(Dropout{Frame: d.from, Frames: d.to - d.from, Channel: s.index, Kind: d.kind})
	*d = doubt{}
	return true
}

// drop reports a dropout and takes the clicks at its edges for part of it.
func (s *channel) drop(d Dropout) {
	s.own(held{from: d.Frame, to: d.Frame + d.Frames})
	s.m.dropout(d)
}

// own takes the clicks that are found at the edges of a run for part of it.
func (s *channel) own(h held) {
	r := &s.r
	r.edges[r.edge] = held{from: h.from, to: h.to}
	r.edge = (r.edge + 1) % len(r.edges)
}

// release reports clicks that waited for the end of what proved no dropout.
func (s *channel) release(pending *[]Click) {
	for _, c := range *pending {
		s.m.click(c)
	}
	*pending = nil
}

// found reports a click unless it belongs to a dropout.
func (s *channel) found(c Click) {
	r := &s.r
	by := func(at int64) bool { return c.Frame >= at-ownFrames && c.Frame <= at+ownFrames }
	for _, e := range r.edges {
		if e.to > e.from && c.Frame >= e.from-ownFrames && c.Frame <= e.to+ownFrames {
			return
		}
	}
	for i := range r.doubts {
		d := &r.doubts[i]
		if d.to == d.from || !by(d.from) && !by(d.to) {
			continue
		}
		d.a, d.b = d.a || by(d.from), d.b || by(d.to)
		if !s.decide(d) {
			d.pending = append(d.pending, c)
		}
		return
	}
	hold := func(pending *[]Click) {
		if len(*pending) < MaxListed {
			*pending = append(*pending, c)
		}
	}
	switch {
	case r.same+1 >= r.hold && by(r.n-r.same-1): // a run that goes on
		hold(&r.pending)
	case r.m.active && r.n-r.m.from >= r.repeat && by(r.m.from):
		hold(&r.m.pending)
	default:
		s.m.click(c)
	}
}

// span returns the least and greatest sample and the mean square of from … to−1.
func (r *runs) span(from, to int64) (low, high, power float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := from; i < to; i++ {
		v := r.at(i)
		low, high = min(low, v), max(high, v)
		power += v * v
	}
	return low, high, power / float64(max(to-from, 1))
}

// beside describes one side of a run: the parts near … and far …, both as
// first frame or end, on the side of edge.
func (r *runs) beside(near, far, edge, next int64) side {
	d := side{next: r.at(next)}
	d.nearLow, d.nearHigh, _ = r.span(min(near, edge), max(near, edge))
	d.low, d.high, d.power = r.span(min(far, edge), max(far, edge))
	return d
}

// surroundings tells from the sound beside a run of one value whether it lies within
// sound and is neither a crest nor a pause.
func (r *runs) surroundings(h held) (d doubt, sure bool) {
	d.held = h
	if h.from == 0 || h.to >= r.n {
		return d, false // silence at the ends
	}
	v := r.at(h.to - 1)
	d.kind = kindOf(v)
	a, b := h.before, r.beside(h.to+int64(r.quart), h.to+r.ctx, h.to, h.to)
	if s := math.Abs(v); s > 0 {
		sign := v / s
		inside := func(d side) bool { return max(sign*d.nearLow, sign*d.nearHigh) <= s }
		most := max(sign*a.low, sign*a.high, sign*b.low, sign*b.high)
		if inside(a) && inside(b) && s >= 0.9*most {
			return d, false // a crest of its sign: clipping, if anything
		}
	}
	d.sounds = min(a.power, b.power) >= r.shown*r.shown/8
	// No pause fades to a value other than near zero.
	d.long = float64(h.to-h.from) > shortRun/0.005*float64(r.ctx) && math.Abs(v) < 1e-3
	if !d.long {
		return d, a.nearHigh-a.nearLow >= r.shown && b.nearHigh-b.nearLow >= r.shown
	}
	d.a = math.Abs(a.next-v) >= jump*math.Sqrt(a.power)
	d.b = math.Abs(b.next-v) >= jump*math.Sqrt(b.power)
	return d, false
}

// steps reports whether a run is a step of the sound around it, which is rounded to
// few bits or holds each value for some samples, as a crusher does.
func (r *runs) steps(h held) bool {
	// Noise may break a step into several runs.
	for v, n := r.at(h.from), int64(0); n < 2*r.ctx && math.Abs(r.at(h.from-1)-v) <= nearly; n++ {
		h.from--
	}
	for v, n := r.at(h.to-1), int64(0); n < 2*r.ctx && h.to < r.n && math.Abs(r.at(h.to)-v) <= nearly; n++ {
		h.to++
	}
	if r.at(h.from-1) == r.at(h.from-2) && r.at(h.to) == r.at(h.to+1) || r.stays(h.from-3, h.from) && r.stays(h.to, h.to+3) {
		return true
	}
	return r.grid(max(1, h.from-r.ctx), h.from+1) && r.grid(h.to, min(r.n, h.to+r.ctx))
}

// stays reports whether the samples from … to−1 are one value but for noise.
func (r *runs) stays(from, to int64) bool {
	low, high, _ := r.span(from, to)
	return high-low <= nearly
}

// grid reports whether all samples of from … to−1 lie on coarse steps.
func (r *runs) grid(from, to int64) bool {
	step := math.Inf(1)
	for i := from; i < to; i++ {
		if d := math.Abs(r.at(i) - r.at(i-1)); d > nearly {
			step = min(step, d)
		}
	}
	if !(step >= leastStep) || math.IsInf(step, 1) {
		return false
	}
	// The least is one step less noise.
	n, sum := 0, 0.0
	for i := from; i < to; i++ {
		if d := math.Abs(r.at(i) - r.at(i-1)); d > nearly && d < 1.5*step {
			n++
			sum += d
		}
	}
	step = sum / float64(n)
	n = 0
	for i := from; i < to; i++ {
		d := math.Abs(r.at(i) - r.at(i-1))
		if d <= nearly || d > gridReach*step {
			continue
		}
		d /= step
		if math.Abs(d-math.Round(d)) > offGrid {
			return false
		}
		n++
	}
	return n >= 2
}

// stepwise reports whether samples from … to−1 are held values for a good part.
func (r *runs) stepwise(from, to int64) bool {
	same := int64(0)
	for i := from; i < to; i++ {
		if math.Abs(r.at(i)-r.at(i-1)) <= nearly {
			same++
		}
	}
	return float64(same) >= heldShare*float64(to-from)
}

// top counts a flat stretch if it is a crest with corners.
func (r *runs) top(h held) {
	if h.from == 0 || h.to >= r.n {
		return
	}
	v := r.at(h.from)
	if math.Abs(v) >= fullScale {
		return // clipping at full scale is counted apart
	}
	sign := 1.0
	if v < 0 {
		sign = -1
	}
	beyond := min(h.to-h.from, 64)
	level := math.Inf(1)
	for i := h.from; i < h.to; i++ {
		level = min(level, sign*r.at(i))
	}
	fell := func(step, edge int64) bool {
		for i := int64(0); i < beyond; i++ {
			u := sign * r.at(edge+step*i)
			if u > level+flatness {
				return false
			}
			if level-u > corner {
				return true
			}
		}
		return false
	}
	if !fell(-1, h.from-1) || !fell(1, h.to) {
		return
	}
	if r.steps(h) {
		return
	}
	// Levels within two flatnesses are one.
	key := int64(math.Floor(v / (2 * flatness)))
	for i := range r.level {
		if d := r.level[i].key - key; d >= -1 && d <= 1 {
			r.level[i].n++
			r.level[i].sum += v
			return
		}
	}
	if len(r.level) < levels {
		r.level = append(r.level, topLevel{key: key, n: 1, first: h.from, sum: v})
		return
	}
	// Full: the oldest of the rarest goes.
	rare := 0
	for i := range r.level {
		if r.level[i].n < r.level[rare].n {
			rare = i
		}
	}
	r.level = append(r.level[:rare], r.level[rare+1:]...)
	r.level = append(r.level, topLevel{key: key, n: 1, first: h.from, sum: v})
}

// tops returns the flat tops of all levels that have at least least, the first
// of them, and the level of the commonest.
func (r *runs) tops(least int) (n, first int64, level unit.DBFS) {
	first, level = -1, unit.DBFS(math.NaN())
	most := int64(0)
	for _, l := range r.level {
		// What clips lets nothing through above. Among many crests a few are
		// flat at one level by chance, the more the fewer steps there are.
		at := l.sum / float64(l.n)
		need := int64(math.Ceil(float64(least) * max(1, quietTops/math.Abs(at))))
		if at > 0 && at < ceiling*r.high || at < 0 && at > ceiling*r.low {
			need *= belowCeiling
		}
		if l.n < need {
			continue
		}
		n += l.n
		if first < 0 || l.first < first {
			first = l.first
		}
		if l.n > most {
			most, level = l.n, unit.DBFS(unit.FromAmplitude(l.sum/float64(l.n)))
		}
	}
	return n, first, level
}

// anchor remembers where a sample value with its two predecessors occurred, and
// begins a match where it occurred before.
func (s *channel) anchor(n int64, v, prev, prev2 float64) {
	r := &s.r
	key := math.Float64bits(v)*0x9E3779B97F4A7C15 ^ math.Float64bits(prev)*0xC2B2AE3D27D4EB4F ^ math.Float64bits(prev2)*0x165667B19E3779F9
	slot := &r.table[(key*0x9E3779B97F4A7C15)>>52]
	was := *slot - 1
	*slot = n + 1
	if r.m.active || was < 2 || n-was > r.within || v != r.at(was) || prev != r.at(was-1) || prev2 != r.at(was-2) {
		return
	}
	lag := n - was
	from := n - 2
	for n-from < 8192 && from-1-lag >= 0 && r.at(from-1) == r.at(from-1-lag) {
		from--
	}
	r.m = match{from: from, lag: lag, active: true}
}

// endMatch judges a repetition that ended before frame n. What repeats itself
// many times over is a steady tone.
func (s *channel) endMatch(n int64) {
	r := &s.r
	r.m.active = false
	defer s.release(&r.m.pending)
	length := n - r.m.from
	if length < r.repeat || length > 8*r.m.lag || r.m.from <= 0 {
		return
	}
	// Samples that those before do not lead to expect: a flat or quiet stretch
	// may repeat itself by chance.
	rich := int64(0)
	for i := n - min(length, 4096); i < n; i++ {
		if math.Abs(r.at(i)-2*r.at(i-1)+r.at(i-2)) > richness {
			rich++
		}
	}
	if low, high, _ := r.span(n-min(length, 4096), n); rich < 24 || high-low < r.shown {
		return
	}
	if r.stepwise(n-min(length, 4096), n) {
		r.stepped++
		return
	}
	r.m.pending = nil
	s.drop(Dropout{Frame: r.m.from, Frames: length, Channel: s.index, Kind: Repeat, Lag: r.m.lag})
}
