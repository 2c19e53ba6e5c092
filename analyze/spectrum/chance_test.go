package spectrum

import (
	"math"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/unit"
)

// riff is a dry performance: plucked notes of a baritone guitar with decaying
// partials, and a pause at the end of every fourth note's time.
func riff(rate int, seconds float64) []float64 {
	x := make([]float64, int(seconds*float64(rate)))
	notes := []float64{61.735, 61.735, 73.416, 82.407, 61.735, 110, 98, 92.499}
	r := rand.New(rand.NewPCG(7, 7))
	each := int(0.4 * float64(rate))
	for n, at := 0, 0; at < len(x); n, at = n+1, at+each {
		if n%8 == 7 {
			continue // a pause
		}
		f := notes[n%len(notes)]
		for h := 1; h <= 24 && f*float64(h) < 0.45*float64(rate); h++ {
			a, phase := 0.3/float64(h), 2*math.Pi*r.Float64()
			w := 2 * math.Pi * f * float64(h) * (1 + 2e-5*float64(h*h)) / float64(rate)
			// A decaying sine by recursion.
			d := math.Exp(-(1.5 + 0.4*float64(h)) / float64(rate))
			c := 2 * d * math.Cos(w)
			y1, y2 := a*math.Sin(phase-w)/d, a*math.Sin(phase-2*w)/(d*d)
			for i := at; i < min(at+2*each, len(x)); i++ {
				y := c*y1 - d*d*y2
				x[i] += y
				y1, y2 = y, y1
			}
		}
	}
	return x
}

// chain is a simulated pass: noise of the input, drive, a one-pole low-pass as
// the cabinet, noise of the output. Noise levels are rms; hum is the peak of the
// mains fundamental at the input, with odd harmonics, in a phase that each pass
// draws anew.
type chain struct{ hissIn, drive, hissOut, hum float64 }

func (c chain) pass(dry []float64, rate int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 99))
	out := make([]float64, len(dry))
	pole := math.Exp(-2 * math.Pi * 2500 / float64(rate))
	phase := 2 * math.Pi * r.Float64()
	y := 0.0
	for i, v := range dry {
		if c.hum > 0 {
			s := math.Sin(2*math.Pi*50*float64(i)/float64(rate) + phase)
			v += c.hum * (s + 4*s*s*s) / 5 * 4
		}
		v = math.Tanh(c.drive * (v + c.hissIn*r.NormFloat64()))
		y = pole*y + (1-pole)*v
		out[i] = 0.3*y + c.hissOut*r.NormFloat64()
	}
	return out
}

func measure(t testing.TB, rate int, p Params, x []float64, spans ...Range) []PSD {
	t.Helper()
	w, err := NewWelch(rate, 1, p)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Track(spans...); err != nil {
		t.Fatal(err)
	}
	if err := w.Write([][]float64{x}); err != nil {
		t.Fatal(err)
	}
	return w.Finish()
}

// Two passes of one chain must show no finding anywhere on the page in at least
// 95 % of all cases: bands of three resolutions in the whole and two sections.
func TestTwoPassesShowNoFinding(t *testing.T) {
	const rate = 8000
	seeds := uint64(200)
	if raced {
		seeds = 20 // the race detector slows this down tenfold
	}
	dry := riff(rate, 10)
	n := int64(len(dry))
	spans := []Range{{0, n}, {0, n / 2}, {n / 2, n / 2}}
	bands := [][]Band{Bands(3, 50, 3150), Bands(6, 50, 3150), Bands(12, 50, 3150)}
	for name, c := range map[string]chain{
		"quiet":            {hissIn: 1e-5, drive: 5, hissOut: 1e-5},
		"hiss outside":     {hissIn: 0, drive: 5, hissOut: 0.01},
		"high gain":        {hissIn: 1e-3, drive: 60, hissOut: 1e-4}, // hiss is loud in the pauses only
		"hum":              {hissIn: 1e-4, drive: 8, hissOut: 1e-4, hum: 1e-3},
		"nothing but hiss": {hissIn: 0, drive: 0, hissOut: 0.1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := Params{Length: 4096, Hop: 2048}
			before := measure(t, rate, p, c.pass(dry, rate, 1000), spans...)
			family := 0
			for _, b := range bands {
				for _, s := range before {
					for _, v := range s.Bands(b) {
						if !math.IsNaN(v) {
							family++
						}
					}
				}
			}
			if family < 150 {
				t.Fatalf("only %d comparisons in the family", family)
			}
			each := FamilyConfidence(0.95, family)
			found, plain, compared := uint64(0), 0, 0
			for s := uint64(1); s <= seeds; s++ {
				after := measure(t, rate, p, c.pass(dry, rate, 1000+s), spans...)
				any := false
				for i := range spans {
					for _, b := range bands {
						for _, r := range Compare(after[i], before[i], 0, 0, b, each).Resolved {
							any = any || r
						}
					}
					// Each band by itself, without the correction.
					for _, r := range Compare(after[i], before[i], 0, 0, bands[0], 0.95).Resolved {
						if compared++; r {
							plain++
						}
					}
				}
				if any {
					found++
				}
				before = after
			}
			t.Logf("%d of %d pairs of passes had a finding among %d comparisons; single bands at 95 %%: %.2f %%", found, seeds, family, 100*float64(plain)/float64(compared))
			if found > seeds/20 {
				t.Errorf("%d of %d pairs of passes had a finding, allowed are %d", found, seeds, seeds/20)
			}
			if plain*20 > compared {
				t.Errorf("single bands at 95 %%: %d of %d differ, allowed is a twentieth", plain, compared)
			}
		})
	}
}

// shelf is a first-order high shelf of gain dB above hz.
func shelf(x []float64, rate int, hz, gain float64) []float64 {
	pole := math.Exp(-2 * math.Pi * hz / float64(rate))
	g := unit.ToAmplitude(gain)
	out := make([]float64, len(x))
	low := 0.0
	for i, v := range x {
		low = pole*low + (1-pole)*v
		out[i] = low + g*(v-low)
	}
	return out
}

// The strictness must not hide what matters: a treble shelf of 1 dB in 30 s of
// driven playing, on a page of eight takes, six spans and all resolutions.
func TestShelfIsFound(t *testing.T) {
	const rate = 48000
	dry := riff(rate, 30)
	n := int64(len(dry))
	c := chain{hissIn: 1e-4, drive: 8, hissOut: 1e-5}
	p := DefaultParams(rate)
	a := measure(t, rate, p, c.pass(dry, rate, 1), Range{0, n})[0]
	b := measure(t, rate, p, shelf(c.pass(dry, rate, 2), rate, 1000, 1), Range{0, n})[0]
	bands := Bands(3, 50, 10000)
	each := FamilyConfidence(0.95, 7*6*(31+60+120))
	got := Compare(b, a, 0, 0, bands, each)
	resolved := 0
	for i, band := range bands {
		t.Logf("%8s %+.3f dB, half width %.3f dB, resolved %v", band.Label, got.Difference[i], got.HalfWidth[i], got.Resolved[i])
		if band.Centre > 2500 {
			if !got.Resolved[i] {
				t.Errorf("%s: a shelf of %+.2f dB was not resolved, half width %.2f dB", band.Label, got.Difference[i], got.HalfWidth[i])
			}
			resolved++
		}
		if band.Centre < 150 && got.Resolved[i] {
			t.Errorf("%s: resolved %+.3f dB far below the shelf", band.Label, got.Difference[i])
		}
	}
	if resolved < 6 {
		t.Fatalf("only %d bands lie above the shelf", resolved)
	}
}
