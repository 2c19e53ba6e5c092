package parts

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// Kind says what a part of a take is.
type Kind string

// The kinds of parts that are not what the timeline says.
const (
	Elsewhere Kind = "elsewhere" // is what is played at another time
	Moved     Kind = "moved"     // lies later or earlier than the rest, all of it by as much
	Turned    Kind = "turned"    // its polarity is not that of the rest
	Elastic   Kind = "elastic"   // lies at lags that wander
	Pass      Kind = "pass"      // its notes scatter as those of another pass do
	Unlike    Kind = "unlike"    // its notes are not those that are played there
	Missing   Kind = "missing"   // nothing is heard while something is played
)

// Part is a part of b that is not what a says.
type Part struct {
	From, To unit.Seconds // on the timeline of a
	Kind     Kind
	// Lag is by how much later than the rest it is, for Moved, and by how much
	// later than a plays it, for Elsewhere.
	Lag unit.Samples
	by  string
}

// Slip is a place at which frames were inserted into or lost from b.
type Slip struct {
	At       unit.Seconds // on the timeline of a
	Lag      unit.Samples // by how much b is later from here on: positive where frames were inserted, negative where they were lost
	Error    unit.Samples // one standard error of Lag
	From, To unit.Seconds // times of a between which it happened
}

// Judgement is what was found. It holds what every note says, some ten kilobytes for
// each.
type Judgement struct {
	Verdict Verdict
	Parts   []Part // in order of time
	Slips   []Slip // in order of time
	// Smallest is the smallest slip that would have been found between the times
	// From and To of a; NaN where none would, for Reason.
	Smallest unit.Samples
	From, To unit.Seconds
	Reason   finding.Text
	// Start is by how much later than the estimate says b is before the first slip.
	Start unit.Samples
	// Windows is how many windows sounded and are alike; Scatter the robust standard
	// deviation of their lags about the median of their neighbours, NaN for too few.
	Windows int
	Scatter unit.Samples
	// Drift is how much slower b's clock runs by these windows, slips apart; the
	// delay of the gear, where it changes with the playing, is in it. NaN where
	// too few tell. DriftError is one standard error.
	Drift, DriftError unit.PPM

	notes  *noteStates
	phase  *phases
	start  int // ticks
	steps  []noteSlip
	rate   int
	repeat bool
	line   func(t float64) float64 // frames
}

// OnePath reports whether both recordings went one path, so that nothing but the clock
// moves the lag.
func (j *Judgement) OnePath() bool {
	most := onePath
	if !math.IsNaN(float64(j.Drift)) { // a clock that runs off blurs windows
		most += blurredBy * math.Abs(float64(j.Drift))
	}
	return float64(j.Scatter) <= most
}

// Lag returns how many frames later than a, at a time of a, b is by the estimate and the
// slips.
func (j *Judgement) Lag(t float64) float64 {
	if j.line == nil {
		return never
	}
	lag := j.line(t) + float64(j.Start)
	for _, x := range j.Slips {
		if t >= float64(x.At) {
			lag += float64(x.Lag)
		}
	}
	return lag
}

const (
	margin   = 3000 // ticks of b before the beginning of a and behind its end
	straight = 0.1  // frames that the lag may change from end to end before the windows are compared anew

	phaseTries = 6   // times that they are
	stillClear = 0.9 // of what they had in common, that they must have then
)

// Timeline is a recording that others are judged against, and what was found in it
// once for all. It holds no reader.
type Timeline struct {
	sound *sound
	notes []int // ticks at which they begin
	rate  int
}

// Listen finds what is needed of a recording. Of recordings above ten minutes the
// first ten are looked at. It returns errors of reading.
func Listen(a align.Source) (*Timeline, error) {
	n := int(min(most, float64(a.Len())/float64(a.Rate())) / tick)
	out := &Timeline{rate: a.Rate()}
	var err error
	out.sound, err = hear(a, 0, n, func(levels, rises [bands][]float32) { out.notes = beginnings(levels, rises) })
	return out, err
}

// Judge compares b, part by part, with a, of which the timeline was made, along e.
// What e says need not be certain, but must hold a lag. repeat says that both were
// sent through the same gear.
//
// It returns an error wrapping align.ErrRates for different sample rates, and errors
// of reading.
func (t *Timeline) Judge(a, b align.Source, e align.Estimate, repeat bool) (*Judgement, error) {
	out := &Judgement{Smallest: unit.Samples(never), From: unit.Seconds(never), To: unit.Seconds(never), rate: t.rate, repeat: repeat,
		Scatter: unit.Samples(never), Drift: unit.PPM(never), DriftError: unit.PPM(never),
		Verdict: Verdict{Outcome: Uncertain, Spread: unit.Seconds(never)}}
	if a.Rate() != b.Rate() || a.Rate() != t.rate {
		return nil, fmt.Errorf("parts: %w: %d Hz and %d Hz; convert one of the recordings first", align.ErrRates, a.Rate(), b.Rate())
	}
	if math.IsNaN(float64(e.Lag)) {
		out.Reason = finding.Say("no-lag", "because", e.Reason)
		out.Verdict.Basis = out.Reason
		return out, nil
	}
	rate, n := float64(t.rate), t.sound.n
	if len(t.notes) == 0 {
		out.Reason = finding.Say("parts.no-note")
		out.Verdict.Basis = out.Reason
		return out, nil
	}
	line := func(at float64) float64 { return float64(e.LagAt(unit.Seconds(at), t.rate)) / rate }
	out.line = func(at float64) float64 { return rate * line(at) }
	base := line(float64(n) * tick / 2)
	hb, err := hear(b, base-margin*tick, n+2*margin, nil)
	if err != nil {
		return nil, err
	}
	off := func(i int) int { return margin + int(math.Round((line(float64(i)*tick)-base)/tick)) }
	missing := gaps(t.sound, hb, off)
	s := compareNotes(t.sound, hb, t.notes, off, places(t.sound, hb, off), missing)
	s.follow()
	out.notes = s
	pieces, slips, start := s.judge()
	out.start, out.steps, out.Start = start, slips, unit.Samples(float64(start)*tick*rate)
	seconds := func(note int) unit.Seconds { return unit.Seconds(float64(s.at[note]) * tick) }
	var parts []Part
	for _, p := range pieces {
		parts = append(parts, Part{From: seconds(p.first), To: seconds(p.last), Kind: p.kind, Lag: unit.Samples(float64(p.off) * tick * rate), by: "notes"})
	}
	for _, g := range missing {
		parts = append(parts, Part{From: unit.Seconds(g.from), To: unit.Seconds(g.to), Kind: Missing, by: "level"})
	}
	out.Slips = out.slipsByNotes()
	own := 0.0
	if !math.IsNaN(float64(e.Drift)) {
		own = float64(e.Drift)
	}
	slope, mid := 0.0, float64(n)*tick/2
	out.Parts = parts
	windows := newCrossing(a, b)
	compare := func(slope float64) (*phases, error) {
		return windows.comparePhases(func(t float64) float64 { return out.Lag(t) + slope*(t-mid) }, func(from, to float64) bool {
			apart := func(x Part) bool { // is elsewhere for certain
				return (x.Kind == Moved || x.Kind == Elsewhere || x.Kind == Missing) && to > float64(x.From) && from < float64(x.To)
			}
			return !slices.ContainsFunc(parts, apart) &&
				!slices.ContainsFunc(out.Slips, func(x Slip) bool { return to > float64(x.From) && from < float64(x.To) })
		})
	}
	var best *Judgement
	for try := range phaseTries {
		if out.phase, err = compare(slope); err != nil {
			return nil, err
		}
		// A slip or a moved part can pass for a drift in the estimate.
		if none := -own * 1e-6 * rate; try == 0 && math.Abs(none)*2*mid > 1 {
			level, err := compare(none)
			if err != nil {
				return nil, err
			}
			if level != nil && (out.phase == nil || level.agreed() > out.phase.agreed()) {
				out.phase, slope = level, none
			}
		}
		if out.phase == nil && best == nil {
			break
		}
		if out.phase == nil || best != nil && out.phase.clarity() < turnPlain && out.phase.agreed() < stillClear*best.phase.agreed() {
			// What windows said made them less alike: it was the gear's, or a slip of
			// this size, and is not told.
			for _, x := range out.Slips {
				if !slices.ContainsFunc(best.Slips, func(o Slip) bool { return o.At == x.At }) && best.Smallest < unit.Samples(math.Abs(float64(x.Lag))) {
					best.Smallest = unit.Samples(math.Abs(float64(x.Lag)))
				}
			}
			out = best
			break
		}
		known := slices.Clone(out.Slips)
		more, moved := out.byWindows(own + slope*1e6/rate)
		kept := *out
		kept.Slips = known
		best = &kept
		if slope += more; math.Abs(more)*2*mid <= straight && moved <= straight {
			break
		}
	}
	if out.phase != nil {
		out.settle(parts)
	}
	if math.IsNaN(float64(out.Smallest)) {
		out.byNotes()
	}
	slices.SortStableFunc(out.Parts, func(x, y Part) int { return cmp.Compare(x.From, y.From) })
	out.Verdict = out.verdict()
	return out, nil
}

// settle sets the parts by what notes and windows say together, given those that notes and
// levels tell, and takes out slips that are the scatter about a part.
func (j *Judgement) settle(parts []Part) {
	told := j.slipsByNotes()
	if j.phase.clear() {
		j.start += j.notes.sharpenBy(j.phase, j.rate, j.start, j.steps)
	}
	found := append(parts, j.backAgain()...)
	found = append(found, j.apart(found, j.phase.rows(j.rate))...)
	j.Parts = joined(edged(found, j.notes.withPhase(j.phase, j.rate, j.start, j.steps, found, float64(j.Smallest))))
	j.Slips = slices.DeleteFunc(j.Slips, func(x Slip) bool {
		return !slices.ContainsFunc(told, func(o Slip) bool { return math.Abs(float64(o.At-x.At)) < oneSlip }) &&
			slices.ContainsFunc(j.Parts, func(p Part) bool {
				return !p.certain() && x.To > p.From-besidePart && x.From < p.To+besidePart
			})
	})
}

// slipsByNotes returns the slips as the notes alone tell them.
func (j *Judgement) slipsByNotes() (out []Slip) {
	seconds := func(note int) unit.Seconds { return unit.Seconds(float64(j.notes.at[note]) * tick) }
	for _, x := range j.steps {
		from, to := seconds(j.notes.hit(x.before, -1)), seconds(j.notes.hit(x.behind, 1))
		by := float64(x.by) * tick
		out = append(out, Slip{At: (from + to - unit.Seconds(max(0, -by))) / 2, From: from, To: to,
			Lag: unit.Samples(by * float64(j.rate)), Error: unit.Samples(tick * float64(j.rate))})
	}
	return out
}

// byNotes sets the smallest slip that the notes alone tell, if they tell any.
func (j *Judgement) byNotes() {
	s := j.notes
	if n := len(s.at); n >= 2*leastEnds {
		from, to := float64(s.at[leastEnds-1])*tick, float64(s.at[n-leastEnds])*tick
		for _, x := range shifts {
			found := true
			for k := range mostTried {
				t := from + (to-from)*float64(k)/(mostTried-1)
				found = found && j.finds(t, math.Inf(1), func(int) int { return x }) && j.finds(t, math.Inf(1), func(int) int { return -x })
			}
			if found {
				j.Smallest = unit.Samples(float64(x) * tick * float64(j.rate))
				j.From, j.To = unit.Seconds(from), unit.Seconds(to)
				return
			}
		}
	}
	if len(j.Slips) == 0 {
		j.Reason = finding.Say("parts.little", "notes", len(s.at))
	}
}

const leastEnds = 5 // notes at either end, between which slips are tried

// within reports whether a time lies in a part.
func (j *Judgement) within(t float64) bool {
	return slices.ContainsFunc(j.Parts, func(p Part) bool { return t > float64(p.From) && t < float64(p.To) })
}
