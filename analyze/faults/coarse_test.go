package faults

import (
	"fmt"
	"math"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/guitar"
	"evenhand/examples/studio"
)

// crushed rounds to bits, holds each hold-th sample and changes the level after.
func crushed(x []float64, bits, hold int, gain unit.DB) []float64 {
	y := quantised(x, bits)
	for i := range y {
		y[i] = y[i-i%hold]
	}
	return scaled(y, unit.ToAmplitude(float64(gain)))
}

// plain are dry recordings of both materials.
func plain(t testing.TB) []material {
	t.Helper()
	out := []material{}
	for kind := range 2 {
		x, err := studio.Performance(48000, 31, score(kind))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, material{fmt.Sprintf("synthesizer %d", kind), 48000, x})
	}
	x := guitar.Dry(t)
	for _, s := range guitar.Sections() {
		out = append(out, material{"sampled, " + s.Name, guitar.Rate, x[int((s.From-0.5)*guitar.Rate):int((s.To+0.5)*guitar.Rate)]})
	}
	return out
}

// TestCoarse asks of files of few bits and of crushers, which round and hold, that
// neither dropouts nor clicks nor flat tops are found.
func TestCoarse(t *testing.T) {
	all := plain(t)
	if raceDetector {
		all = all[:1]
	}
	for k, m := range all {
		for i, bits := range []int{6, 8, 10, 12} {
			for j, hold := range []int{1, 2, 6, 20, 40} {
				gain := unit.DB(-5 * ((i + j + k) % 2))
				r := measure(t, m.rate, Params{}, crushed(m.x, bits, hold, gain))
				if r.DropoutCount > 0 || r.ClickCount > 0 || r.Channels[0].FlatTops > 0 {
					t.Errorf("%s, %d bits, each %dth sample, %v: %d dropouts, %d clicks, %d flat tops", m.name, bits, hold, gain, r.DropoutCount, r.ClickCount, r.Channels[0].FlatTops)
				}
				recorded := measure(t, m.rate, Params{}, quantised(hissy(crushed(m.x, bits, hold, gain), 5, 1e-5), 16))
				if n := recorded.DropoutCount + recorded.ClickCount + recorded.Channels[0].FlatTops; n > 0 && bits <= 8 {
					t.Errorf("%s, %d bits, each %dth sample, recorded at 16 bits with noise: %d findings", m.name, bits, hold, n)
				}
				if r.Stepped == 0 && bits < 10 {
					t.Errorf("%s, %d bits, each %dth sample: no steps", m.name, bits, hold)
				}
			}
		}
	}
}

// TestCountIn puts four strokes in digital silence before a performance with a
// floor: the silence between them is no dropout, and one within the playing is.
func TestCountIn(t *testing.T) {
	for _, m := range plain(t)[:3] {
		for _, stroke := range []float64{0.005, 0.03, 0.1} {
			var x []float64
			for range 4 {
				for i := range m.rate / 2 {
					v := 0.0
					if s := float64(i) / float64(m.rate); s < stroke {
						v = 0.3 * math.Cos(2*math.Pi*1000*s)
					}
					x = append(x, v)
				}
			}
			before := int64(len(x))
			x = append(x, m.x...)
			r := measure(t, m.rate, Params{}, x)
			if r.DropoutCount > 0 || r.ClickCount > 0 {
				t.Errorf("%s, strokes of %g s: %v, %v", m.name, stroke, r.Dropouts, r.Clicks)
			}
			at := before
			for rmsLevel(x[at-240:at]) < -35 || rmsLevel(x[at+512:at+752]) < -35 {
				at += 100
			}
			clear(x[at : at+512])
			if r := measure(t, m.rate, Params{}, x); r.DropoutCount != 1 || r.Dropouts[0].Frame < at-2 || r.Dropouts[0].Frame > at {
				t.Errorf("%s, strokes of %g s: %v, want one at %d", m.name, stroke, r.Dropouts, at)
			}
		}
	}
}
