package analyze

import (
	"encoding/json"
	"evenhand/analyze/result"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/parts"
	"evenhand/analyze/unit"
)

// TestSlipTime: both ends of a range are rounded outwards, so that what is printed
// holds what is meant.
func TestSlipTime(t *testing.T) {
	for _, c := range []struct {
		from, at, to unit.Seconds
		want         string
	}{
		{6.05, 6.1, 6.15, "at 0:06.1 ± 0.1 s"},
		{6.01, 6.14, 6.21, "at 0:06.1 ± 0.2 s"},
		{11.96, 12.5, 15.41, "between 0:11.9 and 0:15.5"},
		{59.7, 60, 60.3, "between 0:59.7 and 1:00.3"},
	} {
		if got := slipTime(parts.Slip{From: c.from, At: c.at, To: c.to}); got != c.want {
			t.Errorf("%v, %v, %v: %q, want %q", c.from, c.at, c.to, got, c.want)
		}
	}
}

// TestSlipInResult: a piece that was lost is reported with its size and the times
// between which it was, in the answer and in the result.
func TestSlipInResult(t *testing.T) {
	s := newScene(t)
	const at, lost = 3.2, 0.5
	s.each("two", func(x []float64) []float64 {
		return slices.Delete(x, at*sceneRate, (at+lost)*sceneRate)
	})
	res := s.check(t)
	assert(t, res, wanted{idSlips, "Two", result.Failed, lost * sceneRate, 48, "(0.50 s) lost "})
	assert(t, res, wanted{IDPerformance, "Two", result.Passed, nan(), 0, ""})
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
