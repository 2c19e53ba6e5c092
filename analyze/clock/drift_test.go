package clock

import (
	"math"
	"testing"

	"evenhand/analyze/align"
)

// TestDriftCoverage compares takes of several performances, all on one clock,
// with their dry recording and with each other: the stated 95 % interval (two
// standard errors) of the drift holds zero in at least 93 of 100 cases, by the
// windows, by the notes and by the alignment.
func TestDriftCoverage(t *testing.T) {
	if raceDetector {
		t.Skip("the studio is slow under the race detector")
	}
	held, told, worst := map[string]int{}, map[string]int{}, map[string]float64{}
	count := func(by string, drift, err float64) {
		if math.IsNaN(drift) || math.IsNaN(err) {
			return
		}
		told[by]++
		if math.Abs(drift) <= 2*err {
			held[by]++
		}
		worst[by] = max(worst[by], math.Abs(drift))
	}
	circuits := chains(t)
	for seed := range uint64(4) {
		dry := performance(t, 900+seed, riff())
		all := [][]float64{dry}
		for i, c := range circuits {
			c.Chain.Seed = 70 + 10*seed + uint64(i)
			all = append(all, through(dry, c.Chain))
		}
		for _, p := range [][2]int{{0, 1}, {0, 2}, {0, 3}, {0, 4}, {0, 5}, {1, 2}, {1, 4}, {1, 5}, {2, 4}} {
			a, b := align.NewMemory(rate, all[p[0]]), align.NewMemory(rate, all[p[1]])
			e := find(t, all[p[0]], all[p[1]])
			count("align", float64(e.Drift), float64(e.DriftError))
			place, err := Place(a, b)
			if err != nil {
				t.Fatal(err)
			}
			if place.Certain {
				count("notes", float64(place.Drift), float64(place.DriftError))
				if !e.Certain {
					e.Lag, e.At = place.Lag, place.At
				}
			}
			s, err := FindSlips(a, b, e, Params{})
			if err != nil {
				t.Fatal(err)
			}
			if len(s.Slips) == 0 {
				count("windows", float64(s.Drift), float64(s.DriftError))
			}
		}
	}
	for _, by := range []string{"align", "notes", "windows"} {
		t.Logf("%s: the interval holds zero in %d of %d, greatest %.1f ppm", by, held[by], told[by], worst[by])
		if told[by] < 20 || float64(held[by]) < 0.93*float64(told[by]) {
			t.Errorf("%s: the 95 %% interval holds zero in %d of %d", by, held[by], told[by])
		}
	}
}
