package fair

import (
	"regexp"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
)

// answerView is what several subjects came to alike: the first of them with
// the reason in full, the others with the figures in which theirs differs.
type answerView struct {
	Outcome  Outcome
	Items    []itemView // with the reason as it stands
	Reason   string
	Likewise []itemView // with other figures in it
	Do       string
	Limit    string // only where it is not the same for all
}

// itemView is one value with all the subjects that have it.
type itemView struct {
	Names   string
	Value   string
	Figures string // those that take the place of the reason's own; "" for the same
}

// Shown tells whether a subject or a value stands before the reason.
func (a answerView) Shown() bool {
	for _, x := range a.Items {
		if x.Names != "" || x.Value != "" {
			return true
		}
	}
	return false
}

// Valued tells whether the subjects' values say what was found.
func (a answerView) Valued() bool {
	return !slices.ContainsFunc(a.Items, func(x itemView) bool { return x.Value == "" })
}

// figureInText is a number with what makes it one quantity: its sign, its
// fraction or the parts of a time, and what it counts or measures.
var figureInText = regexp.MustCompile(`(?:\bchannel )?[+−±]?\d+(?:[.:]\d+)*(?: (?:dBFS|dBTP|dB|LUFS|LU|ms|s|ppm|kHz|Hz|samples|%)\b)?`)

// mostFigures is how many figures in a reason may differ for it to be told
// once: with more nobody finds the place of each.
const mostFigures = 3

// answer is one check's answer taken apart.
type answer struct {
	check   result.Check
	figures []string
}

// joinAnswers puts together what came to the same outcome for the same
// reason, but for figures in it, in the order of the checks. subjects are the
// names of all takes; limits tells whether to show limits.
func joinAnswers(ks []result.Check, takes []string, limits bool) []answerView {
	type key struct {
		outcome             result.Outcome
		pattern, do, limits string
	}
	var order []key
	groups := map[key][]answer{}
	for _, k := range ks {
		a := answer{k, figureInText.FindAllString(k.Reason, -1)}
		g := key{k.Outcome, figureInText.ReplaceAllString(k.Reason, "\x00"), k.Do, ""}
		if limits {
			g.limits = k.Limit
		}
		if len(groups[g]) == 0 {
			order = append(order, g)
		}
		groups[g] = append(groups[g], a)
	}
	out := []answerView{}
	for _, g := range order {
		as := groups[g]
		differing := differingFigures(as)
		if len(differing) <= mostFigures {
			out = append(out, oneAnswer(as, differing, takes, g.limits))
			continue
		}
		for len(as) > 0 { // those with the very same reason only
			var same, rest []answer
			for _, a := range as {
				if a.check.Reason == as[0].check.Reason {
					same = append(same, a)
				} else {
					rest = append(rest, a)
				}
			}
			out, as = append(out, oneAnswer(same, nil, takes, g.limits)), rest
		}
	}
	return out
}

// differingFigures returns the places of the figures that are not the same in
// all answers of one pattern.
func differingFigures(as []answer) []int {
	out := []int{}
	for i := range as[0].figures {
		for _, a := range as[1:] {
			if a.figures[i] != as[0].figures[i] {
				out = append(out, i)
				break
			}
		}
	}
	return out
}

func oneAnswer(as []answer, differing []int, takes []string, limit string) answerView {
	first := as[0].check
	v := answerView{Outcome: OutcomeOf(first.Outcome), Reason: first.Reason, Do: first.Do, Limit: limit, Items: []itemView{}, Likewise: []itemView{}}
	type key struct{ value, figures string }
	var order []key
	names := map[key][]string{}
	for _, a := range as {
		k := key{value: a.check.Value}
		if a.check.Reason != first.Reason {
			own := []string{}
			for _, i := range differing {
				own = append(own, a.figures[i])
			}
			k.figures = strings.Join(own, ", ")
		}
		if len(names[k]) == 0 {
			order = append(order, k)
		}
		names[k] = append(names[k], a.check.Subject)
	}
	for _, k := range order {
		x := itemView{Names: subjects(names[k], takes), Value: k.value, Figures: k.figures}
		if k.figures == "" {
			v.Items = append(v.Items, x)
		} else {
			v.Likewise = append(v.Likewise, x)
		}
	}
	return v
}

// subjects joins names; all takes together are every take.
func subjects(names, takes []string) string {
	have := map[string]bool{}
	for _, n := range names {
		have[n] = true
	}
	all := len(takes) > 2
	taken := map[string]bool{}
	for _, t := range takes {
		all = all && have[t]
		taken[t] = true
	}
	if !all {
		return manifest.List(names)
	}
	out := []string{}
	for _, n := range names {
		if !taken[n] {
			out = append(out, n)
		}
	}
	return manifest.List(append(out, "every take"))
}
