package result

import (
	"fmt"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
)

// Rule is a rule by which figures of a result are computed today, and were not
// before. What an earlier version computed by another rule is not wrong: verify
// does not compare it, and the page says which rule the figures follow.
type Rule struct {
	Since int // the first ResultFormat whose figures follow it
	// Fields are the figures, by their fields in results.json from the top, with
	// points between: "likeness.spectral_db". A field stands for all that is below
	// it and for every entry of a list. "checks[lag]" are the checks of that id.
	Fields []string
	Says   string // the rule, a sentence for readers that names the figures
	// For tells which results the rule is about; nil: all.
	For func(*Result) bool
}

// Rules returns the rules that are newer than the first format, the oldest
// first.
func Rules() []Rule {
	return []Rule{
		{
			Since: 2,
			Fields: []string{
				"checks[same-performance]", "checks[lag]", "checks[polarity]", "checks[drift]", "checks[rate-label]", "checks[slips]", "exclusions",
				"takes.alignment.drift_ppm", "takes.alignment.drift_error_ppm", "takes.alignment.applied_error_samples",
				"takes.alignment.beside_error_samples", "takes.alignment.slips",
			},
			Says: "Performance, timing, polarity, clock and lost samples are judged part by part: every note and every third of a second by itself.",
		},
		{
			Since: 2,
			Fields: []string{
				"spectrum.differences.third_octave.half_width_db", "spectrum.differences.third_octave.resolved",
				"spectrum.differences.sixth_octave.half_width_db", "spectrum.differences.sixth_octave.resolved",
				"spectrum.differences.twelfth_octave.half_width_db", "spectrum.differences.twelfth_octave.resolved",
			},
			Says: "Where takes are compared with the median of all, the smallest difference that counts follows from the takes that make the median, in whatever order they are listed.",
			For:  func(r *Result) bool { return r.Comparison.Reference == "" },
		},
		{
			Since:  2,
			Fields: []string{"checks[dropouts]", "checks[clipping]", "checks[clicks]", "checks[cut-off]", "checks[format]", "checks[near-copy]"},
			Says:   "Dropouts and flat crests are distinguished from the steps of a sound of few bits or of a bit crusher, and from the digital silence of a count-in; clicks of up to three samples, fades, 16 bits in a file of 24 and repeats that are copies in 16 bits are looked for.",
		},
		{
			Since:  2,
			Fields: []string{"timeline.spans", "takes.measures", "match.alternatives", "spectrum.differences", "checks[sections]"},
			Says:   "Of sections with one name, the later ones have a number.",
			For:    sameSections,
		},
		{
			Since:  2,
			Fields: []string{"likeness.spectral_db", "likeness.resolved", "takes.measures.descriptors"},
			Says:   "Spectral distances and the spectrum in five figures count the third octaves that are heard: within 45 dB of the strongest, K-weighted, and 10 dB over the noise.",
		},
		{
			Since:  2,
			Fields: []string{"takes.noise", "checks[noise-steps]", "checks[hum]", "checks[gate]"},
			Says:   "A pause through which an echo or a reverberation rings is left out of the noise, and a noise floor that rises within every pause is put down to the gear.",
		},
		{
			Since:  2,
			Fields: []string{"likeness", "takes.alignment", "checks[takes]", "checks[near-copy]", "exclusions"},
			Says:   fmt.Sprintf("Of more than %d takes, each is aligned to and compared with one take only, the reference where there is one.", AllPairs),
			For:    func(r *Result) bool { return len(r.Takes) > AllPairs },
		},
		{
			Since:  2,
			Fields: []string{"checks[same-file]", "exclusions"},
			Says:   "Of several recordings that are one file, each is named with the first.",
			For:    sameThrice,
		},
	}
}

// sameSections tells whether two spans have one name.
func sameSections(r *Result) bool {
	seen := map[string]bool{}
	for _, s := range r.Timeline.Spans {
		if seen[s.Name] {
			return true
		}
		seen[s.Name] = true
	}
	return false
}

// sameThrice tells whether one file was read for more than two recordings.
func sameThrice(r *Result) bool {
	count := map[string]int{}
	for _, sum := range TakeSums(r) {
		if sum != "" {
			count[sum]++
		}
		if count[sum] > 2 {
			return true
		}
	}
	return false
}

// RulesAfter returns the rules that results did not follow yet when they had a
// format.
func RulesAfter(format int, res *Result) []Rule {
	later := []Rule{}
	for _, r := range Rules() {
		if r.Since > format && (r.For == nil || r.For(res)) {
			later = append(later, r)
		}
	}
	return later
}

// Governs reports whether the figure at a path, written as in Fields, follows
// the rule.
func (r Rule) Governs(path string) bool {
	for _, f := range r.Fields {
		if rest, ok := strings.CutPrefix(path, f); ok && (rest == "" || rest[0] == '.' || rest[0] == '[') {
			return true
		}
	}
	return false
}

// Renamed returns what today's results say in a field where those of an earlier
// version say was: the same but for the words listed here, by the name of their
// field, what was written then and what is written now.
func Renamed(field, was string) string {
	words := map[string]map[string]string{
		"role":     {"bridge": string(manifest.ReadRole("bridge"))},
		"outcome":  {"holds": string(Passed), "fails": string(Failed)},
		"standing": {"rests on the maker's word": string(AuthorsWord)},
	}
	if now, ok := words[field][was]; ok {
		return now
	}
	return was
}

// Worded reports whether a field, by its path as in Rule.Fields, is one of those in which
// earlier versions stored words, and this one stores what the words are made of.
func Worded(path string) bool {
	top, _, _ := strings.Cut(strings.ReplaceAll(path, "[", "."), ".")
	field := path[strings.LastIndex(path, ".")+1:]
	return slices.Contains([]string{"checks", "exclusions", "resolution", "warnings"}, top) &&
		slices.Contains([]string{"name", "reason", "value", "limit", "limit_source", "why", "do", "accusation", "because", "change", "message",
			"id", "found", "with", "allowed", "partly"}, field)
}
