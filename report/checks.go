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

func (b *builder) checks() checksView {
	v := checksView{Total: len(b.res.Checks), Groups: []checkGroup{}, Exclusions: []exclusionView{}}
	anchors := map[string]string{}
	names := map[string]string{}
	for _, g := range result.Groups() {
		group := checkGroup{Name: capital(string(g)), Checks: []checkView{}}
		var order []string
		byID := map[string][]result.Check{}
		for _, k := range b.res.Checks {
			if k.Group == g {
				id := k.ID + "\x00" + k.Name
				if len(byID[id]) == 0 {
					order = append(order, id)
				}
				byID[id] = append(byID[id], k)
			}
		}
		for _, id := range order {
			c := b.viewCheck(byID[id])
			c.Anchor = "check-" + number(len(anchors)+1)
			key := byID[id][0].ID
			if _, taken := anchors[key]; !taken {
				names[key] = c.Name
				anchors[key] = c.Anchor
			} else {
				anchors[id] = c.Anchor // same id under another name: only counted
			}
			group.Checks = append(group.Checks, c)
		}
		if len(group.Checks) > 0 {
			v.Groups = append(v.Groups, group)
		}
	}
	for _, e := range b.res.Exclusions {
		x := exclusionView{Accusation: capital(e.Accusation), Standing: string(e.Standing), Because: strings.TrimSuffix(e.Because, "."), Checks: []fact{}}
		switch e.Standing {
		case result.Found:
			x.Class = string(result.Failed)
		case result.ExcludedByMeasurement, result.ExcludedByFiles:
			x.Class = string(result.Passed)
		default:
			x.Class = string(result.Caution)
		}
		for _, id := range e.Checks {
			if a, ok := anchors[id]; ok {
				x.Checks = append(x.Checks, fact{a, names[id]})
			}
		}
		v.Exclusions = append(v.Exclusions, x)
	}
	return v
}

// viewCheck joins the answers to one question.
func (b *builder) viewCheck(ks []result.Check) checkView {
	c := checkView{Name: ks[0].Name, Why: sentence(ks[0].Why), Limit: ks[0].Limit, Source: statedSource(ks[0].LimitSource)}
	worst := ks[0].Outcome
	counts := map[result.Outcome]int{}
	same := true
	for _, k := range ks {
		if order := result.Outcomes(); slices.Index(order, k.Outcome) < slices.Index(order, worst) {
			worst = k.Outcome
		}
		counts[k.Outcome]++
		same = same && k.Limit == ks[0].Limit
	}
	takes := []string{}
	for _, t := range b.res.Takes {
		takes = append(takes, t.Name)
	}
	c.Answers = joinAnswers(ks, takes, !same)
	c.Mixed = len(counts) > 1
	if !same {
		c.Limit = ""
	}
	c.Worst = viewOutcome(worst)
	c.Open = worst == result.Failed || worst == result.Caution
	switch {
	case len(ks) == 1:
		c.Tally = orElse(ks[0].Value, ks[0].Reason)
	default:
		parts := []string{}
		for _, o := range result.Outcomes() {
			if n := counts[o]; n > 0 {
				parts = append(parts, verdict.Count(n, o))
			}
		}
		c.Tally = manifest.List(parts)
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
