package analyze

import (
	"evenhand/analyze/result"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/align"
	"evenhand/analyze/clock"
	"evenhand/analyze/parts"
	"evenhand/analyze/unit"
)

// judgeTake judges a take, which lies beside a recording as e says, part by part.
// processed says that the recording, too, went through gear, repeat that it was the same.
func (s *Session) judgeTake(listen func() (*parts.Timeline, error), source, take *signal, e align.Estimate, processed, repeat bool) (Judged, error) {
	in := struct {
		Source, Take      heard
		Estimate          align.Estimate
		Processed, Repeat bool
		Spans             []stretch
	}{source.heard(), take.heard(), e, processed, repeat, nil}
	for _, x := range s.Result.Timeline.Spans {
		in.Spans = append(in.Spans, stretch{int64(x.FirstFrame), int64(x.Frames)})
	}
	return once(s, "parts", in, []*signal{source, take}, func() (out Judged, err error) {
		t, err := listen()
		if err != nil {
			return out, err
		}
		ra, rb, err := openBoth(source, take)
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

// sharpenDrift asks for the drift in another way where gear may move the lag as a
// clock would.
func sharpenDrift(j *parts.Judgement, source, take align.Source, e align.Estimate, processed bool) error {
	if j.OnePath() || j.Reason != "" {
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

// openBoth opens two signals; both are closed when there is an error.
func openBoth(a, b *signal) (ra, rb *reader, err error) {
	if ra, err = a.open(); err != nil {
		return nil, nil, err
	}
	if rb, err = b.open(); err != nil {
		ra.Close()
		return nil, nil, err
	}
	return ra, rb, nil
}

// partsOf returns the parts of take i that are of some kinds.
func (s *Measured) partsOf(i int, kinds ...parts.Kind) (out []result.Part) {
	for _, p := range s.Takes[i].Judged.Parts {
		if slices.Contains(kinds, p.Kind) {
			out = append(out, p)
		}
	}
	return out
}

// addParts adds a failure for the parts of take i that are of some kinds; false for
// none.
func (s *Measured) addParts(a *answers, i int, do string, kinds ...parts.Kind) bool {
	found := s.partsOf(i, kinds...)
	if len(found) == 0 {
		return false
	}
	var rest []string
	most := nan()
	for _, p := range found {
		if ms := 1000 * math.Abs(float64(p.Lag)) / float64(s.Result.Timeline.SampleRate); p.Kind == parts.Moved && !(ms <= most) {
			most = ms
		}
		rest = append(rest, s.partText(p))
	}
	const shown = 4
	reason := "every note and every third of a second of the sound was compared with the " + s.sourceName() + " by itself"
	if more := rest[1:]; len(more) > 0 {
		reason = strings.Join(more[:min(len(more), shown)], "; ") + "; " + reason
	}
	a.add(answer{subject: s.Result.Takes[i].Name, outcome: result.Failed, measured: most, value: rest[0], reason: reason, do: do})
	return true
}

// partText says what a part is, from when to when, both rounded outwards.
func (s *Measured) partText(p result.Part) string {
	when := fmt.Sprintf("from %s to %s", unit.Seconds(math.Floor(10*float64(p.From)+1e-9)/10), unit.Seconds(math.Ceil(10*float64(p.To)-1e-9)/10))
	lag := float64(p.Lag) / float64(s.Result.Timeline.SampleRate)
	switch p.Kind {
	case parts.Moved:
		side := "late"
		if lag < 0 {
			side = "early"
		}
		return fmt.Sprintf("%s ms %s %s", unit.Format(1000*math.Abs(lag), 1), side, when)
	case parts.Elastic:
		return "its timing wanders " + when
	case parts.Pass:
		return "its notes start early and late, like another pass, " + when
	case parts.Elsewhere:
		return fmt.Sprintf("%s it plays what the %s plays from %s on", when, s.sourceName(), unit.Seconds(math.Max(0, float64(p.From)-lag)))
	case parts.Missing:
		return fmt.Sprintf("nothing is heard %s while the %s plays", when, s.sourceName())
	case parts.Turned:
		return "its polarity is turned " + when
	}
	return fmt.Sprintf("it does not match what the %s plays %s", s.sourceName(), when)
}

// detectable says for each section how small a fault in a part of any take would have
// been found; all is false where in some section some take hides every one that was tried.
func (s *Measured) detectable() (text string, all bool) {
	spans := s.Result.Timeline.Spans
	first := max(0, min(1, len(spans)-1)) // the sections, or the whole
	all = true
	var out []string
	for k := first; k < len(spans); k++ {
		shift, pass := 0.0, 0.0
		var hidden []string
		for _, i := range s.held() {
			j := s.Takes[i].Judged
			if k >= len(j.Told) {
				continue
			}
			d := j.Told[k]
			if math.IsNaN(float64(d.Shift)) || math.IsNaN(float64(d.Pass)) {
				hidden = append(hidden, s.Result.Takes[i].Name)
				continue
			}
			shift, pass = math.Max(shift, float64(d.Shift)), math.Max(pass, float64(d.Pass))
		}
		name := spans[k].Name
		if name == "" {
			name = "the whole"
		}
		words := fmt.Sprintf("%s: a shift of %s ms for 5 s, another pass of %s s", name, unit.Format(1000*shift, 0), unit.Format(pass, 0))
		if len(hidden) > 0 {
			all = false
			slices.Sort(hidden)
			where := strings.Join(hidden, ", ")
			if len(hidden) == len(s.held()) {
				where = "any take"
			}
			words = fmt.Sprintf("%s: neither would have been found at every place in %s", name, where)
		}
		out = append(out, words)
	}
	return strings.Join(out, "; "), all
}
