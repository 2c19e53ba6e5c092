package analyze

import (
	"context"
	"slices"
	"sync"

	"evenhand/analyze/fairness"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/steady"
	"evenhand/analyze/work"
)

// compareRepeats compares every repeat with the take that it repeats, over time.
func (s *Session) compareRepeats(ctx context.Context) error {
	whole := s.Result.Timeline.Spans[0]
	var pauses []steady.Stretch
	for _, q := range s.Quiet {
		pauses = append(pauses, steady.Stretch(q))
	}
	track := make([]func() (*steady.Track, error), len(s.takes))
	for i, sig := range s.takes {
		track[i] = sync.OnceValues(func() (*steady.Track, error) {
			r, err := sig.Open()
			if err != nil {
				return nil, err
			}
			defer r.Close()
			return steady.NewTrack(r, s.Takes[i].Frame, int64(whole.FirstFrame), int64(whole.Frames))
		})
	}
	type facts struct {
		Told   bool
		Change steady.Change
	}
	found := make([]facts, len(s.takes))
	of := make([]int, len(s.takes))
	for i := range s.takes {
		of[i] = slices.IndexFunc(s.Result.Takes, func(t result.Take) bool { return t.Name == s.Result.Takes[i].RepeatOf })
	}
	err := s.run.Each(ctx, len(s.takes), func(i int) (err error) {
		k := of[i]
		if k < 0 {
			return nil
		}
		in := struct {
			A, B             recording.Heard
			OffsetA, OffsetB int64
			Whole            recording.Stretch
			Pauses           []steady.Stretch
		}{s.takes[i].Heard(), s.takes[k].Heard(), s.Takes[i].Frame, s.Takes[k].Frame, recording.Stretch{First: int64(whole.FirstFrame), Frames: int64(whole.Frames)}, pauses}
		found[i], err = work.Once(s.run, "changes during a take", in, []*recording.Signal{s.takes[i], s.takes[k]}, func() (out facts, err error) {
			a, err := track[i]()
			if err != nil {
				return out, err
			}
			b, err := track[k]()
			if err == nil {
				out.Change, out.Told = steady.Compare(a, b, pauses)
			}
			return out, err
		})
		return err
	})
	if err != nil {
		return err
	}
	for i, k := range of {
		if k < 0 {
			continue
		}
		x := &s.Takes[i].Steady
		x.Asked, x.Of = true, s.Result.Takes[k].Name
		x.Change, x.Told = found[i].Change, found[i].Told
		if x.Changed(fairness.UnsteadyFrom) {
			s.Result.Resolution.LeftOut = append(s.Result.Resolution.LeftOut, result.Unsteady{Take: s.Result.Takes[i].Name, Of: x.Of, Text: x.Says()})
		}
	}
	return nil
}
