package analyze

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/examples/guitar"
)

// guitarScene is a comparison of sampled guitar from one time to another through
// chains of plugins; the last take, Again, is another pass of the first's chain.
func guitarScene(t testing.TB, from, to unit.Seconds, chains ...string) *scene {
	t.Helper()
	cut := func(x []float64) []float64 {
		return slices.Clone(x[int(from*guitar.Rate):min(len(x), int(to*guitar.Rate))])
	}
	s := &scene{files: recordings{"dry": {cut(guitar.Dry(t))}}, rates: map[string]int{}, specs: map[string]wavio.Spec{}}
	text := "title: Plugins\nvaries: fuzz\nreference: Take 1\ndisclosure: Nobody paid.\nperformance:\n  dry: dry.wav\n  sections:\n"
	for _, p := range guitar.Sections() {
		if a, b := max(p.From, from), min(p.To, to); b > a+2 {
			text += fmt.Sprintf("    - {name: %s, from: %.2f, to: %.2f}\n", p.Name, float64(a-from), float64(b-from))
		}
	}
	text += "chain:\n  - slot: fuzz\ntakes:\n"
	add := func(name string, x []float64, line string) {
		file := strings.ToLower(strings.ReplaceAll(name, " ", ""))
		s.files[file] = [][]float64{x}
		text += fmt.Sprintf("  - name: %s\n    file: %s.wav\n    %s\n", name, file, line)
	}
	for i, c := range chains {
		add(fmt.Sprintf("Take %d", i+1), cut(guitar.Take(t, c)), fmt.Sprintf("fuzz: {device: %s, controls: {gain: noon}}", c))
	}
	add("Again", cut(guitar.Repeat(t, chains[0])), "repeat_of: Take 1")
	s.manifest = text
	return s
}

// bothMaterials are comparisons of the synthesizer and of sampled guitar that a
// fault is put into: of takes called One, Two and Again, which repeats One.
func bothMaterials() map[string]func(t testing.TB) *scene {
	return map[string]func(t testing.TB) *scene{
		"synthesizer": func(t testing.TB) *scene {
			s := newScene(t)
			s.pauses = [][2]float64{{4.2, 5.1}}
			return s
		},
		"sampled": func(t testing.TB) *scene {
			s := guitarScene(t, 46.3, 59.8, "lead", "crunch-1")
			s.files["one"], s.files["two"] = s.files["take1"], s.files["take2"]
			delete(s.files, "take1")
			delete(s.files, "take2")
			s.manifest = strings.NewReplacer("Take 1", "One", "take1", "one", "Take 2", "Two", "take2", "two").Replace(s.manifest)
			s.pauses, s.early, s.sounding = [][2]float64{{0.1, 0.9}}, s.loudAfter("one", sceneRate), s.loudAfter("one", 4*sceneRate)
			return s
		},
	}
}

// TestFilesOfSampledGuitar puts faults of files, each of the least strength that
// TestDetection finds, into sampled guitar.
func TestFilesOfSampledGuitar(t *testing.T) {
	campaign.Long(t)
	if underRace {
		t.Skip("slow under the race detector")
	}
	ids := []string{fairness.IDFormat, fairness.IDNearCopy, fairness.IDChannels, fairness.IDBandEdge, fairness.IDCut, fairness.IDClicks, fairness.IDDropouts, fairness.IDClipping, fairness.IDSameFile, fairness.IDDC, fairness.IDDualMono, fairness.IDSilent}
	for _, d := range detections(t) {
		if !slices.Contains(ids, d.id) || strings.Contains(d.fault, "noise") {
			continue
		}
		s := bothMaterials()["sampled"](t)
		d.cheat(s)
		t.Log(d.id, d.fault)
		assert(t, s.check(t), d.want)
	}
}

// TestSampledGuitar makes clean comparisons from random parts of the sampled
// guitar through random chains, quieter, of several depths, and asks that no check
// fails or accuses. What truly is so may be said.
func TestSampledGuitar(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector")
	}
	chains, sections := guitar.Chains(t), guitar.Sections()
	var mu sync.Mutex
	tally := map[string]map[result.Outcome]int{}
	t.Run("all", func(t *testing.T) {
		for _, i := range campaign.Share(t, 60, 4) {
			t.Run(fmt.Sprint(i), func(t *testing.T) {
				t.Parallel()
				rng := rand.New(rand.NewPCG(uint64(i), 99))
				// One to three passages, from pause to pause.
				first := rng.IntN(len(sections) - 1)
				last := min(len(sections)-1, first+1+rng.IntN(2))
				from := sections[first].From - unit.Seconds(0.5+0.4*rng.Float64())
				to := guitar.Length
				if last+1 < len(sections) {
					to = sections[last+1].From - unit.Seconds(0.1+0.1*rng.Float64())
				}
				var names []string
				for _, k := range rng.Perm(len(chains))[:2] {
					names = append(names, chains[k].Name)
				}
				s := guitarScene(t, from, to, names...)
				for _, name := range []string{"take1", "take2", "again"} {
					x := s.files[name][0]
					s.files[name][0] = scaled(x, min(0, -6.5-unit.FromAmplitude(peakOf(x)))-10*rng.Float64())
				}
				if rng.IntN(3) == 0 { // all alike
					spec := []wavio.Spec{{Bits: 16}, {Bits: 32, Float: true}}[rng.IntN(2)]
					s.specs = map[string]wavio.Spec{"take1": spec, "take2": spec, "again": spec}
				}
				res := s.check(t)
				mu.Lock()
				defer mu.Unlock()
				for _, c := range res.Checks {
					if tally[c.ID] == nil {
						tally[c.ID] = map[result.Outcome]int{}
					}
					tally[c.ID][c.Outcome]++
					if (c.Outcome == result.Failed || c.Outcome == result.Caution) && !trueOf(c, names) {
						t.Errorf("%.1f to %.1f s, %v: %s, %s: %s, %s; %s", float64(from), float64(to), names, c.ID, c.Subject, c.Outcome, c.Value, c.Reason)
					}
				}
			})
		}
	})
	for id, n := range tally {
		t.Logf("%-20s %v", id, n)
	}
}

// trueOf reports whether an answer about the sampled guitar's chains is true: some
// invert, tails of echoes and reverberations are cut where a part ends, the crusher
// rounds its noise away, as do gates, and the vibrato, which moves the lag all the time, has no
// one lag.
func trueOf(c result.Check, chains []string) bool {
	chain := chains[0] // of Take 1 and its repeat
	if c.Subject == "Take 2" {
		chain = chains[1]
	}
	switch c.ID {
	case fairness.IDPolarity:
		return c.Value == "inverted"
	case fairness.IDCut:
		return chain == "echo" || chain == "reverb"
	case fairness.IDGate:
		return chain == "gate" || chain == "crush"
	case fairness.IDLag:
		return slices.Contains(chains, "vibrato")
	}
	return false
}
