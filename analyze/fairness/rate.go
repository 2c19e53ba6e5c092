package fairness

import (
	"fmt"

	"evenhand/analyze/parts"
	"evenhand/analyze/result"
)

// otherSpeed says that take i runs at another speed than the timeline's source, which
// makes it another performance to all that compares the two in time; empty if it does
// not.
func (s *Measured) OtherSpeed(i int) string {
	if s.Takes[i].Judged.Verdict.Outcome == parts.Same {
		return ""
	}
	if r := s.Takes[i].Ratio; r.Certain && r.Ratio != 1 {
		return fmt.Sprintf("its music takes %.4f times as long (%s): correct its sample rate first", r.Ratio, r.Name)
	}
	return ""
}

func (s *Measured) askRateLabel(a *answers) {
	for _, i := range s.Held() {
		t := &s.Result.Takes[i]
		label := s.Takes[i].Info.SampleRate
		value := fmt.Sprintf("%d Hz", label)
		switch r := s.Takes[i].Ratio; {
		case s.Silent:
			a.skip(t.Name, s.Silence())
		case s.Takes[i].Judged.Verdict.Outcome == parts.Same:
			a.add(answer{subject: t.Name, outcome: result.Passed, measured: 1, value: value, reason: "its notes keep pace with the " + s.SourceName()})
		case r.Certain && r.Ratio != 1:
			a.add(answer{subject: t.Name, outcome: result.Failed, measured: r.Ratio, value: fmt.Sprintf("%.4f times as long", r.Ratio),
				reason: fmt.Sprintf("the file says %s, but its music takes %.4f times as long as that of the %s: %s", value, r.Ratio, s.SourceName(), r.Name),
				do:     "export the take again from its session; a recording program running at another rate than it writes makes such files"})
		case r.Certain:
			a.add(answer{subject: t.Name, outcome: result.Passed, measured: 1, value: value, reason: "its music takes as long as that of the " + s.SourceName()})
		default:
			a.skip(t.Name, "not compared with the "+s.SourceName()+": "+r.Reason)
		}
	}
}
