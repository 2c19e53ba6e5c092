package analyze_test

import (
	"math"
	"testing"

	"evenhand/analyze/result"
)

// compareGear compares what the demo's circuits do with how they are built: a bypass that
// is clean, fuzzes that are neither clean nor alike but for equalisation, and a repeat.
func compareGear(t *testing.T, res *result.Result) {
	for _, x := range res.Takes {
		if !x.Touch.Measured || !x.Drive.Measured {
			t.Errorf("%s: touch %v, drive %v", x.Name, x.Touch.Reason, x.Drive.Reason)
			continue
		}
		slope, drive := float64(x.Touch.Slope), float64(x.Drive.Drive)
		if clean := x.Name == "Bypass"; clean && (math.Abs(slope-1) > 0.05 || drive > 0.5) || !clean && (slope > 0.9 || drive < 5) {
			t.Errorf("%s: touch %.2f, drive %.1f %%", x.Name, slope, drive)
		}
	}
	pairs := 0
	for _, l := range res.Leftover {
		if l.Reason.Found != "" {
			t.Errorf("%s and %s: %v", l.A, l.B, l.Reason)
			continue
		}
		pairs++
		if again := l.B == "Leaning again"; again == l.Resolved || again == (l.Equaliser > -40) {
			t.Errorf("%s and %s: %.1f dB remain after an equaliser, resolved %v", l.A, l.B, float64(l.Equaliser), l.Resolved)
		}
	}
	// Four circuits and a bypass, and one repeat.
	if pairs != 11 {
		t.Errorf("%d pairs, want 11", pairs)
	}
}
