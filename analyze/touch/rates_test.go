package touch

import "testing"

// The stretches whose phases are compared have a length at any rate, not only at those
// that give a power of two.
func TestTurnsAtAnyRate(t *testing.T) {
	for _, lower := range []float64{16000, 17640, 22050, 24000, 31250} {
		w := &work{x: &Take{lower: lower}}
		if turns, drifts := w.turns(); turns != 0 || drifts != 0 {
			t.Errorf("%.0f Hz, without music: %v, %v", lower, turns, drifts)
		}
	}
}
