package analyze

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/studio"
	"evenhand/report/sentences"
)

const sceneRate = 48000

// recordings are the channels of the files of a small comparison.
type recordings map[string][][]float64

func sceneScore() studio.Score {
	return studio.Score{
		Parts: []studio.Part{
			{Name: "Riff", Start: 1.2, Tempo: 130, Step: 0.5, Notes: "60m 60m 63 60m 65 63 60m 62 60m 60m 63 60m"},
			{Name: "Notes", Start: 5.2, Tempo: 120, Step: 0.5, Notes: "37 39b . 29 27 39 37~ . 49 . 37 60+52+42"},
		},
		Length: 9.4,
	}
}

// fair is a comparison without a fault: one performance through two circuits,
// the first of them twice, and a loopback.
var fair = sync.OnceValues(func() (recordings, error) {
	dry, err := studio.Performance(sceneRate, 7, sceneScore())
	if err != nil {
		return nil, err
	}
	out := recordings{"dry": {dry}}
	for i, name := range []string{"one", "two", "again"} {
		out[name] = rendered(dry, i)
	}
	loop := make([]float64, len(dry)+64)
	copy(loop[64:], dry)
	out["loop"] = [][]float64{scaled(loop, 0.05)}
	return out, nil
})

// rendered is take i of the comparison made from a dry recording.
func rendered(dry []float64, i int) [][]float64 {
	s := []struct {
		circuit int
		lag     unit.Samples
	}{{0, 100}, {3, -20}, {0, 77}}[i]
	open, _ := studio.Open("four-fuzzes")
	c := open.Takes[s.circuit].Chain
	c.Mics, c.Lag, c.Gain, c.Seed, c.Extra = c.Mics[:1], s.lag, c.Gain-6, uint64(30+i), 4000
	c.Inverted = false
	return studio.Render(dry, c)
}

func scaled(x []float64, db float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = v * unit.ToAmplitude(db)
	}
	return out
}

const sceneManifest = `title: Two circuits
varies: fuzz
reference: One
disclosure: Nobody paid.
performance:
  dry: dry.wav
  loopback: loop.wav
  sections:
    - {name: Riff, from: 1.1, to: 4.3}
    - {name: Notes, from: 5.1, to: 8.6}
chain:
  - slot: fuzz
  - slot: amp
    device: Kestrel 20
    kind: valve power amp
    impedance: 8 ohm
    power: 20 W
    controls: {volume: noon}
  - slot: load
    device: Reactive load box
    kind: load
    impedance: 8 ohm
    power: 60 W
takes:
  - name: One
    file: one.wav
    fuzz: {device: One, controls: {gain: noon}}
  - name: Two
    file: two.wav
    fuzz: {device: Two, controls: {gain: noon}}
` + sceneAgain

const sceneAgain = `  - name: Again
    file: again.wav
    repeat_of: One
`

// scene is a comparison on disk that a cheat can spoil before it is measured.
type scene struct {
	files    recordings
	rates    map[string]int        // where it is not sceneRate
	bits     int                   // 24 when 0
	specs    map[string]wavio.Spec // bits and kind, where they are others
	manifest string
	sounding int          // a frame within sound in every file
	early    int          // another, nearer to the beginning
	pauses   [][2]float64 // s
}

func newScene(t testing.TB) *scene {
	t.Helper()
	base, err := fair()
	if err != nil {
		t.Fatal(err)
	}
	s := &scene{files: recordings{}, rates: map[string]int{}, specs: map[string]wavio.Spec{}, manifest: sceneManifest, sounding: 6 * sceneRate}
	for name, channels := range base {
		for _, x := range channels {
			s.files[name] = append(s.files[name], slices.Clone(x))
		}
	}
	return s
}

func (s *scene) write(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	for name, x := range s.files {
		rate := sceneRate
		if r := s.rates[name]; r != 0 {
			rate = r
		}
		spec := wavio.Spec{Bits: cmp.Or(s.bits, 24)}
		if own, ok := s.specs[name]; ok {
			spec = own
		}
		spec.SampleRate, spec.Channels = rate, len(x)
		w, err := wavio.Create(filepath.Join(dir, name+".wav"), spec)
		if err == nil {
			err = errors.Join(w.Write(x), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(dir, "scene.yaml")
	if err := os.WriteFile(path, []byte(s.manifest), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

func (s *scene) measure(t testing.TB) (*Session, error) {
	t.Helper()
	c, err := manifest.Load(s.write(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	return Measure(context.Background(), c, Options{ChecksOnly: true})
}

func (s *scene) check(t testing.TB) *result.Result {
	t.Helper()
	session, err := s.measure(t)
	if err != nil {
		t.Fatal(err)
	}
	session.Check()
	session.Result = sentences.Result(session.Result)
	return session.Result
}

// wanted is an answer that a cheat must bring about.
type wanted struct {
	id, subject string // subject: part of it
	outcome     result.Outcome
	measured    float64 // NaN: not asked for
	within      float64
	value       string // part of the value shown
}

func assert(t testing.TB, res *result.Result, w wanted) {
	t.Helper()
	var seen []string
	for _, c := range res.Checks {
		if c.ID != w.id {
			continue
		}
		seen = append(seen, fmt.Sprintf("%s: %s, %s (%v): %s", c.Subject, c.Outcome, c.Value, c.Measured, c.Reason))
		if !strings.Contains(c.Subject, w.subject) || c.Outcome != w.outcome || !strings.Contains(c.Value, w.value) {
			continue
		}
		if d := math.Abs(float64(c.Measured) - w.measured); math.IsNaN(w.measured) || d <= w.within {
			if c.Outcome != result.Passed && c.Do == "" && c.Outcome != result.NotMeasured {
				t.Errorf("%s does not say what to do", c.ID)
			}
			return
		}
	}
	t.Errorf("no %s of %q with outcome %s, value %q, %v±%v; found:\n%s", w.id, w.subject, w.outcome, w.value, w.measured, w.within, strings.Join(seen, "\n"))
}

func standingOf(res *result.Result, accusation string) result.Exclusion {
	for _, e := range res.Exclusions {
		if strings.Contains(e.Accusation, accusation) {
			return e
		}
	}
	return result.Exclusion{}
}

// TestFair asks that a comparison without a fault raises nothing that fails.
func TestFair(t *testing.T) {
	res := newScene(t).check(t)
	for _, c := range res.Checks {
		if c.Outcome == result.Failed || c.Outcome == result.Caution {
			t.Errorf("%s, %s: %s, %s; %s", c.ID, c.Subject, c.Outcome, c.Value, c.Reason)
		}
		if c.Why == "" || c.Limit == "" || c.LimitSource == "" || c.Name == "" || c.Reason == "" {
			t.Errorf("%s, %s: something is left empty: %+v", c.ID, c.Subject, c)
		}
	}
	assert(t, res, wanted{fairness.IDReampLevel, "", result.Passed, 0.05, 0.01, ""})
	for accusation, standing := range map[string]result.Standing{
		"another performance": result.ExcludedByMeasurement, "another level": result.AuthorsWord, "knob": result.AuthorsWord, "gate": result.ExcludedByMeasurement,
		"one file": result.ExcludedByMeasurement, "edited": result.ExcludedByMeasurement, "difference was left out": result.ExcludedByMeasurement, "a part of a take": result.ExcludedByMeasurement,
		"louder": result.NotExcluded, "changed later": result.NotExcluded, "paid": result.AuthorsWord,
	} {
		if e := standingOf(res, accusation); e.Standing != standing || e.Because == "" {
			t.Errorf("%s: %+v, want %s", accusation, e, standing)
		}
	}
}

// TestCheats spoils a fair comparison in one way at a time and asks for the
// check that says so, with its value.
func TestCheats(t *testing.T) {
	if underRace {
		t.Skip("twenty comparisons are slow under the race detector; TestFair runs the same code with it")
	}
	nan := math.NaN()
	for _, c := range []struct {
		name  string
		cheat func(*scene)
		want  []wanted
		found string // part of an accusation that is then found
	}{
		{"another pass", func(s *scene) {
			dry, err := studio.Performance(sceneRate, 8, sceneScore())
			if err != nil {
				t.Fatal(err)
			}
			s.files["two"] = rendered(dry, 1)
		}, []wanted{{fairness.IDPerformance, "Two", result.Failed, nan, 0, ""}}, "another performance"},
		{"hotter by 1.3 dB", func(s *scene) { s.files["loop"][0] = scaled(s.files["loop"][0], 1.25) },
			[]wanted{{fairness.IDReampLevel, "", result.Failed, 1.3, 0.05, "+1.30 dB"}}, "another level"},
		{"quieter by 0.6 dB", func(s *scene) { s.files["loop"][0] = scaled(s.files["loop"][0], -0.65) },
			[]wanted{{fairness.IDReampLevel, "", result.Caution, -0.6, 0.05, "−0.60 dB"}}, ""},
		{"a knob moved", func(s *scene) {
			s.manifest = strings.Replace(s.manifest, "    fuzz: {device: Two,", "    amp: {controls: {volume: \"3 o'clock\"}}\n    fuzz: {device: Two,", 1)
		}, []wanted{{fairness.IDOneChange, "amp: volume", result.Failed, nan, 0, ""}}, "knob"},
		{"a gate", func(s *scene) {
			x := s.files["two"][0]
			// Closes 0.35 s into the pauses, by 40 dB, and opens with the notes.
			for _, p := range [][2]float64{{0.1, 1.15}, {4.1, 5.15}, {8.3, 9.4}} {
				for i := int((p[0] + 0.35) * sceneRate); i < min(len(x), int(p[1]*sceneRate)); i++ {
					x[i] *= 0.01
				}
			}
		}, []wanted{{fairness.IDGate, "Two", result.Failed, nan, 0, "gated"}}, "gate"},
		{"one file for two takes", func(s *scene) { s.files["two"] = s.files["one"] },
			[]wanted{{fairness.IDSameFile, "One and Two", result.Failed, nan, 0, "same bytes"}}, "one file"},
		{"one recording for two takes, quieter", func(s *scene) { s.files["two"] = [][]float64{scaled(s.files["one"][0], -3)} },
			[]wanted{{fairness.IDNearCopy, "One and Two", result.Failed, -115, 25, ""}}, "one file"},
		{"edited", func(s *scene) { s.files["again"][0] = slices.Delete(s.files["again"][0], 6*sceneRate, 6*sceneRate+37) },
			[]wanted{{fairness.IDSlips, "Again", result.Failed, 37, 5, "samples lost "}}, "edited"},
		{"shortened", func(s *scene) { s.files["two"][0] = s.files["two"][0][:5*sceneRate] },
			[]wanted{{fairness.IDSections, "Two", result.Failed, nan, 0, "Notes missing"}, {fairness.IDLengths, "Two", result.Caution, 3.3, 0.6, ""}}, "difference was left out"},
		{"clipped", func(s *scene) {
			x := s.files["two"][0]
			for i := range x {
				x[i] = max(-1, min(1, 10*x[i]))
			}
		}, []wanted{{fairness.IDClipping, "Two", result.Failed, nan, 0, "place"}}, ""},
		{"a fan", func(s *scene) {
			x := s.files["two"][0]
			rng := rand.New(rand.NewPCG(1, 1))
			for i := 5 * sceneRate; i < len(x); i++ {
				x[i] += 0.003 * rng.NormFloat64()
			}
		}, []wanted{{fairness.IDNoiseSteps, "Two", result.Caution, nan, 0, ""}}, ""},
		{"a humming supply", func(s *scene) {
			x := s.files["two"][0]
			for i := range x {
				for k := 1.0; k < 6; k++ {
					x[i] += 0.05 / k * math.Sin(2*math.Pi*50*k*float64(i)/sceneRate)
				}
			}
		}, []wanted{{fairness.IDHum, "Two", result.Caution, nan, 0, ""}}, ""},
		{"an offset", func(s *scene) {
			for i := range s.files["two"][0] {
				s.files["two"][0][i] += 0.01
			}
		}, []wanted{{fairness.IDDC, "Two", result.Caution, -40, 0.1, "−40.0 dBFS"}}, ""},
		{"another clock, 40 ppm", func(s *scene) { s.files["again"][0] = studio.Slowed(s.files["again"][0], 40) },
			[]wanted{{fairness.IDDrift, "Again", result.Failed, 40, 12, ""}}, "resampled"},
		{"mislabelled", func(s *scene) {
			s.mislabel(t, "two", 44100)
		}, []wanted{
			{fairness.IDRateLabel, "Two", result.Failed, 44100.0 / 48000, 1e-4, "0.9188 times"},
			{fairness.IDPerformance, "Two", result.NotMeasured, nan, 0, ""}, // not accused of being another
			{fairness.IDLag, "Two", result.NotMeasured, nan, 0, ""},
			{fairness.IDSlips, "Two", result.NotMeasured, nan, 0, ""},
			{fairness.IDDrift, "Two", result.NotMeasured, nan, 0, ""},
			{fairness.IDPolarity, "Two", result.NotMeasured, nan, 0, ""},
		}, "resampled"},
		{"inverted", func(s *scene) {
			for i := range s.files["again"][0] {
				s.files["again"][0][i] *= -1
			}
		}, []wanted{{fairness.IDPolarity, "Again", result.Caution, nan, 0, "inverted"}}, ""},
		{"silence in sound", func(s *scene) { clear(s.files["two"][0][6*sceneRate : 6*sceneRate+480]) },
			[]wanted{{fairness.IDDropouts, "Two", result.Failed, 1, 0, "1 dropout"}}, "edited"},
		{"too loud", func(s *scene) {
			x := s.files["two"][0]
			peak := 0.0
			for _, v := range x {
				peak = max(peak, math.Abs(v))
			}
			s.files["two"][0] = scaled(x, -2.5-unit.FromAmplitude(peak))
		}, []wanted{{fairness.IDHeadroom, "Two", result.Caution, -2.5, 0.01, "−2.5 dBFS"}}, ""},
		{"two microphones, one channel", func(s *scene) {
			s.files["two"] = append(s.files["two"], slices.Clone(s.files["two"][0]))
			s.manifest = strings.Replace(s.manifest, "    file: two.wav\n", "    file: two.wav\n    mics: {left: {name: A}, right: {name: B}}\n", 1)
		}, []wanted{{fairness.IDDualMono, "Two", result.Failed, nan, 0, "same"}, {fairness.IDOneChange, "left microphone", result.Failed, nan, 0, ""}}, "knob"},
		{"a dead channel", func(s *scene) {
			s.files["two"] = append(s.files["two"], make([]float64, len(s.files["two"][0])))
		}, []wanted{{fairness.IDSilent, "Two", result.Failed, nan, 0, "silent"}}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t)
			// What a cheat does not touch is left out, to save time.
			text := fmt.Sprint(c.want)
			if !strings.Contains(text, "Again") {
				s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
			}
			if !strings.Contains(text, fairness.IDReampLevel) {
				s.manifest = strings.Replace(s.manifest, "  loopback: loop.wav\n", "", 1)
			}
			c.cheat(s)
			res := s.check(t)
			for _, w := range c.want {
				assert(t, res, w)
			}
			if c.found != "" {
				if e := standingOf(res, c.found); e.Standing != result.Found {
					t.Errorf("%s: %+v", c.found, e)
				}
			}
			if t.Failed() {
				for _, x := range res.Checks {
					if x.Outcome == result.Failed || x.Outcome == result.Caution {
						t.Logf("%s, %s: %s, %s; %s", x.ID, x.Subject, x.Outcome, x.Value, x.Reason)
					}
				}
			}
		})
	}
}

// TestSwapped swaps two takes: no measurement can tell, and the page says whose
// word it is.
func TestSwapped(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	s := newScene(t)
	s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
	s.files["one"], s.files["two"] = s.files["two"], s.files["one"]
	res := s.check(t)
	for _, c := range res.Checks {
		if c.Outcome == result.Failed {
			t.Errorf("%s, %s: %s", c.ID, c.Subject, c.Reason)
		}
	}
	if e := standingOf(res, "swapped"); e.Standing != result.AuthorsWord || !strings.Contains(e.Because, "no measurement shows") {
		t.Errorf("%+v", e)
	}
	// What is excluded names its measure and its limit, or what it rests on.
	for _, e := range res.Exclusions {
		if e.Standing == result.ExcludedByMeasurement && !strings.ContainsAny(e.Because, "0123456789") {
			t.Errorf("%s: no measure in %q", e.Accusation, e.Because)
		}
	}
}
