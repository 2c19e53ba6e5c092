// Package console writes results as text for a terminal: in lines of a given width,
// with nothing that a terminal would act on.
package console

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/sentences"
	"evenhand/report/terminal"
	"evenhand/report/verdict"
	"evenhand/report/words"
)

// Most takes and lines of the verdict in a Summary, which must fit on a screen.
const (
	summaryTakes   = 8
	summaryVerdict = 3
)

// Summary writes the comparison as a table of takes and the verdict of the
// checks for a terminal width columns wide (at least 40; 0 means 80): at most
// 20 lines at 80 columns. Levels are as recorded; noise is A-weighted and as
// matched. It returns the first error of w.
func Summary(w io.Writer, res *result.Result, width int) error {
	if width <= 0 {
		width = 80
	}
	width = max(width, 40)
	res = sentences.Result(res)
	out := bufio.NewWriter(w)
	fmt.Fprintln(out, terminal.Clip(terminal.Clean(res.Comparison.Heading()), width))

	columns := []struct{ head, under string }{{"loudness", "LUFS"}, {"true peak", "dBTP"}, {"gain", "dB"}, {"lag", "samples"}, {"noise", "dBFS(A)"}}
	widths := []int{9, 10, 7, 9, 9}
	for len(widths) > 1 && sum(widths)+12 > width {
		widths, columns = widths[:len(widths)-1], columns[:len(columns)-1]
	}
	name := 4
	for _, t := range res.Takes {
		name = max(name, utf8.RuneCountInString(terminal.Clean(t.Name)))
	}
	name = min(name, width-sum(widths))
	line := func(first string, rest []string) {
		var b strings.Builder
		b.WriteString(padRight(terminal.Clip(first, name), name))
		for i, n := range widths {
			b.WriteString(padLeft(rest[i], n))
		}
		fmt.Fprintln(out, strings.TrimRight(b.String(), " "))
	}
	var heads, units []string
	for _, c := range columns {
		heads, units = append(heads, c.head), append(units, c.under)
	}
	line("take", heads)
	line("", units)
	shown := res.Takes
	if len(shown) > summaryTakes {
		shown = shown[:summaryTakes-1]
	}
	for _, t := range shown {
		row := []string{"–", "–", unit.Signed(float64(t.Gain), 1), lagText(t.Alignment), noiseText(t.Noise)}
		if m, ok := t.Whole(); ok {
			row[0], row[1] = unit.Format(float64(m.Integrated), 1), unit.Format(float64(m.TruePeak), 1)
		}
		line(terminal.Clean(t.Name), row)
	}
	if n := len(res.Takes) - len(shown); n > 0 {
		terminal.Fold(out, "", fmt.Sprintf("and %d more takes, on the page", n), width)
	}
	if s := lagLegend(res); s != "" && len(widths) > 3 {
		terminal.Fold(out, "", s, width)
	}
	terminal.Fold(out, "", matchLine(res), width)

	found := verdict.Of(res.Checks)
	var text strings.Builder
	terminal.Hang(&text, "", "  ", terminal.Clean(found.Text), width)
	lines := strings.Split(strings.TrimSuffix(text.String(), "\n"), "\n")
	if len(lines) > summaryVerdict {
		lines = lines[:summaryVerdict]
		lines[summaryVerdict-1] = terminal.Clip(lines[summaryVerdict-1]+" …", width)
	}
	fmt.Fprintln(out, strings.Join(lines, "\n"))
	if len(res.Checks) > 0 {
		terminal.Fold(out, "", fmt.Sprintf("%s: %s", words.Plural(len(res.Checks), "check", "checks"), verdict.Counts(res.Checks)), width)
	}
	if found.Outcome != result.Passed {
		terminal.Fold(out, "", "evenhand check shows what to do about each", width)
	}
	return out.Flush()
}

func matchLine(res *result.Result) string {
	s := "matched to " + res.Match.Target.String()
	if res.Match.LimitedBy != "" {
		s += ", limited by " + terminal.Clean(res.Match.LimitedBy)
	}
	return s
}

// lagLegend says what the question mark behind a lag means, and how far the lags
// can be off together; "" where there is nothing to say.
func lagLegend(res *result.Result) string {
	var notes, open []string
	together := 0.0
	for _, t := range res.Takes {
		a := t.Alignment
		if a.PlacedBy == result.ByNotes && a.BesideBy == result.ByPhase {
			together = max(together, 2*float64(a.AppliedError))
		}
		switch a.BesideBy {
		case result.ByPhase:
		case "":
			open = append(open, t.Name)
		default:
			notes = append(notes, t.Name)
		}
	}
	var parts []string
	if notes != nil {
		parts = append(parts, "? placed next to the other takes by note starts: "+words.ListUpTo(notes, 3))
	}
	if open != nil {
		parts = append(parts, "? uncertain place next to the other takes: "+words.ListUpTo(open, 3))
	}
	if together > 0 {
		parts = append(parts, fmt.Sprintf("the lags are known to ± %s samples against the dry recording, far better against each other", unit.Format(together, 0)))
	}
	return terminal.Clean(strings.Join(parts, "; "))
}

// lagText prints the lag that is taken out.
func lagText(a result.Alignment) string {
	s := unit.Signed(float64(a.Applied), a.LagDecimals())
	if a.BesideBy != result.ByPhase {
		s += "?"
	}
	return s
}

func noiseText(n result.Noise) string {
	switch {
	case !n.Measured:
		return "–"
	case n.Gated:
		return "gated"
	}
	return unit.Format(float64(n.AsMatched.AWeighted), 1)
}

func sum(v []int) int {
	n := 0
	for _, x := range v {
		n += x
	}
	return n
}

func padRight(s string, n int) string {
	return s + strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s)))
}

func padLeft(s string, n int) string {
	return strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s))) + s
}
