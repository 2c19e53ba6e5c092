package analyze

import (
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/examples/gap"
)

// TestEverySentenceHasItsFigures: of comparisons that leave something unmeasured, no check
// and no exclusion has a sentence with a gap, and nothing is excluded by a measurement
// that was not made.
func TestEverySentenceHasItsFigures(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; it runs nothing concurrent of its own")
	}
	const alone = "title: t\nvaries: amp\nchain: [{slot: amp, device: A}]\ntakes:\n  - {name: One, file: one.wav}\n"
	silence := func(name string) func(s *scene) {
		return func(s *scene) { clear(s.files[name][0]) }
	}
	for name, c := range map[string]struct {
		change func(s *scene)
		open   []string // what is not excluded
	}{
		"one take": {func(s *scene) {
			s.manifest = s.manifest[:strings.Index(s.manifest, "takes:")] + "takes:\n  - {name: One, file: one.wav}\n"
		}, []string{"bypassed", "same-file"}},
		"one take alone":   {func(s *scene) { s.manifest = alone }, []string{"another-performance", "another-part", "bypassed", "edited", "speed", "left-out", "same-file"}},
		"two takes alone":  {func(s *scene) { s.manifest = alone + "  - {name: Two, file: two.wav}\n" }, []string{"bypassed"}},
		"a silent dry one": {silence("dry"), []string{"another-performance", "bypassed", "edited"}},
		"a silent take":    {silence("two"), []string{"another-performance", "bypassed", "edited"}},
	} {
		s := newScene(t)
		c.change(s)
		res := s.check(t)
		for _, k := range res.Checks {
			for _, text := range []string{k.Value, k.Reason, k.Do, k.Limit} {
				if gap.In(text)+gap.AtEnd(text) != "" {
					t.Errorf("%s: %s of %q: %s", name, k.ID, k.Subject, text)
				}
			}
		}
		standing := map[string]result.Standing{}
		for _, e := range res.Exclusions {
			standing[e.ID] = e.Standing
			if e.Because == "" || gap.In(e.Because)+gap.AtEnd(e.Because) != "" {
				t.Errorf("%s: %s: %s", name, e.ID, e.Because)
			}
		}
		for _, id := range c.open {
			if standing[id] != result.NotExcluded {
				t.Errorf("%s: %s: %s", name, id, standing[id])
			}
		}
	}
}
