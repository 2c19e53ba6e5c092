package report

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/verdict"
)

// checksView is every check, grouped by what it asks.
type checksView struct {
	Total      int
	Groups     []checkGroup
	Exclusions []exclusionView
	Loopback   *loopbackView
}

type checkGroup struct {
	Name   string
	Checks []checkView
}

// checkView is one question with its answers, one for each subject.
type checkView struct {
	Anchor  string
	Name    string
	Worst   outcomeView
	Tally   string // "1 caution and 5 passed"
	Open    bool
	Mixed   bool // the answers came to several outcomes
	Why     string
	Limit   string
	Source  string
	Answers []answerView
}

type exclusionView struct {
	Accusation, Standing, Class, Because string
	Checks                               []fact // anchor and name
}

// question is the answers to one check, in order.
type question struct {
	group  result.Group
	anchor string // id of its element on details.html
	checks []result.Check
}

// questions are the checks group by group. Their anchors are numbered in this order.
func (b *builder) questions() []question {
	out := []question{}
	for _, g := range result.Groups() {
		first := len(out)
		for _, k := range b.res.Checks {
			if k.Group != g {
				continue
			}
			i := slices.IndexFunc(out[first:], func(q question) bool { return q.checks[0].ID == k.ID && q.checks[0].Name == k.Name })
			if i < 0 {
				out = append(out, question{group: g, anchor: "check-" + number(len(out)+1)})
				i = len(out) - 1 - first
			}
			out[first+i].checks = append(out[first+i].checks, k)
		}
	}
	return out
}

func (b *builder) checks() checksView {
	v := checksView{Total: len(b.res.Checks), Groups: []checkGroup{}, Exclusions: []exclusionView{}, Loopback: b.loopback()}
	questions := b.questions()
	var last result.Group
	for i, q := range questions {
		if i == 0 || q.group != last {
			v.Groups, last = append(v.Groups, checkGroup{Name: capital(string(q.group))}), q.group
		}
		g := &v.Groups[len(v.Groups)-1]
		g.Checks = append(g.Checks, b.viewCheck(q, q.checks))
	}
	for _, e := range b.res.Exclusions {
		x := exclusionView{Accusation: capital(e.Accusation), Standing: string(e.Standing), Class: standingClass(e.Standing), Because: strings.TrimSuffix(e.Because, "."), Checks: []fact{}}
		for _, id := range e.Checks {
			if i := slices.IndexFunc(questions, func(q question) bool { return q.checks[0].ID == id }); i >= 0 {
				x.Checks = append(x.Checks, fact{Name: questions[i].anchor, Value: questions[i].checks[0].Name})
			}
		}
		v.Exclusions = append(v.Exclusions, x)
	}
	return v
}

// standingClass is the outcome in whose colour a standing appears.
func standingClass(s result.Standing) string {
	switch s {
	case result.Found:
		return string(result.Failed)
	case result.ExcludedByMeasurement, result.ExcludedByFiles:
		return string(result.Passed)
	}
	return string(result.Caution)
}

// fairView is the checks in short: what could be held against the comparison, and a
// line for each group of checks, with those open that did not pass.
type fairView struct {
	Total  int
	Counts string
	Open   []standingView // what is not excluded
	Closed []standingView
	Groups []fairGroup
	Level  bool // the reamp level was measured
}

// standingView is accusations that have the same standing.
type standingView struct {
	Standing, Class string
	Accusations     []string
}

// fairGroup is a group of checks, those that passed apart.
type fairGroup struct {
	Name   string
	Worst  outcomeView
	Tally  string
	Open   []checkView // with the answers that did not pass alone
	Passed []checkView
}

func (b *builder) fair() fairView {
	v := fairView{Total: len(b.res.Checks), Counts: verdict.Counts(b.res.Checks), Groups: []fairGroup{}, Level: b.res.Loopback != nil}
	for _, s := range []result.Standing{result.Found, result.NotExcluded, result.AuthorsWord, result.ExcludedByMeasurement, result.ExcludedByFiles} {
		x := standingView{Standing: capital(string(s)), Class: standingClass(s)}
		for _, e := range b.res.Exclusions {
			if e.Standing == s {
				x.Accusations = append(x.Accusations, e.Accusation)
			}
		}
		switch {
		case x.Accusations == nil:
		case x.Class == string(result.Passed):
			v.Closed = append(v.Closed, x)
		default:
			v.Open = append(v.Open, x)
		}
	}
	questions := b.questions()
	for _, g := range result.Groups() {
		group, all := fairGroup{Name: capital(string(g))}, []result.Check{}
		for _, q := range questions {
			if q.group != g {
				continue
			}
			all = append(all, q.checks...)
			rest := slices.DeleteFunc(slices.Clone(q.checks), func(k result.Check) bool { return k.Outcome == result.Passed })
			if len(rest) == 0 {
				group.Passed = append(group.Passed, b.viewCheck(q, q.checks))
			} else {
				group.Open = append(group.Open, b.viewCheck(q, rest))
			}
		}
		if len(all) == 0 {
			continue
		}
		group.Worst, group.Tally = viewOutcome(worst(all)), tally(all)
		v.Groups = append(v.Groups, group)
	}
	return v
}

// worst is the most severe outcome of checks.
func worst(ks []result.Check) result.Outcome {
	for _, o := range result.Outcomes() {
		if slices.ContainsFunc(ks, func(k result.Check) bool { return k.Outcome == o }) {
			return o
		}
	}
	return result.NotMeasured
}

// tally counts the outcomes that occur: "1 caution and 5 passed".
func tally(ks []result.Check) string {
	parts := []string{}
	for _, o := range result.Outcomes() {
		n := 0
		for _, k := range ks {
			if k.Outcome == o {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, verdict.Count(n, o))
		}
	}
	return manifest.List(parts)
}

// viewCheck joins answers to one question.
func (b *builder) viewCheck(q question, ks []result.Check) checkView {
	c := checkView{Anchor: q.anchor, Name: ks[0].Name, Why: sentence(ks[0].Why), Limit: ks[0].Limit, Source: statedSource(ks[0].LimitSource)}
	same, mixed := true, false
	for _, k := range ks {
		same = same && k.Limit == ks[0].Limit
		mixed = mixed || k.Outcome != ks[0].Outcome
	}
	takes := []string{}
	for _, t := range b.res.Takes {
		takes = append(takes, t.Name)
	}
	c.Answers = joinAnswers(ks, takes, !same)
	c.Mixed = mixed
	if !same {
		c.Limit = ""
	}
	outcome := worst(ks)
	c.Worst = viewOutcome(outcome)
	c.Open = outcome == result.Failed || outcome == result.Caution
	c.Tally = tally(ks)
	if len(ks) == 1 {
		c.Tally = orElse(ks[0].Value, ks[0].Reason)
	}
	return c
}

// statedSource is a limit's source, or what speaks for it. That a limit is
// common practice is said once for all that state nothing else.
func statedSource(s string) string {
	if rest, ok := strings.CutPrefix(s, "common practice, no source"); ok {
		if s = strings.TrimPrefix(rest, ": "); s == "none" {
			return ""
		}
	}
	return s
}

// sentence makes a clause a sentence: a capital first and a full stop last.
func sentence(s string) string {
	if s == "" {
		return ""
	}
	s = capital(s)
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}

// capital begins a text with a capital letter.
func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 || r == utf8.RuneError {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}
