package clock

import (
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/align"
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

// Verdict is the answer to whether b is a recording of the performance in a.
type Verdict struct {
	Outcome Outcome
	// Onsets is how many notes begin clearly in both within 40 ms of the line,
	// of Notes that begin in a.
	Onsets, Notes int
	// Moved is by how much later than the line of the estimate the notes begin
	// on the whole: more than some milliseconds where music repeats itself and
	// the estimate is that of another place.
	Moved unit.Seconds
	// Spread is the robust standard deviation of the onsets' differences.
	Spread unit.Seconds
	// Windows is the spread of the fine search's lags, of Estimate, in seconds, or
	// of those of Slips where these tell more; NaN where there are too few.
	Windows unit.Seconds
	// Sureness is how many decades the odds stand in favour of one performance
	// (positive) or against it (negative: two passes, or no relation), from the
	// onsets alone, each counted as independent evidence and with a tenth of
	// them allowed to be anything.
	Sureness unit.Number
	// Basis says in a few words what the verdict rests on.
	Basis string
}

const (
	leastOnsets   = 5
	oneHand       = 0.0008 // s: scatter of onsets of one performance through different gear
	twoHands      = 0.0055 // s: scatter between two passes of one player to a click
	sureDecades   = 4
	farApart      = 0.012  // s: beyond, the notes do not belong together
	sureEach      = 0.18   // decades for each note; two passes give 0.2 to 0.4, octave dividers 0.15 and less
	steady        = 2.5e-4 // s: largest spread of window lags of one performance
	steadyWindows = 6      // of the fine search that tell one performance
	soundOf       = 20     // windows of FindSlips that tell one performance
	soundSteady   = 5e-5   // s: largest scatter of these; that of two performances begins at 1.9e-4
)

// SamePerformance tells whether b, which lies relative to a as e says, records
// the same performance; found is what FindSlips found, or nil. Then every note
// begins equally late, however the sound was changed. Another pass by the same hands to the same click differs by
// several milliseconds from note to note.
//
// The notes' differences from a common lag are compared with three hypotheses:
// normal of 0.8 ms (what gear does to a rise), normal of 5.5 ms (two passes of a
// good player: each about 4 ms, common practice, no source), both with a tenth
// spread evenly over ±40 ms, and no relation at all. The common lag is averaged
// over ±20 ms and over the places at which the rises agree best, of which the
// estimate's own has nine tenths beforehand. The outcome needs odds of 10⁴.
//
// Where onsets say too little, each of these is proof as well: a lag of the fine
// search that is constant within 0.25 ms over six windows and stands out twice from
// any other place; twenty windows of found that keep one lag within 0.05 ms, with no
// slip; and parts of found that lie far apart, each at one lag, where the notes do
// not speak for two passes. Where the two contradict each other the outcome is
// Uncertain. It is so, too, where many notes each speak a little for two: gear that
// begins its tones anew does that. High gain can make of clear beginnings a scatter
// like that of two passes, but no two passes are alike in phase.
func SamePerformance(a, b align.Source, e align.Estimate, found *Slips) (Verdict, error) {
	nan := math.NaN()
	v := Verdict{Outcome: Uncertain, Spread: unit.Seconds(nan), Windows: unit.Seconds(nan), Sureness: 0}
	if a.Rate() != b.Rate() {
		return v, fmt.Errorf("clock: %w: %d Hz and %d Hz; convert one of the recordings first", align.ErrRates, a.Rate(), b.Rate())
	}
	if math.IsNaN(float64(e.Lag)) {
		v.Basis = "no lag is known: " + e.Reason
		return v, nil
	}
	r, err := newRises(a, b, e)
	if err != nil {
		return v, err
	}
	// Where music repeats itself the lag may be that of another place: the one
	// at which the notes agree best counts.
	var slips []Slip
	if found != nil {
		slips = found.Slips
	}
	line := lineOf(e, slips, a.Rate())
	var best lagList
	var one, two []float64
	mid, most := 0.0, math.Inf(-1)
	places := r.places()
	if found != nil && found.Far {
		places = append(places, int(math.Round(float64(found.Start)/float64(a.Rate())/tick)))
	}
	for _, shift := range places {
		l := r.lags(line, shift)
		o, t := l.odds(oneHand), l.odds(twoHands)
		one, two = append(one, o.decades), append(two, t.decades)
		if x := max(o.decades, t.decades); x > most+1e-9 {
			most, best, mid = x, l, o.mid
			if t.decades > o.decades {
				mid = t.mid
			}
			v.Moved = unit.Seconds(float64(shift)*tick + mid)
		}
	}
	if len(r.notes) > 0 {
		v.Sureness = unit.Number(placeOdds(one) - max(0, placeOdds(two)))
	}
	d := best.near(mid)
	each := float64(v.Sureness) / float64(max(1, len(r.notes)))
	v.Onsets, v.Notes = len(d), len(r.notes)
	windows := 0
	for _, w := range e.Windows {
		if w.Weight > 0 {
			windows++
		}
	}
	if windows >= steadyWindows {
		v.Windows = unit.Seconds(float64(e.Spread) / float64(a.Rate()))
	}
	constant := float64(v.Windows) <= steady && e.Confidence >= 2
	if !constant && found.oneLag(a.Rate()) {
		constant, windows = true, found.Windows
		v.Windows = unit.Seconds(float64(found.Scatter) / float64(a.Rate()))
	}
	if len(d) > 0 {
		mid = middle(slices.Clone(d))
		dev := make([]float64, len(d))
		for i, x := range d {
			dev[i] = math.Abs(x - mid)
		}
		v.Spread = unit.Seconds(1.4826 * middle(dev))
	}
	enough := v.Onsets >= leastOnsets
	switch {
	case enough && v.Sureness >= sureDecades && float64(v.Spread) <= farApart:
		v.Outcome = Same
		v.Basis = fmt.Sprintf("%d of %d notes begin equally late, within %s", v.Onsets, v.Notes, milliseconds(v.Spread))
	case found != nil && found.Far && len(slips) > 0 && (v.Sureness > -sureDecades || !(len(two) > 0 && placeOdds(two) >= silentNotes)):
		v.Outcome = Same
		v.Basis = fmt.Sprintf("%d parts of the sound keep one lag each; the notes' beginnings say too little", len(slips)+1)
	case enough && v.Sureness <= -sureDecades && constant:
		v.Basis = fmt.Sprintf("the notes' beginnings scatter by %.1f ms, but the lag is constant within %s", 1000*float64(v.Spread), milliseconds(v.Windows))
	case enough && each > -sureEach && v.Sureness <= -sureDecades:
		v.Basis = fmt.Sprintf("the notes' beginnings scatter by %.1f ms, but each says little (odds of %.1f to 1): gear that begins its notes anew, as an octave divider does, could be the reason", 1000*float64(v.Spread), math.Pow(10, -each))
	case enough && v.Sureness <= -sureDecades:
		v.Outcome = Different
		v.Basis = fmt.Sprintf("%d of %d notes begin near each other but differ by %.1f ms from note to note", v.Onsets, v.Notes, 1000*float64(v.Spread))
		if float64(v.Spread) > farApart {
			v.Basis = fmt.Sprintf("at no lag within %.1f s do the notes begin equally late", lagReach)
		}
	case constant:
		v.Outcome = Same
		v.Basis = fmt.Sprintf("the lag is constant within %s over %d windows; the notes' beginnings say too little", milliseconds(v.Windows), windows)
	case !enough:
		v.Basis = fmt.Sprintf("%d of %d notes begin clearly in both, at least %d are needed", v.Onsets, v.Notes, leastOnsets)
	default:
		v.Basis = fmt.Sprintf("the notes' beginnings differ by %.1f ms: too much for one performance, too little for two", 1000*float64(v.Spread))
	}
	return v, nil
}

// oneLag reports whether the windows of a search lie along one line, as only those
// of one performance do.
func (s *Slips) oneLag(rate int) bool {
	return s != nil && !s.uneven && len(s.Slips) == 0 && s.Windows >= soundOf && float64(s.Scatter) <= soundSteady*float64(rate)
}

// milliseconds prints a scatter upwards, never as nothing.
func milliseconds(v unit.Seconds) string {
	if ms := 1000 * float64(v); ms >= 0.1 {
		return unit.Format(math.Ceil(10*ms-1e-9)/10, 1) + " ms"
	} else if ms > 0.01 {
		return unit.Format(math.Ceil(100*ms-1e-9)/100, 2) + " ms"
	}
	return "0.01 ms"
}
