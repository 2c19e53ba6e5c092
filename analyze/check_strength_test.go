package analyze

import (
	"context"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/report/sentences"
)

// grade is a fault of one strength, put into a copy of a recording of its own.
type grade struct {
	id   string
	name string // with the strength
	from string // one, two or again
	put  func(s *scene, file string)
	want wanted // subject is filled in; outcome Passed for what lies below the smallest
	not  string // the materials in which it is not findable
}

// below is what is expected of a fault too small to be found: no alarm. where a
// value is given, a check that does give one must give that.
func below(measured, within float64) wanted {
	return wanted{outcome: result.Passed, measured: measured, within: within}
}

func of(outcome result.Outcome, measured, within float64, value string) wanted {
	return wanted{outcome: outcome, measured: measured, within: within, value: value}
}

// damages are faults of one file, each of several strengths: the smallest of the
// table, stronger ones up to gross, and one well below.
func damages(t testing.TB) []grade {
	nan := math.NaN()
	var out []grade
	add := func(id, what, from, not string, v float64, unit string, want wanted, put func(s *scene, file string, v float64)) {
		out = append(out, grade{id, fmt.Sprintf("%s, %g %s", what, v, unit), from, func(s *scene, file string) { put(s, file, v) }, want, not})
	}
	for _, v := range []float64{1, 3, 12} {
		add(fairness.IDClipping, "over full scale", "two", "", v, "dB", of(result.Failed, nan, 0, "place"), func(s *scene, f string, v float64) { s.clip(f, v, 0) })
	}
	add(fairness.IDClipping, "peak at full scale", "two", "", 0, "dB", below(0, 0), func(s *scene, f string, v float64) { s.clip(f, v, 0) })
	for _, v := range []float64{3, 6, 12} {
		add(fairness.IDClipping, "clipped, then lowered by 8 dB", "two", "", v, "dB", of(result.Caution, nan, 0, "place"), func(s *scene, f string, v float64) { s.clip(f, v, -8) })
	}
	add(fairness.IDClipping, "touched, then lowered by 8 dB", "two", "", 0.01, "dB", below(0, 0), func(s *scene, f string, v float64) { s.clip(f, v, -8) })

	for _, v := range []float64{0.1, 3, 20} {
		add(fairness.IDOver, "one sample over full scale", "two", "", v, "dB", of(result.Caution, 1, 0, "1 sample"), func(s *scene, f string, v float64) {
			s.specs[f] = wavio.Spec{Bits: 32, Float: true}
			s.files[f][0][s.sounding] = unit.ToAmplitude(v)
		})
	}
	add(fairness.IDOver, "one sample below full scale", "two", "", -0.1, "dB", below(0, 0), func(s *scene, f string, v float64) {
		s.specs[f] = wavio.Spec{Bits: 32, Float: true}
		s.files[f][0][s.sounding] = unit.ToAmplitude(v)
	})

	click := func(s *scene, f string, v float64) { s.files[f][0][s.sounding] += unit.ToAmplitude(v) }
	for _, v := range []float64{-40, -30, -10} {
		add(fairness.IDClicks, "one sample", "one", "noise", v, "dBFS", of(result.Caution, 1, 0, "1 click"), click)
	}
	for _, v := range []float64{-20, -14, -8} {
		add(fairness.IDClicks, "one sample", "one", "", v, "dBFS", of(result.Caution, 1, 0, "1 click"), click)
	}
	add(fairness.IDClicks, "one sample", "one", "", -80, "dBFS", below(0, 0), click)

	gap := func(s *scene, f string, v float64) { clear(s.files[f][0][s.sounding : s.sounding+int(v)]) }
	for _, v := range []float64{64, 480, 9600} {
		add(fairness.IDDropouts, "silence", "one", "", v, "samples", of(result.Failed, 1, 0, "1 dropout"), gap)
	}
	add(fairness.IDDropouts, "silence", "one", "", 2, "samples", below(0, 0), gap)

	offset := func(s *scene, f string, v float64) {
		s.each(f, func(x []float64) []float64 {
			for i := range x {
				x[i] += unit.ToAmplitude(v)
			}
			return x
		})
	}
	for _, v := range []float64{-59, -40, -20} {
		add(fairness.IDDC, "offset", "one", "", v, "dBFS", of(result.Caution, v, 0.3, ""), offset)
	}
	add(fairness.IDDC, "offset", "one", "", -66, "dBFS", below(-66, 0.8), offset)

	loud := func(s *scene, f string, v float64) {
		peak := 0.0
		for _, x := range s.files[f] {
			peak = max(peak, peakOf(x))
		}
		s.each(f, func(x []float64) []float64 { return scaled(x, v-unit.FromAmplitude(peak)) })
	}
	back := func(s *scene, f string, v float64) { s.thereAndBack(t, f, int(1000*v)) }
	for _, v := range []float64{44.1, 40, 36} {
		add(fairness.IDBandEdge, "and back from", "two", "", v, "kHz", of(result.Caution, nan, 0, "near"), back)
	}
	add(fairness.IDBandEdge, "treble less by a first-order filter at 20 kHz,", "two", "", 9, "dB", below(nan, 0), func(s *scene, f string, _ float64) {
		s.each(f, func(x []float64) []float64 {
			y := 0.0
			for i := range x {
				y += 0.5 * (x[i] - y)
				x[i] = y
			}
			return x
		})
	})

	for _, v := range []float64{-5.95, -3, -0.5} {
		add(fairness.IDHeadroom, "peak", "two", "", v, "dBFS", of(result.Caution, v, 0.02, ""), loud)
	}
	add(fairness.IDHeadroom, "peak", "two", "", -6.5, "dBFS", below(-6.5, 0.02), loud)

	second := func(s *scene, f string, v float64) { s.files[f] = [][]float64{s.files[f][0], scaled(s.files[f][0], v)} }
	for _, v := range []float64{-6, 0, -20} {
		add(fairness.IDDualMono, "copy at", "two", "demo", v, "dB", of(result.Caution, nan, 0, map[bool]string{true: "same", false: "copy"}[v == 0]), second)
	}
	hiss := func(x []float64, level float64) []float64 {
		rng := rand.New(rand.NewPCG(9, 9))
		for i := range x {
			x[i] += unit.ToAmplitude(level) * (2*rng.Float64() - 1)
		}
		return x
	}
	// Even noise of peak a has an rms level of a/√3, 4.8 dB below.
	for v, value := range map[float64]string{-120: "−124.", -100: "−104.", -86: "−90."} {
		add(fairness.IDDualMono, "copy with noise of", "two", "demo", v, "dBFS", of(result.Caution, nan, 0, "equal to within "+value), func(s *scene, f string, v float64) {
			second(s, f, 0)
			hiss(s.files[f][1], v)
		})
	}
	add(fairness.IDDualMono, "copy with noise of", "two", "demo", -40, "dBFS", below(nan, 0), func(s *scene, f string, v float64) {
		second(s, f, 0)
		hiss(s.files[f][1], v)
	})
	dead := func(s *scene, f string, v float64) {
		s.files[f] = [][]float64{s.files[f][0], hiss(make([]float64, len(s.files[f][0])), v)}
	}
	for _, v := range []float64{-81, -100, -200} {
		add(fairness.IDSilent, "channel with noise of", "two", "", v, "dBFS", of(result.Failed, nan, 0, "silent"), dead)
	}
	add(fairness.IDSilent, "channel with noise of", "two", "", -70, "dBFS", below(nan, 0), dead)

	add(fairness.IDFormat, "depth", "two", "", 16, "bits", of(result.Caution, nan, 0, "16-bit"), func(s *scene, f string, _ float64) { s.specs[f] = wavio.Spec{Bits: 16} })
	return out
}

// shortened are takes that lack something at an end.
func shortened(t testing.TB) []grade {
	nan := math.NaN()
	cut := func(seconds float64) func(s *scene, f string) {
		return func(s *scene, f string) {
			last := s.lastSound(t) + lagOf(s, "two")
			s.each(f, func(x []float64) []float64 { return x[:last-int(seconds*sceneRate)] })
		}
	}
	out := []grade{
		{fairness.IDLengths, "0.1 s of the last sound missing", "two", cut(0.1), of(result.Caution, 0.1, 0.06, ""), ""},
		{fairness.IDLengths, "0.5 s of the last sound missing", "two", cut(0.5), of(result.Caution, 0.5, 0.06, ""), ""},
		{fairness.IDLengths, "3 s missing", "two", cut(3), of(result.Caution, 3, 0.06, ""), ""},
		{fairness.IDLengths, "the last sound whole", "two", cut(-0.1), below(0, 0), ""},
	}
	for _, x := range []struct {
		id   string
		name string
		a, b bool // the beginning, the end
		want wanted
	}{
		{fairness.IDCut, "the end", false, true, of(result.Caution, nan, 0, "end cut")},
		{fairness.IDCut, "the beginning", true, false, of(result.Caution, nan, 0, "beginning cut")},
		{fairness.IDCut, "both ends", true, true, of(result.Caution, nan, 0, "both cut")},
	} {
		out = append(out, grade{x.id, x.name, "one", func(s *scene, f string) {
			s.each(f, func(y []float64) []float64 {
				if x.b {
					y = y[:s.sounding]
				}
				if x.a {
					y = y[s.early:]
				}
				return y
			})
		}, x.want, ""})
	}
	return append(out,
		grade{fairness.IDCut, "cut in the pauses", "one", func(s *scene, f string) {
			s.each(f, func(y []float64) []float64 { return y[sceneRate/2:] })
		}, below(nan, 0), ""},
		grade{fairness.IDSections, "a section not reached", "two", func(s *scene, f string) {
			s.each(f, func(x []float64) []float64 { return x[:5*sceneRate] })
		}, of(result.Failed, nan, 0, "Notes missing"), ""},
		grade{fairness.IDSections, "a section not reached by far", "two", func(s *scene, f string) {
			s.each(f, func(x []float64) []float64 { return x[:int(4.8*sceneRate)] })
		}, of(result.Failed, nan, 0, "missing"), ""})
}

// neverHolds is wanted of a fault that may be too hard to tell: it is named with
// the right value or not measured.
const neverHolds = result.Outcome("never holds")

// stages are the parts of Measure that a group of checks needs.
type stages func(*Session) []func(context.Context) error

func scanning(s *Session) []func(context.Context) error {
	return []func(context.Context) error{s.readFiles, s.scanFiles}
}

func everything(s *Session) []func(context.Context) error {
	return append(append(quiet(s), s.scanFiles), s.compareClocks, s.compareTakes)
}

func timing(s *Session) []func(context.Context) error {
	return []func(context.Context) error{s.readFiles, s.findActivity, s.align, s.layTimeline, s.compareClocks}
}

func quiet(s *Session) []func(context.Context) error {
	return []func(context.Context) error{s.readFiles, s.findActivity, s.align, s.layTimeline, s.measure, s.matchLevels, s.finishNoise}
}

func looping(s *Session) []func(context.Context) error {
	return []func(context.Context) error{s.readFiles, s.measureLoopback}
}

// answer measures what the checks of some ids need and asks them alone.
func (s *scene) answer(t *testing.T, need stages, ids map[string]bool) *result.Result {
	t.Helper()
	c, err := manifest.Load(s.write(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	session := &Session{Measured: fairness.Measured{Manifest: c, Result: fairness.NewResult(c, "")}, checksOnly: true}
	for _, step := range need(session) {
		if err := step(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	session.Result.Checks = sentences.Checks(session.Answers(slices.Collect(maps.Keys(ids))...))
	return session.Result
}

// graded measures a scene in which every grade is a take of its own beside the
// two takes, and asks for its check.
func graded(t *testing.T, m material, need stages, prepare func(*scene), grades []grade) {
	s := m.make(t)
	prepare(s)
	mics := strings.Contains(s.manifest, sceneMics)
	s.manifest = strings.Replace(s.manifest, "  loopback: loop.wav\n", "", 1)
	ids, subject := map[string]bool{}, func(i int) string { return fmt.Sprintf("Grade %d.", i) }
	grades = slices.DeleteFunc(slices.Clone(grades), func(g grade) bool { return strings.Contains(g.not, m.name) })
	for i, g := range grades {
		ids[g.id] = true
		file := fmt.Sprintf("g%d", i)
		for _, x := range s.files[g.from] {
			s.files[file] = append(s.files[file], slices.Clone(x))
		}
		s.manifest += fmt.Sprintf("  - name: %s\n    file: %s.wav\n", subject(i), file)
		if mics {
			s.manifest += sceneMics
		}
		if g.from == "again" {
			s.manifest += "    repeat_of: One\n"
		} else {
			s.manifest += fmt.Sprintf("    fuzz: {device: G%d, controls: {gain: noon}}\n", i)
		}
		g.put(s, file)
	}
	res := s.answer(t, need, ids)
	for i, g := range grades {
		t.Run(g.id+", "+g.name, func(t *testing.T) {
			w := g.want
			w.id, w.subject = g.id, subject(i)
			switch w.outcome {
			case result.Passed:
				assertUnfound(t, res, w)
			case neverHolds:
				for _, c := range about(res, w).Checks {
					if d := math.Abs(float64(c.Measured) - w.measured); c.ID == g.id && (c.Outcome == result.Passed || c.Outcome == result.Failed && !(d <= w.within)) {
						t.Errorf("%s, %s (%v): %s", c.Outcome, c.Value, c.Measured, c.Reason)
					}
				}
			default:
				assert(t, about(res, w), w)
			}
		})
	}
}

// about is a result with the answers about one subject alone.
func about(res *result.Result, w wanted) *result.Result {
	out := *res
	out.Checks = slices.DeleteFunc(slices.Clone(res.Checks), func(c result.Check) bool { return !strings.Contains(c.Subject, w.subject) })
	return &out
}

// assertUnfound asks that a check holds or is not measured, and that what it
// measured, where it did, is right.
func assertUnfound(t *testing.T, res *result.Result, w wanted) {
	t.Helper()
	asked := false
	for _, c := range res.Checks {
		if c.ID != w.id || c.Subject != w.subject {
			continue
		}
		asked = true
		if c.Outcome != result.Passed && c.Outcome != result.NotMeasured {
			t.Errorf("%s, %s: %s", c.Outcome, c.Value, c.Reason)
		}
		if v := float64(c.Measured); !math.IsNaN(w.measured) && !math.IsNaN(v) && math.Abs(v-w.measured) > w.within {
			t.Errorf("%s: %v, want %v ± %v", c.Value, v, w.measured, w.within)
		}
	}
	if !asked {
		t.Error("the check says nothing of it")
	}
}

// TestStrengths puts every fault that has a strength into guitar, noise and a
// passage of the demo: from the smallest of the table to gross, where it must be
// named with the right value, and well below the smallest, where it must not be
// taken for one. All strengths of a kind are takes of one comparison.
func TestStrengths(t *testing.T) {
	if underRace {
		t.Skip("a hundred takes are slow under the race detector; TestFair runs the same code with it")
	}
	asIs := func(*scene) {}
	// Files are looked at one by one: that the channels are microphones does not matter.
	plain := func(s *scene) { s.manifest = strings.ReplaceAll(s.manifest, sceneMics, "") }
	for _, m := range materials() {
		long := func(t *testing.T) {
			if m.name != "noise" { // guitar is that of TestDetection
				campaign.Long(t)
			}
			t.Parallel()
		}
		for name, x := range map[string]struct {
			need    stages
			prepare func(*scene)
			grades  []grade
		}{
			"damage":      {scanning, plain, damages(t)},
			"shortened":   {everything, asIs, shortened(t)},
			"time":        {timing, asIs, mistimed(t, m)},
			"pauses":      {quiet, asIs, noisyPauses()},
			"microphones": {scanning, func(s *scene) { s.twoMics(24, 24) }, moved()},
		} {
			t.Run(m.name+"/"+name, func(t *testing.T) {
				long(t)
				graded(t, m, x.need, x.prepare, x.grades)
			})
		}
		for _, x := range whole() {
			if !strings.Contains(x.not, m.name) {
				t.Run(m.name+"/"+x.id+", "+x.name, func(t *testing.T) {
					long(t)
					x.run(t, m)
				})
			}
		}
	}
}
