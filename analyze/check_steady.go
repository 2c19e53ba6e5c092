package analyze

import (
	"context"
	"evenhand/analyze/result"
	"fmt"
	"math"
	"slices"
	"sync"

	"evenhand/analyze/manifest"
	"evenhand/analyze/steady"
	"evenhand/analyze/unit"
)

// unsteadyFrom is the change in dB from which a repeat does not tell how small a
// difference the session resolves, whatever the author's limit is.
const unsteadyFrom = 0.5

// steadyQuestions ask what changed while a take was recorded.
func steadyQuestions() []question {
	return []question{{
		id: idSteady, name: "Changes during a take", group: result.GroupSound,
		why: "a fader, a knob or a supply that moves during a take makes it another device half way through",
		limit: limit{kind: within, value: unsteadyFrom, unit: "dB", decimals: 1, least: 0.1, most: 12,
			source: "common practice, no source: about the smallest step of level that is heard in music"},
		ask: (*Measured).askSteady,
	}}
}

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
			r, err := sig.open()
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
	err := s.each(ctx, len(s.takes), func(i int) (err error) {
		k := of[i]
		if k < 0 {
			return nil
		}
		in := struct {
			A, B             heard
			OffsetA, OffsetB int64
			Whole            stretch
			Pauses           []steady.Stretch
		}{s.takes[i].heard(), s.takes[k].heard(), s.Takes[i].Frame, s.Takes[k].Frame, stretch{int64(whole.FirstFrame), int64(whole.Frames)}, pauses}
		found[i], err = once(s, "changes during a take", in, []*signal{s.takes[i], s.takes[k]}, func() (out facts, err error) {
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
		if x.changed(unsteadyFrom) {
			s.unsteady = append(s.unsteady, result.Unsteady{Take: s.Result.Takes[i].Name, Of: x.Of, Change: x.words()})
		}
	}
	return nil
}

// changed reports whether the take or what it repeats changed, by more than a limit
// in dB, while it was recorded.
func (x Steadiness) changed(limit float64) bool {
	return x.Told && x.Change.Found && math.Abs(float64(x.Change.Size)) > limit
}

// words say what changed, when and by how much.
func (x Steadiness) words() string {
	c := x.Change
	what := "the level"
	if c.Band != "" {
		what = "the octave around " + c.Band
	}
	by := unit.Signed(float64(c.Size), 1) + " dB"
	switch {
	case c.Creeps:
		return fmt.Sprintf("%s creeps by %s from %s to %s", what, by, c.From, c.To)
	case c.AtStart:
		return fmt.Sprintf("%s is %s off until %s", what, by, c.To)
	case c.AtEnd:
		return fmt.Sprintf("%s is %s off from %s on", what, by, c.From)
	}
	return fmt.Sprintf("%s is %s off from %s to %s", what, by, c.From, c.To)
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
		case x.changed(a.limit.value):
			outcome := result.Caution
			if size > math.Max(farOff, a.limit.value) {
				outcome = result.Failed
			}
			a.add(answer{subject: t.Name, outcome: outcome, measured: float64(x.Change.Size), value: unit.Signed(float64(x.Change.Size), 1) + " dB",
				reason: fmt.Sprintf("against %s, which it repeats, %s: one of the two changed while it was recorded", x.Of, x.words()),
				do:     "listen to that part of both, find out what moved, and record that take again"})
		case float64(x.Change.Hidden) > a.limit.value:
			a.skip(t.Name, fmt.Sprintf("%s and %s differ so much from moment to moment that only a change of more than %s dB would stand out", t.Name, x.Of, unit.Format(float64(x.Change.Hidden), 1)))
		case x.Change.Band != "": // within the author's limit
			a.judge(t.Name, size, result.Caution, unit.Format(size, 2)+" dB", fmt.Sprintf("against %s, which it repeats, %s", x.Of, x.words()), "")
		default:
			a.judge(t.Name, size, result.Caution, unit.Format(size, 2)+" dB", fmt.Sprintf("the greatest change of level against %s, which it repeats, in any part; no octave that is heard changes by more than %s dB", x.Of, unit.Format(steady.LeastOctave, 0)), "")
		}
	}
	if once != nil {
		a.skip(manifest.List(once), "not recorded a second time (repeat_of): what changed during a take cannot be told from the playing")
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
