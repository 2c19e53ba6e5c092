package result

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
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

// Audio lists what answers about this result can be about: its own published
// audio and the earlier ones.
func (r *Result) Audio() []EarlierAudio {
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

// Places returns where the takes of earlier audio stand among Heard; false
// when one is not published with the same bytes, or the ID is not theirs.
func (r *Result) Places(e EarlierAudio) ([]int, bool) {
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
		places, ok := r.Places(e)
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

// CodeDigits is how many digits of AudioID an answer code carries.
const CodeDigits = 10

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
	if len(a.Comparison) == CodeDigits {
		heard := r.Heard()
		for _, e := range r.Audio() {
			places, ok := r.Places(e)
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
	return fmt.Errorf("the published audio is %.*s…, the answers are about %.*s…", CodeDigits, r.AudioID(), CodeDigits, a.Comparison)
}
