package analyze

import (
	"fmt"
	"math"

	"evenhand/analyze/unit"
)

// Check answers every question of fairness from what was measured and
// published, and fills Result.Checks. Call it after Publish.
func (s *Session) Check() {
	res := s.Result
	res.Checks = []Check{}
	for _, f := range []func() []Check{s.checkMatch, s.checkAlignment, s.checkHeadroom} {
		res.Checks = append(res.Checks, f()...)
	}
}

// checkMatch: every published file, measured again, has the target loudness.
func (s *Session) checkMatch() []Check {
	m := s.Result.Match
	worst := math.Abs(float64(m.WorstDeviation))
	c := Check{
		ID: "match", Name: "Levels matched", Group: "sound", Outcome: Holds,
		Value: unit.Signed(float64(m.WorstDeviation), 2) + " LU", Measured: unit.Number(m.WorstDeviation), Unit: "LU",
		Limit:       "±" + unit.Format(float64(MatchTolerance), 2) + " LU",
		LimitSource: "common practice, no source: a half of the smallest level difference that is heard under test conditions",
		Reason:      fmt.Sprintf("worst of %d published files, decoded and measured again, from the target of %s", len(s.Result.Takes), m.Target),
		Why:         "the louder of two takes sounds better, whatever else differs",
	}
	if worst > float64(MatchTolerance) || math.IsNaN(worst) {
		c.Outcome = Fails
		c.Do = "build again; if it stays, report the files: the published audio does not have the loudness that was computed for it"
	}
	return []Check{c}
}

// checkAlignment: every take lies where it can be compared, with its polarity
// known.
func (s *Session) checkAlignment() []Check {
	var out []Check
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		c := Check{
			ID: "lag", Name: "In time", Group: "sound", Subject: t.Name, Outcome: Holds,
			Value: t.Alignment.Lag.String(), Measured: unit.Number(t.Alignment.Lag), Unit: "samples",
			Limit: "found by two methods that agree", LimitSource: "common practice, no source",
			Reason: "how much later than the " + s.sourceName() + " the take lies, gear included; the published audio is shifted by it",
			Why:    "takes that are not in step cannot be switched at the same note",
		}
		if !t.Alignment.Certain {
			c.Outcome, c.Reason = Caution, t.Alignment.Reason
			c.Do = "listen at a switch: if the takes are out of step, check that the right file was named"
		}
		out = append(out, c)
	}
	return out
}

// peakPractice is the sample peak that recordings are kept below at each stage.
const peakPractice = unit.DBFS(-6)

func (s *Session) checkHeadroom() []Check {
	var out []Check
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		p := t.Measures[0].SamplePeak
		c := Check{
			ID: "headroom", Name: "Headroom", Group: "sound", Subject: t.Name, Outcome: Holds,
			Value: p.String(), Measured: unit.Number(p), Unit: "dBFS",
			Limit: "about " + peakPractice.String(), LimitSource: "common practice, no source",
			Reason: "sample peak of the take as recorded",
			Why:    "a converter driven to its end adds a distortion that is not the gear's",
		}
		if p > peakPractice+3 {
			c.Outcome = Caution
			c.Do = "lower the recording level"
		}
		out = append(out, c)
	}
	return out
}
