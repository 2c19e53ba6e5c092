package analyze

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/examples/guitar"
)

// TestAudible asks what counts, and by how much, of third octaves that are flat but for
// one. K is the weighting of that band against the strongest, 20 kHz: at 1 kHz −3.35 dB,
// at 100 Hz −5.18 dB (ITU-R BS.1770-5, Annex 1, as in the tests of loudness).
func TestAudible(t *testing.T) {
	bands := bandsOf(newBandSets().third)
	at := func(label string) int {
		return slices.IndexFunc(bands, func(b result.Band) bool { return b.Label == label })
	}
	flat := func(label string, level, floor float64) result.ThirdOctaves {
		o := result.ThirdOctaves{Levels: make([]unit.DB, len(bands)), Floor: make([]unit.DB, len(bands))}
		for i := range bands {
			o.Levels[i], o.Floor[i] = -20, -120
		}
		o.Levels[at(label)], o.Floor[at(label)] = unit.DB(level), unit.DB(floor)
		return o
	}
	const k1000, k100 = 0.6977 - 4.0431, -1.1335 - 4.0431
	nan := math.NaN()
	for _, c := range []struct {
		name           string
		band           string
		a, b           float64 // levels
		floorA, floorB float64
		lowest         unit.Hertz
		over           float64 // NaN: does not count
		difference     float64
		atLeast        bool
		playing, noise bool
	}{
		{"both heard", "1 kHz", -20, -26, -120, -120, 0, 45 + k1000, 6, false, true, false},
		{"turned round", "1 kHz", -26, -20, -120, -120, 0, 45 + k1000, -6, false, true, false},
		{"alike", "1 kHz", -20, -20, -120, -120, 0, 45 + k1000, 0, false, true, false},
		{"one is 45 dB down, K-weighted: down to there", "1 kHz", -30, -80, -120, -120, 0, 35 + k1000, 35 + k1000, true, true, false},
		{"however far down it is beyond", "1 kHz", -30, -140, -120, -150, 0, 35 + k1000, 35 + k1000, true, true, false},
		{"digital silence", "1 kHz", -30, math.Inf(-1), -120, math.Inf(-1), 0, 35 + k1000, 35 + k1000, true, true, false},
		{"just heard", "1 kHz", -64.9 - k1000, -90, -120, -120, 0, 0.1, 0.1, true, true, false},
		{"just not", "1 kHz", -65.1 - k1000, -90, -120, -120, 0, nan, nan, false, false, false},
		{"no lower than its floor", "1 kHz", -30, -60, -120, -50, 0, 35 + k1000, 20, true, true, false},
		{"not over its floor itself, as it is above it", "1 kHz", -30, -45, -120, -50, 0, 35 + k1000, 15, true, true, false},
		{"10 dB over its floor", "1 kHz", -30, -39.9, -120, -50, 0, 35 + k1000, 9.9, false, true, false},
		{"9 dB over its floor, the other fainter", "1 kHz", -41, -50, -50, -50, 0, nan, nan, false, false, false},
		{"11 dB over its floor: by that", "1 kHz", -39, -62, -50, -120, 0, 1, 26 + k1000, true, true, false},
		{"the noise of one in which the other is heard", "1 kHz", -28, -30, -30, -120, 0, 35 + k1000, 2, false, false, true},
		{"noise, heard", "1 kHz", -28, -60, -30, -58, 0, nan, nan, false, false, true},
		{"half of it is noise", "1 kHz", -26.9, -60, -30, -58, 0, nan, nan, false, false, false},
		{"under the lowest string, both", "100 Hz", -20, -26, -120, -120, 130.8, 39 + k100, 6, false, true, false},
		{"under the lowest string, one alone", "100 Hz", -20, -80, -120, -120, 130.8, nan, nan, false, true, false},
		{"the same, not under a lower string", "100 Hz", -20, -80, -120, -120, 110, 45 + k100, 45 + k100, true, true, false},
	} {
		a, b := flat(c.band, c.a, c.floorA), flat(c.band, c.b, c.floorB)
		got := result.Audible(bands, a, b, c.lowest)
		i := at(c.band)
		want := c.over / 45
		if math.IsNaN(want) {
			want = 0
		}
		near := func(x, y float64) bool { return math.Abs(x-y) < 1e-4 || math.IsNaN(x) && math.IsNaN(y) }
		if !near(got.Weight[i], want) || !near(float64(got.Difference[i]), c.difference) || got.AtLeast[i] != c.atLeast || got.Playing[i] != c.playing || got.Noise[i] != c.noise {
			t.Errorf("%s: weight %.5f, difference %.4f, at least %v, playing %v, noise %v; want %.5f, %.4f, %v, %v, %v", c.name,
				got.Weight[i], float64(got.Difference[i]), got.AtLeast[i], got.Playing[i], got.Noise[i], want, c.difference, c.atLeast, c.playing, c.noise)
		}
	}
	// Two bands, of which one has half the weight of the other: √((1·9 + 0.5·36)/1.5).
	two := result.Audibility{Weight: []float64{0.6, 0, 0.3}, Difference: []unit.DB{3, unit.DB(nan), -6}}
	if d := float64(two.Distance()); math.Abs(d-math.Sqrt(18)) > 1e-12 {
		t.Errorf("distance %v", d)
	}
	if d := (result.Audibility{Weight: []float64{0}, Difference: []unit.DB{1}}).Distance(); !math.IsNaN(float64(d)) {
		t.Errorf("distance of nothing: %v", d)
	}
}

// heardMaterials are recordings of several takes that sound different, with the dry
// recording under "dry".
func heardMaterials(t *testing.T) map[string]func(t *testing.T) recordings {
	return map[string]func(t *testing.T) recordings{
		"studio": func(t *testing.T) recordings {
			audio, err := shuffledAudio()
			if err != nil {
				t.Fatal(err)
			}
			return audio
		},
		"guitar": func(t *testing.T) recordings {
			const from, to = 0, 14 * guitar.Rate
			out := recordings{"dry": {guitar.Dry(t)[from:to]}}
			for i, c := range guitar.Chains(t) {
				if i%3 == 0 && c.Kind != "time-based" {
					out[c.Name] = [][]float64{guitar.Take(t, c.Name)[from:to]}
				}
			}
			return out
		},
	}
}

// heardIn measures takes as they are or as change makes them.
func heardIn(t *testing.T, audio recordings, spec wavio.Spec, change func(name string, x []float64) []float64) *result.Result {
	t.Helper()
	s := &scene{files: recordings{}, specs: map[string]wavio.Spec{}}
	text := "title: V\nvaries: amp\nperformance: {dry: dry.wav, tuning: E2 A2 D3 G3 B3 E4}\nchain:\n  - slot: amp\ntakes:\n"
	names := []string{}
	for name := range audio {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		file := manifest.Slug(name)
		x := audio[name][0]
		if name != "dry" {
			s.specs[file] = spec
			x = change(name, x)
			text += fmt.Sprintf("  - {name: %q, file: %s.wav, amp: %q}\n", name, file, name)
		}
		s.files[file] = [][]float64{x}
	}
	s.manifest = text
	c, err := manifest.Load(s.write(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	session, err := Measure(context.Background(), c, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return session.Result
}

// heardOrders are what takes are ranked by.
func heardOrders(res *result.Result) map[string]map[string]float64 {
	out := map[string]map[string]float64{"distance": {}, "centroid": {}, "tilt": {}, "most heard": {}}
	for _, l := range res.Likeness {
		out["distance"][l.A+" and "+l.B] = float64(l.Spectral)
	}
	for _, x := range res.Takes {
		out["centroid"][x.Name] = math.Log2(float64(x.Measures[0].Descriptors.Centroid))
		out["tilt"][x.Name] = float64(x.Measures[0].Descriptors.Tilt)
	}
	for _, d := range res.Spectrum.Differences {
		if d.Span != res.Timeline.Spans[0].Name {
			continue
		}
		a := res.AudibleIn(d)
		for i, b := range res.Spectrum.Third {
			if a.Weight[i] > 0 {
				out["most heard"][d.Take+" at "+b.Label] = math.Abs(float64(a.Difference[i])) * a.Weight[i]
			}
		}
	}
	return out
}

// TestRanksOfWhatIsHeard asks that the bit depth, noise of −105 dBFS and the level at
// which takes were recorded change nothing of what is heard: which takes are closest,
// furthest apart, brightest, and what is heard most. Figures may change by 0.05
// dB, and only what is as close as that may change places.
func TestRanksOfWhatIsHeard(t *testing.T) {
	campaign.Long(t)
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	const close = 0.05
	noise := rand.New(rand.NewPCG(4, 4))
	variants := []struct {
		name   string
		spec   wavio.Spec
		change func(name string, x []float64) []float64
	}{
		{"16 bits", wavio.Spec{Bits: 16}, func(_ string, x []float64) []float64 { return x }},
		{"noise of −105 dBFS", wavio.Spec{Bits: 24}, func(_ string, x []float64) []float64 {
			x = slices.Clone(x)
			for i := range x {
				x[i] += unit.ToAmplitude(-105) * noise.NormFloat64()
			}
			return x
		}},
		{"recorded 20 dB quieter", wavio.Spec{Bits: 24}, func(_ string, x []float64) []float64 { return scaled(x, -20) }},
		{"one recorded 10 dB quieter at 16 bits", wavio.Spec{Bits: 16}, func(name string, x []float64) []float64 {
			if len(name)%2 == 0 {
				return scaled(x, -10)
			}
			return x
		}},
	}
	materials := heardMaterials(t)
	for _, material := range []string{"studio", "guitar"} {
		t.Run(material, func(t *testing.T) {
			audio := materials[material](t)
			was := heardOrders(heardIn(t, audio, wavio.Spec{Bits: 24}, func(_ string, x []float64) []float64 { return x }))
			for _, k := range campaign.Share(t, len(variants), 2) {
				v := variants[k]
				now := heardOrders(heardIn(t, audio, v.spec, v.change))
				for what, values := range was {
					worst := 0.0
					for name, x := range values {
						y, ok := now[what][name]
						if d := math.Abs(x - y); !ok && x > close || d > close {
							t.Errorf("%s, %s of %s: %.3f, was %.3f", v.name, what, name, y, x)
						} else if ok {
							worst = math.Max(worst, d)
						}
					}
					t.Logf("%s, %s: %d figures, none changed by more than %.4f", v.name, what, len(values), worst)
					if x, y := ranked(values), ranked(now[what]); x[0] != y[0] && values[x[0]]-values[y[0]] > close || what != "most heard" && x[len(x)-1] != y[len(y)-1] && values[y[len(y)-1]]-values[x[len(x)-1]] > close {
						t.Errorf("%s, %s: first and last were %s and %s, now %s and %s", v.name, what, x[0], x[len(x)-1], y[0], y[len(y)-1])
					}
				}
			}
		})
	}
}

// ranked are the names of values, the greatest first.
func ranked(values map[string]float64) []string {
	var names []string
	for name := range values {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int {
		return cmp.Or(cmp.Compare(values[b], values[a]), strings.Compare(a, b))
	})
	return names
}
