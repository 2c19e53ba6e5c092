package analyze

import (
	"evenhand/analyze/result"
	"fmt"

	"evenhand/analyze/clock"
	"evenhand/analyze/parts"
)

// rateRatio tells how fast a recording runs against another.
func rateRatio(a, b *signal) (clock.Ratio, error) {
	ra, rb, err := openBoth(a, b)
	if err != nil {
		return clock.Ratio{}, err
	}
	defer ra.Close()
	defer rb.Close()
	return clock.RateRatio(ra, rb)
}

// rateAdvice says what to do about a recording whose sample rate is not that of
// the others: when its music keeps pace in spite of another label it was
// converted or recorded so, otherwise the label is wrong.
func rateAdvice(reference, other *signal) string {
	if reference == nil || other == nil {
		return "export this one again at the rate of the others"
	}
	export := fmt.Sprintf("export this one again at %d Hz", reference.info.SampleRate)
	r, err := rateRatio(reference, other)
	switch {
	case err != nil || !r.Certain:
		return export
	case r.Ratio == 1:
		return export + "; its music keeps pace, so the label is right"
	}
	return fmt.Sprintf("its music runs %.4f times as long, so its label is wrong (%s): export it again from its session", r.Ratio, r.Name)
}

// otherSpeed says that take i runs at another speed than the timeline's source, which
// makes it another performance to all that compares the two in time; empty if it does
// not.
func (s *Measured) otherSpeed(i int) string {
	if s.Takes[i].Judged.Verdict.Outcome == parts.Same {
		return ""
	}
	if r := s.Takes[i].Ratio; r.Certain && r.Ratio != 1 {
		return fmt.Sprintf("its music runs %.4f times as long (%s): correct its sample rate first", r.Ratio, r.Name)
	}
	return ""
}

func (s *Measured) askRateLabel(a *answers) {
	for _, i := range s.held() {
		t := &s.Result.Takes[i]
		label := s.Takes[i].Info.SampleRate
		value := fmt.Sprintf("%d Hz", label)
		switch r := s.Takes[i].Ratio; {
		case s.Silent:
			a.skip(t.Name, s.silence())
		case s.Takes[i].Judged.Verdict.Outcome == parts.Same:
			a.add(answer{subject: t.Name, outcome: result.Passed, measured: 1, value: value, reason: "its notes keep pace with the " + s.sourceName()})
		case r.Certain && r.Ratio != 1:
			a.add(answer{subject: t.Name, outcome: result.Failed, measured: r.Ratio, value: fmt.Sprintf("%.4f times as long", r.Ratio),
				reason: fmt.Sprintf("the file says %s, but its music runs %.4f times as long as that of the %s: %s", value, r.Ratio, s.sourceName(), r.Name),
				do:     "export the take again from its session; a recording program that ran at another rate than the file says writes such files"})
		case r.Certain:
			a.add(answer{subject: t.Name, outcome: result.Passed, measured: 1, value: value, reason: "its music takes as long as that of the " + s.sourceName()})
		default:
			a.skip(t.Name, "it could not be held against the "+s.sourceName()+": "+r.Reason)
		}
	}
}
