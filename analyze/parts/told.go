package parts

import (
	"slices"

	"evenhand/analyze/unit"
)

// Told is how small a fault in a part of b would have been found, had there been one:
// faults of each size were put into what was measured, at several places of the
// part, and looked for again.
type Told struct {
	// Shift is the least by which five seconds (or the whole part, where it is
	// shorter) could be moved and be found at every place tried; NaN where
	// none of those tried was.
	Shift unit.Seconds
	// Pass is the shortest time for which another pass would have been found at
	// every place tried; NaN for none.
	Pass unit.Seconds
	// Places is how many places were tried.
	Places int
	// Phase tells that the windows there are alike: a turn of the polarity would
	// have been found as well.
	Phase bool
}

const (
	shiftSeconds = 5 // s of the shifts that are tried
	mostTried    = 5 // places of a part
	leastTried   = 2 // notes within a fault that is tried
)

// shifts and passes are what is tried, in ticks and in seconds, the smallest first.
var (
	shifts = [...]int{5, 10, 20, 50, 150}
	passes = [...]float64{3, 5, 8}
)

// hand is how far the notes of another pass lie from where they should, in ticks: a
// normal distribution of 7 ms at twelve equal steps of probability, in a mixed order.
var hand = [...]int{-4, 9, -1, 5, -12, 2, -7, 12, 0, -3, 4, -5}

// Told returns how small a fault between two times of a would have been found.
func (j *Judgement) Told(from, to unit.Seconds) Told {
	out := Told{Shift: unit.Seconds(never), Pass: unit.Seconds(never)}
	if j.notes == nil { // nothing could be compared
		return out
	}
	length := float64(to - from)
	starts := func(seconds float64) (at []float64) {
		seconds = min(seconds, length)
		n := min(mostTried, 1+int((length-seconds)/max(1, seconds/2)))
		for i := range n {
			at = append(at, float64(from)+(length-seconds)*float64(i)/float64(max(1, n-1)))
		}
		return at
	}
	all := func(seconds float64, by func(note int) int) bool {
		at := starts(seconds)
		out.Places = max(out.Places, len(at))
		for _, t := range at {
			if !j.finds(t, t+min(seconds, length), by) {
				return false
			}
		}
		return true
	}
	for _, x := range shifts {
		if all(shiftSeconds, func(int) int { return x }) && all(shiftSeconds, func(int) int { return -x }) {
			out.Shift = unit.Seconds(float64(x) * tick)
			break
		}
	}
	for _, s := range passes {
		if s > length && s != passes[0] {
			break
		}
		if all(s, func(note int) int { return hand[note%len(hand)] }) {
			out.Pass = unit.Seconds(min(s, length))
			break
		}
	}
	if j.phase.clear() {
		at, _, _ := j.phase.places(j.rate)
		placed := 0
		for i, w := range j.phase.windows {
			if w.time > float64(from) && w.time < float64(to) && at[i] == inPlace {
				placed++
			}
		}
		out.Phase = placed >= leastRow && j.phase.polar()
	}
	return out
}

// finds reports whether notes that lie elsewhere between two times, by ticks that
// depend on the note, are found.
func (j *Judgement) finds(from, to float64, by func(note int) int) bool {
	s := *j.notes
	s.sharp, s.blunt, s.states = slices.Clone(s.sharp), slices.Clone(s.blunt), slices.Clone(s.states)
	changed := 0
	for i, at := range s.at {
		if t := float64(at) * tick; t < from || t >= to || s.gone[i] {
			continue
		}
		s.sharp[i], s.blunt[i] = s.moved(s.sharp[i], by(i)), s.moved(s.blunt[i], by(i))
		changed++
	}
	if changed < leastTried {
		return false
	}
	s.path()
	overlaps := func(a, b float64) bool { return b > from-1 && a < to+1 }
	pieces, slips, start := s.judge()
	for _, p := range pieces {
		if overlaps(float64(s.at[p.first])*tick, float64(s.at[p.last])*tick) {
			return true
		}
	}
	for _, x := range slips {
		if overlaps(float64(s.at[x.before])*tick, float64(s.at[x.behind])*tick) {
			return true
		}
	}
	if j.phase == nil {
		return false
	}
	ph := *j.phase
	ph.alike = slices.Clone(ph.alike)
	for i, w := range ph.windows {
		if w.time > from && w.time < to {
			ph.alike[i] = false
		}
	}
	return slices.ContainsFunc(s.withPhase(&ph, j.rate, start, slips, nil, float64(j.Smallest)), func(p Part) bool { return overlaps(float64(p.From), float64(p.To)) })
}

// moved returns the chances of a note that is some ticks later.
func (s *noteStates) moved(p []float32, by int) []float32 {
	out := make([]float32, len(p))
	for i := range out {
		if first, end := s.window(i); i-by >= first && i-by < end {
			out[i] = p[i-by]
		}
	}
	return out
}
