package clock

import (
	"math"
	"slices"
	"testing"

	"evenhand/examples/studio"
)

// TestWhenSlipsHappened loses and inserts frames at all kinds of places in takes
// through all kinds of gear: of those that are found, 19 of 20 happened between the
// times that are stated, and these are not far apart.
func TestWhenSlipsHappened(t *testing.T) {
	gear := []string{"", "crunch", "cascade", "high gain", "compressed", "starved", "octave", "slow bias", "room"}
	places := 8
	if raceDetector {
		gear, places = gear[1:2], 2
	}
	sizes := []int{-48, 64, -300, 300, -2400, 2400, -24000, 12000}
	dry := performance(t, 503, riff())
	find := judge(t, dry)
	found, held := 0, 0
	var wide []float64
	for g, name := range gear {
		wet := dry
		switch name {
		case "room":
			wet = reverberated(otherGear["crunch"].play(dry, 503), 2, 0, 503)
		case "":
		default:
			wet = otherGear[name].play(dry, 503)
		}
		for k := range places {
			n := sizes[(g+3*k)%len(sizes)]
			_, part := math.Modf(float64(1+g*places+k) * 0.6180339887) // spreads evenly
			at := int((0.25 + 0.5*part) * float64(len(dry)))
			when := float64(at) / rate
			s, _ := find(slipped(wet, at, n))
			if len(s.Slips) != 1 || math.Abs(float64(s.Slips[0].Lag)-float64(n)) > max(5, 0.1*math.Abs(float64(n))) {
				continue
			}
			x := s.Slips[0]
			found++
			wide = append(wide, float64(x.To-x.From)-max(0, -float64(n)/rate))
			if happened(x, when, n) {
				held++
			} else {
				t.Logf("%q: %d at %.3f s is told from %.3f to %.3f s", name, n, when, float64(x.From), float64(x.To))
			}
			if x.At < x.From || x.At > x.To {
				t.Errorf("%q: %+v", name, x)
			}
		}
	}
	slices.Sort(wide)
	t.Logf("%d of %d held; half of the ranges are at most %.2f s wide, nine of ten %.2f s", held, found, wide[found/2], wide[found*9/10])
	if !raceDetector && found < 60 || 20*held < 19*found || wide[found/2] > 0.4 || wide[found*9/10] > 1.5 {
		t.Errorf("%d of %d held", held, found)
	}
}

// TestWhenInPause: what happened in a pause is told by what is heard of the dry
// recording's own noise; gear that lets none of it through tells only the pause.
func TestWhenInPause(t *testing.T) {
	parts := riff().Parts
	parts[1].Start, parts[2].Start = 9, 13
	dry := performance(t, 504, studio.Score{Length: 17, Parts: parts})
	for _, name := range []string{"", "crunch", "starved"} {
		wet := dried(name, dry, 504)
		for _, n := range []int{-2400, 480} {
			s, _ := slips(t, dry, slipped(wet, 7.6*rate, n))
			if len(s.Slips) != 1 {
				t.Errorf("%q: slip of %d found as %+v", name, n, s)
				continue
			}
			x := s.Slips[0]
			t.Logf("%q: slip of %d between %.2f and %.2f s", name, n, float64(x.From), float64(x.To))
			// The last chord before is struck at 5.0 s and dies away at 6.2; the next
			// is struck at 9.
			if !happened(x, 7.6, n) || x.From < 5 || x.To > 9.5 {
				t.Errorf("%q: slip of %d: %+v", name, n, x)
			}
			if name == "starved" && (x.From > 7 || x.To < 8.5) {
				t.Errorf("%q: slip of %d in the pause: %+v", name, n, x)
			}
		}
	}
}
