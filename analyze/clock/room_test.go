package clock

import (
	"math"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
	"evenhand/examples/studio"
)

// reverberated is x with its reverberation: noise that begins after 10 ms, dies
// away by 60 dB in t60 seconds and has wet dB more energy than x itself.
func reverberated(x []float64, t60, wet float64, seed uint64) []float64 {
	tail := make([]float64, int(1.2*t60*rate))
	r := rand.New(rand.NewPCG(seed, 3))
	energy := 0.0
	for i := rate / 100; i < len(tail); i++ {
		tail[i] = r.NormFloat64() * math.Pow(10, -3*float64(i)/(t60*rate))
		energy += tail[i] * tail[i]
	}
	for i := range tail {
		tail[i] *= math.Pow(10, wet/20) / math.Sqrt(energy)
	}
	tail[0] = 1
	f := dsp.NewFFT(dsp.NextPow2(len(x) + len(tail)))
	spectrum := func(x []float64) []complex128 {
		return f.Forward(nil, append(x[:len(x):len(x)], make([]float64, f.Len()-len(x))...))
	}
	a, b := spectrum(x), spectrum(tail)
	for i, v := range b {
		a[i] *= v
	}
	return f.Inverse(nil, a)[:len(x)]
}

// dried is the sound of gear, or the dry recording for "".
func dried(name string, dry []float64, seed uint64) []float64 {
	if name == "" {
		return dry
	}
	return otherGear[name].play(dry, seed)
}

// TestLossBehindReverberation loses or repeats much in the middle of a take behind
// a long reverberation, which blurs the beginnings of the notes: it is found, and
// never taken for another performance, and another performance still is.
func TestLossBehindReverberation(t *testing.T) {
	scores := []studio.Score{riff(), shortScore(1)}
	takes := []struct {
		gear      string
		t60, tail float64
	}{{"", 3, 0}, {"crunch", 3, 0}, {"high gain", 1.5, -6}, {"high gain", 3, 0}}
	if raceDetector {
		scores, takes = scores[:1], takes[1:2]
	}
	lost, found, passes, told := 0, 0, 0, 0
	for i, score := range scores {
		seed := uint64(41 + 3*i)
		dry, other := performance(t, seed, score), performance(t, seed+100, score)
		verdict := judge(t, dry)
		for _, x := range takes {
			wet := reverberated(dried(x.gear, dry, seed), x.t60, x.tail, seed)
			for k, seconds := range []float64{-0.3, -0.5, -1.2, 0.5} {
				at, n := int([]float64{0.45, 0.5, 0.4, 0.6}[k]*float64(len(dry))), int(seconds*rate)
				s, v := verdict(slipped(wet, at, n))
				lost++
				if len(s.Slips) == 1 && v.Outcome == Same && math.Abs(float64(s.Slips[0].Lag)-float64(n)) < 0.001*rate && happened(s.Slips[0], float64(at)/rate, n) {
					found++
				} else {
					t.Logf("score %d, %+v: %.1f s at %.2f s: %s, %s; %+v", i, x, seconds, float64(at)/rate, v.Outcome, v.Basis, s)
				}
				if v.Outcome == Different {
					t.Errorf("score %d, %+v: %.1f s at %.2f s taken for another performance: %s", i, x, seconds, float64(at)/rate, v.Basis)
				}
			}
			_, v := verdict(reverberated(dried(x.gear, other, seed), x.t60, x.tail, seed))
			passes++
			if v.Outcome == Different {
				told++
			}
			if v.Outcome == Same {
				t.Errorf("score %d, %+v: another pass is the same: %+v", i, x, v)
			}
		}
	}
	t.Logf("%d of %d found; %d of %d other passes told", found, lost, told, passes)
	if 10*found < 9*lost || 2*told < passes {
		t.Errorf("%d of %d found, %d of %d other passes told", found, lost, told, passes)
	}
}

// judge returns a function that says what is found in a take of dry.
func judge(t testing.TB, dry []float64) func(y []float64) (Slips, Verdict) {
	var memo Memo
	a := memo.Of(align.NewMemory(rate, dry))
	base, err := align.NewFeature(a, align.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return func(y []float64) (Slips, Verdict) {
		b := align.NewMemory(rate, y)
		f, err := base.Follow(b)
		if err != nil {
			t.Fatal(err)
		}
		e, err := align.Between(base, f)
		if err != nil {
			t.Fatal(err)
		}
		s, err := FindSlips(a, b, e, Params{})
		if err != nil {
			t.Fatal(err)
		}
		v, err := SamePerformance(a, b, e, &s)
		if err != nil {
			t.Fatal(err)
		}
		return s, v
	}
}
