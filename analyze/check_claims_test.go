package analyze

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/examples/studio"
)

// rangeText is a value with its range: "+1.0 ± 2.3 ppm".
var rangeText = regexp.MustCompile(`^([+−]?[0-9.]+) ± ([0-9.]+) ppm`)

// TestDriftClaims asks that no clock is said to hold whose range passes the
// limit, and that the exclusion says no more than the ranges do.
func TestDriftClaims(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	s := newScene(t)
	s.files["two"][0] = studio.Slowed(s.files["two"][0], 5)
	res := s.check(t)
	most, open := 0.0, false
	for _, c := range res.Checks {
		if c.ID != fairness.IDDrift {
			continue
		}
		m := rangeText.FindStringSubmatch(c.Value)
		if m == nil {
			if c.Outcome != result.NotMeasured {
				t.Errorf("%s: %q has no range", c.Subject, c.Value)
			}
			continue
		}
		d, err1 := strconv.ParseFloat(strings.Replace(m[1], "−", "-", 1), 64)
		e, err2 := strconv.ParseFloat(m[2], 64)
		if err1 != nil || err2 != nil {
			t.Fatal(c.Value)
		}
		top := math.Abs(d) + e
		if c.Outcome == result.Passed && top > 3.05 {
			t.Errorf("%s holds with %s", c.Subject, c.Value)
		}
		if c.Outcome == result.NotMeasured {
			open = true
			if top < 2.95 || !strings.Contains(c.Value, ", at most ") {
				t.Errorf("%s is not measured with %s", c.Subject, c.Value)
			}
		}
		most = math.Max(most, top)
	}
	e := standingOf(res, "resampled")
	m := regexp.MustCompile(`by more than ([0-9.]+) ppm`).FindStringSubmatch(e.Because)
	if !open || e.Standing != result.NotExcluded || m == nil {
		t.Fatalf("open %v, %+v", open, e)
	}
	if v, err := strconv.ParseFloat(m[1], 64); err != nil || v < most-0.1-1e-9 || v > most+0.2 {
		t.Errorf("the ranges reach %.1f ppm, the exclusion says %s", most, e.Because)
	}
}

// TestSlipClaims asks that the size which would have been found is stated, and
// no decimals of nothing.
func TestSlipClaims(t *testing.T) {
	campaign.Serial(t)
	res := newScene(t).check(t)
	size := regexp.MustCompile(`^none of ([0-9.]+) samples or more$`)
	worst := ""
	most := 0.0
	for _, c := range res.Checks {
		if strings.Contains(c.Limit, " 0.0") {
			t.Errorf("%s: limit %q", c.ID, c.Limit)
		}
		if c.ID != fairness.IDSlips || c.Outcome != result.Passed {
			continue
		}
		m := size.FindStringSubmatch(c.Value)
		if m == nil {
			t.Fatalf("%s: %q", c.Subject, c.Value)
		}
		if v, err := strconv.ParseFloat(m[1], 64); err != nil {
			t.Error(err)
		} else if v > most {
			most, worst = v, m[1]
		}
	}
	if e := standingOf(res, "edited"); worst == "" || !strings.Contains(e.Because, "gains "+worst+" samples or more") {
		t.Errorf("worst %q, %+v", worst, e)
	}
}

// TestDepths asks that depths are told apart from sample rates: those that differ
// are harmless from 24 bits on, and none makes a take look resampled.
func TestDepths(t *testing.T) {
	float, short := wavio.Spec{Bits: 32, Float: true}, wavio.Spec{Bits: 16}
	for _, c := range []struct {
		name   string
		specs  map[string]wavio.Spec
		want   wanted
		reason string
	}{
		{"equal", nil, wanted{fairness.IDFormat, "", result.Passed, nan(), 0, "24-bit integer"}, "all takes"},
		{"deep enough", map[string]wavio.Spec{"two": float, "again": {Bits: 32}}, wanted{fairness.IDFormat, "", result.Passed, nan(), 0, "32-bit float, 32-bit integer and 24-bit integer"},
			"Two has 32-bit float; Again has 32-bit integer; One has 24-bit integer: the different depths are harmless, since from 24 bits on the rounding is below the noise of any converter"},
		{"one too shallow", map[string]wavio.Spec{"two": short, "again": float}, wanted{fairness.IDFormat, "Two", result.Caution, nan(), 0, "16-bit integer"}, "Again has 32-bit float; One has 24-bit integer"},
		{"most too shallow", map[string]wavio.Spec{"one": short, "two": short}, wanted{fairness.IDFormat, "One and Two", result.Caution, nan(), 0, "16-bit integer"}, "Again has 24-bit integer"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t)
			for f, spec := range c.specs {
				s.specs[f] = spec
			}
			res := s.answer(t, scanning, map[string]bool{fairness.IDFormat: true})
			assert(t, res, c.want)
			if len(res.Checks) != 1 || res.Checks[0].Reason != c.reason {
				t.Errorf("%+v, want the reason %q", res.Checks, c.reason)
			}
		})
	}
	if underRace {
		return
	}
	s := newScene(t)
	s.specs["two"] = short
	if e := standingOf(s.check(t), "resampled"); strings.Contains(e.Because, "bit") || slices.Contains(e.Checks, fairness.IDFormat) {
		t.Errorf("%+v", e)
	}
}
