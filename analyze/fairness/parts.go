package fairness

import (
	"fmt"
	"math"
	"slices"
	"strings"

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
func (s *Measured) addParts(a *answers, i int, do string, kinds ...parts.Kind) bool {
	found := s.partsOf(i, kinds...)
	if len(found) == 0 {
		return false
	}
	var rest []string
	most := math.NaN()
	for _, p := range found {
		if ms := 1000 * math.Abs(float64(p.Lag)) / float64(s.Result.Timeline.SampleRate); p.Kind == parts.Moved && !(ms <= most) {
			most = ms
		}
		rest = append(rest, s.partText(p))
	}
	const shown = 4
	reason := "every note and every third of a second of sound was compared separately with the " + s.SourceName()
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
		return fmt.Sprintf("%s it plays what the %s plays from %s on", when, s.SourceName(), unit.Seconds(math.Max(0, float64(p.From)-lag)))
	case parts.Missing:
		return fmt.Sprintf("nothing is heard %s while the %s plays", when, s.SourceName())
	case parts.Turned:
		return "its polarity is inverted " + when
	}
	return fmt.Sprintf("it does not match what the %s plays %s", s.SourceName(), when)
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
		name := spans[k].Name
		if name == "" {
			name = "the whole"
		}
		words := fmt.Sprintf("%s: a shift of %s ms for 5 s, another pass of %s s", name, unit.Format(1000*shift, 0), unit.Format(pass, 0))
		if len(hidden) > 0 {
			all = false
			slices.Sort(hidden)
			where := strings.Join(hidden, ", ")
			if len(hidden) == len(s.Held()) {
				where = "every take"
			}
			words = fmt.Sprintf("%s: a shift or another pass could be missed in %s", name, where)
		}
		out = append(out, words)
	}
	return strings.Join(out, "; "), all
}
