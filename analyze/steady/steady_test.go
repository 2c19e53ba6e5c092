package steady

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
	"evenhand/examples/guitar"
)

const rate = guitar.Rate

// pauses are those between the passages.
func pauses() []Stretch {
	var out []Stretch
	last := unit.Seconds(0)
	for _, s := range append(guitar.Sections(), guitar.Section{From: guitar.Length, To: guitar.Length}) {
		if s.From-last > 1 {
			out = append(out, Stretch{int64((last + 0.6) * rate), int64((s.From - last - 0.6) * rate)})
		}
		last = s.To
	}
	return out
}

func compare(t *testing.T, a, b []float64) Change {
	t.Helper()
	var tracks [2]*Track
	for i, x := range [][]float64{a, b} {
		var err error
		if tracks[i], err = NewTrack(align.NewMemory(rate, x), 0, 0, int64(len(x))); err != nil {
			t.Fatal(err)
		}
	}
	c, ok := Compare(tracks[0], tracks[1], pauses())
	if !ok {
		t.Fatal("not compared")
	}
	return c
}

// faded applies a level in dB that depends on the time in seconds.
func faded(x []float64, db func(s float64) float64) []float64 {
	y := slices.Clone(x)
	for i := range y {
		y[i] *= unit.ToAmplitude(db(float64(i) / rate))
	}
	return y
}

func between(from, to, db float64) func(float64) float64 {
	return func(s float64) float64 {
		if s >= from && s < to {
			return db
		}
		return 0
	}
}

// turned raises or lowers the treble above 3 kHz, first order, from one time to
// another.
func turned(x []float64, from, to, db float64) []float64 {
	y := slices.Clone(x)
	low, a := 0.0, 1-math.Exp(-2*math.Pi*3000/rate)
	for i, v := range x {
		low += a * (v - low)
		if s := float64(i) / rate; s >= from && s < to {
			y[i] = low + unit.ToAmplitude(db)*(v-low)
		}
	}
	return y
}

// TestRepeats asks that second takes of all chains are steady.
func TestRepeats(t *testing.T) {
	for _, k := range guitar.Chains(t) {
		c := compare(t, guitar.Repeat(t, k.Name), guitar.Take(t, k.Name))
		t.Logf("%-12s %+.2f dB %s %.1f to %.1f s, found %v, creeps %v, hidden %.2f", k.Name, float64(c.Size), c.Band, float64(c.From), float64(c.To), c.Found, c.Creeps, float64(c.Hidden))
		if c.Found && math.Abs(float64(c.Size)) > 0.25 || c.Hidden > 0.1 {
			t.Errorf("%s: %+v", k.Name, c)
		}
	}
}

// TestWavering asks that gear with a slow clock of its own is not accused.
func TestWavering(t *testing.T) {
	x := guitar.Take(t, "clean-1")
	for _, period := range []float64{0.4, 1.5, 4, 9, 17} {
		y := faded(x, func(s float64) float64 { return 2 * math.Sin(2*math.Pi*s/period+1) })
		z := faded(x, func(s float64) float64 { return 2 * math.Sin(2*math.Pi*s/period+3) })
		if c := compare(t, y, z); c.Found {
			t.Errorf("2 dB in %g s: %+v", period, c)
		}
	}
}

// TestChanges asks for the size, the place and the octave of what changes.
func TestChanges(t *testing.T) {
	creep := func(db float64) func(float64) float64 { return func(s float64) float64 { return db * s / 60 } }
	rng := rand.New(rand.NewPCG(1, 2))
	for _, chain := range []string{"clean-1", "crunch-1", "fuzz-1", "octave-up", "chorus", "reverb"} {
		x, y := guitar.Take(t, chain), guitar.Repeat(t, chain)
		from := 8 + 20*rng.Float64()
		to := from + 8 + 10*rng.Float64()
		for _, c := range []struct {
			name     string
			y        []float64
			size     float64
			within   float64
			from, to float64
			creeps   bool
			treble   bool
		}{
			{"a fader, 3 dB", faded(y, between(from, to, -3)), -3, 0.1, from, to, false, false},
			{"a fader, 0.7 dB", faded(y, between(from, to, 0.7)), 0.7, 0.1, from, to, false, false},
			{"a fader, 1 dB to the end", faded(y, between(to, 60, 1)), 1, 0.1, to, 60, false, false},
			{"a creep of 2 dB", faded(y, creep(2)), 2, 0.3, 0, 60, true, false},
			{"treble turned down", turned(y, from, to, -8), -8, 6, from, to, false, true},
		} {
			got := compare(t, c.y, x)
			// Of a stretch at an end the shorter part is the one that is named.
			if got.AtStart && !got.Creeps {
				got.Size, got.From, got.To, got.AtEnd = -got.Size, got.To, guitar.Length, true
			}
			text := fmt.Sprintf("%s, %s from %.1f to %.1f: %+.2f dB %s from %.1f to %.1f, creeps %v, hidden %.2f", chain, c.name, c.from, c.to, float64(got.Size), got.Band, float64(got.From), float64(got.To), got.Creeps, float64(got.Hidden))
			t.Log(text)
			late, early := float64(got.From)-c.from, c.to-float64(got.To)
			switch {
			case !got.Found || got.Creeps != c.creeps:
				t.Errorf("%s", text)
			case c.treble:
				// It shows where there is treble, in an octave or in the whole.
				if got.Size > -1 || late < -0.3 || early < -0.4 {
					t.Errorf("%s", text)
				}
			case math.Abs(float64(got.Size)-c.size) > c.within || got.Band != "":
				t.Errorf("%s", text)
			case c.creeps:
			// Where nothing sounds, nothing can be told.
			case late < -1.6 || late > 1.6 || early > 2 && !got.AtEnd || early < -0.4:
				t.Errorf("%s: %.2f s late, ends %.2f s early", text, late, early)
			}
		}
	}
}
