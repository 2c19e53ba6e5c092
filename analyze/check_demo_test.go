package analyze_test

import (
	"strings"
	"testing"

	"evenhand/analyze/result"
)

// nothingFails asks that the checks of a demo scenario, which is fair by its
// making, fail nothing, and that what it is accused of is not found.
func nothingFails(t *testing.T, res *result.Result) {
	t.Helper()
	for _, c := range res.Checks {
		if c.Outcome == result.Failed || c.ID == "gate" && c.Outcome == result.Caution {
			t.Errorf("%s, %s: %s, %s", c.ID, c.Subject, c.Value, c.Reason)
		}
	}
	for _, e := range res.Exclusions {
		if e.Standing == "found" {
			t.Errorf("%s: found, %s", e.Accusation, e.Because)
		}
	}
	// What is of one performance and whole is not doubted elsewhere.
	for _, c := range res.Checks {
		if strings.Contains(c.Reason, "another performance") && c.ID != "same-performance" {
			t.Errorf("%s, %s: %s", c.ID, c.Subject, c.Reason)
		}
	}
	for i := range res.Takes {
		if a := res.Takes[i].Alignment; a.Reason.Found == "place.unclear" || a.Reason.Found == "place.scatters" {
			t.Errorf("%s: %v", res.Takes[i].Name, a.Reason)
		}
	}
	if len(res.Checks) < 40 || len(res.Exclusions) < 10 {
		t.Errorf("%d checks and %d exclusions", len(res.Checks), len(res.Exclusions))
	}
}
