package analyze

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/sentences"
)

// TestEqualChannels puts a take on two channels that differ by noise far below the
// music beside takes of one channel: it is said with the level of the noise.
func TestEqualChannels(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	s := newScene(t)
	s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
	rng, noisy := rand.New(rand.NewPCG(3, 3)), []float64{}
	for _, v := range s.files["two"][0] {
		noisy = append(noisy, v+unit.ToAmplitude(-98)*rng.NormFloat64())
	}
	s.files["two"] = append(s.files["two"], noisy)
	c, err := manifest.Load(s.write(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	session, err := Measure(t.Context(), c, Options{ChecksOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	session.Check()
	session.Result = sentences.Result(session.Result)
	res := session.Result
	assert(t, res, wanted{fairness.IDDualMono, "Two", result.Caution, nan(), 0, "equal to within −98.0 dBFS"})
	one, two := &res.Takes[0], &res.Takes[1]
	if e := two.EqualChannels; e == nil || math.Abs(float64(e.Within)+98) > 0.05 || e.String() != "channels equal to within −98.0 dBFS" || two.Widened {
		t.Errorf("two: %+v, widened %v", e, two.Widened)
	}
	if one.EqualChannels != nil || !one.Widened || one.Signal != "mono as two equal channels" {
		t.Errorf("one: %+v, widened %v, %s", one.EqualChannels, one.Widened, one.Signal)
	}
}

func TestEqualChannelsInWords(t *testing.T) {
	if got := (result.EqualChannels{Within: unit.DBFS(math.Inf(-1))}).String(); got != "channels equal sample for sample" {
		t.Error(got)
	}
}
