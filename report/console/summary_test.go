package console

import (
	"testing"

	"evenhand/analyze/result"
)

// TestLagLegend: a mark where a take's place beside the others is not told by the
// sound, and one sentence where that of all against the dry recording is not.
func TestLagLegend(t *testing.T) {
	a := func(name, placed, beside string) result.Take {
		return result.Take{Name: name, Alignment: result.Alignment{PlacedBy: placed, BesideBy: beside, AppliedError: 29}}
	}
	for _, c := range []struct {
		takes []result.Take
		want  string
	}{
		{[]result.Take{a("A", "phase", "phase"), a("B", "phase", "phase")}, ""},
		{[]result.Take{a("A", "notes", "phase"), a("B", "notes", "phase")}, "the lags are known to ± 58 samples against the dry recording, far better against each other"},
		{[]result.Take{a("A", "phase", "phase"), a("B", "notes", "notes")}, "? placed next to the other takes by note starts: B"},
		{[]result.Take{a("A", "phase", "phase"), a("B", "", "")}, "? uncertain place next to the other takes: B"},
	} {
		if got := lagLegend(&result.Result{Takes: c.takes}); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}
