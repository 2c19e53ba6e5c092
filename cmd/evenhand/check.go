package main

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	settings "evenhand/report/record"
	"evenhand/report/terminal"
)

func checkCommand() *cobra.Command {
	var asJSON, all bool
	var workers int
	cmd := &cobra.Command{
		Use:   "check MANIFEST",
		Short: "Check whether a comparison is fair",
		Long: `Check answers whether a comparison is fair. Was it the same performance, at the
same level, with only one thing changed? It prints each check that did not pass
with what to do. Then it prints what viewers may suspect, and what the
measurements say about it. Check writes no files. The exit status is 1 if a
check failed.

You can set limits in the manifest under limits:, by the id of the check. --all
prints the ids in brackets.`,
		Args: exactly("a manifest"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := manifest.Load(args[0], analyze.CheckLimit)
			if err != nil {
				return err
			}
			if err := settings.CheckPhotos(cmd.Context(), c); err != nil {
				return err
			}
			show, clear := progress(cmd.ErrOrStderr())
			defer clear()
			s, err := analyze.Measure(cmd.Context(), c, analyze.Options{Version: version(), Workers: workers, Progress: show, ChecksOnly: true})
			if err != nil {
				return err
			}
			s.Check()
			if err := s.Unchanged(); err != nil {
				return err
			}
			clear()
			sayWarnings(cmd.ErrOrStderr(), s.Result.Warnings)
			if asJSON {
				err = writeJSON(cmd, struct {
					Tool       analyze.Tool        `json:"tool"`
					Comparison analyze.Comparison  `json:"comparison"`
					Checks     []analyze.Check     `json:"checks"`
					Exclusions []analyze.Exclusion `json:"exclusions"`
					Loopback   *analyze.Loopback   `json:"loopback,omitempty"`
					Warnings   []analyze.Warning   `json:"warnings"`
				}{s.Result.Tool, s.Result.Comparison, s.Result.Checks, s.Result.Exclusions, s.Result.Loopback, s.Result.Warnings})
			} else {
				err = writeChecks(cmd.OutOrStdout(), s.Result, width(cmd.OutOrStdout()), all)
			}
			if err != nil {
				return err
			}
			return failed(s.Result)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print checks and exclusions as JSON")
	cmd.Flags().BoolVar(&all, "all", false, "also list each check that passed, with its id, limit and source")
	cmd.Flags().IntVar(&workers, "workers", 0, "takes to process at once; 0: one for each processor")
	return cmd
}

// outcomeLook is how an outcome is shown: a mark that can be told without
// colour, and a word.
type outcomeLook struct {
	outcome    analyze.Outcome
	mark, word string
}

// outcomeLooks are in order of severity, the worst first.
func outcomeLooks() []outcomeLook {
	return []outcomeLook{
		{analyze.Fails, "✗", "fails"},
		{analyze.Caution, "!", "caution"},
		{analyze.NotMeasured, "?", "not measured"},
		{analyze.Holds, "✓", "holds"},
	}
}

// checkRow is one line of the table: one question with one outcome.
type checkRow struct {
	look   outcomeLook
	checks []analyze.Check
}

// writeChecks writes the checks as a table, grouped, the worst first in each
// group; then the exclusions and a count.
func writeChecks(w io.Writer, res *analyze.Result, width int, all bool) error {
	out := bufio.NewWriter(w)
	fmt.Fprintln(out, terminal.Clip(terminal.Clean(res.Comparison.Title), width))
	groups := []struct{ id, name string }{{"sound", "Sound"}, {"settings", "Settings"}, {"files", "Files"}, {"safety", "Safety"}}
	counts := map[analyze.Outcome]int{}
	for _, c := range res.Checks {
		counts[c.Outcome]++
	}
	for _, g := range groups {
		rows := rowsOf(res.Checks, g.id)
		if len(rows) == 0 {
			continue
		}
		fmt.Fprintf(out, "\n%s\n", g.name)
		for _, r := range rows {
			writeRow(out, r, width, all)
		}
	}
	if len(res.Exclusions) > 0 {
		fmt.Fprintf(out, "\nCould it be that …\n")
		for _, e := range res.Exclusions {
			terminal.Fold(out, "  ", terminal.Clean(e.Accusation)+"?", width)
			terminal.Fold(out, "    ", terminal.Clean(e.Standing)+": "+terminal.Clean(e.Because), width)
		}
	}
	var parts []string
	for _, l := range outcomeLooks() {
		n, word := counts[l.outcome], l.word
		switch {
		case l.outcome == analyze.Caution && n != 1:
			word = "cautions"
		case n != 1:
			word = map[string]string{"fails": "fail", "holds": "hold"}[word]
			word = cmp.Or(word, l.word)
		}
		parts = append(parts, fmt.Sprintf("%d %s", n, word))
	}
	fmt.Fprintln(out)
	terminal.Fold(out, "", fmt.Sprintf("%d checks: %s", len(res.Checks), strings.Join(parts, ", ")), width)
	return out.Flush()
}

// rowsOf gathers the checks of a group by question and outcome, the worst
// outcome first, otherwise in the order of the catalogue.
func rowsOf(checks []analyze.Check, group string) []checkRow {
	var rows []checkRow
	for _, l := range outcomeLooks() {
		start := len(rows)
		for _, c := range checks {
			if c.Group != group || c.Outcome != l.outcome {
				continue
			}
			k := slices.IndexFunc(rows[start:], func(r checkRow) bool { return r.checks[0].ID == c.ID })
			if k < 0 {
				rows = append(rows, checkRow{look: l})
				k = len(rows) - 1 - start
			}
			rows[start+k].checks = append(rows[start+k].checks, c)
		}
	}
	return rows
}

// indent is the column of what is said about a check.
const indent = "               "

func writeRow(w io.Writer, r checkRow, width int, all bool) {
	first := r.checks[0]
	lead := fmt.Sprintf("%s %-13s", r.look.mark, r.look.word)
	head := first.Name
	if all {
		head += " [" + first.ID + "]"
	}
	if r.look.outcome == analyze.Holds && !all {
		switch {
		case len(r.checks) > 1:
			head += fmt.Sprintf(" (%d)", len(r.checks))
		case first.Value != "":
			head += ": " + terminal.Clean(first.Value)
		}
		terminal.Hang(w, lead, indent, head, width)
		return
	}
	terminal.Hang(w, lead, indent, head, width)
	if all || r.look.outcome == analyze.Fails || r.look.outcome == analyze.Caution {
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
	for _, c := range r.checks {
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
	for _, c := range r.checks {
		if c.Do != "" && !slices.Contains(todo, c.Do) {
			todo = append(todo, c.Do)
		}
	}
	for _, t := range todo {
		terminal.Fold(w, indent, "→ "+terminal.Clean(t), width)
	}
	if r.look.outcome == analyze.Fails && first.Why != "" {
		terminal.Fold(w, indent, "why: "+terminal.Clean(first.Why), width)
	}
}
