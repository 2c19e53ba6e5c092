package analyze

import (
	"evenhand/examples/campaign"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// TestConsequences asks that what follows from a fault is called a consequence of
// it, in both materials, and that the same finding without the cause is not.
func TestConsequences(t *testing.T) {
	campaign.Long(t)
	if underRace {
		t.Skip("slow under the race detector")
	}
	const consequence = "consequence of "
	for material, fresh := range bothMaterials() {
		for _, c := range []struct {
			name  string
			spoil func(s *scene)
			id    string
			cause string // "" for none
		}{
			{"clipping", func(s *scene) { s.clip("two", 5, 0) }, fairness.IDClicks, "the clipping"},
			{"a hard gate", func(s *scene) {
				s.each("two", func(x []float64) []float64 {
					open := 0
					for i := range x {
						if math.Abs(x[i]) > 0.02 {
							open = i + sceneRate/20
						}
						if i > open {
							x[i] *= 0.001
						}
					}
					return x
				})
			}, fairness.IDClicks, "the gate"},
			{"300 samples lost", func(s *scene) {
				s.each("two", func(x []float64) []float64 { return slices.Delete(x, 6*sceneRate, 6*sceneRate+300) })
			}, fairness.IDLag, "the lost or inserted samples"},
			{"a click", func(s *scene) { s.files["two"][0][s.loudAfter("two", 6*sceneRate)] = -0.9 }, fairness.IDClicks, ""},
		} {
			s := fresh(t)
			c.spoil(s)
			res := s.check(t)
			n := 0
			for _, k := range res.Checks {
				if k.ID != c.id || k.Subject != "Two" || k.Outcome != result.Failed && k.Outcome != result.Caution {
					continue
				}
				n++
				if c.cause == "" && strings.Contains(k.Reason, consequence) || c.cause != "" && !strings.Contains(k.Reason, consequence+c.cause) || k.Do == "" {
					t.Errorf("%s, %s: %s; %s", material, c.name, k.Reason, k.Do)
				}
			}
			// Not every sound clicks when it is clipped or gated.
			if n == 0 && (c.cause == "" || c.id == fairness.IDLag) {
				t.Errorf("%s, %s: no caution", material, c.name)
			}
			t.Logf("%s, %s: %d answers", material, c.name, n)
		}
	}
}

// TestSilentTake asks that a take without a sound does not keep the others from
// being checked.
func TestSilentTake(t *testing.T) {
	campaign.Serial(t)
	for material, fresh := range bothMaterials() {
		t.Run(material, func(t *testing.T) {
			s := fresh(t)
			s.each("two", func(x []float64) []float64 { return make([]float64, len(x)) })
			res := s.check(t)
			assert(t, res, wanted{fairness.IDMatch, "Two", result.Failed, nan(), 0, "silent"})
			assert(t, res, wanted{fairness.IDSlips, "Again", result.Passed, 0, 0, "none"})
			for _, k := range res.Checks {
				bad := k.Outcome == result.Failed || k.Outcome == result.Caution
				if bad && k.Subject != "Two" || bad && k.ID != fairness.IDMatch && !strings.HasPrefix(k.Reason, "consequence of the take's silence") {
					t.Errorf("%s, %s: %s; %s", k.ID, k.Subject, k.Value, k.Reason)
				}
			}
		})
	}
	s := newScene(t)
	for name := range s.files {
		s.each(name, func(x []float64) []float64 { return make([]float64, len(x)) })
	}
	if _, err := s.measure(t); err == nil || !strings.Contains(err.Error(), "nothing above the absolute gate") {
		t.Errorf("all silent: %v", err)
	}
}

// TestCoarseTakes asks that a bit crusher, a file of 8 bits and a count-in in
// digital silence are no dropouts.
func TestCoarseTakes(t *testing.T) {
	campaign.Long(t)
	if underRace {
		t.Skip("slow under the race detector")
	}
	for material, fresh := range bothMaterials() {
		for _, c := range []struct {
			name    string
			spoil   func(s *scene)
			outcome result.Outcome
		}{
			{"bit crusher", func(s *scene) {
				s.each("two", func(x []float64) []float64 {
					for i := range x {
						x[i] = math.Round(128*x[i-i%3]) / 128
					}
					return x
				})
			}, result.NotMeasured},
			{"8 bits", func(s *scene) { s.specs["two"] = wavio.Spec{Bits: 8} }, result.NotMeasured},
			{"count-in", func(s *scene) {
				session, err := s.measure(t)
				if err != nil {
					t.Fatal(err)
				}
				lags := map[string]unit.Samples{}
				for _, k := range session.Result.Takes {
					lags[strings.TrimSuffix(k.File, ".wav")] = k.Alignment.Applied
				}
				for name := range s.files {
					s.each(name, func(x []float64) []float64 {
						before := make([]float64, 2*sceneRate)
						for k := range 4 {
							from := sceneRate/5 + k*sceneRate/2 + int(lags[name])
							for i := range 1000 {
								before[from+i] = 0.2 * math.Cos(2*math.Pi*1500*float64(i)/sceneRate)
							}
						}
						return append(before, x...)
					})
				}
				s.manifest = regexp.MustCompile(`  sections:\n(    - .*\n)*`).ReplaceAllString(s.manifest, "")
			}, result.Passed},
		} {
			s := fresh(t)
			c.spoil(s)
			res := s.check(t)
			assert(t, res, wanted{fairness.IDDropouts, "Two", c.outcome, nan(), 0, ""})
			for _, k := range res.Checks {
				if c.outcome == result.Passed && k.ID != fairness.IDDropouts && k.ID != fairness.IDClicks {
					continue // the strokes went through no gear
				}
				if k.Outcome == result.Failed || k.Outcome == result.Caution && k.ID != fairness.IDFormat && k.ID != fairness.IDPolarity && !(k.ID == fairness.IDGate && c.outcome == result.NotMeasured) {
					t.Errorf("%s, %s: %s, %s: %s; %s", material, c.name, k.ID, k.Subject, k.Value, k.Reason)
				}
			}
		}
	}
}
