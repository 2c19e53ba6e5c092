package touch

import (
	"math"
	"testing"
)

// The stretches whose phases are compared have a length at any rate, not only at those
// that give a power of two.
func TestTurnsAtAnyRate(t *testing.T) {
	for _, lower := range []float64{16000, 17640, 22050, 24000, 31250} {
		w := &work{x: &Take{lower: lower}}
		if got := w.turns(); got != 0 && !math.IsNaN(got) {
			t.Errorf("%.0f Hz, without music: %v", lower, got)
		}
	}
}
