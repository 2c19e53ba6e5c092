package console

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/terminal"
	"evenhand/report/verdict"
	"evenhand/report/words"
)

// Checks writes the verdict, then what did not pass, merged by cause, with
// what to do, then the topics that passed, one line for each group. With all,
// each check that passed has its own lines, and the accusations that the
// comparison can be met with follow.
func Checks(w io.Writer, res *result.Result, width int, all bool) error {
	out := bufio.NewWriter(w)
	fmt.Fprintln(out, terminal.Clip(terminal.Clean(res.Comparison.Heading()), width))
	terminal.Fold(out, "", terminal.Clean(verdict.Of(res.Checks).Text), width)
	for _, f := range verdict.Findings(res.Checks) {
		fmt.Fprintln(out)
		writeFinding(out, f, width, all)
	}
	fmt.Fprintf(out, "\nPassed\n")
	for _, g := range result.Groups() {
		topics := passed(res.Checks, g)
		if all {
			for _, checks := range topics {
				writeFinding(out, verdict.Finding{Outcome: result.Passed, Checks: checks}, width, all)
			}
			continue
		}
		var names []string
		for _, checks := range topics {
			name := checks[0].Name
			if of := count(res.Checks, checks[0].ID); of > len(checks) {
				name += fmt.Sprintf(" (%d of %d)", len(checks), of)
			}
			names = append(names, name)
		}
		if names != nil {
			terminal.Hang(out, verdict.Sign(result.Passed)+" ", "    ", words.Capital(string(g))+": "+strings.Join(names, ", "), width)
		}
	}
	if all && len(res.Exclusions) > 0 {
		fmt.Fprintf(out, "\nCould it be that …\n")
		for _, e := range res.Exclusions {
			terminal.Fold(out, "  ", terminal.Clean(e.Accusation)+"?", width)
			terminal.Fold(out, "    ", string(e.Standing)+": "+terminal.Clean(e.Because), width)
		}
	}
	fmt.Fprintln(out)
	terminal.Fold(out, "", words.Plural(len(res.Checks), "check", "checks")+": "+verdict.Counts(res.Checks), width)
	if !all {
		terminal.Fold(out, "", "with --all: every check with its limit and source, and what the comparison excludes", width)
	}
	return out.Flush()
}

// count returns how many answers there are to a question.
func count(checks []result.Check, id string) int {
	n := 0
	for _, c := range checks {
		if c.ID == id {
			n++
		}
	}
	return n
}

// passed returns the answers of a group that passed, by question.
func passed(checks []result.Check, group result.Group) [][]result.Check {
	var out [][]result.Check
	for _, c := range checks {
		if c.Group != group || c.Outcome != result.Passed {
			continue
		}
		k := slices.IndexFunc(out, func(x []result.Check) bool { return x[0].ID == c.ID })
		if k < 0 {
			out, k = append(out, nil), len(out)
		}
		out[k] = append(out[k], c)
	}
	return out
}

// indent is the column of what is said about a check.
const indent = "  "

func writeFinding(w io.Writer, f verdict.Finding, width int, all bool) {
	first := f.Checks[0]
	head := first.Name
	if all {
		head += " [" + first.ID + "]"
	}
	terminal.Hang(w, verdict.Sign(f.Outcome)+" ", indent, head+": "+string(f.Outcome), width)
	if all || f.Outcome == result.Failed || f.Outcome == result.Caution {
		terminal.Fold(w, indent, "limit: "+terminal.Clean(first.Limit)+" ("+terminal.Clean(first.LimitSource)+")", width)
	}
	// Takes with the same answer share a line,
	// and so do those whose values differ for one reason.
	type value struct {
		subjects []string
		text     string
	}
	type told struct {
		values []value
		reason string
	}
	var lines []told
	for _, c := range f.Checks {
		k := slices.IndexFunc(lines, func(l told) bool { return l.reason == terminal.Clean(c.Reason) })
		if k < 0 {
			lines = append(lines, told{reason: terminal.Clean(c.Reason)})
			k = len(lines) - 1
		}
		l := &lines[k]
		j := slices.IndexFunc(l.values, func(v value) bool { return v.text == terminal.Clean(c.Value) })
		if j < 0 {
			l.values = append(l.values, value{text: terminal.Clean(c.Value)})
			j = len(l.values) - 1
		}
		if c.Subject != "" {
			l.values[j].subjects = append(l.values[j].subjects, terminal.Clean(c.Subject))
		}
	}
	for _, l := range lines {
		var parts []string
		for _, v := range l.values {
			text := v.text
			if len(v.subjects) > 0 {
				text = strings.TrimSuffix(manifest.Join(v.subjects)+": "+text, ": ")
			}
			parts = append(parts, text)
		}
		text := strings.Join(parts, "; ")
		if l.reason != "" {
			between := "; "
			if l.values[len(l.values)-1].text == "" && text != "" {
				between = ": "
			}
			text = strings.TrimPrefix(text+between+l.reason, "; ")
		}
		terminal.Fold(w, indent, text, width)
	}
	var todo []string
	for _, c := range f.Checks {
		if c.Do != "" && !slices.Contains(todo, c.Do) {
			todo = append(todo, c.Do)
		}
	}
	for _, t := range todo {
		terminal.Fold(w, indent, "→ "+terminal.Clean(t), width)
	}
	for _, c := range f.Follow {
		text := c.Name
		if c.Subject != "" {
			text += ", " + terminal.Clean(c.Subject)
		}
		terminal.Fold(w, indent, "also "+text+": "+strings.TrimPrefix(terminal.Clean(c.Value)+"; "+terminal.Clean(c.Reason), "; "), width)
	}
	if f.Outcome == result.Failed && first.Why != "" {
		terminal.Fold(w, indent, "why: "+terminal.Clean(first.Why), width)
	}
}
