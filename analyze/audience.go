package analyze

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/listening"
)

// EarlierAudio names audio that was published as a comparison of its own,
// before takes were added or put in another order, and whose files are all still
// there. Answer codes carry its ID and number its takes. listening.Tally counts them
// for the takes of today, fitted together with the new ones; ratings count only
// against the same reference. A listener who comes back in the same browser has the
// same number, so that pairs already answered do not count twice.
type EarlierAudio struct {
	ID        string        `json:"id"`        // AudioID of then
	Reference string        `json:"reference"` // name of then of the reference; "" without one
	Takes     []EarlierFile `json:"takes"`     // in the order of then
}

// EarlierFile is one take of EarlierAudio by its name of then.
type EarlierFile struct {
	Name   string `json:"name"`
	Slug   string `json:"slug"`
	SHA256 string `json:"sha256"` // of the published file
}

// audioID is AudioID of files with these hashes.
func audioID(sums []string) string {
	if len(sums) == 0 {
		return ""
	}
	h := sha256.New()
	for _, s := range sums {
		fmt.Fprintln(h, s)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// audio lists what answers about this result can be about: its own published
// audio and the earlier ones.
func (r *Result) audio() []EarlierAudio {
	out := []EarlierAudio{}
	if id := r.AudioID(); id != "" {
		own := EarlierAudio{ID: id, Reference: r.Comparison.Reference}
		for _, t := range r.Takes {
			if t.Published != nil {
				own.Takes = append(own.Takes, EarlierFile{t.Name, t.Slug, t.Published.SHA256})
			}
		}
		out = append(out, own)
	}
	return append(out, r.EarlierAudio...)
}

// places returns where the takes of earlier audio stand among Heard; false
// when one is not published with the same bytes, or the ID is not theirs.
func (r *Result) places(e EarlierAudio) ([]int, bool) {
	heard := []*Take{}
	for i := range r.Takes {
		if r.Takes[i].Published != nil {
			heard = append(heard, &r.Takes[i])
		}
	}
	places, sums := []int{}, []string{}
	for _, f := range e.Takes {
		sums = append(sums, f.SHA256)
		at := -1
		for i, t := range heard {
			if t.Published.SHA256 != f.SHA256 || slices.Contains(places, i) {
				continue
			}
			// Two takes can be the same bytes: then the name tells.
			if at < 0 || t.Name == f.Name {
				at = i
			}
		}
		if at < 0 {
			return nil, false
		}
		places = append(places, at)
	}
	return places, e.ID != "" && audioID(sums) == e.ID
}

// Earlier returns the earlier comparisons whose answer codes count for the
// published audio.
func (r *Result) Earlier() []listening.Earlier {
	out := []listening.Earlier{}
	for _, e := range r.EarlierAudio {
		places, ok := r.places(e)
		if !ok || len(places) < listening.MinTakes || len(places) > listening.MaxTakes {
			continue
		}
		// Ratings say how close a take is to the reference.
		same := false
		for i, f := range e.Takes {
			same = same || f.Name == e.Reference && r.Heard()[places[i]] == r.Comparison.Reference
		}
		out = append(out, listening.Earlier{Comparison: e.ID, Takes: places, SameReference: same})
	}
	return out
}

// codeDigits is how many digits of AudioID an answer code carries.
const codeDigits = 10

// ErrRenamed is wrapped where answers are about takes that have other names
// now.
var ErrRenamed = errors.New("takes have other names now")

// CheckAudience returns nil when a tally is about this published audio or about
// EarlierAudio, and else an error that says what differs: listening answers
// count for the audio that was heard, and a tally for the takes by the names of
// then. The error wraps ErrRenamed when only these differ.
func (r *Result) CheckAudience(a *listening.Result) error {
	if r.AudioID() == "" {
		return errors.New("no audio is published")
	}
	if len(a.Comparison) == codeDigits {
		heard := r.Heard()
		for _, e := range r.audio() {
			places, ok := r.places(e)
			if !ok || !strings.HasPrefix(e.ID, a.Comparison) {
				continue
			}
			if len(a.Takes) != len(places) {
				return ErrRenamed
			}
			for i, p := range places {
				if heard[p] != a.Takes[i] {
					return fmt.Errorf("%w: %q was %q", ErrRenamed, heard[p], a.Takes[i])
				}
			}
			return nil
		}
	}
	return fmt.Errorf("the published audio is %.*s…, the answers are about %.*s…", codeDigits, r.AudioID(), codeDigits, a.Comparison)
}

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
	i := slices.IndexFunc(s.takes, func(sig *signal) bool { return sig.sha256 == old.SHA256 })
	switch {
	case i < 0 && slices.ContainsFunc(s.Result.Takes, func(t Take) bool { return t.Name == name }):
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
		_, ok := r.places(a)
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
			if !strings.HasPrefix(a.ID, e.Audience.Comparison) || errors.Is(err, ErrRenamed) {
				continue
			}
			for _, f := range a.Takes {
				if !slices.ContainsFunc(r.Takes, func(t Take) bool { return t.Published != nil && t.Published.SHA256 == f.SHA256 }) {
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
