package analyze

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
)

// octaveUp plays x an octave higher in grains of 60 ms, each from where it fits to 20 ms, as
// digital pitch shifters do: in each pass from elsewhere.
func octaveUp(x []float64, pass uint64) []float64 {
	const grain, reach = 60 * sceneRate / 1000, 20 * sceneRate / 1000
	rng, y := rand.New(rand.NewPCG(7, pass)), make([]float64, len(x))
	for at := 0; at+grain <= len(x); at += grain / 2 {
		from := at - grain/2 + rng.IntN(2*reach+1) - reach
		for k := range grain {
			if i := from + 2*k; i >= 0 && i < len(x) {
				y[at+k] += x[i] * (0.5 - 0.5*math.Cos(2*math.Pi*float64(k)/grain))
			}
		}
	}
	return y
}

// TestMovingKind: what shifts the pitch moves the notes as another pass does. Where its
// kind says so, nothing is claimed of the performance, and the take is left where it is.
func TestMovingKind(t *testing.T) {
	if underRace {
		t.Skip("TestFair runs the same code")
	}
	s := demoScene(t)
	for _, x := range s.files["two"] {
		s.files["second"] = append(s.files["second"], octaveUp(x, 2))
	}
	s.each("two", func(x []float64) []float64 { return octaveUp(x, 1) })
	s.manifest += "  - name: Second\n    file: second.wav\n" + sceneMics + "    repeat_of: Two\n"
	res := s.check(t)
	if got := outcomeOf(res, fairness.IDPerformance, "Two"); got != result.Failed {
		t.Errorf("without a kind: %s", got)
	}
	const device = "{device: Two, "
	if !strings.Contains(s.manifest, device) {
		t.Fatalf("no device Two in %s", s.manifest)
	}
	s.manifest = strings.Replace(s.manifest, device, device+"kind: digital pitch shifter, ", 1)
	res = s.check(t)
	for _, name := range []string{"Two", "Second"} {
		assert(t, res, wanted{fairness.IDPerformance, name, result.NotMeasured, nan(), 0, ""})
		if got := outcomeOf(res, fairness.IDSlips, name); got != result.NotMeasured {
			t.Errorf("lost samples of %s: %s", name, got)
		}
	}
	for _, k := range res.Takes {
		if a := k.Alignment; k.Name == "Two" && (a.Applied != 0 && a.PlacedBy == "" || len(a.Parts) != 0) {
			t.Errorf("shifted by %v samples, parts %v", a.Applied, a.Parts)
		} else if k.Name == "One" && a.PlacedBy == "" {
			t.Error("the other take is not in place")
		}
	}
}

func outcomeOf(res *result.Result, id, subject string) (out result.Outcome) {
	for _, c := range res.Checks {
		if c.ID == id && strings.Contains(c.Subject, subject) {
			out = c.Outcome
		}
	}
	return out
}
