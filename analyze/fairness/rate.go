package fairness

import (
	"evenhand/analyze/parts"
	"evenhand/analyze/result"
)

// OtherSpeed says that take i runs at another speed than the timeline's source, which
// makes it another performance to all that compares the two in time; nil if it does
// not.
func (s *Measured) OtherSpeed(i int) *result.Text {
	if s.Takes[i].Judged.Verdict.Outcome == parts.Same {
		return nil
	}
	if r := s.Takes[i].Ratio; r.Certain && r.Ratio != 1 {
		why := result.Say("speed", "ratio", r.Ratio, "name", r.Name)
		return &why
	}
	return nil
}

func (s *Measured) askRateLabel(a *answers) {
	for _, i := range s.Held() {
		name := s.Result.Takes[i].Name
		with := []any{"label", s.Takes[i].Info.SampleRate, "source", s.sourceTake()}
		switch r := s.Takes[i].Ratio; {
		case a.hidden(name, s.Silence()):
		case s.Takes[i].Judged.Verdict.Outcome == parts.Same:
			a.add(name, result.Passed, 1, "keeps-pace", with...)
		case r.Certain && r.Ratio != 1:
			a.add(name, result.Failed, r.Ratio, "other", append(with, "name", r.Name)...)
		case r.Certain:
			a.add(name, result.Passed, 1, "as-long", with...)
		default:
			a.skip(name, "unknown", append(with, "because", r.Reason)...)
		}
	}
}
