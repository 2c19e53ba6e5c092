package analyze

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
	"evenhand/examples/campaign"
)

// TestSlipInResult: a piece that was lost is reported with its size and the times
// between which it was, in the answer and in the result.
func TestSlipInResult(t *testing.T) {
	campaign.Serial(t)
	s := newScene(t)
	const at, lost = 3.2, 0.5
	s.each("two", func(x []float64) []float64 {
		return slices.Delete(x, at*sceneRate, (at+lost)*sceneRate)
	})
	res := s.check(t)
	assert(t, res, wanted{fairness.IDSlips, "Two", result.Failed, lost * sceneRate, 48, "(0.50 s) lost "})
	assert(t, res, wanted{fairness.IDPerformance, "Two", result.Passed, nan(), 0, ""})
	for _, take := range res.Takes {
		found := take.Alignment.Slips
		if take.Name != "Two" {
			if len(found) > 0 {
				t.Errorf("%s: %+v", take.Name, found)
			}
			continue
		}
		when := at - float64(lagOf(s, "two"))/sceneRate
		if len(found) != 1 || !found[0].Certain || float64(found[0].From) > when || float64(found[0].To) < when+lost || found[0].To-found[0].From > 3 {
			t.Errorf("%+v, want from %.2f to %.2f s", found, when, when+lost)
		}
		if b, err := json.Marshal(take.Alignment); err != nil || !strings.Contains(string(b), `"slips":[{"from_s":`) {
			t.Errorf("%s, %v", b, err)
		}
	}
}
