package fairness

import (
	"math"
	"slices"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/steady"
)

// steadyQuestions ask what changed while a take was recorded.
func steadyQuestions() []question {
	return []question{{IDSteady, result.GroupSound, within(UnsteadyFrom, "dB", 1, 0.1, 12), (*Measured).askSteady}}
}

func (s *Measured) askSteady(a *answers) {
	repeated := map[string]bool{}
	for i := range s.Takes {
		x := s.Takes[i].Steady
		repeated[x.Of] = repeated[x.Of] || x.Asked && x.Told
	}
	limit := float64(a.limit.Value)
	var once []string
	for i := range s.Takes {
		x := s.Takes[i].Steady
		name := s.Result.Takes[i].Name
		size := math.Abs(float64(x.Change.Size))
		switch {
		case !x.Asked && !repeated[name]:
			once = append(once, name)
		case !x.Asked:
			// Its repeat answers for both.
		case !x.Told:
			a.skip(name, "short", "of", x.Of)
		case x.Changed(limit):
			outcome := result.Caution
			if size > math.Max(farOff, limit) {
				outcome = result.Failed
			}
			a.add(name, outcome, float64(x.Change.Size), "changed", "of", x.Of, "change", x.Says())
		case float64(x.Change.Hidden) > limit:
			a.skip(name, "scatter", "of", x.Of, "hidden_db", x.Change.Hidden)
		case x.Change.Band != "": // within the author's limit
			a.judge(name, size, result.Caution, "allowed", "of", x.Of, "change", x.Says())
		default:
			a.judge(name, size, result.Caution, "steady", "of", x.Of, "octave_db", steady.LeastOctave)
		}
	}
	if once != nil {
		a.skip(manifest.List(once), "once")
	}
}

// turnedRepeat returns the take that take i repeats with the other polarity; "" where
// it has the same, or one of the two polarities is not known.
func (s *Measured) turnedRepeat(i int) string {
	k := slices.IndexFunc(s.Result.Takes, func(t result.Take) bool { return t.Name == s.Result.Takes[i].RepeatOf })
	if k < 0 || k == i {
		return ""
	}
	polarity := func(k int) string {
		if k == s.Anchor {
			return "same"
		}
		return s.Result.Takes[k].Alignment.PolarityToReference
	}
	if own, other := polarity(i), polarity(k); own == "same" && other == "inverted" || own == "inverted" && other == "same" {
		return s.Result.Takes[k].Name
	}
	return ""
}
