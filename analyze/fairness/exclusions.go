package fairness

import (
	"math"
	"slices"

	"evenhand/analyze/result"
)

// accusation is one of the things that a comparison is accused of. Its words are in
// package report/sentences, by its id.
type accusation struct {
	id string
	// checks are the ids that it rests on.
	checks []string
	// best is the standing when all of them hold; because says what holds.
	best    result.Standing
	because result.Text
}

// exclusions answers the classic accusations from the checks.
func (s *Measured) exclusions() []result.Exclusion {
	published := true
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		published = published && (t.Published != nil || t.Withheld != nil)
	}
	out := []result.Exclusion{}
	for _, x := range s.accusations(published) {
		e := result.Exclusion{ID: x.id, Checks: x.checks, Standing: x.best, Text: x.because}
		if e.Checks == nil {
			e.Checks = []string{}
		}
		switch worst := s.worstOf(x.checks); {
		case worst == result.Passed && x.best == result.ExcludedByMeasurement && !s.answered(x.checks):
			e.Standing, e.Text = result.NotExcluded, result.Say("unanswered")
		case worst == result.Passed:
		case x.best == result.AuthorsWord && worst != result.Failed:
			// What is short of a failure does not make a word worse.
		default:
			e.Standing = result.NotExcluded
			if worst == result.Failed {
				e.Standing = result.Found
			}
			switch {
			case !published && x.best == result.NotExcluded: // a build settles it
			case worst == result.NotMeasured && slices.Contains(x.checks, IDDrift) && s.paced():
				limit := s.limit(IDDrift)
				e.Text = result.Say("short", "source", s.sourceTake(), "most_ppm", s.mostDrift(), "limit_ppm", limit.Value, "decimals", limit.Decimals)
			default:
				e.Text = result.Say("checks")
			}
		}
		out = append(out, e)
	}
	return out
}

// answered reports whether each of some checks has an answer. One without had nothing to
// compare.
func (s *Measured) answered(ids []string) bool {
	return !slices.ContainsFunc(ids, func(id string) bool {
		return !slices.ContainsFunc(s.Result.Checks, func(c result.Check) bool { return c.ID == id })
	})
}

// worstOf returns the worst outcome of some checks, Passed where there is none.
func (s *Measured) worstOf(ids []string) result.Outcome {
	for _, o := range result.Outcomes() {
		if slices.ContainsFunc(s.Result.Checks, func(c result.Check) bool { return c.Outcome == o && slices.Contains(ids, c.ID) }) {
			return o
		}
	}
	return result.Passed
}

// limit is the limit of a check that has one.
func (s *Measured) limit(id string) result.Limit {
	for _, q := range s.questions() {
		if q.id == id {
			return *q.limit.allowed()
		}
	}
	panic("no check " + id)
}

// limitOf is the limit of a check as a text.
func (s *Measured) limitOf(id string) result.Text {
	l := s.limit(id)
	return result.Say("limit", "kind", l.Kind, "value", l.Value, "unit", l.Unit, "decimals", l.Decimals)
}

// worst returns the largest magnitude among the measured values of a check.
func (s *Measured) worst(id string) float64 {
	w := math.NaN()
	for _, c := range s.Result.Checks {
		if v := math.Abs(float64(c.Measured)); c.ID == id && !(v <= w) && !math.IsNaN(v) {
			w = v
		}
	}
	return w
}

// least returns the least of the measured values of a check, NaN for none.
func (s *Measured) least(id string) float64 {
	w := math.NaN()
	for _, c := range s.Result.Checks {
		if v := float64(c.Measured); c.ID == id && !(v >= w) && !math.IsNaN(v) {
			w = v
		}
	}
	return w
}

// paced reports whether it is known how far the clocks may differ, where the recording is
// too short to tell whether that is within the limit.
func (s *Measured) paced() bool {
	unknown := slices.ContainsFunc(s.Result.Checks, func(c result.Check) bool { return c.Outcome == result.NotMeasured && c.ID == IDRateLabel })
	return !unknown && !math.IsNaN(s.mostDrift())
}

func (s *Measured) accusations(published bool) []accusation {
	res, source := s.Result, s.sourceTake()
	pick := func(yes result.Standing) result.Standing {
		if published {
			return yes
		}
		return result.NotExcluded
	}
	orBuild := func(text result.Text, build string) result.Text {
		if published {
			return text
		}
		return result.Say(build)
	}
	told, all := s.detectable()
	partly := result.ExcludedByMeasurement
	if !all {
		partly = result.NotExcluded
	}
	disclosed := result.AuthorsWord
	if res.Comparison.Disclosure == "" {
		disclosed = result.NotExcluded // there is no word to rest on
	}
	bypassed, device := result.ExcludedByMeasurement, result.Say("device", "least_db", s.least(IDPath))
	if s.Dry == nil || s.Silent {
		bypassed, device = result.NotExcluded, result.Say("no-dry")
	}
	// What is withheld was measured, but no reader can repeat that.
	var withheld []string
	louder := pick(result.ExcludedByFiles)
	if names := res.WithheldNames(); published && len(names) > 0 {
		withheld, louder = names, result.AuthorsWord
	}
	went := result.Say("no-loopback")
	if l := res.Loopback; l != nil && l.Certain {
		went = result.Say("loopback", "level_db", l.Level, "where", l.Where(), "limit", s.limitOf(IDReampLevel))
	}
	var repeats, nulls []result.Text
	for _, r := range res.Resolution.Repeats {
		repeats = append(repeats, result.Say("came-back", "of", r.Of, "take", r.Take, "level_lu", math.Abs(float64(r.Level))))
	}
	for _, c := range res.Checks {
		if c.ID == IDNearCopy && c.Outcome == result.Passed {
			nulls = append(nulls, result.Say("null", "residual_db", c.Measured, "limit", s.limitOf(IDNearCopy)))
		}
	}
	slip, limiting, clearest := s.leastSlip()
	edited := []any{}
	if limiting != "" {
		edited = []any{"worst_samples", slip}
		if sizeOf(clearest) != sizeOf(slip) {
			edited = append(edited, "limiting", limiting, "least_samples", clearest)
		}
	}
	return []accusation{
		{"another-performance", []string{IDPerformance}, result.ExcludedByMeasurement, result.Say("scatter", "source", source, "spread_ms", math.Max(0.01, s.worst(IDPerformance)))},
		{"another-part", []string{IDPerformance, IDLag}, partly, result.Say("smallest", "faults", told, "source", source)},
		{"another-level", []string{IDReampLevel}, result.AuthorsWord, went},
		{"another-setting", []string{IDOneChange}, result.AuthorsWord, result.Say("written", "varies", res.Comparison.Varies, "repeats", repeats)},
		{"changed-during", []string{IDSteady}, result.ExcludedByMeasurement, result.Say("twice", "most_db", s.worst(IDSteady))},
		{"gate", []string{IDGate}, result.ExcludedByMeasurement, result.Say("floor", "pauses", len(s.Quiet), "several", len(s.Quiet) != 1)},
		{"same-file", []string{IDSameFile, IDNearCopy}, result.ExcludedByMeasurement, result.Say("sums", "nulls", nulls)},
		{"bypassed", []string{IDPath}, bypassed, device},
		{"swapped", nil, result.AuthorsWord, result.Say("hashes")},
		{"edited", []string{IDPerformance, IDSlips, IDClicks, IDDropouts}, result.ExcludedByMeasurement, result.Say("whole", edited...)},
		{"speed", []string{IDDrift, IDRateLabel}, result.ExcludedByMeasurement, result.Say("clocks", "source", source, "most_ppm", s.mostDrift())},
		{"converted", []string{IDBandEdge}, result.AuthorsWord, result.Say("edges")},
		{"louder", []string{IDMatch}, louder, orBuild(result.Say("measured-again", "worst_lu", res.Match.WorstDeviation, "limit", s.limitOf(IDMatch), "withheld", withheld), "build")},
		{"left-out", []string{IDSections, IDLengths}, result.ExcludedByMeasurement, result.Say("covered", "missing_s", s.worst(IDLengths), "limit", s.limitOf(IDLengths), "withheld", withheld)},
		{"changed-later", nil, pick(result.ExcludedByFiles), orBuild(result.Say("listed"), "build.list")},
		{"paid", nil, disclosed, result.Say("disclosure", "says", res.Comparison.Disclosure)},
	}
}

// sizeOf rounds a detectable size upwards, to the digits that it supports.
func sizeOf(samples float64) float64 {
	if samples >= 10 {
		return math.Ceil(samples)
	}
	return math.Ceil(10*samples) / 10
}
