package analyze

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/examples/guitar"
	"evenhand/report/sentences"
)

// pluginScene is a comparison of sampled guitar through plugin amplifiers: takes of
// these chains, named by them. A name that ends in " again" is a second take of the
// chain before.
func pluginScene(t testing.TB, chains ...string) *scene {
	t.Helper()
	s := &scene{files: recordings{"dry": {guitar.Dry(t)}}, rates: map[string]int{}, specs: map[string]wavio.Spec{}}
	var b strings.Builder
	b.WriteString("title: G\nvaries: amp\nperformance:\n  dry: dry.wav\n  sections:\n")
	for _, p := range guitar.Sections() {
		fmt.Fprintf(&b, "    - {name: %s, from: %.2f, to: %.2f}\n", p.Name, p.From, p.To)
	}
	b.WriteString("chain:\n  - slot: amp\ntakes:\n")
	for _, name := range chains {
		chain, again := strings.CutSuffix(name, " again")
		file := strings.ReplaceAll(name, " ", "-")
		if again {
			s.files[file] = [][]float64{guitar.Repeat(t, chain)}
			fmt.Fprintf(&b, "  - {name: %s, file: %s.wav, repeat_of: %s}\n", name, file, chain)
			continue
		}
		s.files[file] = [][]float64{guitar.Take(t, chain)}
		fmt.Fprintf(&b, "  - {name: %s, file: %s.wav, amp: {device: %s, controls: {gain: noon}}}\n", name, file, chain)
	}
	s.manifest = b.String()
	return s
}

// comparing are the stages that nulls need.
func comparing(s *Session) []func(context.Context) error {
	return []func(context.Context) error{s.readFiles, s.findActivity, s.align, s.layTimeline, s.measure, s.compareTakes}
}

// TestDryTake asks that the dry recording is named where it was exported as a take,
// beside chains of plugins, unless the take is called a bypass; and that no chain is
// taken for it, as clean as it may be.
func TestDryTake(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector")
	}
	ids := map[string]bool{fairness.IDPath: true}
	var names []string
	for _, c := range guitar.Chains(t) {
		names = append(names, c.Name)
	}
	s := pluginScene(t, names...)
	for _, c := range []struct {
		name, part string
		level      float64
		later      int
		noise      float64
	}{
		{"the file but for its level", "", -3, 0, -200}, {"through converters", "", -6, 413, -85},
		{"with the noise of a bad cable", "", -2, 57, -62}, {"a bypass", "role: bypass", -6, 413, -85},
	} {
		file := strings.ReplaceAll(c.name, " ", "-")
		s.files[file] = [][]float64{passed(guitar.Dry(t), c.level, c.later, c.noise)}
		part := c.part
		if part == "" {
			part = "amp: {device: " + c.name + ", controls: {gain: noon}}"
		}
		s.manifest += fmt.Sprintf("  - {name: %s, file: %s.wav, %s}\n", c.name, file, part)
	}
	res := s.answer(t, comparing, ids)
	if len(res.Checks) != len(res.Takes)-1 {
		t.Errorf("%d answers about %d takes, one of them a bypass", len(res.Checks), len(res.Takes))
	}
	for i, k := range res.Checks {
		want, least := result.Passed, -36.0 // 8 bits leave little else
		if i >= len(names) {
			want, least = result.Failed, -100
		}
		t.Logf("%s: %s, %s", k.Subject, k.Outcome, k.Value)
		if k.Outcome != want || float64(k.Measured) < least || k.Subject == "a bypass" {
			t.Errorf("%s: %s, %s; %s", k.Subject, k.Outcome, k.Value, k.Reason)
		}
	}
}

// TestSteady asks that what changes during a take is found beside its repeat, with
// when and how much, that the repeat then widens nothing without a word, and that
// without a repeat the page says that it is not excluded.
func TestSteady(t *testing.T) {
	campaign.Long(t)
	if underRace {
		t.Skip("slow under the race detector")
	}
	s := pluginScene(t, "crunch-1", "lead", "crunch-1 again")
	s.manifest = strings.Replace(s.manifest, "varies: amp\n", "varies: amp\nreference: crunch-1\n", 1)
	measure := func() *Session {
		c, err := manifest.Load(s.write(t), nil)
		if err != nil {
			t.Fatal(err)
		}
		m, err := Measure(t.Context(), c, Options{})
		if err != nil {
			t.Fatal(err)
		}
		m.Check()
		m.Result = sentences.Result(m.Result)
		return m
	}
	clean := measure().Result
	assert(t, clean, wanted{fairness.IDSteady, "crunch-1 again", result.Passed, 0, 0.1, "dB"})
	assert(t, clean, wanted{fairness.IDSteady, "lead", result.NotMeasured, nan(), 0, ""})
	if e := standingOf(clean, "during a take"); e.Standing != result.NotExcluded || !strings.Contains(e.Because, "lead: recorded only once") {
		t.Errorf("%+v", e)
	}
	if r := clean.Resolution; r.Source != "repeat" || r.LeftOut != nil || len(r.Repeats) != 1 {
		t.Errorf("a clean repeat: %+v", r)
	}
	s.each("crunch-1-again", func(x []float64) []float64 {
		for i := int(27 * guitar.Rate); i < int(42*guitar.Rate); i++ {
			x[i] *= unit.ToAmplitude(-3)
		}
		return x
	})
	faded := measure().Result
	assert(t, faded, wanted{fairness.IDSteady, "crunch-1 again", result.Failed, -3, 0.1, "−3.0 dB"})
	if e := standingOf(faded, "during a take"); e.Standing != result.Found {
		t.Errorf("%+v", e)
	}
	r := faded.Resolution
	if r.Source != "statistics" || len(r.Repeats) != 0 || len(r.LeftOut) != 1 || !strings.Contains(r.LeftOut[0].Change, "−3.0 dB off from 0:27.0 to 0:4") {
		t.Errorf("a repeat with a fader moved: %+v", r.LeftOut)
	}
	// In the bass, which this guitar has not, there is noise for either.
	for b, v := range r.Third {
		if faded.Spectrum.Third[b].Centre > 200 && v > clean.Resolution.Third[b]+0.1 {
			t.Errorf("band %d: the repeat widens the resolution from %v to %v", b, clean.Resolution.Third[b], v)
		}
	}
}

// gatedBy lowers a recording where it falls below a threshold in dBFS for 50 ms.
func gatedBy(x []float64, threshold, release, depth float64) []float64 {
	y := make([]float64, len(x))
	envelope, since, gain := 0.0, 1e9, -depth
	for i, v := range x {
		envelope = math.Max(math.Abs(v), envelope*math.Exp(-1/(0.02*guitar.Rate)))
		since += 1.0 / guitar.Rate
		if unit.FromAmplitude(envelope) > threshold {
			since = 0
		}
		if since <= 0.05 {
			gain = math.Min(0, gain+depth/(0.002*guitar.Rate))
		} else {
			gain = math.Max(-depth, gain-depth/(release*guitar.Rate))
		}
		y[i] = v * unit.ToAmplitude(gain)
	}
	return y
}

// TestGateBeforeDrive asks that a gate before a chain is named, fast or slow, where it
// closes with the end of the note, down to the chain's own noise; and that no chain
// without one is, whatever it does to the sound.
func TestGateBeforeDrive(t *testing.T) {
	campaign.Long(t)
	if underRace {
		t.Skip("slow under the race detector")
	}
	var names []string
	for _, c := range guitar.Chains(t) {
		names = append(names, c.Name)
	}
	s := pluginScene(t, names...)
	for _, c := range []struct {
		chain              string
		threshold, release float64
	}{{"clean-1", -60, 0.02}, {"crunch-1", -50, 0.1}, {"high-gain", -60, 0.3}, {"high-gain", -45, 0.02}, {"lead", -50, 0.1}, {"clean-2", -45, 0.3}} {
		name := fmt.Sprintf("gated %s%g", c.chain, c.threshold)
		file := strings.ReplaceAll(name, " ", "-")
		s.files[file] = [][]float64{guitar.Through(t, c.chain, gatedBy(guitar.Dry(t), c.threshold, c.release, 80))}
		s.manifest += fmt.Sprintf("  - {name: %s, file: %s.wav, amp: {device: %s}}\n", name, file, name)
	}
	for _, k := range s.answer(t, quiet, map[string]bool{fairness.IDGate: true}).Checks {
		t.Logf("%s: %s, %s; %s", k.Subject, k.Outcome, k.Value, k.Reason)
		gated := strings.HasPrefix(k.Subject, "gate")
		if accused := k.Outcome == result.Caution || k.Outcome == result.Failed; accused != gated {
			t.Errorf("%s: %s, %s; %s", k.Subject, k.Outcome, k.Value, k.Reason)
		}
	}
}

// later is a recording behind s seconds of lead-in with the noise of a chain, or
// without its first −s seconds. It keeps its length.
func later(t testing.TB, x []float64, s float64) []float64 {
	n := int(math.Abs(s) * guitar.Rate)
	if s < 0 {
		return x[n:]
	}
	still := guitar.Take(t, "clean-1")[:guitar.Rate]
	lead := make([]float64, 0, n)
	for len(lead) < n {
		lead = append(lead, still[:min(len(still), n-len(lead))]...)
	}
	return append(lead, x...)[:len(x)]
}

// TestLeadIn asks that takes are placed as exactly behind a lead-in of many seconds, or
// without their beginning, as without; and that a copy and the dry recording itself are
// seen behind one.
func TestLeadIn(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector")
	}
	aligning := func(s *Session) []func(context.Context) error {
		return []func(context.Context) error{s.readFiles, s.findActivity, s.align}
	}
	chains := []string{"crunch-1", "fuzz-1", "octave-up", "echo", "high-gain"}
	applied := func(s *scene) map[string]result.Alignment {
		out := map[string]result.Alignment{}
		for _, k := range s.answer(t, aligning, nil).Takes {
			out[k.Name] = k.Alignment
		}
		return out
	}
	truth := applied(pluginScene(t, chains...))
	for _, lead := range []float64{2.5, 4.32, 24, -8} {
		s := pluginScene(t, chains...)
		for _, c := range chains[1:] {
			s.files[c][0] = later(t, s.files[c][0], lead)
		}
		got := applied(s)
		for _, c := range chains[1:] {
			a := got[c]
			off := float64(a.Applied-got[chains[0]].Applied) - float64(truth[c].Applied-truth[chains[0]].Applied) - lead*guitar.Rate
			if within := 2*math.Hypot(float64(a.BesideError), float64(truth[c].BesideError)) + 0.2; a.BesideBy == "" || !(math.Abs(off) <= within) {
				t.Errorf("%s, %g s: %.1f samples off, by %q, stated are %.1f; %s", c, lead, off, a.BesideBy, within, a.Reason)
			}
		}
	}
	s := pluginScene(t, "crunch-1", "high-gain", "fuzz-1")
	s.files["high-gain"][0] = scaled(later(t, s.files["crunch-1"][0], 6), -4)
	s.files["fuzz-1"][0] = passed(later(t, guitar.Dry(t), 5), -4, 30, -85)
	res := s.answer(t, comparing, map[string]bool{fairness.IDNearCopy: true, fairness.IDPath: true})
	assert(t, res, wanted{fairness.IDNearCopy, "crunch-1 and high-gain", result.Failed, nan(), 0, ""})
	assert(t, res, wanted{fairness.IDPath, "fuzz-1", result.Failed, nan(), 0, ""})
}

// TestTurnedRepeat asks that a repeat with the other polarity is put down to what
// changed between the passes, whichever take the others are compared with; and another
// device of the other polarity to the device.
func TestTurnedRepeat(t *testing.T) {
	campaign.Serial(t)
	for _, reference := range []string{"One", "Two"} {
		for _, turned := range []string{"one", "again", "two"} {
			s := newScene(t)
			s.manifest = strings.Replace(s.manifest, "reference: One", "reference: "+reference, 1)
			s.each(turned, func(x []float64) []float64 { return scaledBy(x, -1) })
			aligned := func(s *Session) []func(context.Context) error {
				return []func(context.Context) error{s.readFiles, s.findActivity, s.align, s.layTimeline}
			}
			cautions := 0
			for _, k := range s.answer(t, aligned, map[string]bool{fairness.IDPolarity: true}).Checks {
				if k.Outcome != result.Caution {
					continue
				}
				cautions++
				session := strings.Contains(k.Reason, "changed between the two takes")
				if repeat := k.Subject == "Again" && turned != "two"; session != repeat || session == strings.Contains(k.Reason, "inverting stages") {
					t.Errorf("%s turned, reference %s: %s: %s", turned, reference, k.Subject, k.Reason)
				}
			}
			if cautions == 0 {
				t.Errorf("%s turned, reference %s: nothing is said", turned, reference)
			}
		}
	}
}
