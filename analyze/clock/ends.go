package clock

import (
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/unit"
)

const (
	endSeconds = 2.5 // s of notes at either end that are looked at by themselves, and half of it
	endPlaces  = 3   // places at which they are tried
)

// endSlips finds slips of more than 20 ms near an end, where no stretch of 4 s
// lies behind or before them: the notes of the first and last 2.5 s as they
// would lie elsewhere, if all notes together speak clearly for that. doubt says
// where they lie better elsewhere, but the notes are too few to speak for it.
func (t *tracker) endSlips(r *rises, found []Slip) (slips []Slip, doubt string) {
	if len(r.notes) == 0 {
		return found, ""
	}
	whole := int(endSeconds / tick)
	// Of the notes, those that b is long enough to hold.
	lag := float64(t.e.LagAt(0, t.rate))
	first := max(r.notes[0]-int(onsetReach/tick), int(math.Ceil(-lag/float64(t.rate)/tick)))
	last := min(r.notes[len(r.notes)-1]+int(onsetReach/tick), int((float64(t.b.Len())-lag)/float64(t.rate)/tick))
	if last-first < 2*whole {
		return found, ""
	}
	for _, n := range []int{whole, whole / 2} {
		for _, at := range []int{last - n, first} {
			more, away := t.endSlip(r, found, min(max(at, 0), len(r.a[0])-n), n)
			// Of the shorter piece, music that repeats leaves the place open.
			if n == whole && away != 0 && len(more) == len(found) {
				doubt = fmt.Sprintf("what sounds from %s on for %.1f s is more alike %.0f ms away from where the rest lies, but with too few notes to tell whether something was lost", unit.Seconds(float64(at)*tick), endSeconds, 1000*math.Abs(away))
			}
			found = more
		}
	}
	return found, doubt
}

// endSlip tries a slip behind or before the n ticks from at on. away is how far, in
// seconds, they are found best from where they should be; 0 within 20 ms.
func (t *tracker) endSlip(r *rises, found []Slip, at, n int) (best []Slip, away float64) {
	line := lineOf(t.e, found, t.rate)
	own := int(math.Round((line((float64(at)+float64(n)/2)*tick) - r.base) / tick))
	places := r.elsewhere(at, n)
	if len(places) == 0 || abs(places[0]-own) < int(leastCoarse/tick) {
		return found, 0
	}
	was := r.lags(line, 0).odds(oneHand).decades
	best, e := found, t.e
	for _, p := range places {
		d := float64(p-own) * tick
		s := Slip{Lag: unit.Samples(d * float64(t.rate)), Error: unit.Samples(tick * float64(t.rate))}
		moved := t.e
		from, to := float64(at)*tick-endSeconds, float64(at+n)*tick
		if at < len(r.a[0])/2 { // what comes before the slip lies elsewhere
			moved.Lag += s.Lag
			d, s.Lag = -d, -s.Lag
			from, to = float64(at)*tick, float64(at+n)*tick+endSeconds
		}
		s.At = unit.Seconds(r.split(lineOf(moved, found, t.rate), d, from, to))
		more := t.amend(slices.Clone(found), s, 0.5)
		if odds := r.lags(lineOf(moved, more, t.rate), 0).odds(oneHand).decades; odds >= was+gainDecades {
			best, e, was = more, moved, odds
		}
	}
	t.e = e
	return best, float64(places[0]-own) * tick
}

// elsewhere returns the shifts in ticks at which the rises of a from tick at on, n
// of them, are found best in b, the best first.
func (r *rises) elsewhere(at, n int) (places []int) {
	curve := r.stretches(n).curve(at)
	for len(places) < endPlaces {
		best := -1
		for i, v := range curve {
			near := slices.ContainsFunc(places, func(p int) bool { return abs(i-r.margin-p) <= int(leastCoarse/tick) })
			if !near && (best < 0 || v > curve[best]) {
				best = i
			}
		}
		places = append(places, best-r.margin)
	}
	return places
}
