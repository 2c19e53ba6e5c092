package clock

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/parts"
	"evenhand/examples/campaign"
	"evenhand/examples/circuits"
	"evenhand/examples/studio"
)

// drifts judges b by its parts, and gives its drift as gear that is fitted tells it.
func drifts(t testing.TB, a, b *align.Memory, e align.Estimate, processed bool) *parts.Judgement {
	t.Helper()
	timeline, err := parts.Listen(a)
	if err != nil {
		t.Fatal(err)
	}
	j, err := timeline.Judge(a, b, e, false)
	if err != nil {
		t.Fatal(err)
	}
	if j.OnePath() {
		return j
	}
	own := e.Drift
	if math.IsNaN(float64(own)) {
		own = 0
	}
	slope := 0.0
	if !math.IsNaN(float64(j.Drift)) {
		slope = float64(j.Drift-own) * 1e-6 * rate
	}
	d, sure, err := Drift(a, b, j.Lag, slope, processed)
	if err != nil {
		t.Fatal(err)
	}
	if !(j.DriftError <= sure) {
		j.Drift, j.DriftError = own+d, sure
	}
	return j
}

// TestDriftCoverage compares takes of several performances, all on one clock,
// with their dry recording and with each other: the stated 95 % interval (two
// standard errors) of the drift holds zero in at least 93 of 100 cases, by the
// sound, by the notes and by the alignment.
func TestDriftCoverage(t *testing.T) {
	if raceDetector {
		t.Skip("the studio is slow under the race detector")
	}
	campaign.Long(t)
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
			timeline, err := parts.Listen(a)
			if err != nil {
				t.Fatal(err)
			}
			place, err := timeline.Place(b)
			if err != nil {
				t.Fatal(err)
			}
			if place.Certain {
				count("notes", float64(place.Drift), float64(place.DriftError))
				if !e.Certain {
					e.Lag, e.At = place.Lag, place.At
				}
			}
			s := drifts(t, a, b, e, p[0] > 0)
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

// minute returns the demo's performance of 52 s and what makes takes of it: the demo's
// circuits and gear of other kinds.
func minute(t testing.TB) (dry []float64, gear map[string]func() []float64) {
	s, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	dry = performance(t, s.Seed, s.Score)
	gear = map[string]func() []float64{}
	for _, c := range chains(t) {
		gear[c.Name] = func() []float64 { return through(dry, c.Chain) }
	}
	for name, g := range circuits.All {
		gear[name] = func() []float64 { return g.Play(dry, 1) }
	}
	return dry, gear
}

// TestDriftOfAMinute holds takes of 52 s, on the dry recording's clock or 3 ppm
// off, against the dry recording: the drift is found within 1 ppm, and within two
// of the stated standard errors in at least 95 of 100 cases; no slip is found.
func TestDriftOfAMinute(t *testing.T) {
	if raceDetector {
		t.Skip("the studio is slow under the race detector")
	}
	dry, gear := minute(t)
	held, made := 0, 0
	for i, name := range slices.Sorted(maps.Keys(gear)) {
		t.Run(name, func(t *testing.T) {
			if i > 1 {
				campaign.Long(t)
			}
			x, off := gear[name](), 0.0
			if i%2 == 1 {
				x, off = studio.Slowed(x, 3), 3
			}
			r := drifts(t, align.NewMemory(rate, dry), align.NewMemory(rate, x), find(t, dry, x), false)
			t.Logf("%+.2f ± %.2f ppm, %+g put in", float64(r.Drift), 2*float64(r.DriftError), off)
			made++
			by := math.Abs(float64(r.Drift) - off)
			if by <= 2*float64(r.DriftError) {
				held++
			}
			if !(by <= 1) || len(r.Slips) > 0 {
				t.Errorf("drift %.2f ± %.2f ppm, %g was put in; slips %v", float64(r.Drift), 2*float64(r.DriftError), off, r.Slips)
			}
		})
	}
	if float64(held) < 0.95*float64(made) {
		t.Errorf("the 95 %% interval holds the truth in %d of %d", held, made)
	}
}

// TestPassages plays passages that differ much, and repeat their rhythm, through
// the gear that moves its delay most: nothing is taken for a slip, and the drift
// lies within three of the stated standard errors.
func TestPassages(t *testing.T) {
	if raceDetector {
		t.Skip("the studio is slow under the race detector")
	}
	low := studio.Part{Tempo: 130, Step: 0.5, Notes: "60m 60m 63 60m 65 63 60m 62 60m 63 60m 60m 66 65 63 60m"}
	notes := studio.Part{Tempo: 120, Step: 0.5, Notes: "37 39b . 29 27 39 37~ . 49 . 27 29 . 37 39 49"}
	chords := studio.Part{Tempo: 72, Step: 1, Ring: true, Notes: "60+52+42+30+20+10 . 63+55+45 . 60+52+42+30 . 53+42 ."}
	lead := studio.Part{Tempo: 96, Step: 0.5, Notes: "17 19b . 17 27 19~ . . 10 17 . 19 27 29 17~ ."}
	broken := studio.Part{Tempo: 110, Step: 0.5, Ring: true, Notes: "60 42 30 20 10 20 30 42 53 42 30 21 10 21 30 42"}
	bass := studio.Part{Tempo: 100, Step: 0.5, Notes: "49 47 39 37 49~ . 57 49 47 . 37 39 49 57~ . ."}
	fuzzes := chains(t)
	for k, passages := range [][]studio.Part{{low, notes, chords, lead, broken}, {chords, lead, notes, low, bass, broken}, {broken, chords, notes, lead}} {
		t.Run(fmt.Sprint(k), func(t *testing.T) {
			if k > 0 {
				campaign.Long(t)
			}
			score, at := studio.Score{}, 1.0
			for _, p := range passages {
				p.Start, p.Name = at, fmt.Sprint(at)
				score.Parts = append(score.Parts, p)
				at += 60/p.Tempo*p.Step*float64(len(strings.Fields(p.Notes))) + 1.2
			}
			score.Length = at + 0.5
			dry := performance(t, 40+uint64(k), score)
			takes := map[string][]float64{fuzzes[2].Name: through(dry, fuzzes[2].Chain)}
			for _, name := range []string{"cascade", "high gain", "octave"} {
				takes[name] = circuits.All[name].Play(dry, 1)
			}
			for name, x := range takes {
				r := drifts(t, align.NewMemory(rate, dry), align.NewMemory(rate, x), find(t, dry, x), false)
				t.Logf("%.0f s, %-12s %+.2f ± %.2f ppm, smallest slip %.1f", score.Length, name, float64(r.Drift), 2*float64(r.DriftError), float64(r.Smallest))
				if len(r.Slips) > 0 || !(math.Abs(float64(r.Drift)) < 3*float64(r.DriftError)) {
					t.Errorf("%.0f s, %s: slips %+v, drift %.2f ± %.2f ppm", score.Length, name, r.Slips, float64(r.Drift), 2*float64(r.DriftError))
				}
			}
		})
	}
}
