package manifest

import (
	"math"
	"testing"
)

func TestPitches(t *testing.T) {
	// ISO 16: A4 is 440 Hz; the other values are 440·2^(n/12) in equal
	// temperament, as printed in any table of note frequencies.
	got := Pitches("B1 E2 A2 D3 F#3 Bb3 standard A")
	want := []struct {
		name string
		hz   float64
	}{{"B1", 61.735}, {"E2", 82.407}, {"A2", 110}, {"D3", 146.832}, {"F#3", 184.997}, {"Bb3", 233.082}}
	if len(got) != len(want) {
		t.Fatalf("%v", got)
	}
	for i, w := range want {
		if got[i].Name != w.name || math.Abs(float64(got[i].Frequency)-w.hz) > 0.001 {
			t.Errorf("%v, want %v", got[i], w)
		}
	}
}
