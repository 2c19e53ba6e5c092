package analyze

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/recording"
	"evenhand/analyze/result"
)

// LostAnswersError says that what readers heard cannot be kept.
type LostAnswersError struct {
	Readers int
	// Changed are the takes, by their names of then, whose audio is published
	// no more as the same bytes, and why; empty when only names differ.
	Changed []AudioChange
	// Counts says that codes about some of the earlier audio count still.
	Counts bool
	Err    error
}

func (e *LostAnswersError) Error() string {
	why := e.Err.Error()
	if len(e.Changed) > 0 {
		parts := []string{}
		for k := 0; k < len(e.Changed); {
			names := []string{}
			because := e.Changed[k].Why
			for ; k < len(e.Changed) && e.Changed[k].Why == because; k++ {
				names = append(names, e.Changed[k].Take)
			}
			part := "of " + quotedList(names)
			if because != "" {
				part += ": " + because
			}
			parts = append(parts, part)
		}
		why = "they listened to other audio " + strings.Join(parts, "; ")
	}
	return fmt.Sprintf("the answers of %d listeners to the earlier report would be lost: %s", e.Readers, why)
}

func (e *LostAnswersError) Unwrap() error { return e.Err }

// whyChanged says why the audio that the earlier report published of a take is
// published no more; "" where that is not known.
func (s *Session) whyChanged(e *Earlier, name string) string {
	k := slices.IndexFunc(e.Takes, func(t EarlierTake) bool { return t.Name == name })
	if k < 0 {
		return ""
	}
	old := e.Takes[k]
	i := slices.IndexFunc(s.takes, func(sig *recording.Signal) bool { return sig.SHA256 == old.SHA256 })
	switch {
	case i < 0 && slices.ContainsFunc(s.Result.Takes, func(t result.Take) bool { return t.Name == name }):
		return "its recording is another"
	case i < 0:
		return "the take is gone"
	case s.Withheld(i):
		return "it is marked redistribute: no"
	}
	whole := s.Result.Timeline.Spans[0]
	if why := s.otherAudio(i, s.earlier.Takes[k]); why != "" {
		return why
	}
	switch {
	case s.earlier.Whole.FirstFrame != whole.FirstFrame || s.earlier.Whole.Frames != whole.Frames:
		return "the published time is another, since " + s.timeWhy()
	case math.Abs(float64(s.Result.Match.Target-e.Target)) >= 1e-4:
		return fmt.Sprintf("the target goes from %s to %s", e.Target, s.Result.Match.Target)
	}
	return "its channels, its blend or its gain are others"
}

func quotedList(names []string) string {
	out := make([]string, len(names))
	for i, n := range names {
		out[i] = fmt.Sprintf("%q", n)
	}
	return strings.Join(out, ", ")
}

// KeepAudience carries over from the earlier report what readers heard and what
// audio their codes are about, as far as it is still published. It must follow
// Publish. The error is a *LostAnswersError: what readers heard is left out.
func (s *Session) KeepAudience(e *Earlier) error {
	if e == nil {
		return nil
	}
	r := s.Result
	seen := map[string]bool{r.AudioID(): true}
	r.EarlierAudio = nil
	counts := false
	for _, a := range e.Audio {
		_, ok := r.Places(a)
		counts = counts || ok
		if ok && !seen[a.ID] {
			seen[a.ID] = true
			r.EarlierAudio = append(r.EarlierAudio, a)
		}
	}
	if e.Audience == nil {
		return nil
	}
	if err := r.CheckAudience(e.Audience); err != nil {
		lost := &LostAnswersError{Readers: e.Audience.Readers, Counts: counts, Err: err}
		for _, a := range e.Audio {
			if !strings.HasPrefix(a.ID, e.Audience.Comparison) || errors.Is(err, result.ErrRenamed) {
				continue
			}
			for _, f := range a.Takes {
				if !slices.ContainsFunc(r.Takes, func(t result.Take) bool { return t.Published != nil && t.Published.SHA256 == f.SHA256 }) {
					lost.Changed = append(lost.Changed, AudioChange{f.Name, s.whyChanged(e, f.Name)})
				}
			}
			break
		}
		return lost
	}
	r.Audience = e.Audience
	return nil
}
