package fairness

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/parts"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// alike reports whether a repeat is alike enough to what it repeats for a
// comparison of the two to be the sharper one.
func (s *Measured) alike(i int) bool {
	x := s.Takes[i].Again
	return x.Judged && x.Windows > 0 && x.Reason == "" && x.OnePath && !math.IsNaN(float64(x.DriftError))
}

func (s *Measured) askPerformance(a *answers) {
	for _, i := range s.Held() {
		name, v := s.Result.Takes[i].Name, s.Takes[i].Judged.Verdict
		if why := s.Silence(); why != "" {
			a.skip(name, why+", so performance, timing and missing parts are not measured")
			continue
		}
		if why := s.OtherSpeed(i); why != "" {
			a.skip(name, why)
			continue
		}
		ms := 1000 * float64(v.Spread)
		value := unit.Format(ms, 2) + " ms"
		if ms < 0.005 {
			value = "less than 0.01 ms"
		}
		if math.IsNaN(ms) {
			value = ""
		}
		reason := v.Basis
		if odds := float64(v.Sureness); v.Onsets > 0 {
			reason += fmt.Sprintf("; note starts alone give odds of %s", oddsText(odds))
		}
		if s.addParts(a, i, "check that the take was not edited, and reamp the dry recording again", parts.Pass, parts.Unlike, parts.Elsewhere, parts.Missing) {
			continue
		}
		switch v.Outcome {
		case parts.Same:
			a.add(answer{subject: name, outcome: result.Passed, measured: ms, value: value, reason: reason})
		case parts.Different:
			a.add(answer{subject: name, outcome: result.Failed, measured: ms, value: value, reason: reason,
				do: "check that the right file was named; if it is another pass, reamp the dry recording again"})
		default:
			a.add(answer{subject: name, outcome: result.NotMeasured, measured: math.NaN(), value: value, reason: reason,
				do: "use a performance with more notes: clear attacks show more than held chords"})
		}
	}
}

// oddsText prints odds from their decades.
func oddsText(decades float64) string {
	side := "one performance"
	if decades < 0 {
		side = "two"
	}
	if d := math.Abs(decades); d < 6 {
		return fmt.Sprintf("%.0f to 1 for %s", math.Pow(10, d), side)
	}
	return fmt.Sprintf("more than a million to 1 for %s", side)
}

// slipsOf returns the sharper search for slips in take i, and against what.
func (s *Measured) SlipsOf(i int) (r Judged, against string) {
	r, against = s.Takes[i].Judged, "the "+s.SourceName()
	if s.alike(i) && (len(r.Slips) == 0 || len(s.Takes[i].Again.Slips) > 0) {
		r, against = s.Takes[i].Again, s.Result.Takes[i].RepeatOf
	}
	return r, against
}

// sureSlips reports whether the slips of take i are beyond doubt: those of the same
// performance.
func (s *Measured) SureSlips(i int) bool { return s.Takes[i].Judged.Verdict.Outcome == parts.Same }

// slipTime says when a slip happened, as closely as is known: "at 0:12.3 ± 0.1 s",
// or "between 0:12.0 and 0:15.5", both ends rounded outwards.
func slipTime(x parts.Slip) string {
	at := math.Round(10*float64(x.At)) / 10
	beside := math.Ceil(10*math.Max(at-float64(x.From), float64(x.To)-at)-1e-9) / 10
	if beside <= mostBeside {
		return fmt.Sprintf("at %s ± %s s", unit.Seconds(at), unit.Format(beside, 1))
	}
	from, to := math.Floor(10*float64(x.From)+1e-9)/10, math.Ceil(10*float64(x.To)-1e-9)/10
	return fmt.Sprintf("between %s and %s", unit.Seconds(from), unit.Seconds(to))
}

const (
	mostBeside = 0.2 // s beyond which both ends are told
	leastLong  = 0.1 // s from which on the size of a slip is told in seconds too
)

// sizeText prints a detectable size upwards, with the digits that it supports.
func sizeText(v float64) string {
	if v >= 10 {
		return unit.Format(math.Ceil(v), 0)
	}
	return unit.Format(math.Ceil(10*v)/10, 1)
}

// leastSlip says from which size on lost or inserted samples would have been
// found in every take, in samples; "samples" where none was searched.
func (s *Measured) leastSlip() string {
	worst, name, least := 0.0, "", math.Inf(1)
	held := s.Held()
	for _, i := range s.Result.ByName() {
		if !slices.Contains(held, i) {
			continue
		}
		r, _ := s.SlipsOf(i)
		v := float64(r.Smallest)
		if r.Reason != "" || math.IsNaN(v) {
			continue
		}
		if least = math.Min(least, v); v > worst {
			worst, name = v, s.Result.Takes[i].Name
		}
	}
	switch {
	case name == "":
		return "samples"
	case sizeText(least) == sizeText(worst):
		return sizeText(worst) + " samples or more in one place"
	}
	return fmt.Sprintf("%s samples or more in one place (limited by %s; %s in the clearest take)", sizeText(worst), name, sizeText(least))
}

func (s *Measured) askSlips(a *answers) {
	for _, i := range s.Held() {
		name := s.Result.Takes[i].Name
		r, against := s.SlipsOf(i)
		if why := cmp.Or(s.Silence(), s.OtherSpeed(i)); why != "" {
			a.skip(name, why)
			continue
		}
		if x := s.partsOf(i, parts.Moved, parts.Elastic, parts.Elsewhere, parts.Unlike, parts.Pass); len(x) > 0 {
			a.skip(name, s.partText(x[0])+", which hides lost samples")
			continue
		}
		if s.Takes[i].Judged.Verdict.Outcome == parts.Different {
			a.skip(name, "it is another performance")
			continue
		}
		if r.Reason != "" {
			a.skip(name, r.Reason)
			continue
		}
		if len(r.Slips) == 0 {
			a.judge(name, 0, result.Failed, fmt.Sprintf("none of %s samples or more", sizeText(float64(r.Smallest))), fmt.Sprintf("against %s, from %s to %s; anything smaller, or nearer to an end, could be missed", against, r.From, r.To), "")
			continue
		}
		total := 0.0
		for _, x := range r.Slips {
			total += math.Abs(float64(x.Lag))
		}
		x := r.Slips[0]
		what := "inserted"
		if x.Lag < 0 {
			what = "lost"
		}
		size := unit.Format(math.Abs(float64(x.Lag)), 1) + " samples"
		if long := math.Abs(float64(x.Lag)) / float64(s.Result.Timeline.SampleRate); long >= leastLong {
			size += fmt.Sprintf(" (%s s)", unit.Format(long, 2))
		}
		value := fmt.Sprintf("%s %s %s", size, what, slipTime(x))
		reason := fmt.Sprintf("the lag against %s steps there, by %s ± %s samples", against, unit.Signed(float64(x.Lag), 1), unit.Format(2*float64(x.Error), 1))
		if n := len(r.Slips); n > 1 {
			reason += fmt.Sprintf("; %d places in all", n)
		}
		do := "record the take again with a larger buffer; if it was edited, export it unedited"
		if !s.SureSlips(i) {
			a.add(answer{subject: name, outcome: result.NotMeasured, measured: math.NaN(), value: value,
				reason: reason + "; it is uncertain whether the take is the same performance, so the gear may cause this", do: do})
			continue
		}
		a.judge(name, total, result.Failed, value, reason, do)
	}
}
