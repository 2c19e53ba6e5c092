package fairness

import (
	"cmp"
	"math"

	"evenhand/analyze/parts"
	"evenhand/analyze/result"
)

// performanceQuestions ask whether the takes are of one performance, in step.
func performanceQuestions() []question {
	return []question{
		{IDPerformance, result.GroupSound, limit{Limit: result.Limit{Unit: "ms"}}, (*Measured).askPerformance},
		{IDLag, result.GroupSound, atMost(2, "ms", 2, 0.01, 50), (*Measured).askLag},
		{IDPolarity, result.GroupSound, limit{}, (*Measured).askPolarity},
		{IDDrift, result.GroupSound, within(3, "ppm", 1, 0.1, 1000), (*Measured).askDrift},
		{IDRateLabel, result.GroupSound, limit{Limit: result.Limit{Unit: "Hz"}}, (*Measured).askRateLabel},
		{IDSlips, result.GroupSound, atMost(0, "samples", 1, 0, 1e6), (*Measured).askSlips},
	}
}

// held returns the take numbers that are held against the timeline's source.
func (s *Measured) Held() []int {
	var out []int
	for i := range s.Takes {
		if !s.IsSource(i) {
			out = append(out, i)
		}
	}
	return out
}

// leftOver is how far, at most, a take is out of step with the others after it was
// shifted, in frames: the rounding to whole frames, the drift over half the span,
// slips, two standard errors of its place beside the others and, where that is a
// guess, by how much the notes begin apart.
func (s *Measured) leftOver(i int) float64 {
	a := s.Result.Takes[i].Alignment
	left := math.Abs(float64(a.Applied) - float64(s.Takes[i].Frame))
	if d := float64(a.Drift); a.BesideBy != "" && math.Abs(d) > 2*float64(a.DriftError) {
		left += math.Abs(d) * 1e-6 * float64(s.Result.Timeline.Spans[0].Frames) / 2
	}
	// Every slip moves what follows it.
	moved, most := 0.0, 0.0
	for _, x := range s.Takes[i].Judged.Slips {
		moved += float64(x.Lag)
		most = math.Max(most, math.Abs(moved))
	}
	left += most
	if a.BesideBy == "" {
		// The notes' beginnings say where it lies, less closely.
		v := s.Takes[i].Judged.Verdict
		n := math.Max(1, float64(v.Onsets))
		return left + (math.Abs(float64(v.Moved))+2*1.2533*float64(v.Spread)/math.Sqrt(n))*float64(s.Result.Timeline.SampleRate)
	}
	return left + 2*float64(a.BesideError)
}

// placed reports whether a take's place on the timeline is certain, by itself,
// through the take that others are aligned to, or by the beginnings of its
// notes.
func (s *Measured) placed(i int) bool { return s.Result.Takes[i].Alignment.PlacedBy != "" }

func (s *Measured) askLag(a *answers) {
	rate := float64(s.Result.Timeline.SampleRate)
	for _, i := range s.Held() {
		t := &s.Result.Takes[i]
		e := t.Alignment
		if a.hidden(t.Name, cmp.Or(s.Silence(), s.OtherSpeed(i))) || s.addParts(a, i, parts.Moved, parts.Elastic) {
			continue
		}
		left := s.leftOver(i)
		with := []any{"late_samples", math.Abs(float64(e.Applied)), "decimals", e.LagDecimals(), "early", e.Applied < 0}
		if e.PlacedBy == result.ByNotes {
			with = append(with, "error_ms", 2000*float64(e.AppliedError)/rate)
		}
		if !s.placed(i) && s.Takes[i].Judged.Verdict.Outcome != parts.Same || math.IsNaN(left) {
			a.caution(t.Name, map[bool]string{true: "unshifted", false: "uncertain"}[e.Applied == 0], append(with, "because", e.Reason.Text)...)
			continue
		}
		with = append(with, "left_samples", left, "source", s.sourceTake())
		if e.BesideBy != result.ByPhase {
			with = append(with, "notes", true, "because", e.Reason.Text)
		}
		a.judge(t.Name, 1000*left/rate, result.Caution, "late", with...)
	}
}

func (s *Measured) askPolarity(a *answers) {
	for i := range s.Takes {
		name := s.Result.Takes[i].Name
		if i == s.Anchor {
			continue
		}
		if of := s.turnedRepeat(i); of != "" {
			a.caution(name, "turned", "of", of)
			continue
		}
		if a.hidden(name, s.OtherSpeed(i)) || s.addParts(a, i, parts.Turned) {
			continue
		}
		with := []any{"anchor", s.Result.Takes[s.Anchor].Name}
		if k := s.Takes[i].Through; k >= 0 {
			with = append(with, "through", s.Result.Takes[k].Name)
		}
		switch s.Result.Takes[i].Alignment.PolarityToReference {
		case "same":
			a.pass(name, "same", with...)
		case "inverted":
			a.caution(name, "inverted", with...)
		default:
			a.skip(name, "unknown", append(with, "because", s.Takes[i].ToAnchor.Reason)...)
		}
	}
}

// drift returns how much slower the clock of take i runs, one standard error of
// it, and what tells so: the windows of the whole take, or the beginnings of the
// notes where the windows are not alike. NaN where neither does.
func (s *Measured) ClockDrift(i int) (drift, err float64, by string) {
	if x := s.Takes[i].Judged; x.Judged && !math.IsNaN(float64(x.Drift)) && !math.IsNaN(float64(x.DriftError)) {
		return float64(x.Drift), float64(x.DriftError), result.ByPhase
	}
	p := s.Takes[i].Notes
	if p.Certain && !math.IsNaN(float64(p.Drift)) {
		return float64(p.Drift), float64(p.DriftError), result.ByNotes
	}
	return math.NaN(), math.NaN(), ""
}

func (s *Measured) askDrift(a *answers) {
	for _, i := range s.Held() {
		t := &s.Result.Takes[i]
		if a.hidden(t.Name, cmp.Or(s.Silence(), s.OtherSpeed(i))) {
			continue
		}
		if s.Takes[i].Judged.Verdict.Outcome == parts.Different {
			a.skip(t.Name, "another")
			continue
		}
		if len(s.Takes[i].Judged.Slips) > 0 || s.alike(i) && len(s.Takes[i].Again.Slips) > 0 {
			a.skip(t.Name, "slips")
			continue
		}
		d, e, by := s.ClockDrift(i)
		if math.IsNaN(d) {
			a.skip(t.Name, "few", "because", s.driftReason(i))
			continue
		}
		found := "windows"
		if s.alike(i) {
			// Both runs were converted alike, or one of them was not.
			d, e = float64(s.Takes[i].Again.Drift), float64(s.Takes[i].Again.DriftError)
			found = "repeat"
		} else if by == result.ByNotes {
			found = "notes"
		}
		limit, sure := float64(a.limit.Value), 3*e
		e *= 2
		with := []any{"error_ppm", e}
		outcome := result.Passed
		switch {
		case math.Abs(d)-sure > limit:
			outcome = result.Failed
		case math.Abs(d) > limit && math.Abs(d) > sure:
			outcome = result.Caution
		case math.Abs(d)+e > limit:
			outcome, found = result.NotMeasured, "uncertain"
			with = append(with, "most_ppm", math.Abs(d)+e)
		}
		if found == "repeat" {
			with = append(with, "of", t.RepeatOf)
		}
		a.add(t.Name, outcome, d, found, with...)
	}
}

// mostDrift returns the most that any take's clock may run off, two standard
// errors counted, in ppm; NaN where that of a take is not known.
func (s *Measured) mostDrift() float64 {
	most := 0.0
	for _, i := range s.Held() {
		d, e, _ := s.ClockDrift(i)
		if s.alike(i) {
			d, e = float64(s.Takes[i].Again.Drift), float64(s.Takes[i].Again.DriftError)
		}
		most = math.Max(most, math.Abs(d)+2*e) // NaN for any NaN
	}
	return most
}

// driftReason says why the drift of a take is not known; no text where too few windows
// and notes match.
func (s *Measured) driftReason(i int) result.Text {
	x := s.Takes[i]
	switch {
	case x.Judged.Reason.Found != "":
		return x.Judged.Reason
	case x.ToDry.DriftReason.Found != "":
		return x.ToDry.DriftReason
	}
	return x.Notes.Reason
}
