package fairness

import (
	"math"
	"slices"

	"evenhand/analyze/parts"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

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
func (s *Measured) addParts(a *answers, i int, kinds ...parts.Kind) bool {
	found := s.partsOf(i, kinds...)
	if len(found) == 0 {
		return false
	}
	var texts []result.Text
	most := math.NaN()
	for _, p := range found {
		if ms := 1000 * math.Abs(float64(p.Lag)) / float64(s.Result.Timeline.SampleRate); p.Kind == parts.Moved && !(ms <= most) {
			most = ms
		}
		texts = append(texts, s.partText(p))
	}
	const shown = 4
	more := texts[1:]
	a.add(s.Result.Takes[i].Name, result.Failed, most, "parts", "first", texts[0], "more", more[:min(len(more), shown)], "source", s.sourceTake())
	return true
}

// outwards rounds the times of a part to tenths of a second, both outwards.
func outwards(from, to unit.Seconds) (float64, float64) {
	return math.Floor(10*float64(from)+1e-9) / 10, math.Ceil(10*float64(to)-1e-9) / 10
}

// partText says what a part is, from when to when.
func (s *Measured) partText(p result.Part) result.Text {
	from, to := outwards(p.From, p.To)
	lag := float64(p.Lag) / float64(s.Result.Timeline.SampleRate)
	with := []any{"from_s", from, "to_s", to, "source", s.sourceTake()}
	switch p.Kind {
	case parts.Moved:
		with = append(with, "shift_ms", 1000*math.Abs(lag), "early", lag < 0)
	case parts.Elsewhere:
		with = append(with, "of_s", math.Max(0, float64(p.From)-lag))
	}
	return result.Say("part."+string(p.Kind), with...)
}

// detectable says for each section how small a fault in a part of any take would have
// been found; all is false where in some section some take hides every one that was tried.
func (s *Measured) detectable() (texts []result.Text, all bool) {
	spans := s.Result.Timeline.Spans
	first := max(0, min(1, len(spans)-1)) // the sections, or the whole
	all = true
	for k := first; k < len(spans); k++ {
		shift, pass := 0.0, 0.0
		var hidden []string
		for _, i := range s.Held() {
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
		switch {
		case hidden == nil:
			texts = append(texts, result.Say("detectable", "span", spans[k].Name, "shift_ms", 1000*shift, "pass_s", pass))
			continue
		case len(hidden) == len(s.Held()):
			hidden = nil
		}
		all = false
		slices.Sort(hidden)
		texts = append(texts, result.Say("detectable.not", "span", spans[k].Name, "takes", hidden))
	}
	return texts, all
}
