package fairness

import (
	"math"

	"evenhand/analyze/faults"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// A click belongs to a gate at the edge of silence or within besideGate of an end of a
// pause, where a gate closes with a note or opens with the next, and to a slip
// within besideSlip of when that happened.
const (
	besideGate = unit.Seconds(0.25)
	besideSlip = unit.Seconds(0.01)
)

// consequences finds answers that report what another answer about the same subject
// reports already, and says so: they are no further faults.
func (s *Measured) consequences(checks []result.Check) {
	for i := range checks {
		c := &checks[i]
		if c.Outcome != result.Failed && c.Outcome != result.Caution {
			continue
		}
		for _, x := range []struct {
			id, cause string
			// of returns how many findings there are, and how many the cause explains.
			of func(subject string) (all, explained int)
		}{
			{IDClicks, IDClipping, s.clicksAtClips},
			{IDClicks, IDGate, s.clicksAtGate},
			{IDClicks, IDSlips, s.clicksAtSlips},
			{IDLag, IDSlips, s.outOfStepBySlips},
			{IDLag, IDMatch, s.isSilent},
			{IDGate, IDMatch, s.isSilent},
			{IDSections, IDMatch, s.isSilent},
			{IDSilent, IDMatch, s.isSilent},
			{IDNearCopy, IDSameFile, func(string) (all, explained int) { return 1, 1 }},
		} {
			cause := accused(checks, x.cause, c.Subject)
			if x.id != c.ID || cause == nil {
				continue
			}
			all, explained := x.of(c.Subject)
			if explained == 0 {
				continue
			}
			if explained < all {
				c.Partly = &result.Partly{Of: cause.ID, Explained: explained, All: all}
			} else {
				c.ConsequenceOf = cause.ID
			}
			break
		}
	}
}

// accused returns the answer to a question that finds fault with a subject, nil for
// none.
func accused(checks []result.Check, id, subject string) *result.Check {
	for i := range checks {
		if c := &checks[i]; c.ID == id && c.Subject == subject && (c.Outcome == result.Failed || c.Outcome == result.Caution) {
			return c
		}
	}
	return nil
}

// clicksThat counts the listed clicks of a recording and those that are so; frame is
// that of the timeline, take −1 for no take.
func (s *Measured) clicksThat(subject string, so func(take int, frame int64, c faults.Click) bool) (all, explained int) {
	for _, f := range s.Files {
		if f.Name != subject {
			continue
		}
		offset := int64(0)
		if f.Take >= 0 {
			offset = s.Takes[f.Take].Frame
		}
		for _, c := range f.Faults.Clicks {
			all++
			if so(f.Take, c.Frame-offset, c) {
				explained++
			}
		}
	}
	return all, explained
}

func (s *Measured) clicksAtClips(subject string) (all, explained int) {
	return s.clicksThat(subject, func(_ int, _ int64, c faults.Click) bool { return c.AtClip })
}

func (s *Measured) clicksAtGate(subject string) (all, explained int) {
	near := int64(float64(besideGate) * float64(s.Result.Timeline.SampleRate))
	return s.clicksThat(subject, func(_ int, frame int64, c faults.Click) bool {
		for _, p := range s.Quiet {
			for _, edge := range []int64{p.First, p.First + p.Frames} {
				if frame >= edge-near && frame <= edge+near {
					return true
				}
			}
		}
		return c.AtSilence
	})
}

func (s *Measured) clicksAtSlips(subject string) (all, explained int) {
	rate := unit.Seconds(s.Result.Timeline.SampleRate)
	return s.clicksThat(subject, func(take int, frame int64, _ faults.Click) bool {
		if take < 0 {
			return false
		}
		at := unit.Seconds(frame) / rate
		for _, x := range s.Result.Takes[take].Alignment.Slips {
			if x.Certain && at >= x.From-besideSlip && at <= x.To+besideSlip {
				return true
			}
		}
		return false
	})
}

// outOfStepBySlips explains a take that is out of step by no more than its slips
// move it, but for what the check allows.
func (s *Measured) outOfStepBySlips(subject string) (all, explained int) {
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		if t.Name != subject {
			continue
		}
		moved, most := 0.0, 0.0
		for _, x := range t.Alignment.Slips {
			if !x.Certain {
				return 1, 0
			}
			moved += float64(x.Lag)
			most = math.Max(most, math.Abs(moved))
		}
		for _, q := range s.questions() {
			if q.id == IDLag && q.limit.Allows(1000*(s.leftOver(i)-most)/float64(s.Result.Timeline.SampleRate)) {
				return 1, 1
			}
		}
	}
	return 1, 0
}

// isSilent explains what a take without loudness brings about.
func (s *Measured) isSilent(subject string) (all, explained int) {
	for i, t := range s.Result.Takes {
		if t.Name == subject && Unmatched(s.Takes[i].Whole) {
			return 1, 1
		}
	}
	return 1, 0
}
