package loudness

import (
	"math"
	"testing"

	"evenhand/analyze/unit"
)

// TestNearGate asks which loudness a window beside a gate moves in a step: ten
// windows of −20 LUFS and one a little off the relative gate, which lies 10 LU below
// the mean power of all above −70 LUFS (ITU-R BS.1770-5, Annex 1, eq. (6)).
func TestNearGate(t *testing.T) {
	of := func(last float64) Measurement {
		m := Measurement{Gating: &Windows{ExactN: 100}, Ranging: &Windows{ExactN: 100}}
		for range 10 {
			m.Gating.add(powerOf(-20))
		}
		m.Gating.add(powerOf(last))
		return m
	}
	// The mean of ten and one: 10·log10((10 + 0.1·…)/11) below −20.
	gate := -20 + 10*math.Log10((10+math.Pow(10, -1.04))/11) - 10
	for _, c := range []struct {
		last, within float64
		near         bool
	}{
		{gate + 0.02, 0.05, true}, {gate - 0.02, 0.05, true}, {gate + 0.2, 0.05, false}, {gate - 0.2, 0.05, false}, {gate + 0.2, 0.3, true},
		{-70.01, 0.05, true}, {-69.99, 0.05, true}, {-71, 0.05, false},
	} {
		asked := []unit.LUFS{}
		got, _ := of(c.last).NearGate(func(g unit.LUFS) unit.DB { asked = append(asked, g); return unit.DB(c.within) })
		if got != c.near {
			t.Errorf("a window at %.2f LUFS, within %g dB: %v (gates %v)", c.last, c.within, got, asked)
		}
		// It is a step indeed: without the window the loudness is another.
		high, low := of(c.last).IntegratedAt(0), of(c.last-0.1).IntegratedAt(0)
		if step := math.Abs(float64(high-low)) > 0.05; step && !c.near && c.last > -60 {
			t.Errorf("a window at %.2f LUFS: 0.1 dB moves the loudness from %v to %v", c.last, high, low)
		}
	}
	if a, b := (Measurement{}).NearGate(nil); a || b {
		t.Error("nothing was measured")
	}
}
