package analyze

import (
	"evenhand/examples/campaign"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
)

// sag adds noise to a file that the gear lets through less while there is playing,
// by 12 dB, and that recovers within seconds.
func (s *scene) sag(name string, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 3))
	s.each(name, func(x []float64) []float64 {
		envelope, drop := 0.0, 0.0
		for i, v := range x {
			envelope = math.Max(math.Abs(v), envelope*(1-1.0/(0.05*sceneRate)))
			if envelope > 0.02 {
				drop += (12 - drop) / (0.3 * sceneRate)
			} else {
				drop -= drop / (1.5 * sceneRate)
			}
			x[i] += 0.002 * math.Pow(10, -drop/20) * rng.NormFloat64()
		}
		return x
	})
}

// TestGearMovesFloor asks that a floor which the gear moves is not put down to a
// pedal, a fan or a hand, that one which somebody moves is, and that a pause through
// which a reverberation rings has no known floor, in both materials.
func TestGearMovesFloor(t *testing.T) {
	campaign.Long(t)
	if underRace {
		t.Skip("slow under the race detector")
	}
	floor := func(s *scene, name string, outcome result.Outcome, value, reason string) {
		t.Helper()
		res := s.check(t)
		for _, c := range res.Checks {
			if c.ID != fairness.IDNoiseSteps || c.Subject != name {
				continue
			}
			if c.Outcome != outcome || !strings.Contains(c.Value, value) || !strings.Contains(c.Reason, reason) {
				t.Errorf("%s: %s, %s; %s", name, c.Outcome, c.Value, c.Reason)
			}
			return
		}
		t.Errorf("nothing was said of %s", name)
	}
	const rises = "rises within every pause"
	synthesizer := func() *scene {
		s := newScene(t)
		s.sag("one", 1)
		s.sag("again", 2)
		return s
	}
	floor(synthesizer(), "One", result.Passed, "by the gear", rises)
	s := synthesizer()
	s.pauses = [][2]float64{{8.3, 9.4}}
	s.floorStep("one", 6)
	floor(s, "One", result.Caution, "dB", rises)
	s = synthesizer()
	s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
	floor(s, "One", result.Passed, "by the gear", "highest before the first note")

	sampled := func(chains ...string) *scene { return guitarScene(t, 0, 26.9, chains...) }
	s = sampled("lead", "reverb", "echo")
	res := s.check(t)
	for _, w := range []wanted{
		{fairness.IDNoiseSteps, "Take 1", result.Passed, nan(), 0, "by the gear"},
		{fairness.IDNoiseSteps, "Again", result.Passed, nan(), 0, "by the gear"},
		{fairness.IDNoiseSteps, "Take 2", result.NotMeasured, nan(), 0, ""},
		{fairness.IDNoiseSteps, "Take 3", result.NotMeasured, nan(), 0, ""},
	} {
		assert(t, res, w)
	}
	for k, chain := range []string{"", "reverb", "echo"} {
		// What the pause before the first note holds is their floor.
		if n := res.Takes[k].Noise; chain != "" && math.Abs(float64(n.AsRecorded.Unweighted)-rmsOf(s.files[[]string{"", "take2", "take3"}[k]][0][9600:48000])) > 1.5 {
			t.Errorf("%s: noise of %v", chain, n.AsRecorded.Unweighted)
		}
	}
	s = sampled("lead")
	s.pauses = [][2]float64{{17.0, 26.9}} // from the third passage on
	s.floorStep("take1", 6)
	floor(s, "Take 1", result.Caution, "dB", rises)
}

// rmsOf is a level in dBFS.
func rmsOf(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(sum/float64(len(x)))
}
