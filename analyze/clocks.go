package analyze

import (
	"context"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/clock"
	"evenhand/analyze/fairness"
	"evenhand/analyze/parts"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

// compareClocks holds every take against the timeline's source part by part: whether
// it is of the same performance, where samples were lost or inserted, and how fast
// its clock runs.
func (s *Session) compareClocks(ctx context.Context) error {
	held := s.Held()
	// Repeats are compared twice, and what takes longest should not begin last.
	var order []int
	for _, repeat := range []bool{true, false} {
		for _, i := range held {
			if (s.Result.Takes[i].RepeatOf != "") == repeat {
				order = append(order, i)
			}
		}
	}
	step := s.run.Stage("comparing clocks", int64(len(held)))
	g, ctx := s.run.Group(ctx)
	for _, i := range order {
		g.Go(func() (err error) {
			defer step(1)
			if err := ctx.Err(); err != nil {
				return err
			}
			a, b := s.source(), s.takes[i]
			if s.Takes[i].Judged, err = s.judgeTake(s.beginnings, a, b, s.placement(i), s.dry == nil, false); err != nil {
				return err
			}
			if s.Takes[i].Again, err = s.compareAgain(i); err != nil {
				return err
			}
			if kind := s.Result.Settings.MovesSound(i); kind != "" {
				for _, j := range []*fairness.Judged{&s.Takes[i].Judged, &s.Takes[i].Again} {
					heedKind(j, kind, len(s.Result.Timeline.Spans))
				}
			}
			if s.Takes[i].Judged.Verdict.Outcome == parts.Same {
				return nil
			}
			s.Takes[i].Ratio, err = work.Once(s.run, "rate", [2]recording.Heard{a.Heard(), b.Heard()}, []*recording.Signal{a, b}, func() (clock.Ratio, error) { return rateRatio(a, b) })
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	s.beginnings = nil // it has been used for the last time
	s.storeSlips()
	for _, i := range held {
		d, e, _ := s.ClockDrift(i)
		a := &s.Result.Takes[i].Alignment
		a.Drift, a.DriftError = unit.PPM(d), unit.PPM(e)
		if s.OtherSpeed(i) == nil {
			a.Parts, a.Detectable = s.Takes[i].Judged.Parts, s.Takes[i].Judged.Told
		}
	}
	for _, i := range held {
		a := &s.Result.Takes[i].Alignment
		if e := s.Takes[i].ToDry; e.Scattered && s.unbroken(i) {
			a.Reason.Text = gearScatters(e)
		}
		if e := &s.Takes[i].ToAnchor; e.Scattered && s.unbroken(i) && s.unbroken(s.Anchor) {
			e.Reason = gearScatters(*e)
		}
	}
	return nil
}

// unbroken reports whether a take is of the same performance with no frame lost or
// inserted, so that only the gear can scatter its lag.
func (s *Session) unbroken(i int) bool {
	if s.IsSource(i) {
		return true
	}
	j := s.Takes[i].Judged
	return j.Verdict.Outcome == parts.Same && len(j.Slips) == 0 && len(j.Parts) == 0 && j.Reason.Found == ""
}

func gearScatters(e align.Estimate) result.Text {
	return result.Say("place.gear", "spread_samples", e.Spread)
}

// compareAgain holds a repeat against the take that it repeats: through one
// chain, a slip of a sample and a drift of a tenth of a ppm show, which they do
// not against the dry recording.
func (s *Session) compareAgain(i int) (fairness.Judged, error) {
	k := slices.IndexFunc(s.Result.Takes, func(t result.Take) bool { return t.Name == s.Result.Takes[i].RepeatOf })
	if k < 0 || k == i {
		return fairness.Judged{}, nil
	}
	from := s.Result.Takes[k].Alignment.Applied
	e := align.Estimate{Lag: s.Result.Takes[i].Alignment.Applied - from, Drift: unit.PPM(nan())}
	if x := s.Takes[i].ToAnchor; k == s.Anchor && x.Certain {
		e = x // which follows a clock that is far off
	}
	out, err := s.judgeTake(func() (*parts.Timeline, error) { return listenTo(s.takes[k]) }, s.takes[k], s.takes[i], e, true, true)
	if err != nil {
		return out, err
	}
	later := unit.Seconds(float64(from) / float64(s.Result.Timeline.SampleRate))
	for j := range out.Slips { // on the timeline
		x := &out.Slips[j]
		x.At, x.From, x.To = x.At-later, x.From-later, x.To-later
	}
	out.From, out.To = out.From-later, out.To-later
	return out, err
}

// storeSlips stores the slips that are reported in the takes' alignments.
func (s *Session) storeSlips() {
	for _, i := range s.Held() {
		r, _ := s.SlipsOf(i)
		if s.Takes[i].Judged.Verdict.Outcome == parts.Different || r.Reason.Found != "" {
			continue
		}
		var told []result.Slip
		for _, x := range r.Slips {
			told = append(told, result.Slip{From: x.From, To: x.To, Lag: x.Lag, Error: x.Error, Certain: s.SureSlips(i)})
		}
		s.Result.Takes[i].Alignment.Slips = told
	}
}
