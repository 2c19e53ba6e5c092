package fairness

import (
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/steady"
	"evenhand/analyze/unit"
)

// steadyQuestions ask what changed while a take was recorded.
func steadyQuestions() []question {
	return []question{{
		id: IDSteady, name: "Changes during a take", group: result.GroupSound,
		why: "a fader, a knob or a supply that moves during a take makes it another device halfway through",
		limit: limit{kind: within, value: UnsteadyFrom, unit: "dB", decimals: 1, least: 0.1, most: 12,
			source: "common practice, no source: about the smallest level step heard in music"},
		ask: (*Measured).askSteady,
	}}
}

func (s *Measured) askSteady(a *answers) {
	repeated := map[string]bool{}
	for i := range s.Takes {
		x := s.Takes[i].Steady
		repeated[x.Of] = repeated[x.Of] || x.Asked && x.Told
	}
	var once []string
	for i := range s.Takes {
		x := s.Takes[i].Steady
		t := &s.Result.Takes[i]
		size := math.Abs(float64(x.Change.Size))
		switch {
		case !x.Asked && !repeated[t.Name]:
			once = append(once, t.Name)
		case !x.Asked:
			// Its repeat answers for both.
		case !x.Told:
			a.skip(t.Name, fmt.Sprintf("%s and %s sound together for less than a few seconds", t.Name, x.Of))
		case x.Changed(a.limit.value):
			outcome := result.Caution
			if size > math.Max(farOff, a.limit.value) {
				outcome = result.Failed
			}
			a.add(answer{subject: t.Name, outcome: outcome, measured: float64(x.Change.Size), value: unit.Signed(float64(x.Change.Size), 1) + " dB",
				reason: fmt.Sprintf("against %s, which it repeats, %s: one of the two changed while it was recorded", x.Of, x.Says()),
				do:     "listen to that part of both, find out what moved, and record that take again"})
		case float64(x.Change.Hidden) > a.limit.value:
			a.skip(t.Name, fmt.Sprintf("%s and %s differ so much from moment to moment that only a change of more than %s dB would show", t.Name, x.Of, unit.Format(float64(x.Change.Hidden), 1)))
		case x.Change.Band != "": // within the author's limit
			a.judge(t.Name, size, result.Caution, unit.Format(size, 2)+" dB", fmt.Sprintf("against %s, which it repeats, %s", x.Of, x.Says()), "")
		default:
			a.judge(t.Name, size, result.Caution, unit.Format(size, 2)+" dB", fmt.Sprintf("largest level change in any part against %s, which it repeats; no audible octave changes by more than %s dB", x.Of, unit.Format(steady.LeastOctave, 0)), "")
		}
	}
	if once != nil {
		a.skip(manifest.List(once), "recorded only once (no repeat_of), so a change during a take cannot be separated from the playing")
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
