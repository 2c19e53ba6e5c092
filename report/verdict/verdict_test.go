package verdict_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
	"evenhand/report/verdict"
)

func check(id, name, subject string, o result.Outcome, value string) result.Check {
	return result.Check{ID: id, Name: name, Subject: subject, Outcome: o, Value: value}
}

// found is a check of these results, which store what was found.
func found(code string, c result.Check) result.Check {
	c.Found, c.Measured, c.Allowed = code, -0.4, &result.Limit{Decimals: 2}
	return c
}

func TestOf(t *testing.T) {
	passed := check("lag", "Timing", "A", result.Passed, "")
	follows := check("clicks", "Clicks", "A", result.Failed, "3 clicks")
	follows.ConsequenceOf = "slips"
	many := []result.Check{}
	for _, id := range []string{"a", "b", "c", "d", "e", "f", "g"} {
		many = append(many, check(id, id, "", result.Failed, ""))
	}
	for _, c := range []struct {
		name    string
		checks  []result.Check
		outcome result.Outcome
		text    string
	}{
		{"nothing", nil, result.NotMeasured, "Not checked: no check was made."},
		{"nothing measured", []result.Check{check("drift", "Clock drift", "A", result.NotMeasured, "")}, result.NotMeasured, "Not checked: nothing could be measured."},
		{"one take", []result.Check{passed, check(fairness.IDTakes, "Takes", "", result.Caution, "1 take")}, result.NotMeasured, "Not checked: one take alone has nothing to be compared with."},
		{"one take, clipped", []result.Check{check("clipping", "Clipping", "A", result.Failed, ""), check(fairness.IDTakes, "Takes", "", result.Caution, "1 take")}, result.Failed, "Not fair: clipping of A."},
		{"all", []result.Check{passed}, result.Passed, "Fair."},
		{"what is not essential was not measured", []result.Check{passed, check("drift", "Clock drift", "A", result.NotMeasured, "")}, result.Passed, "Fair."},
		{"the match was not measured", []result.Check{passed, check(fairness.IDMatch, "Level match", "", result.NotMeasured, "")}, result.Caution, "Fair, with one reservation: level match (not measured)."},
		{"one cause in four takes", []result.Check{
			check("headroom", "Headroom", "A", result.Caution, "−4 dBFS"), check("headroom", "Headroom", "B", result.Caution, "−5 dBFS"),
			check("headroom", "Headroom", "C", result.Caution, "−4 dBFS"), check("headroom", "Headroom", "D", result.Caution, "−4 dBFS"),
			check("reamp-level", "Reamp level", "", result.Caution, "−0.40 dB"),
		}, result.Caution, "Fair, with 2 reservations: headroom of A, B, C and 1 more; reamp level (−0.40 dB)."},
		{"everyday words", []result.Check{
			found("peaks", check("headroom", "Headroom", "A", result.Caution, "−4 dBFS")), found("peaks", check("headroom", "Headroom", "B", result.Caution, "−5 dBFS")),
			found("level", check("reamp-level", "Reamp level", "", result.Caution, "−0.40 dB")),
			found("inverted", check("polarity", "Polarity", "C", result.Caution, "inverted")),
		}, result.Caution, "Fair, with 3 reservations: A and B were recorded hot; the gear was fed 0.40 dB low; C has inverted polarity (inaudible alone)."},
		{"hot, and one of them is not known to be unclipped", []result.Check{
			found("peaks", check("headroom", "Headroom", "A", result.Caution, "−4 dBFS")), found("peaks", check("headroom", "Headroom", "B", result.Caution, "−5 dBFS")),
			found("none", check("clipping", "Clipping", "A", result.Passed, "")), check("clipping", "Clipping", "B", result.NotMeasured, ""),
		}, result.Caution, "Fair, with one reservation: A and B were recorded hot."},
		{"hot, none clipped", []result.Check{
			found("peaks", check("headroom", "Headroom", "A", result.Caution, "−4 dBFS")), found("none", check("clipping", "Clipping", "A", result.Passed, "")),
		}, result.Caution, "Fair, with one reservation: A was recorded hot (no clipping found)."},
		{"hot, and clipped as often as the author allows", []result.Check{
			found("peaks", check("headroom", "Headroom", "A", result.Caution, "−4 dBFS")), found("allowed", check("clipping", "Clipping", "A", result.Passed, "")),
		}, result.Caution, "Fair, with one reservation: A was recorded hot."},
		{"everyday words for settings", []result.Check{
			found("differs", check("one-change", "One change", "amp: volume", result.Failed, "differs")),
			found("differs", check("one-change", "One change", "amp: treble", result.Failed, "differs")),
		}, result.Failed, "Not fair: the amp volume and amp treble changed too."},
		{"everyday words for one cause only", []result.Check{
			found("inverted", check("polarity", "Polarity", "A", result.Caution, "inverted")), found("turned", check("polarity", "Polarity", "B", result.Caution, "inverted")),
		}, result.Caution, "Fair, with one reservation: polarity of A and B (inverted)."},
		{"a fault and what follows from it", []result.Check{follows, check("slips", "Lost samples", "A", result.Failed, "64 samples"), check("dc-offset", "DC offset", "B", result.Failed, "−20.0 dBFS"), check("hum", "Hum", "", result.Caution, "")},
			result.Failed, "Not fair: lost samples of A (64 samples); DC offset of B (−20.0 dBFS)."},
		{"many causes", many, result.Failed, "Not fair: a; b; c; d; e; and 2 more."},
	} {
		if got := verdict.Of(c.checks); got.Outcome != c.outcome || got.Text != c.text {
			t.Errorf("%s: %s, %q", c.name, got.Outcome, got.Text)
		}
		brief, _, _ := strings.Cut(c.text, ": ")
		if got := verdict.Of(c.checks).Brief(); got != strings.TrimSuffix(brief, ".")+"." {
			t.Errorf("%s: in brief %q", c.name, got)
		}
	}
	fs := verdict.Findings([]result.Check{follows, passed, check("slips", "Lost samples", "A", result.Failed, "64 samples")})
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
	for _, o := range result.Outcomes() {
		rule := ".mark." + string(o) + "::before{content:\"" + verdict.Sign(o) + "\""
		if o == result.NotMeasured {
			rule = ".mark::before{content:\"" + verdict.Sign(o) + "\""
		}
		if !strings.Contains(string(css), rule) {
			t.Errorf("the style sheet has no %s", rule)
		}
	}
}
