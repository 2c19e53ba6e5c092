package fairness

import (
	"cmp"
	"math"
	"slices"

	"evenhand/analyze/parts"
	"evenhand/analyze/result"
)

// alike reports whether a repeat is alike enough to what it repeats for a
// comparison of the two to be the sharper one.
func (s *Measured) alike(i int) bool {
	x := s.Takes[i].Again
	return x.Judged && x.Windows > 0 && x.Reason.Found == "" && x.OnePath && !math.IsNaN(float64(x.DriftError))
}

func (s *Measured) askPerformance(a *answers) {
	for _, i := range s.Held() {
		name, v := s.Result.Takes[i].Name, s.Takes[i].Judged.Verdict
		if why := s.Silence(); why != nil {
			a.skip(name, "silent", "why", *why)
			continue
		}
		if a.hidden(name, s.OtherSpeed(i)) || s.addParts(a, i, parts.Pass, parts.Unlike, parts.Elsewhere, parts.Missing) {
			continue
		}
		ms := 1000 * float64(v.Spread)
		with := []any{"spread_ms", ms, "basis", v.Basis}
		if ms < 0.005 {
			with = []any{"below", true, "basis", v.Basis}
		}
		if v.Onsets > 0 {
			with = append(with, "odds", odds(float64(v.Sureness)))
		}
		switch v.Outcome {
		case parts.Same:
			a.add(name, result.Passed, ms, "same", with...)
		case parts.Different:
			a.add(name, result.Failed, ms, "different", with...)
		default:
			if v.Basis.Found == "parts.kind" {
				a.skip(name, "kind", "basis", v.Basis)
				continue
			}
			a.skip(name, "unsure", with...)
		}
	}
}

// odds are odds of their decades, for one performance or two.
func odds(decades float64) result.Text {
	if d := math.Abs(decades); d < 6 {
		return result.Say("odds", "to_one", math.Pow(10, d), "two", decades < 0)
	}
	return result.Say("odds", "two", decades < 0)
}

// SlipsOf returns the sharper search for slips in take i, and the take it was against;
// "" for the timeline's source.
func (s *Measured) SlipsOf(i int) (r Judged, again string) {
	r = s.Takes[i].Judged
	if s.alike(i) && (len(r.Slips) == 0 || len(s.Takes[i].Again.Slips) > 0) {
		r, again = s.Takes[i].Again, s.Result.Takes[i].RepeatOf
	}
	return r, again
}

// SureSlips reports whether the slips of take i are beyond doubt: those of the same
// performance.
func (s *Measured) SureSlips(i int) bool { return s.Takes[i].Judged.Verdict.Outcome == parts.Same }

// slipTime says when a slip happened, as closely as is known: at a time ± a range, or
// between two times, both ends rounded outwards.
func slipTime(x parts.Slip) result.Text {
	at := math.Round(10*float64(x.At)) / 10
	beside := math.Ceil(10*math.Max(at-float64(x.From), float64(x.To)-at)-1e-9) / 10
	if beside <= mostBeside {
		return result.Say("slip.at", "at_s", at, "beside_s", beside)
	}
	from, to := outwards(x.From, x.To)
	return result.Say("slip.between", "from_s", from, "to_s", to)
}

const (
	mostBeside = 0.2 // s beyond which both ends are told
	leastLong  = 0.1 // s from which on the size of a slip is told in seconds too
)

// leastSlip returns from which size on lost or inserted samples would have been
// found in every take, in samples, the take that limits it, and the size in the
// clearest take; no name where none was searched.
func (s *Measured) leastSlip() (worst float64, name string, least float64) {
	least = math.Inf(1)
	held := s.Held()
	for _, i := range s.Result.ByName() {
		if !slices.Contains(held, i) {
			continue
		}
		r, _ := s.SlipsOf(i)
		v := float64(r.Smallest)
		if r.Reason.Found != "" || math.IsNaN(v) {
			continue
		}
		if least = math.Min(least, v); v > worst {
			worst, name = v, s.Result.Takes[i].Name
		}
	}
	return worst, name, least
}

func (s *Measured) askSlips(a *answers) {
	for _, i := range s.Held() {
		name := s.Result.Takes[i].Name
		r, again := s.SlipsOf(i)
		if a.hidden(name, cmp.Or(s.Silence(), s.OtherSpeed(i))) {
			continue
		}
		if x := s.partsOf(i, parts.Moved, parts.Elastic, parts.Elsewhere, parts.Unlike, parts.Pass); len(x) > 0 {
			a.skip(name, "part", "part", s.partText(x[0]))
			continue
		}
		if s.Takes[i].Judged.Verdict.Outcome == parts.Different {
			a.skip(name, "another")
			continue
		}
		if r.Reason.Found != "" {
			a.skip(name, "because", "because", r.Reason)
			continue
		}
		if len(r.Slips) == 0 {
			a.judge(name, 0, result.Failed, "none", "smallest_samples", r.Smallest, "again", again, "source", s.sourceTake(), "from_s", r.From, "to_s", r.To)
			continue
		}
		total := 0.0
		for _, x := range r.Slips {
			total += math.Abs(float64(x.Lag))
		}
		x := r.Slips[0]
		size := math.Abs(float64(x.Lag))
		with := []any{"size_samples", size, "lost", x.Lag < 0, "when", slipTime(x),
			"lag_samples", x.Lag, "error_samples", 2 * x.Error, "again", again, "source", s.sourceTake()}
		if long := size / float64(s.Result.Timeline.SampleRate); long >= leastLong {
			with = append(with, "long_s", long)
		}
		if n := len(r.Slips); n > 1 {
			with = append(with, "places", n)
		}
		if !s.SureSlips(i) {
			a.skip(name, "unsure", with...)
			continue
		}
		a.judge(name, total, result.Failed, "slips", with...)
	}
}
