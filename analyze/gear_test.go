package analyze

import (
	"slices"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
)

// What the page reads from the settings and what the checks read from the manifest
// is one answer.
func TestMayHaveValves(t *testing.T) {
	for kind, want := range map[string]bool{
		"valve power amp": true, "valve combo": true, "valve head": true, "all-valve head": true, "head": true, "hybrid amp": true,
		"solid-state combo": false, "tube preamp pedal": false, "amp plugin": false, "load box": false,
	} {
		for _, chain := range []string{
			"  - slot: unit\n    device: Kestrel\n    kind: " + kind + "\n",
			"  - slot: unit\n    kind: " + kind + "\n",
		} {
			// The second take names the device, of the kind that the chain states.
			c, err := manifest.Parse("scene.yaml", []byte(settingsManifest("", chain, "", "    unit: Harrow")))
			if err != nil {
				t.Fatal(err)
			}
			checks := slices.ContainsFunc(c.Devices(), func(d manifest.Device) bool { return d.Gear().MayHaveValves() })
			if page := fairness.SettingsOf(c).MayHaveValves(); page != want || checks != want {
				t.Errorf("%s: the page says %v, the checks %v, want %v", kind, page, checks, want)
			}
		}
	}
}
