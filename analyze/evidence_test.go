package analyze

import (
	"reflect"
	"slices"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/store"
	"evenhand/report/sentences"
)

// TestJudgingFromEvidence: what was measured can be stored as it is, and the checks
// answer from that as they did from the session. Another limit needs no sound.
func TestJudgingFromEvidence(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; it runs nothing concurrent of its own")
	}
	s, err := newScene(t).measure(t)
	if err != nil {
		t.Fatal(err)
	}
	s.Check()
	s.Result = sentences.Result(s.Result)
	kept := store.Open(t.TempDir())
	var stored fairness.Evidence
	for range 2 {
		if stored, err = store.Do(kept, "evidence", 0, func() (fairness.Evidence, error) { return s.Evidence, nil }); err != nil {
			t.Fatal(err)
		}
	}
	if kept.Had()["evidence"] != 1 || kept.Err() != nil {
		t.Fatalf("%v, %v", kept.Had(), kept.Err())
	}
	res := *s.Result
	again := fairness.Measured{Manifest: s.Manifest, Result: &res, Evidence: stored}
	again.Check()
	again.Result = sentences.Result(again.Result)
	if !reflect.DeepEqual(answersIn(again.Result.Checks), answersIn(s.Result.Checks)) || !reflect.DeepEqual(again.Result.Exclusions, s.Result.Exclusions) {
		t.Errorf("the stored evidence gives other answers:\n%v\n%v", answersIn(again.Result.Checks), answersIn(s.Result.Checks))
	}

	strict := *s.Manifest
	strict.Limits = append(slices.Clone(strict.Limits), manifest.Limit{ID: fairness.IDReampLevel, Written: "0.01 dB"})
	again.Manifest = &strict
	again.Check()
	again.Result = sentences.Result(again.Result)
	assert(t, again.Result, wanted{fairness.IDReampLevel, "", result.Caution, 0.05, 0.01, ""})
}

// answersIn are checks as text: NaN is not equal to itself.
func answersIn(checks []result.Check) (out []string) {
	for _, c := range checks {
		out = append(out, c.ID+"|"+c.Subject+"|"+string(c.Outcome)+"|"+c.Value+"|"+c.Reason+"|"+c.Do+"|"+c.Limit)
	}
	return out
}
