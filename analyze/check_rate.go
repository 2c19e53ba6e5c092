package analyze

import (
	"context"
	"fmt"

	"evenhand/analyze/align"
	"evenhand/analyze/clock"
	"evenhand/analyze/resample"
	"evenhand/analyze/unit"
)

// labelReach is how much of a take is looked at for a wrong label.
const labelReach = unit.Seconds(40)

// usualRates are the sample rates that a file may have been recorded at.
var usualRates = [...]int{44100, 48000, 88200, 96000, 176400, 192000}

// trueRate looks for the rate at which a take must have been recorded so that
// its notes keep pace with the timeline's source: 0 when there is none, or when
// it is the one that the file states. A wrong label changes speed and pitch by
// 8 % or more.
func (s *Session) trueRate(ctx context.Context, i int, source align.Source) (int, error) {
	sig := s.takes[i]
	label := sig.info.SampleRate
	frames := min(sig.info.Frames, int64(float64(labelReach)*float64(label)))
	r, err := sig.open()
	if err != nil {
		return 0, err
	}
	defer r.Close()
	x := make([]float64, frames)
	if _, err := r.ReadAt(x, 0); err != nil {
		return 0, err
	}
	for _, rate := range usualRates {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		if rate == label || rate > 4*label || label > 4*rate {
			continue
		}
		conv, err := resample.New(rate, label, 1)
		if err != nil {
			return 0, err
		}
		var y []float64
		keep := func(block [][]float64) error {
			y = append(y, block[0]...)
			return nil
		}
		// What rate says is wrong has more frames than the timeline when it is
		// slowed down: no more than the reach is kept.
		n := min(int64(len(x)), int64(float64(labelReach)*float64(rate)))
		if err := conv.Write([][]float64{x[:n]}, keep); err != nil {
			return 0, err
		}
		if err := conv.Finish(keep); err != nil {
			return 0, err
		}
		take := align.NewMemory(label, y)
		e, err := align.Find(source, take, align.Options{})
		if err != nil {
			return 0, err
		}
		v, err := clock.SamePerformance(source, take, e, nil)
		if err != nil {
			return 0, err
		}
		if v.Outcome == clock.Same {
			return rate, nil
		}
	}
	return 0, nil
}

func (s *Session) askRateLabel(a *answers) {
	for _, i := range s.held() {
		t := &s.Result.Takes[i]
		label := s.takes[i].info.SampleRate
		switch rate := s.trueRates[i]; {
		case rate != 0:
			a.add(answer{subject: t.Name, outcome: Fails, measured: float64(rate), value: fmt.Sprintf("%d Hz", rate),
				reason: fmt.Sprintf("the file says %d Hz, but its notes keep pace with the %s only when it is played at %d Hz", label, s.sourceName(), rate),
				do:     fmt.Sprintf("export the take again from its session at %d Hz; a recording program that ran at another rate than the file says writes such files", label)})
		case s.verdicts[i].Outcome == clock.Same:
			a.add(answer{subject: t.Name, outcome: Holds, measured: float64(label), value: fmt.Sprintf("%d Hz", label), reason: "its notes keep pace with the " + s.sourceName()})
		default:
			a.skip(t.Name, "it could not be held against the "+s.sourceName()+" at any usual rate")
		}
	}
}
