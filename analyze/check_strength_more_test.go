package analyze

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/examples/studio"
)

// mistimed are faults of time and of the performance, in takes and repeats.
func mistimed(t testing.TB, m material) []grade {
	nan := math.NaN()
	var out []grade
	for _, v := range []float64{0, -20} {
		out = append(out, grade{fairness.IDPolarity, fmt.Sprintf("inverted, %g dB", v), "again", func(s *scene, f string) {
			s.each(f, func(x []float64) []float64 { return scaledBy(scaled(x, v), -1) })
		}, of(result.Caution, nan, 0, "inverted"), ""})
	}
	for _, v := range []struct{ ppm, within float64 }{{4, 0.5}, {20, 0.5}, {60, 1}, {200, 2}, {0.5, 0.5}} {
		w := of(result.Failed, v.ppm, v.within, "")
		if v.ppm < 1 {
			w.outcome = result.Passed
		}
		out = append(out, grade{fairness.IDDrift, fmt.Sprintf("a repeat slower by %g ppm", v.ppm), "again", func(s *scene, f string) {
			s.each(f, func(x []float64) []float64 { return studio.Slowed(x, v.ppm) })
		}, w, ""})
	}
	for _, rate := range []int{44100, 96000, sceneRate} {
		ratio := float64(rate) / sceneRate
		w := of(result.Failed, ratio, 1e-4, "times as long")
		if rate == sceneRate {
			w = below(1, 0)
		}
		out = append(out, grade{fairness.IDRateLabel, fmt.Sprintf("%d Hz called 48 kHz", rate), "two", func(s *scene, f string) {
			if rate != sceneRate {
				s.mislabel(t, f, rate)
			}
		}, w, ""})
	}
	lose := func(n int) func(s *scene, f string) {
		return func(s *scene, f string) {
			s.each(f, func(x []float64) []float64 { return slices.Delete(x, s.sounding, s.sounding+n) })
		}
	}
	for _, n := range []int{1, 10, 480} {
		out = append(out, grade{fairness.IDSlips, fmt.Sprintf("%d samples lost in a repeat", n), "again", lose(n), of(result.Failed, float64(n), max(0.05, 0.003*float64(n)), "samples lost"), ""})
	}
	for _, n := range []int{48, 480} {
		out = append(out, grade{fairness.IDSlips, fmt.Sprintf("%d samples lost in another take", n), "two", lose(n), of(result.Failed, float64(n), 12, "lost"), ""})
	}
	tenth := func(s *scene, f string) {
		s.each(f, func(x []float64) []float64 {
			return append(x[:s.sounding:s.sounding], playedFrom(x[s.sounding:], 0.1)...)
		})
	}
	out = append(out, grade{fairness.IDSlips, "a tenth of a sample lost in a repeat", "again", tenth, below(0, 0), ""},
		// In noise even that is found.
		grade{fairness.IDSlips, "1 sample lost in another take", "two", lose(1), below(0, 0), "noise"})
	// Where little music lies on one side it may be left open, never denied.
	for _, x := range [][2]float64{{2.3, 1440}, {5, 2400}} {
		at, n := int(x[0]*sceneRate), int(x[1])
		out = append(out, grade{fairness.IDSlips, fmt.Sprintf("%d samples lost at %g s", n, x[0]), "two", func(s *scene, f string) {
			s.each(f, func(x []float64) []float64 { return slices.Delete(x, at, at+n) })
		}, of(neverHolds, x[1], 12, ""), ""})
	}
	out = append(out, grade{fairness.IDPerformance, "another pass by the same hands", "two", func(s *scene, f string) {
		dry, err := m.pass(9)
		if err != nil {
			t.Fatal(err)
		}
		s.files[f] = m.take(dry)
	}, of(result.Failed, nan, 0, ""), ""})
	return append(out, grade{fairness.IDPerformance, "the same pass, 6 dB quieter", "two", func(s *scene, f string) {
		s.each(f, func(x []float64) []float64 { return scaled(x, -6) })
	}, below(nan, 0), ""})
}

// noisyPauses are faults that are heard in the pauses.
func noisyPauses() []grade {
	nan := math.NaN()
	var out []grade
	for _, db := range []float64{12, 20, 60, 2} {
		w := of(result.Failed, nan, 0, "gated")
		if db < 12 {
			w = below(nan, 0)
		}
		out = append(out, grade{fairness.IDGate, fmt.Sprintf("pauses lowered by %g dB", db), "two", func(s *scene, f string) { s.gate(f, db) }, w, ""})
	}
	for _, db := range []float64{4, 10, 30, 1} {
		w := of(result.Caution, db, 0.7, "")
		if db < 4 {
			w.outcome = result.Passed
		}
		out = append(out, grade{fairness.IDNoiseSteps, fmt.Sprintf("a floor higher by %g dB", db), "two", func(s *scene, f string) { s.floorStep(f, db) }, w, ""})
	}
	for _, level := range []float64{-40, -30, -20, -90} {
		w := of(result.Caution, nan, 0, "")
		if level < -40 {
			w = below(nan, 0)
		}
		out = append(out, grade{fairness.IDHum, fmt.Sprintf("hum of %g dBFS", level), "two", func(s *scene, f string) { s.hum(f, level) }, w, ""})
	}
	return out
}

// moved are microphones that were moved or inverted, beside takes whose right one
// is 24 frames later than the left.
func moved() []grade {
	const ms = sceneRate / 1000.0
	nan := math.NaN()
	right := func(d, gain, sign float64) func(s *scene, f string) {
		return func(s *scene, f string) {
			x := s.files[f][0]
			s.files[f][1] = scaledBy(scaled(delayed(x, 24+d)[:len(x)], gain), sign)
		}
	}
	var out []grade
	for _, d := range []float64{1.4, 4.2, 42, 0.4} { // 1, 3 and 30 cm of air; 3 mm
		w := of(result.Caution, d/ms, 0.003, "")
		if d < 1 {
			w.outcome = result.Passed
		}
		out = append(out, grade{fairness.IDMicDelay, fmt.Sprintf("later by %g frames", d), "one", right(d, -3, 1), w, ""})
	}
	for _, gain := range []float64{0, -10, -20} {
		out = append(out, grade{fairness.IDMicPolarity, fmt.Sprintf("inverted at %g dB", gain), "one", right(0, gain, -1), of(result.Caution, nan, 0, "opposite"), ""})
	}
	return append(out, grade{fairness.IDMicPolarity, "not inverted", "one", right(0, -20, 1), below(nan, 0), ""})
}

// one is a fault that needs a comparison of its own.
type one struct {
	id, name string
	not      string
	run      func(t *testing.T, m material)
}

// whole are faults of the loop, the dry recording, an impulse response, and
// those that change how other takes are seen.
func whole() []one {
	nan := math.NaN()
	var out []one
	add := func(id, name, not string, need stages, w wanted, spoil func(s *scene)) {
		w.id = id
		out = append(out, one{id, name, not, func(t *testing.T, m material) {
			s := m.make(t)
			if id != fairness.IDReampLevel && id != fairness.IDReampTone {
				s.manifest = strings.Replace(s.manifest, "  loopback: loop.wav\n", "", 1)
			}
			spoil(s)
			if res := s.answer(t, need, map[string]bool{id: true}); w.outcome == result.Passed {
				assertUnfound(t, res, w)
			} else {
				assert(t, res, w)
			}
		}})
	}
	for _, db := range []float64{0.25, 0.8, -0.6, 3, -6, 0.1} {
		w := of(result.Caution, db, 0.005, unit.Signed(db, 2)+" dB")
		if math.Abs(db) > 1 {
			w.outcome = result.Failed
		} else if db == 0.1 {
			w.outcome = result.Passed
		}
		add(fairness.IDReampLevel, fmt.Sprintf("%+g dB", db), "", looping, w, func(s *scene) { s.files["loop"][0] = scaled(s.files["loop"][0], db-0.05) })
	}
	// Of a Butterworth filter at 63.1 Hz, 10·lg(1 + (f₀/f)⁴); in the octave the
	// lowest notes count most, 82 Hz and the body below.
	for _, hz := range []float64{50, 80, 120, 15} {
		loss := -10 * math.Log10(1+math.Pow(hz/63.1, 4))
		w := of(result.Caution, loss, 0.35*math.Abs(loss)+0.2, "−")
		if hz < 50 {
			w = below(0, 0.3)
		}
		add(fairness.IDReampTone, fmt.Sprintf("lows below %g Hz", hz), "noise", looping, w, func(s *scene) { s.files["loop"][0] = highPassed(s.files["loop"][0], hz) })
	}
	for _, n := range []int{3, 100, 5000, 1} {
		w := of(result.Caution, nan, 0, "clipped")
		if n < 3 {
			w = below(nan, 0)
		}
		add(fairness.IDDry, fmt.Sprintf("%d samples at full scale", n), "", scanning, w, func(s *scene) {
			for i := range n {
				s.files["dry"][0][s.sounding+i] = 1
			}
		})
	}
	for _, rate := range []int{44100, 22050, 96000, sceneRate} {
		w := of(result.Caution, nan, 0, fmt.Sprintf("%d Hz", rate))
		w.subject = "ir.wav"
		if rate == sceneRate {
			w = below(nan, 0)
			w.subject = "ir.wav"
		}
		add(fairness.IDIRRate, fmt.Sprintf("%d Hz", rate), "noise demo", scanning, w, func(s *scene) { s.response(rate, "") })
	}
	copies := func(s *Session) []func(context.Context) error { return append(quiet(s), s.compareTakes) }
	for _, db := range []float64{-65, -75, -90, -45} {
		w := of(result.Failed, db, 1.5, "")
		w.subject = "One and Two"
		if db > -60 {
			w = below(db, 1.5)
		}
		add(fairness.IDNearCopy, fmt.Sprintf("a copy with noise at %g dB", db), "", copies, w, func(s *scene) {
			rng := rand.New(rand.NewPCG(3, 9))
			s.files["two"] = nil
			for _, x := range s.files["one"] {
				s.files["two"] = append(s.files["two"], scaled(x, -3))
			}
			// What is compared is the mean of the channels.
			sum, n := 0.0, float64(len(s.files["two"]))
			for i := range s.files["two"][0] {
				v := 0.0
				for _, x := range s.files["two"] {
					v += x[i] / n
				}
				sum += v * v
			}
			rms := math.Sqrt(n * sum / float64(len(s.files["two"][0])))
			s.each("two", func(x []float64) []float64 {
				for i := range x {
					x[i] += rms * unit.ToAmplitude(db) * rng.NormFloat64()
				}
				return x
			})
		})
	}
	for _, db := range []float64{-26, -34, -44, 0} {
		w := of(result.Caution, nan, 0, "LUFS")
		if db > -26 {
			w = below(nan, 0)
		}
		add(fairness.IDMatchRoom, fmt.Sprintf("a click in a take of %g dB", db), "", quiet, w, func(s *scene) {
			if db == 0 {
				return
			}
			s.each("two", func(x []float64) []float64 { return scaled(x, db) })
			s.files["two"][0][s.sounding] = 0.9
		})
	}
	return out
}
