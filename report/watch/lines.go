package watch

import (
	"bytes"
	"fmt"
	"strings"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/terminal"
	"evenhand/report/verdict"
)

// Lines is what is said about a take, with --json as it is here.
type Lines struct {
	Take    string         `json:"take"`
	File    string         `json:"file"`
	State   string         `json:"state"` // landed, short or refused
	Outcome result.Outcome `json:"outcome,omitempty"`
	Text    []string       `json:"text"`
	Checks  []result.Check `json:"checks,omitempty"`
	Seconds float64        `json:"seconds,omitempty"` // that the measurement took
}

// A take gets mostLines lines; the first appears before it is measured. Each of at most
// mostFindings things that did not pass gets findingLines.
const (
	mostLines    = 6
	mostFindings = 2
	findingLines = 2
)

// linesOf says in a few lines how a take is: the verdict, what did not pass with
// what to do, and the figures of the rest.
func linesOf(t *manifest.Take, checks []result.Check, width int) Lines {
	v := Lines{Take: t.Name, File: t.File.Path, State: "landed", Outcome: result.Passed, Checks: checks}
	n := map[result.Outcome]int{}
	var findings []verdict.Finding
	for _, f := range verdict.Findings(checks) {
		if f.Outcome != result.NotMeasured || f.Reservation() {
			findings = append(findings, f)
			n[f.Outcome]++
		}
	}
	var counts []string
	for _, o := range result.Outcomes() {
		if n[o] > 0 {
			counts = append(counts, verdict.Count(n[o], o))
		}
	}
	said := string(result.Passed)
	if len(findings) > 0 {
		v.Outcome, said = findings[0].Outcome, strings.Join(counts, ", ")
	}
	if len(findings) > mostFindings {
		said += fmt.Sprintf("; the first %d (check lists all):", mostFindings)
	}
	add := func(most int, lead, text string) {
		var b bytes.Buffer
		terminal.Hang(&b, lead, strings.Repeat(" ", 4), terminal.Clean(text), width)
		lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
		if len(lines) > most {
			lines = lines[:most]
			lines[most-1] = terminal.Clip(lines[most-1]+" …", width)
		}
		v.Text = append(v.Text, lines...)
	}
	add(1, verdict.Sign(v.Outcome)+" ", t.Name+": "+said)
	for _, f := range findings[:min(len(findings), mostFindings)] {
		c := f.Checks[0]
		text := c.Name + ": "
		if c.Subject != "" && c.Subject != t.Name {
			text += c.Subject + ": " // two recordings
		}
		text += c.Value
		if c.Value == "" {
			text += c.Reason
		}
		if c.Do != "" {
			text += " → " + c.Do
		}
		add(findingLines, "  "+verdict.Sign(f.Outcome)+" ", text)
	}
	var values []string
	for _, id := range takeTopics {
		for _, c := range checks {
			if c.ID == id && c.Outcome == result.Passed {
				values = append(values, c.Name+" "+c.Value)
			}
		}
	}
	if room := mostLines - 1 - len(v.Text); room > 0 && values != nil {
		add(room, "  "+verdict.Sign(result.Passed)+" ", strings.Join(values, "; "))
	}
	return v
}

// takeTopics are what is said of a take whose checks passed, in this order.
var takeTopics = []string{
	fairness.IDPerformance, fairness.IDHeadroom, fairness.IDLag, fairness.IDDrift, fairness.IDSlips,
	fairness.IDClipping, fairness.IDClicks, fairness.IDNoiseSteps, fairness.IDPolarity,
}
