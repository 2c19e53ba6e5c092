package console

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"evenhand/analyze/result"
)

// TestCheckTable asks for lines that fit, the worst first, and every check told.
func TestCheckTable(t *testing.T) {
	res := &result.Result{
		Comparison: result.Comparison{Title: "T\x1b[31m" + strings.Repeat("long ", 40)},
		Checks: []result.Check{
			{ID: "a", Name: "First", Group: "sound", Outcome: result.Passed, Value: "1 dB", Limit: "at most 2 dB", LimitSource: "a standard"},
			{ID: "b", Name: "Second", Group: "sound", Outcome: result.Failed, Subject: "One", Value: "9 dB", Reason: strings.Repeat("because ", 30), Limit: "at most 2 dB", LimitSource: "a standard", Why: "it matters", Do: "turn it down"},
			{ID: "b", Name: "Second", Group: "sound", Outcome: result.Failed, Subject: "Two", Value: "9 dB", Reason: strings.Repeat("because ", 30), Limit: "at most 2 dB", LimitSource: "a standard", Why: "it matters", Do: "turn it down"},
			{ID: "b", Name: "Second", Group: "sound", Outcome: result.Passed, Subject: "Three", Value: "0 dB"},
			{ID: "c", Name: "Third", Group: "files", Outcome: result.NotMeasured, Reason: "no file"},
		},
		Exclusions: []result.Exclusion{{Accusation: "it was louder", Standing: "found", Because: "9 dB"}},
	}
	for _, all := range []bool{false, true} {
		var b bytes.Buffer
		if err := Checks(&b, res, 80, all); err != nil {
			t.Fatal(err)
		}
		text := b.String()
		for _, line := range strings.Split(text, "\n") {
			if utf8.RuneCountInString(line) > 80 {
				t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
			}
		}
		if strings.Contains(text, "\x1b") {
			t.Error("a control character of the manifest reaches the terminal")
		}
		id, passed := "", []string{"✓ Sound: First, Second (1 of 3)"}
		if all {
			id, passed = " [b]", []string{"✓ First [a]: passed", "✓ Second [b]: passed", "Three: 0 dB", "it was louder?", "found: 9 dB"}
		}
		order := slices.Concat([]string{"Not fair: second of One and Two (9 dB).", "× Second" + id + ": failed", "One, Two: 9 dB", "→ turn it down", "why: it matters", "? Third", ": not measured", "Passed"},
			passed, []string{"5 checks: 2 failed, 0 cautions, 1 not measured, 2 passed"})
		at := 0
		for _, want := range order {
			k := strings.Index(text[at:], want)
			if k < 0 {
				t.Fatalf("no %q in its place in\n%s", want, text)
			}
			at += k
		}
		if strings.Count(text, "turn it down") != 1 {
			t.Errorf("the same advice more than once:\n%s", text)
		}
	}
}

// TestOneCheckWithoutTitle: a single check is counted as one, and a comparison without a
// title has the heading that its page has.
func TestOneCheckWithoutTitle(t *testing.T) {
	res := &result.Result{Checks: []result.Check{{ID: "a", Name: "First", Group: "sound", Outcome: result.Passed}}}
	var b strings.Builder
	if err := Checks(&b, res, 80, true); err != nil {
		t.Fatal(err)
	}
	if s := b.String(); !strings.HasPrefix(s, "Untitled comparison\n") || !strings.HasSuffix(s, "\n1 check: 0 failed, 0 cautions, 0 not measured, 1 passed\n") {
		t.Error(s)
	}
}
