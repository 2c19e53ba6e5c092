package verdict_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze"
	"evenhand/report/verdict"
)

func check(id, name, subject string, o analyze.Outcome, value string) analyze.Check {
	return analyze.Check{ID: id, Name: name, Subject: subject, Outcome: o, Value: value}
}

func TestOf(t *testing.T) {
	passed := check("lag", "Timing", "A", analyze.Passed, "")
	follows := check("clicks", "Clicks", "A", analyze.Failed, "3 clicks")
	follows.ConsequenceOf = "slips"
	many := []analyze.Check{}
	for _, id := range []string{"a", "b", "c", "d", "e", "f", "g"} {
		many = append(many, check(id, id, "", analyze.Failed, ""))
	}
	for _, c := range []struct {
		name    string
		checks  []analyze.Check
		outcome analyze.Outcome
		text    string
	}{
		{"nothing", nil, analyze.NotMeasured, "Not checked: no check was made."},
		{"nothing measured", []analyze.Check{check("drift", "Clock drift", "A", analyze.NotMeasured, "")}, analyze.NotMeasured, "Not checked: nothing could be measured."},
		{"one take", []analyze.Check{passed, check(analyze.IDTakes, "Takes", "", analyze.Caution, "1 take")}, analyze.NotMeasured, "Not checked: one take alone has nothing to be compared with."},
		{"one take, clipped", []analyze.Check{check("clipping", "Clipping", "A", analyze.Failed, ""), check(analyze.IDTakes, "Takes", "", analyze.Caution, "1 take")}, analyze.Failed, "Not fair: clipping of A."},
		{"all", []analyze.Check{passed}, analyze.Passed, "Fair."},
		{"what is not essential was not measured", []analyze.Check{passed, check("drift", "Clock drift", "A", analyze.NotMeasured, "")}, analyze.Passed, "Fair."},
		{"the match was not measured", []analyze.Check{passed, check(analyze.IDMatch, "Level match", "", analyze.NotMeasured, "")}, analyze.Caution, "Fair, with one reservation: level match (not measured)."},
		{"one cause in four takes", []analyze.Check{
			check("headroom", "Headroom", "A", analyze.Caution, "−4 dBFS"), check("headroom", "Headroom", "B", analyze.Caution, "−5 dBFS"),
			check("headroom", "Headroom", "C", analyze.Caution, "−4 dBFS"), check("headroom", "Headroom", "D", analyze.Caution, "−4 dBFS"),
			check("reamp-level", "Reamp level", "", analyze.Caution, "−0.40 dB"),
		}, analyze.Caution, "Fair, with 2 reservations: headroom of A, B, C and 1 more; reamp level (−0.40 dB)."},
		{"a fault and what follows from it", []analyze.Check{follows, check("slips", "Lost samples", "A", analyze.Failed, "64 samples"), check("dc-offset", "DC offset", "B", analyze.Failed, "−20.0 dBFS"), check("hum", "Hum", "", analyze.Caution, "")},
			analyze.Failed, "Not fair: lost samples of A (64 samples); DC offset of B (−20.0 dBFS)."},
		{"many causes", many, analyze.Failed, "Not fair: a; b; c; d; e; and 2 more."},
	} {
		if got := verdict.Of(c.checks); got.Outcome != c.outcome || got.Text != c.text {
			t.Errorf("%s: %s, %q", c.name, got.Outcome, got.Text)
		}
	}
	fs := verdict.Findings([]analyze.Check{follows, passed, check("slips", "Lost samples", "A", analyze.Failed, "64 samples")})
	if len(fs) != 1 || len(fs[0].Follow) != 1 || fs[0].Follow[0].ID != "clicks" {
		t.Errorf("%+v", fs)
	}
}

// TestSigns asks for the same sign in the terminal and on the page.
func TestSigns(t *testing.T) {
	css, err := os.ReadFile(filepath.Join("..", "..", "templates", "style.css"))
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range analyze.Outcomes() {
		rule := ".mark." + string(o) + "::before{content:\"" + verdict.Sign(o) + "\""
		if o == analyze.NotMeasured {
			rule = ".mark::before{content:\"" + verdict.Sign(o) + "\""
		}
		if !strings.Contains(string(css), rule) {
			t.Errorf("the style sheet has no %s", rule)
		}
	}
}
