package clock

import (
	"maps"
	"math"
	"slices"
	"testing"

	"evenhand/analyze/align"
	"evenhand/examples/studio"
)

// TestDriftCoverage compares takes of several performances, all on one clock,
// with their dry recording and with each other: the stated 95 % interval (two
// standard errors) of the drift holds zero in at least 93 of 100 cases, by the
// sound, by the notes and by the alignment.
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
			s, err := FindSlips(a, b, e, Params{Processed: p[0] > 0})
			if err != nil {
				t.Fatal(err)
			}
			if len(s.Slips) == 0 {
				count("sound", float64(s.Drift), float64(s.DriftError))
			}
		}
	}
	for _, by := range []string{"align", "notes", "sound"} {
		t.Logf("%s: the interval holds zero in %d of %d, greatest %.1f ppm", by, held[by], told[by], worst[by])
		if told[by] < 20 || float64(held[by]) < 0.93*float64(told[by]) {
			t.Errorf("%s: the 95 %% interval holds zero in %d of %d", by, held[by], told[by])
		}
	}
}

// TestDriftOfAMinute sends the demo's performance of 52 s through the demo's
// circuits and through gear of other kinds, all on one clock or 3 ppm off: the
// drift from the dry recording is found within 1 ppm, and within two of the
// stated standard errors in at least 95 of 100 cases.
func TestDriftOfAMinute(t *testing.T) {
	if raceDetector {
		t.Skip("the studio is slow under the race detector")
	}
	s, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	dry := performance(t, s.Seed, s.Score)
	takes := map[string][]float64{}
	for _, c := range chains(t) {
		takes[c.Name] = through(dry, c.Chain)
	}
	for name, g := range otherGear {
		takes[name] = g.play(dry, 1)
	}
	held := 0
	for i, name := range slices.Sorted(maps.Keys(takes)) {
		off := 0.0
		if i%2 == 1 {
			takes[name], off = slowed(takes[name], 3), 3
		}
		r, _ := slips(t, dry, takes[name])
		t.Logf("%-12s %+.2f ± %.2f ppm, %+g put in", name, float64(r.Drift), 2*float64(r.DriftError), off)
		by := math.Abs(float64(r.Drift) - off)
		if by <= 2*float64(r.DriftError) {
			held++
		}
		if !(by <= 1) || len(r.Slips) > 0 {
			t.Errorf("%s: drift %.2f ± %.2f ppm, %g was put in; slips %v", name, float64(r.Drift), float64(r.DriftError), off, r.Slips)
		}
	}
	if float64(held) < 0.95*float64(len(takes)) {
		t.Errorf("the 95 %% interval holds the truth in %d of %d", held, len(takes))
	}
}

// slowed returns x on a clock that runs ppm slower, by a windowed sinc.
func slowed(x []float64, ppm float64) []float64 {
	const half = 16
	out := make([]float64, len(x))
	for i := range out {
		p := float64(i) * (1 - ppm*1e-6)
		base := int(math.Floor(p))
		for k := max(0, base-half+1); k <= min(len(x)-1, base+half); k++ {
			w := 1.0
			if d := p - float64(k); d != 0 {
				w = math.Sin(math.Pi*d) / (math.Pi * d) * (0.5 + 0.5*math.Cos(math.Pi*d/half))
			}
			out[i] += x[k] * w
		}
	}
	return out
}
