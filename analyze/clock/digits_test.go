package clock

import (
	"testing"

	"evenhand/analyze/unit"
)

// TestMilliseconds asks that no scatter is printed as nothing or as less than
// it is.
func TestMilliseconds(t *testing.T) {
	for v, want := range map[unit.Seconds]string{0: "0.01 ms", 1e-6: "0.01 ms", 0.00002: "0.02 ms", 0.000021: "0.03 ms", 0.00031: "0.4 ms", 0.0003: "0.3 ms"} {
		if got := milliseconds(v); got != want {
			t.Errorf("%v s: %s, want %s", float64(v), got, want)
		}
	}
}
