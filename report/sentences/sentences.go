// Package sentences says in words what results hold as data: the topics of checks, what
// was found, why and what to do, and what speaks for or against an accusation. Terminal,
// page, tables, verdict and the text of a video have their words from here, so that a word
// can change without a result.
//
// The words of a text are found by its code, those of a check by its id and the code; what
// stands in them is written as Expand has it. Texts that an earlier version stored in words
// stay as they were written.
package sentences

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"evenhand/analyze/result"
)

// topic are the words of a check.
type topic struct {
	name   string
	why    string // it matters, to a listener
	limit  string // where it is not a number
	source string // of the limit
	found  map[string]words
}

// words are those of one finding; do is not said of a check that passed.
type words struct{ value, reason, do string }

// topics are the words of every check, by its id.
var topics = merged(soundTopics, fileTopics, settingTopics)

func merged(parts ...map[string]topic) map[string]topic {
	all := map[string]topic{}
	for _, p := range parts {
		maps.Copy(all, p)
	}
	return all
}

// Result returns a result with its texts in words; the given one stays as it is.
func Result(res *result.Result) *result.Result {
	out := *res
	out.Checks = Checks(res.Checks)
	out.Exclusions = slices.Clone(res.Exclusions)
	for i := range out.Exclusions {
		sayExclusion(&out.Exclusions[i], out.Checks)
	}
	out.Warnings = slices.Clone(res.Warnings)
	for i := range out.Warnings {
		if w := &out.Warnings[i]; w.Found != "" {
			w.Message = say(w.Text)
		}
	}
	out.Takes = slices.Clone(res.Takes)
	for i := range out.Takes {
		t := &out.Takes[i]
		t.Touch = said(t.Touch, func(x *result.Touch) *result.Cause { return &x.Reason })
		t.Drive = said(t.Drive, func(x *result.Drive) *result.Cause { return &x.Reason })
		t.Compressor = said(t.Compressor, func(x *result.Compressor) *result.Cause { return &x.Reason })
		t.Measures = slices.Clone(t.Measures)
		for k := range t.Measures {
			t.Measures[k].Warnings = sayCauses(t.Measures[k].Warnings)
		}
		n := &t.Noise
		sayCause(&t.Alignment.Reason, &n.Reason, &n.GateReason, &n.SplitReason)
		n.Warnings = sayCauses(n.Warnings)
	}
	out.Leftover, out.Equalised = slices.Clone(res.Leftover), slices.Clone(res.Equalised)
	for i := range out.Leftover {
		sayCause(&out.Leftover[i].Reason)
	}
	for i := range out.Equalised {
		sayCause(&out.Equalised[i].Reason)
	}
	out.Loopback = Loopback(res.Loopback)
	out.Resolution.LeftOut = slices.Clone(res.Resolution.LeftOut)
	for i := range out.Resolution.LeftOut {
		if u := &out.Resolution.LeftOut[i]; u.Found != "" {
			u.Change = say(u.Text)
		}
	}
	return &out
}

// Loopback returns a loopback with its words, nil for none; the given one stays as it is.
func Loopback(l *result.Loopback) *result.Loopback {
	if l == nil {
		return nil
	}
	out := *l
	sayCause(&out.Reason, &out.NoiseReason)
	out.Shape, out.Advice, out.Warnings = sayCauses(out.Shape), sayCauses(out.Advice), sayCauses(out.Warnings)
	return &out
}

// Where says what the level of a loopback is the level of.
func Where(l *result.Loopback) string { return say(l.Where()) }

// Checks returns checks with their words; the given ones stay as they are.
func Checks(checks []result.Check) []result.Check {
	out := slices.Clone(checks)
	for i := range out {
		sayCheck(&out[i])
	}
	for i := range out {
		if c := &out[i]; c.Found != "" && c.ConsequenceOf != "" {
			c.Reason = "consequence of " + consequences[c.ConsequenceOf] + "; " + c.Reason
			if k := slices.IndexFunc(out, func(x result.Check) bool { return x.ID == c.ConsequenceOf && x.Subject == c.Subject }); k >= 0 {
				c.Do = out[k].Do
			}
		} else if c.Found != "" && c.Partly != nil {
			c.Reason = fmt.Sprintf("%d of %d are a consequence of %s; %s", c.Partly.Explained, c.Partly.All, consequences[c.Partly.Of], c.Reason)
		}
	}
	return out
}

func sayCheck(c *result.Check) {
	if c.Found == "" {
		return // an earlier version's, in words
	}
	t := topics[c.ID]
	w, ok := t.found[c.Found]
	if !ok {
		w = shared[c.Found]
	}
	e := expander{with: c.With, measured: float64(c.Measured), limit: c.Allowed, subject: c.Subject}
	c.Name, c.Why = t.name, t.why
	c.Value, c.Reason, c.Do = e.expand(w.value), e.expand(w.reason), e.expand(w.do)
	if c.Outcome == result.Passed {
		c.Do = ""
	}
	c.Limit, c.LimitSource = t.limit, t.source
	if c.Allowed != nil {
		c.Limit = c.Allowed.String()
		if c.Allowed.Set {
			c.LimitSource = "set in the manifest"
		}
	}
}

func sayExclusion(e *result.Exclusion, checks []result.Check) {
	if e.Found == "" {
		return
	}
	e.Accusation = accusations[e.ID]
	e.Because = say(e.Text)
	found, worst := answersOf(e.Checks, checks)
	switch {
	case e.Found == "checks" && worst == result.NotMeasured:
		e.Because = "not measured: " + found
	case e.Found == "checks":
		e.Because = found
	case e.Standing == result.AuthorsWord && worst == result.Caution:
		// It does not make a word worse, but is worth saying.
		e.Because += "; " + found
	}
}

// answersOf lists what the checks with some ids found, of the worst outcome among them:
// what speaks against an exclusion.
func answersOf(ids []string, checks []result.Check) (text string, worst result.Outcome) {
	for _, o := range []result.Outcome{result.Failed, result.Caution, result.NotMeasured} {
		var texts []string
		for _, c := range checks {
			if c.Outcome != o || !slices.Contains(ids, c.ID) {
				continue
			}
			text := c.Value
			if text == "" || o == result.NotMeasured {
				text = c.Reason
			}
			if c.Subject != "" {
				text = c.Subject + ": " + text
			}
			texts = append(texts, strings.ToLower(c.Name)+", "+text)
		}
		if texts == nil {
			continue
		}
		const most = 3
		slices.Sort(texts) // not as the takes stand in the manifest
		text = strings.Join(texts[:min(len(texts), most)], "; ")
		if more := len(texts) - most; more > 0 {
			text += fmt.Sprintf("; and %d more", more)
		}
		return text, o
	}
	return "", result.Passed
}

// say says a text that is not the finding of a check.
func say(t result.Text) string {
	e := expander{with: t.With}
	if t.Found == "limit" {
		return result.Limit{Kind: e.name("kind"), Value: e.figure("value"), Unit: e.name("unit"), Decimals: int(e.figure("decimals"))}.String()
	}
	return e.expand(texts[t.Found])
}

// sayCause puts words into causes; those of an earlier version have them.
func sayCause(causes ...*result.Cause) {
	for _, c := range causes {
		if c.Found != "" {
			c.Words = say(c.Text)
		}
	}
}

// said returns a copy of what has a cause, with its words; nil for nil.
func said[T any](x *T, cause func(*T) *result.Cause) *T {
	if x == nil {
		return nil
	}
	out := *x
	sayCause(cause(&out))
	return &out
}

// sayCauses returns a list of causes with their words; the given one stays as it is.
func sayCauses(causes []result.Cause) []result.Cause {
	out := slices.Clone(causes)
	for i := range out {
		sayCause(&out[i])
	}
	return out
}
