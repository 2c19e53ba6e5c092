package clock

import (
	"math"
	"slices"
	"testing"

	"evenhand/analyze/align"
)

// TestRateRatio labels takes with other rates than they were recorded at.
func TestRateRatio(t *testing.T) {
	labels := []int{48000, 44100, 96000, 24000, 88200}
	circuits := slices.Delete(chains(t), 3, 4)
	if raceDetector {
		labels, circuits = labels[:2], circuits[:1]
	}
	dry := performance(t, 3, riff())
	for _, c := range circuits {
		take := through(dry, c.Chain)
		for _, labelled := range labels {
			r, err := RateRatio(align.NewMemory(rate, dry), align.NewMemory(labelled, take))
			if err != nil {
				t.Fatal(err)
			}
			want := float64(rate) / float64(labelled)
			t.Logf("%s at %d: ratio %.4f (%s), confidence %.2f, strength %.1f, certain %v, lag %.3f", c.Name, labelled, r.Ratio, r.Name, float64(r.Confidence), float64(r.Strength), r.Certain, float64(r.Lag))
			if !r.Certain || math.Abs(r.Ratio-want) > 1e-9 || (want != 1) != (r.Name != "") {
				t.Errorf("%s at %d: %+v, want %.4f", c.Name, labelled, r, want)
			}
		}
	}
	other := performance(t, 77, shortScore(0))
	r, err := RateRatio(align.NewMemory(rate, dry), align.NewMemory(rate, other))
	t.Logf("other music: %+v", r)
	if err != nil || r.Certain || r.Ratio != 1 || r.Reason.Found == "" {
		t.Errorf("other music: %+v, %v", r, err)
	}
	r, err = RateRatio(align.NewMemory(rate, make([]float64, 5*rate)), align.NewMemory(rate, other))
	if err != nil || r.Certain {
		t.Errorf("silence: %+v, %v", r, err)
	}
}
