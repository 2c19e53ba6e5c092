package leftover_test

import (
	"math"
	"testing"

	"evenhand/analyze/leftover"
	"evenhand/analyze/unit"
	"evenhand/examples/guitar"
	"evenhand/examples/studio"
)

// TestRepeatLeavesItsNoise: what remains between two passes through one chain is the
// noise that the chain adds to each.
func TestRepeatLeavesItsNoise(t *testing.T) {
	session, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	dry, err := session.Dry()
	if err != nil {
		t.Fatal(err)
	}
	mono := func(c studio.Chain) []float64 {
		c.Lag, c.Extra = 100, 0
		x := studio.Render(dry, c)
		for i := range x[0] {
			x[0][i] = (x[0][i] + x[1][i]) / 2
		}
		return x[0]
	}
	// A circuit that hisses more than the demo's, since less than about −55 dB of music
	// is not resolved.
	circuit := studio.Circuits()[0]
	circuit.Hiss = -42
	first := session.Takes[0].Chain
	first.Circuit = &circuit
	again := first
	again.Seed++
	x, y := mono(first), mono(again)
	var noise, all float64
	for i := range y {
		noise, all = noise+(y[i]-x[i])*(y[i]-x[i]), all+y[i]*y[i]
	}
	want := unit.FromPower(noise / all)
	got, _ := compare(t, x, y, leftover.Params{Bands: thirds})
	t.Logf("%.2f dB after a filter, %.2f dB after an equaliser; the noise is %.2f dB", float64(got.Filter.Unweighted), float64(got.Equaliser.Unweighted), want)
	if math.Abs(float64(got.Filter.Unweighted)-want) > 1 {
		t.Errorf("a repeat leaves %.2f dB, and its noise is %.2f dB", float64(got.Filter.Unweighted), want)
	}
}

// onlyEQ is the figure below which a pair is said to differ by equalisation alone.
const onlyEQ = -20

// lesser is what the better of the two equalisers leaves, K-weighted.
func lesser(a, b leftover.Result) unit.DB { return min(a.Equaliser.K, b.Equaliser.K) }

// TestOnlyEQ: on both materials, a take and the same take after a tone control differ
// by equalisation alone, two different amplifiers or circuits do not.
func TestOnlyEQ(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	tone := func(x []float64, sections ...section) []float64 {
		y := append([]float64{}, x...)
		for _, s := range sections {
			s.run(y)
		}
		return y
	}
	controls := [][]section{
		{{highShelf, 1800, 0.7, 6}},
		{{highShelf, 1800, 0.7, -9}},
		{{peak, 700, 0.8, -8}, {highShelf, 3000, 0.6, 4}},
	}
	check := func(what string, x, y []float64, only bool) {
		t.Helper()
		a, b := compare(t, x, y, leftover.Params{Bands: thirds})
		e := lesser(a, b)
		t.Logf("%-26s filter %6.1f and %6.1f ± %.1f dB, equaliser %6.1f and %6.1f ± %.1f dB, bound %6.1f dB",
			what, float64(a.Filter.K), float64(b.Filter.K), float64(a.Filter.Error), float64(a.Equaliser.K), float64(b.Equaliser.K), float64(a.Equaliser.Error), float64(a.Bound))
		if (e < onlyEQ) != only {
			t.Errorf("%s: the better equaliser leaves %.1f dB; only EQ: %v", what, float64(e), only)
		}
	}
	takes := map[string][]float64{}
	for _, c := range []string{"clean-1", "clean-2", "crunch-1", "crunch-2", "lead", "high-gain", "fuzz-1", "fuzz-2"} {
		takes[c] = guitar.Take(t, c)
	}
	for i, c := range []string{"clean-1", "crunch-1", "lead", "fuzz-1"} {
		check(c+" and its tone control", takes[c], tone(takes[c], controls[i%3]...), true)
	}
	for _, p := range [][2]string{{"clean-2", "crunch-1"}, {"crunch-1", "crunch-2"}, {"lead", "high-gain"}, {"fuzz-1", "fuzz-2"}, {"clean-1", "fuzz-1"}, {"crunch-1", "lead"}} {
		check(p[0]+" and "+p[1], takes[p[0]], takes[p[1]], false)
	}
	session, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	dry, err := session.Dry()
	if err != nil {
		t.Fatal(err)
	}
	made := [][]float64{}
	for _, take := range session.Takes[:5] {
		c := take.Chain
		c.Lag, c.Extra = 100, 0
		made = append(made, studio.Render(dry, c)[0])
	}
	for i, take := range session.Takes[:5] {
		check(take.Name+" and its tone control", made[i], tone(made[i], controls[i%3]...), true)
		if k := i - 1; k >= 0 {
			check(session.Takes[k].Name+" and "+take.Name, made[k], made[i], false)
		}
	}
}
