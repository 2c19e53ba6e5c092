package parts

import (
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// Outcome says whether two recordings are of one performance.
type Outcome string

// The three outcomes.
const (
	Same      Outcome = "same"
	Different Outcome = "different"
	Uncertain Outcome = "uncertain"
)

// Verdict is the answer to whether b, its parts apart where they are not most of it, is a recording of the
// performance in a.
type Verdict struct {
	Outcome Outcome
	// Onsets is how many notes begin within 40 ms of where they should, of Notes
	// that begin in a and lie in no part of their own.
	Onsets, Notes int
	// Moved is by how much later than the estimate's line b lies, by its notes.
	Moved unit.Seconds
	// Spread is the robust standard deviation of these about the lag; NaN for none.
	Spread unit.Seconds
	// Sureness is how many decades the odds stand in favour of one performance
	// (positive) or of two passes (negative), from the notes alone.
	Sureness unit.Number
	// Basis says what the verdict rests on.
	Basis finding.Text
}

const (
	oneHand     = 0.8  // ticks: scatter of the notes of one performance
	sureDecades = 4    // of odds
	leastOnsets = 5    // notes
	sureEach    = 0.18 // decades for each note; two passes give more, octave dividers less
	onsetReach  = 40   // ticks

	betweenTicks = 2   // ticks about a lag whose mean tells it between ticks
	placedShare  = 0.6 // of the windows that lie in place in one performance
)

// verdict judges the whole from the notes that lie in no part, each at the lag of its
// own place, and from the windows.
func (j *Judgement) verdict() Verdict {
	v := Verdict{Outcome: Uncertain, Spread: unit.Seconds(never)}
	s := j.notes
	v.Moved = unit.Seconds(float64(j.start) * tick)
	nats := 0.0
	var dev []float64
	apart := j.within
	outside := 0
	for i, at := range s.at {
		if !s.gone[i] && !apart(float64(at)*tick) {
			outside++
		}
	}
	if 2*outside < len(s.at) { // parts that are most of it are the whole
		apart = func(float64) bool { return false }
	}
	for i, at := range s.at {
		if s.gone[i] || apart(float64(at)*tick) {
			continue
		}
		v.Notes++
		l := s.state(j.start, j.steps, i)
		if l < 0 {
			continue
		}
		one := s.spread(nil, s.p[i], oneHand)
		nats += s.fits(one[l]) - max(0, s.fits(s.blunt[i][l]))
		first, end := s.window(l)
		first, end = max(first, l-onsetReach), min(end, l+onsetReach+1)
		if best := argmax(s.p[i][first:end]) + first; s.p[i][best] > leastChance {
			v.Onsets++
			mean, sum := 0.0, 0.0 // between ticks
			for k := max(first, best-betweenTicks); k < min(end, best+betweenTicks+1); k++ {
				mean += float64(s.p[i][k]) * float64(k-l)
				sum += float64(s.p[i][k])
			}
			dev = append(dev, math.Abs(mean/sum)*tick)
		}
	}
	v.Sureness = unit.Number(nats / math.Ln10)
	if len(dev) > 0 {
		v.Spread = unit.Seconds(1.4826 * middle(dev))
	}
	constant, windows := false, 0
	if ph := j.phase; ph.clear() {
		at, _, _ := ph.places(j.rate)
		placed := 0
		for i, k := range at {
			if apart(ph.windows[i].time) {
				continue
			}
			windows++
			if k == inPlace {
				placed++
			}
		}
		constant = placed >= leastWindows && float64(placed) >= placedShare*float64(windows)
	}
	each := float64(v.Sureness) / float64(max(1, v.Notes))
	ms := 1000 * float64(v.Spread)
	switch {
	case v.Onsets >= leastOnsets && v.Sureness >= sureDecades:
		v.Outcome, v.Basis = Same, finding.Say("parts.keep", "onsets", v.Onsets, "notes", v.Notes, "within_ms", max(1, math.Ceil(ms)))
	case constant && v.Sureness > -sureDecades:
		v.Outcome, v.Basis = Same, finding.Say("parts.phase", "windows", windows)
	case constant:
		v.Basis = finding.Say("parts.scatter-phase", "spread_ms", ms)
	case v.Onsets < leastOnsets:
		v.Basis = finding.Say("parts.few", "onsets", v.Onsets, "notes", v.Notes, "least", leastOnsets)
	case v.Sureness <= -sureDecades && each > -sureEach:
		v.Basis = finding.Say("parts.blunt", "spread_ms", ms)
	case v.Sureness <= -sureDecades:
		v.Outcome, v.Basis = Different, finding.Say("parts.differ", "onsets", v.Onsets, "notes", v.Notes, "spread_ms", ms)
	default:
		v.Basis = finding.Say("parts.between", "spread_ms", ms)
	}
	return v
}

const leastChance = 0.25 // of a lag, at which a note begins clearly
