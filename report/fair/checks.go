// Package fair shows the answers of the checks on a page: in short, with what could be
// held against the comparison, and each with its limit and source.
package fair

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/verdict"
	"evenhand/report/view"
	"evenhand/report/words"
)

// Checks is every check, grouped by what it asks.
type Checks struct {
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
	Worst   Outcome
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
	Checks                               []view.Fact // anchor and name
}

// Question is the answers to one check, in order.
type Question struct {
	Group  result.Group
	Anchor string // id of its element on details.html
	Checks []result.Check
}

// Questions returns the checks group by group. Their anchors are numbered in this order.
func Questions(res *result.Result) []Question {
	out := []Question{}
	for _, g := range result.Groups() {
		first := len(out)
		for _, k := range res.Checks {
			if k.Group != g {
				continue
			}
			i := slices.IndexFunc(out[first:], func(q Question) bool { return q.Checks[0].ID == k.ID && q.Checks[0].Name == k.Name })
			if i < 0 {
				out = append(out, Question{Group: g, Anchor: "check-" + strconv.Itoa(len(out)+1)})
				i = len(out) - 1 - first
			}
			out[first+i].Checks = append(out[first+i].Checks, k)
		}
	}
	return out
}

// ChecksOf returns the view of every check of a result, for the template "checks".
func ChecksOf(res *result.Result) Checks {
	v := Checks{Total: len(res.Checks), Groups: []checkGroup{}, Exclusions: []exclusionView{}, Loopback: loopback(res)}
	questions := Questions(res)
	var last result.Group
	for i, q := range questions {
		if i == 0 || q.Group != last {
			v.Groups, last = append(v.Groups, checkGroup{Name: words.Capital(string(q.Group))}), q.Group
		}
		g := &v.Groups[len(v.Groups)-1]
		g.Checks = append(g.Checks, viewCheck(res, q, q.Checks))
	}
	for _, e := range res.Exclusions {
		x := exclusionView{Accusation: words.Capital(e.Accusation), Standing: string(e.Standing), Class: standingClass(e.Standing), Because: strings.TrimSuffix(e.Because, "."), Checks: []view.Fact{}}
		for _, id := range e.Checks {
			if i := slices.IndexFunc(questions, func(q Question) bool { return q.Checks[0].ID == id }); i >= 0 {
				x.Checks = append(x.Checks, view.Fact{Name: questions[i].Anchor, Value: questions[i].Checks[0].Name})
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

// View is the checks in short: what could be held against the comparison, and a
// line for each group of checks, with those open that did not pass.
type View struct {
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
	Worst  Outcome
	Tally  string
	Open   []checkView // with the answers that did not pass alone
	Passed []checkView
}

// Of returns the view of the checks of a result in short, for the template "fair".
func Of(res *result.Result) View {
	v := View{Total: len(res.Checks), Counts: verdict.Counts(res.Checks), Groups: []fairGroup{}, Level: res.Loopback != nil}
	for _, s := range []result.Standing{result.Found, result.NotExcluded, result.AuthorsWord, result.ExcludedByMeasurement, result.ExcludedByFiles} {
		x := standingView{Standing: words.Capital(string(s)), Class: standingClass(s)}
		for _, e := range res.Exclusions {
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
	questions := Questions(res)
	for _, g := range result.Groups() {
		group, all := fairGroup{Name: words.Capital(string(g))}, []result.Check{}
		for _, q := range questions {
			if q.Group != g {
				continue
			}
			all = append(all, q.Checks...)
			rest := slices.DeleteFunc(slices.Clone(q.Checks), func(k result.Check) bool { return k.Outcome == result.Passed })
			if len(rest) == 0 {
				group.Passed = append(group.Passed, viewCheck(res, q, q.Checks))
			} else {
				group.Open = append(group.Open, viewCheck(res, q, rest))
			}
		}
		if len(all) == 0 {
			continue
		}
		group.Worst, group.Tally = OutcomeOf(worst(all)), tally(all)
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
func viewCheck(res *result.Result, q Question, ks []result.Check) checkView {
	c := checkView{Anchor: q.Anchor, Name: ks[0].Name, Why: words.Sentence(ks[0].Why), Limit: ks[0].Limit, Source: statedSource(ks[0].LimitSource)}
	same, mixed := true, false
	for _, k := range ks {
		same = same && k.Limit == ks[0].Limit
		mixed = mixed || k.Outcome != ks[0].Outcome
	}
	takes := []string{}
	for _, t := range res.Takes {
		takes = append(takes, t.Name)
	}
	c.Answers = joinAnswers(ks, takes, !same)
	c.Mixed = mixed
	if !same {
		c.Limit = ""
	}
	outcome := worst(ks)
	c.Worst = OutcomeOf(outcome)
	c.Open = outcome == result.Failed || outcome == result.Caution
	c.Tally = tally(ks)
	if len(ks) == 1 {
		c.Tally = cmp.Or(ks[0].Value, ks[0].Reason)
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

// Outcome shows an outcome by a word, and by a mark that the style sheet
// puts before it.
type Outcome struct{ Word, Class string }

// OutcomeOf returns how an outcome is shown.
func OutcomeOf(o result.Outcome) Outcome {
	return Outcome{string(o), strings.ReplaceAll(string(o), "not measured", "unmeasured")}
}
