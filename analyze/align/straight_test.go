package align

import (
	"math"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
)

// TestStraight: tones on a clock that runs slower come back, near the origin and a minute
// after it.
func TestStraight(t *testing.T) {
	campaign.Serial(t)
	const rate, seconds = 48000, 61
	for _, c := range []struct {
		hz  float64
		ppm unit.PPM
	}{{440, 5}, {5000, -20}, {15000, 0.3}} {
		tone := func(step float64) []float64 {
			x := make([]float64, rate*seconds)
			for i := range x {
				x[i] = math.Sin(2 * math.Pi * c.hz / rate * step * float64(i))
			}
			return x
		}
		want := tone(1)
		s := Straight(NewMemory(rate, tone(1/(1+float64(c.ppm)*1e-6))), c.ppm, 0)
		got := make([]float64, 4000)
		for _, first := range []int64{1000, rate * (seconds - 1)} {
			if _, err := s.ReadAt(got, first); err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for i, v := range got {
				worst = math.Max(worst, math.Abs(v-want[first+int64(i)]))
			}
			if worst > 1e-4 {
				t.Errorf("%g Hz at %g ppm, from frame %d: off by %.2g", c.hz, float64(c.ppm), first, worst)
			}
		}
	}
	m := NewMemory(rate, nil)
	if Straight(m, 0, 0) != Source(m) {
		t.Error("no drift is another source")
	}
}
