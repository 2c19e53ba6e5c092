package analyze

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"evenhand/analyze/compressor"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
)

// TestCompressorOf: where there is none, nothing is kept; one that was not measured has no
// figure; times are in ms.
func TestCompressorOf(t *testing.T) {
	if c := compressorOf(compressor.Result{None: true}); c != nil {
		t.Errorf("%+v", c)
	}
	c := compressorOf(compressor.Result{Reason: result.Say("compressor.unlike")})
	if c.Measured || c.Reason.Found != "compressor.unlike" {
		t.Errorf("%+v", c)
	}
	for _, f := range result.Figures(*c) {
		if !math.IsNaN(f.Value) {
			t.Errorf("%s is %v", f.Words, f.Value)
		}
	}
	c = compressorOf(compressor.Result{Slope: compressor.Range{Value: 0.25, Low: 0.2, High: 0.3}, Threshold: compressor.Range{Value: -30, Low: -31, High: -29}, Knee: 6,
		Attack: compressor.Range{Value: 0.02, Low: 0.019, High: 0.021}, Release: compressor.Range{Value: 0.2, Low: 0.19, High: 0.21}, Detector: compressor.Detector{Peak: true, Decay: 0.01}, Left: 0.1, Moves: 7})
	want := result.Compressor{Measured: true, Slope: 0.25, Low: 0.2, High: 0.3, Threshold: -30, ThresholdLow: -31, ThresholdHigh: -29, Knee: 6, Attack: 20, AttackLow: 19, AttackHigh: 21,
		Release: 200, ReleaseLow: 190, ReleaseHigh: 210, Detector: "peaks", Decay: 10, Left: 0.1, Moves: 7}
	if !reflect.DeepEqual(*c, want) {
		t.Errorf("%+v", *c)
	}
}

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
