package faults

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"evenhand/examples/studio"
)

// material is clean sound of many kinds; nothing may be found in it.
type material struct {
	name string
	rate int
	x    []float64
}

func scaled(x []float64, g float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = g * v
	}
	return y
}

// fit scales to a peak.
func fit(x []float64, peak float64) []float64 {
	p := 0.0
	for _, v := range x {
		p = max(p, math.Abs(v))
	}
	return scaled(x, peak/max(p, 1e-9))
}

func pass(x []float64, rate int, hz, q float64, high bool) []float64 {
	w := 2 * math.Pi * hz / float64(rate)
	c, al := math.Cos(w), math.Sin(w)/(2*q)
	b0, b1 := (1-c)/2, 1-c
	if high {
		b0, b1 = (1+c)/2, -(1 + c)
	}
	a0 := 1 + al
	y := make([]float64, len(x))
	var x1, x2, y1, y2 float64
	for i, v := range x {
		u := (b0*v + b1*x1 + b0*x2 + 2*c*y1 - (1-al)*y2) / a0
		x2, x1, y2, y1 = x1, v, y1, u
		y[i] = u
	}
	return y
}

// driven is a fuzz without oversampling: its edges alias, which makes them all
// the more uneven. The coupling capacitor behind it tilts what is flat.
func driven(x []float64, rate int, g, bias float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = math.Tanh(g*v+bias) - math.Tanh(bias)
	}
	return pass(y, rate, 30, 0.7, true)
}

func cab(x []float64, rate int) []float64 {
	y := pass(x, rate, 90, 1.2, true)
	y = pass(y, rate, 5000, 0.54, false)
	return pass(y, rate, 5000, 1.31, false)
}

func hissy(x []float64, seed uint64, rms float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 4))
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v + rms*r.NormFloat64()
	}
	return y
}

// quantised rounds to bits without dither.
func quantised(x []float64, bits int) []float64 {
	s := math.Pow(2, float64(bits-1))
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = math.Round(v*s) / s
	}
	return y
}

// gated mutes what is below a level to digital silence, with an attack of 1 ms
// and a release of 20 ms.
func gated(x []float64, rate int, level float64) []float64 {
	y := make([]float64, len(x))
	env, g := 0.0, 0.0
	up, down := 1/(0.001*float64(rate)), 1/(0.02*float64(rate))
	hold := 0
	for i, v := range x {
		env = max(math.Abs(v), env*(1-4*down))
		if env > level {
			hold = rate / 20
		}
		if hold > 0 {
			hold--
			g = min(1, g+up)
		} else {
			g = max(0, g-down)
		}
		y[i] = g * v
	}
	return y
}

// ends puts fades at both ends.
func ends(x []float64, rate int) []float64 {
	n := min(rate/50, len(x)/2)
	y := append([]float64(nil), x...)
	for i := range n {
		y[i] *= float64(i) / float64(n)
		y[len(y)-1-i] *= float64(i) / float64(n)
	}
	return y
}

func noise(seed uint64, n int) []float64 { return hissy(make([]float64, n), seed, 0.2) }

// feedback is a howl that swells, though not from nothing as a fade does, and trembles.
func feedback(rate int, hz, seconds float64) []float64 {
	x := make([]float64, int(seconds*float64(rate)))
	ph := 0.0
	for i := range x {
		t := float64(i) / float64(rate)
		ph += 2 * math.Pi * hz * (1 + 0.003*math.Sin(2*math.Pi*5*t)) / float64(rate)
		x[i] = min(1, 0.2+t) * 0.3 * (math.Sin(ph) + 0.3*math.Sin(2*ph+1))
	}
	return x
}

func score(kind int) studio.Score {
	switch kind {
	case 0:
		return studio.Score{Length: 4.5, Parts: []studio.Part{{Start: 0.5, Tempo: 120, Step: 0.5, Notes: "60m 60m 63 60m 65 . 60+52+42 . . . 37 39b ."}}}
	case 1: // fast staccato
		return studio.Score{Length: 3.5, Parts: []studio.Part{{Start: 0.4, Tempo: 170, Step: 0.25, Notes: "60m - 60m - 63 - 65m - 60m - 52+42 - 60m - 61m - 60m - 63m - 60m - 37 - 39 -"}}}
	}
	return studio.Score{Length: 4.5, Parts: []studio.Part{{Start: 0.5, Tempo: 92, Step: 0.5, Ring: true, Notes: "60 42 30 20 10 20 30 42 63+52+40 . ."}}}
}

// clean returns the clean variants.
func clean(t testing.TB) []material {
	var out []material
	rates := []int{48000, 44100, 96000}
	seeds := uint64(2)
	if raceDetector {
		rates, seeds = rates[:1], 1
	}
	for _, rate := range rates {
		for seed := range seeds {
			for kind := range 3 {
				if raceDetector && kind > 0 {
					break
				}
				if rate == 96000 && (seed > 0 || kind == 2) {
					continue
				}
				dry, err := studio.Performance(rate, 100*seed+uint64(kind)+7, score(kind))
				if err != nil {
					t.Fatal(err)
				}
				bare, err := studio.Strings(rate, 100*seed+uint64(kind)+7, score(kind))
				if err != nil {
					t.Fatal(err)
				}
				add := func(name string, x []float64) {
					out = append(out, material{fmt.Sprintf("%s, %d Hz, playing %d.%d", name, rate, kind, seed), rate, x})
				}
				add("dry", dry)
				add("dry without noise", bare)
				add("dry in 16 bits", quantised(dry, 16))
				add("dry at −30 dB in 16 bits", quantised(scaled(dry, 0.03), 16))
				for _, g := range []float64{4, 30, 300} {
					for _, bias := range []float64{0, 0.4} {
						y := driven(dry, rate, g, bias)
						add(fmt.Sprintf("drive %g bias %g, no cabinet", g, bias), fit(y, 0.5))
						add(fmt.Sprintf("drive %g bias %g, no cabinet, 16 bits", g, bias), quantised(fit(y, 0.5), 16))
						z := cab(y, rate)
						add(fmt.Sprintf("drive %g bias %g, cabinet", g, bias), hissy(fit(z, 0.5), seed, 1e-5))
						add(fmt.Sprintf("drive %g bias %g, cabinet, no noise", g, bias), fit(z, 0.5))
					}
				}
				y := fit(cab(driven(dry, rate, 100, 0.2), rate), 0.5)
				add("gated", gated(y, rate, 0.1))
				add("gated, 16 bits", quantised(gated(y, rate, 0.1), 16))
				add("gated before the fuzz", fit(cab(driven(gated(dry, rate, 0.03), rate, 100, 0), rate), 0.5))
				add("dark", fit(pass(pass(y, rate, 800, 0.7, false), rate, 800, 0.7, false), 0.5))
				add("bright", fit(pass(dry, rate, 3000, 0.7, true), 0.5))
			}
		}
		for i, hz := range []float64{110, 440, 1661} {
			if rate == 96000 && i > 0 {
				continue
			}
			f := feedback(rate, hz, 3)
			for name, x := range map[string][]float64{"feedback": f, "saturated feedback": fit(cab(driven(f, rate, 60, 0.1), rate), 0.5),
				"saturated feedback, no cabinet": fit(driven(f, rate, 60, 0.1), 0.5)} {
				out = append(out, material{fmt.Sprintf("%s %g, %d Hz", name, hz, rate), rate, ends(x, rate)})
			}
		}
		n := noise(3, 3*rate)
		for name, x := range map[string][]float64{
			"white noise": n, "noise below 300 Hz": fit(pass(pass(n, rate, 300, 0.7, false), rate, 300, 0.7, false), 0.5),
			"noise 300 to 3000 Hz": fit(pass(pass(n, rate, 300, 0.7, true), rate, 3000, 0.7, false), 0.5),
			"noise above 6 kHz":    fit(pass(n, rate, 6000, 0.7, true), 0.5),
			"hiss in 16 bits":      quantised(scaled(n, 1e-3), 16),
		} {
			out = append(out, material{fmt.Sprintf("%s, %d Hz", name, rate), rate, ends(x, rate)})
		}
	}
	return append(out, takes(t)...)
}

// takes are passages through the demo's circuits, amplifiers and microphones.
func takes(t testing.TB) []material {
	var out []material
	for _, name := range studio.Scenarios() {
		if raceDetector {
			break
		}
		s, err := studio.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		for kind := range 2 {
			dry, err := studio.Performance(s.Rate, 55+uint64(kind), score(kind))
			if err != nil {
				t.Fatal(err)
			}
			for _, take := range s.Takes {
				c := take.Chain
				c.Extra = 0
				for ch, x := range studio.Render(dry, c) {
					out = append(out, material{fmt.Sprintf("%s, %s, channel %d, playing %d", name, take.Name, ch+1, kind), s.Rate, x})
				}
			}
		}
	}
	return out
}

func measure(t testing.TB, rate int, p Params, x ...[]float64) Result {
	t.Helper()
	m := NewMeter(rate, len(x), p)
	if err := m.Write(x); err != nil {
		t.Fatal(err)
	}
	return m.Finish()
}
