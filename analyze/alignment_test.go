package analyze

import (
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/clock"
	"evenhand/analyze/unit"
)

// TestAsNotes: whether the phase or the notes say where a take lies.
func TestAsNotes(t *testing.T) {
	for _, c := range []struct {
		name         string
		phase, notes unit.Samples
		phaseCertain bool
		notesCertain bool
		margin       unit.Number // decades
		want         bool
	}{
		{"both, alike", 100, 120, true, true, 50, false},
		{"certain notes beside the phase", 100, 300, false, true, 50, true},
		{"notes that scatter, 0.2 s beside a guess", -8566, 108, false, false, 52, true},
		{"notes that scatter, near a guess", 150, 76, false, false, 59, false},
		{"notes that say little", -8566, 108, false, false, 3, false},
		{"a certain phase", -8566, 108, true, false, 52, false},
	} {
		e := align.Estimate{Lag: c.phase, Certain: c.phaseCertain, Drift: unit.PPM(nan())}
		p := clock.Placement{Lag: c.notes, Certain: c.notesCertain, Margin: c.margin}
		if got := asNotes(e, p, 44100); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
