// Package verdict says what the checks of a comparison come to, in the words and
// signs of every place that shows it: the terminal, the page, the description of
// a video.
package verdict

import (
	"fmt"
	"slices"
	"strings"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/sentences"
)

// Finding is what one check found fault with or left open, in every take and
// file that it did so for.
type Finding struct {
	Outcome result.Outcome // Failed, Caution or NotMeasured
	Checks  []result.Check // the answers, at least one, all to one question
	// Follow are answers to other questions that report the same cause.
	Follow []result.Check
}

// Findings returns what did not pass, merged by cause, the most severe first
// and otherwise in the order of the checks.
func Findings(checks []result.Check) []Finding {
	out := []Finding{}
	checks = sentences.Checks(checks)
	find := func(id, subject string, o result.Outcome) int {
		return slices.IndexFunc(out, func(f Finding) bool {
			return f.Checks[0].ID == id && (f.Outcome == o || o == "" && slices.ContainsFunc(f.Checks, func(c result.Check) bool { return c.Subject == subject }))
		})
	}
	for _, o := range result.Outcomes() {
		for _, c := range checks {
			if c.Outcome != o || o == result.Passed || c.ConsequenceOf != "" {
				continue
			}
			i := find(c.ID, "", o)
			if i < 0 {
				out = append(out, Finding{Outcome: o})
				i = len(out) - 1
			}
			out[i].Checks = append(out[i].Checks, c)
		}
	}
	for _, c := range checks {
		if i := find(c.ConsequenceOf, c.Subject, ""); c.ConsequenceOf != "" && i >= 0 {
			out[i].Follow = append(out[i].Follow, c)
		}
	}
	return out
}

// Reservation reports whether a finding that did not fail takes something from
// the verdict: every caution does, and so do the questions without whose answer
// nobody can say that a comparison is fair.
func (f Finding) Reservation() bool {
	return f.Outcome == result.Caution || f.Outcome == result.NotMeasured &&
		slices.Contains([]string{fairness.IDPerformance, fairness.IDMatch, fairness.IDOneChange}, f.Checks[0].ID)
}

// plain are the everyday words of findings that are common and need no explanation, for
// one subject and for several, by the id of the check and what it found.
var plain = map[string][2]string{
	fairness.IDPerformance + " different": {"%s is another performance", "%s are other performances"},
	fairness.IDPolarity + " inverted":     {"%s has inverted polarity (inaudible alone)", "%s have inverted polarity (inaudible alone)"},
	fairness.IDGate + " gated":            {"%s was gated", "%s were gated"},
	fairness.IDOneChange + " differs":     {"the %s changed too", "the %s changed too"},
	fairness.IDUnstated + " unstated":     {"the %s is not written down", "the %s are not written down"},
	fairness.IDHeadroom + " peaks":        {"%s was recorded hot", "%s were recorded hot"},
	fairness.IDClipping + " full-scale":   {"%s is clipped", "%s are clipped"},
	fairness.IDClipping + " flat":         {"%s may be clipped", "%s may be clipped"},
	fairness.IDClicks + " clicks":         {"%s has clicks", "%s have clicks"},
	fairness.IDCut + " beginning":         {"the beginning of %s is cut off", "the beginnings of %s are cut off"},
	fairness.IDCut + " end":               {"the end of %s is cut off", "the ends of %s are cut off"},
	fairness.IDLoad + " none":             {"no load is written down for %s", "no load is written down for %s"},
}

// plainWords says a finding in everyday words; "" where there are none for it. unclipped
// is whether no clipping was found in any take and file that it is about.
func (f Finding) plainWords(subjects []string, unclipped bool) string {
	first := f.Checks[0]
	if slices.ContainsFunc(f.Checks, func(c result.Check) bool { return c.Found != first.Found }) {
		return ""
	}
	if level, ok := strings.CutPrefix(first.Value, "−"); ok && first.ID == fairness.IDReampLevel && first.Found == "level" {
		return "the gear was fed " + level + " low"
	} else if level, ok := strings.CutPrefix(first.Value, "+"); ok && first.ID == fairness.IDReampLevel && first.Found == "level" {
		return "the gear was fed " + level + " high"
	}
	words, ok := plain[first.ID+" "+first.Found]
	if !ok || len(subjects) == 0 {
		return ""
	}
	if first.ID == fairness.IDOneChange || first.ID == fairness.IDUnstated { // "amp: volume"
		subjects = slices.Clone(subjects)
		for i := range subjects {
			subjects[i] = strings.Replace(subjects[i], ": ", " ", 1)
		}
	}
	s := fmt.Sprintf(words[min(1, len(subjects)-1)], manifest.List(subjects))
	if first.ID == fairness.IDHeadroom && unclipped {
		s += " (no clipping found)"
	}
	return s
}

// words names a finding among checks within a sentence: "Splitting was recorded hot", or
// by its topic: "lost samples of Splitting (64 samples)".
func (f Finding) words(checks []result.Check) string {
	var subjects, values []string
	for _, c := range f.Checks {
		if c.Subject != "" && !slices.Contains(subjects, c.Subject) {
			subjects = append(subjects, c.Subject)
		}
		if !slices.Contains(values, c.Value) {
			values = append(values, c.Value)
		}
	}
	if more := len(subjects) - mostSubjects; more > 0 {
		subjects = append(subjects[:mostSubjects:mostSubjects], fmt.Sprintf("%d more", more))
	}
	// The check also passes with clipping that the author's limit allows.
	unclipped := !slices.ContainsFunc(f.Checks, func(c result.Check) bool {
		return !slices.ContainsFunc(checks, func(x result.Check) bool {
			return x.ID == fairness.IDClipping && x.Subject == c.Subject && x.Outcome == result.Passed && x.Found == "none"
		})
	})
	if s := f.plainWords(subjects, unclipped); s != "" && f.Outcome != result.NotMeasured {
		return s
	}
	s := topic(f.Checks[0].Name)
	if len(subjects) > 0 {
		s += " of " + manifest.List(subjects)
	}
	switch {
	case f.Outcome == result.NotMeasured:
		s += " (not measured)"
	case len(values) == 1 && values[0] != "":
		s += " (" + values[0] + ")"
	}
	return s
}

// topic writes the title of a check within a sentence: "DC offset" stays.
func topic(name string) string {
	if len(name) > 1 && strings.ToUpper(name[:2]) == name[:2] {
		return name
	}
	return strings.ToLower(name[:min(1, len(name))]) + name[min(1, len(name)):]
}

// Sign returns the sign of an outcome, the same in the terminal and on the page.
func Sign(o result.Outcome) string {
	return map[result.Outcome]string{result.Failed: "×", result.Caution: "!", result.NotMeasured: "?", result.Passed: "✓"}[o]
}

// Counts prints how many checks came to each outcome, the most severe
// first: "0 failed, 5 cautions, 2 not measured, 166 passed".
func Counts(checks []result.Check) string {
	n := map[result.Outcome]int{}
	for _, c := range checks {
		n[c.Outcome]++
	}
	parts := []string{}
	for _, o := range result.Outcomes() {
		parts = append(parts, Count(n[o], o))
	}
	return strings.Join(parts, ", ")
}

// Count prints how many checks came to an outcome: "5 cautions".
func Count(n int, o result.Outcome) string {
	if o == result.Caution && n != 1 {
		o += "s"
	}
	return fmt.Sprintf("%d %s", n, o)
}

// Verdict is what the checks of a comparison come to.
type Verdict struct {
	Outcome result.Outcome // Passed: fair; Caution: with reservations; Failed: not fair; NotMeasured: not checked
	Head    string         // what it comes to, without a full stop
	Causes  []Cause        // of reservations or faults, those that are named
	More    int            // causes that are not named
	Text    string         // all of it, a sentence
}

// Cause is one reason for a verdict.
type Cause struct {
	Text  string       // within a sentence
	Check result.Check // the first of the answers that it merges
}

// newVerdict names at most mostCauses causes and counts the others.
func newVerdict(o result.Outcome, head string, causes ...Cause) Verdict {
	v := Verdict{Outcome: o, Head: head, Causes: causes, Text: head}
	if more := len(causes) - mostCauses; more > 0 {
		v.Causes, v.More = causes[:mostCauses:mostCauses], more
	}
	parts := []string{}
	for _, c := range v.Causes {
		parts = append(parts, c.Text)
	}
	if v.More > 0 {
		parts = append(parts, fmt.Sprintf("and %d more", v.More))
	}
	if len(parts) > 0 {
		v.Text += ": " + strings.Join(parts, "; ")
	}
	v.Text += "."
	return v
}

// Brief returns the verdict without its causes: "Fair, with 5 reservations."
func (v Verdict) Brief() string {
	head, _, _ := strings.Cut(strings.TrimSuffix(v.Text, "."), ": ")
	return head + "."
}

// Most subjects that are named for one cause, and most causes that are named.
const (
	mostSubjects = 3
	mostCauses   = 5
)

// Of returns the verdict on a comparison with these checks.
func Of(checks []result.Check) Verdict {
	if len(checks) == 0 {
		return newVerdict(result.NotMeasured, "Not checked: no check was made")
	}
	if !slices.ContainsFunc(checks, func(c result.Check) bool { return c.Outcome != result.NotMeasured }) {
		return newVerdict(result.NotMeasured, "Not checked: nothing could be measured")
	}
	var failed, reservations []Cause
	for _, f := range Findings(checks) {
		cause := Cause{f.words(checks), f.Checks[0]}
		switch {
		case f.Outcome == result.Failed:
			failed = append(failed, cause)
		case f.Checks[0].ID == fairness.IDTakes && failed == nil:
			return newVerdict(result.NotMeasured, "Not checked: one take alone has nothing to be compared with")
		case f.Reservation():
			reservations = append(reservations, cause)
		}
	}
	switch {
	case failed != nil:
		return newVerdict(result.Failed, "Not fair", failed...)
	case len(reservations) == 1:
		return newVerdict(result.Caution, "Fair, with one reservation", reservations...)
	case reservations != nil:
		return newVerdict(result.Caution, fmt.Sprintf("Fair, with %d reservations", len(reservations)), reservations...)
	}
	return newVerdict(result.Passed, "Fair")
}
