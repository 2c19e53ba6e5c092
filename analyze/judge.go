package analyze

import (
	"math"
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

// judgeTake judges a take, which lies beside a recording as e says, part by part.
// processed says that the recording, too, went through gear, repeat that it was the same.
func (s *Session) judgeTake(listen func() (*parts.Timeline, error), source, take *recording.Signal, e align.Estimate, processed, repeat bool) (fairness.Judged, error) {
	in := struct {
		Source, Take      recording.Heard
		Estimate          align.Estimate
		Processed, Repeat bool
		Spans             []recording.Stretch
	}{source.Heard(), take.Heard(), e, processed, repeat, nil}
	for _, x := range s.Result.Timeline.Spans {
		in.Spans = append(in.Spans, recording.Stretch{First: int64(x.FirstFrame), Frames: int64(x.Frames)})
	}
	return work.Once(s.run, "parts", in, []*recording.Signal{source, take}, func() (out fairness.Judged, err error) {
		t, err := listen()
		if err != nil {
			return out, err
		}
		ra, rb, err := recording.OpenBoth(source, take)
		if err != nil {
			return out, err
		}
		defer ra.Close()
		defer rb.Close()
		j, err := t.Judge(ra, rb, e, repeat)
		if err != nil {
			return out, err
		}
		if j.Verdict.Outcome != parts.Different {
			for _, x := range s.Result.Timeline.Spans {
				d := j.Told(x.From, x.To)
				out.Told = append(out.Told, result.Detectable{Shift: d.Shift, Pass: d.Pass, Turn: d.Phase})
			}
			if err := sharpenDrift(j, ra, rb, e, processed); err != nil {
				return out, err
			}
		}
		for _, p := range j.Parts {
			soft := p.Kind == parts.Pass || p.Kind == parts.Unlike
			if j.Verdict.Outcome == parts.Different || j.Verdict.Outcome == parts.Uncertain && soft {
				continue // the whole is another performance, or may be
			}
			out.Parts = append(out.Parts, result.Part{From: p.From, To: p.To, Kind: p.Kind, Lag: p.Lag})
		}
		out.Judged, out.Verdict, out.Slips, out.Smallest, out.From, out.To, out.Reason = true, j.Verdict, j.Slips, j.Smallest, j.From, j.To, j.Reason
		out.Windows, out.Scatter, out.OnePath, out.Drift, out.DriftError = j.Windows, j.Scatter, j.OnePath(), j.Drift, j.DriftError
		return out, nil
	})
}

// otherSound are the parts that are not of the performance.
var otherSound = []parts.Kind{parts.Pass, parts.Unlike, parts.Elsewhere}

// heedKind takes back what was found of a take whose gear moves sound in time by itself, as
// its kind says, unless all of it is in step: such gear moves the notes and the phase. What
// is silent where the recording plays stays, and so does that it is the same performance
// with parts out of step.
func heedKind(j *fairness.Judged, kind string, spans int) {
	if !j.Judged || j.Verdict.Outcome == parts.Same && len(j.Parts) == 0 && len(j.Slips) == 0 {
		return
	}
	why := result.Say("parts.kind", "kind", kind)
	if j.Verdict.Outcome != parts.Same || slices.ContainsFunc(j.Parts, func(p result.Part) bool { return slices.Contains(otherSound, p.Kind) }) {
		j.Verdict.Outcome, j.Verdict.Basis = parts.Uncertain, why
		j.Verdict.Onsets, j.Verdict.Sureness = 0, unit.Number(nan())
	}
	j.Parts = slices.DeleteFunc(j.Parts, func(p result.Part) bool { return p.Kind != parts.Missing })
	j.Slips, j.Reason, j.Told = nil, why, make([]result.Detectable, spans)
	for k := range j.Told {
		j.Told[k].Shift, j.Told[k].Pass = unit.Seconds(nan()), unit.Seconds(nan())
	}
}

// sharpenDrift asks for the drift in another way where gear may move the lag as a
// clock would.
func sharpenDrift(j *parts.Judgement, source, take align.Source, e align.Estimate, processed bool) error {
	if j.OnePath() || j.Reason.Found != "" {
		return nil
	}
	own := e.Drift
	if math.IsNaN(float64(own)) {
		own = 0
	}
	slope := 0.0
	if !math.IsNaN(float64(j.Drift)) {
		slope = float64(j.Drift-own) * 1e-6 * float64(source.Rate())
	}
	d, sure, err := clock.Drift(source, take, j.Lag, slope, processed)
	if err == nil && !math.IsNaN(float64(d)) && !(j.DriftError <= sure) {
		j.Drift, j.DriftError = own+d, sure
	}
	return err
}
