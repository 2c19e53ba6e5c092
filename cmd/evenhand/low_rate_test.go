package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/result"
)

// TestLowRate builds recordings at 8 kHz, too low for what the gear does to the playing: the
// report says so, has no figures of it, and verify accepts it.
func TestLowRate(t *testing.T) {
	dir := t.TempDir()
	path := many(t, dir, 2)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	text = []byte(strings.Replace(string(text), "reference: Take 7\n", "", 1))
	if err := os.WriteFile(path, text, 0o666); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	const why = "is not measured at 8000 Hz; at least 16000 Hz are needed"
	// The curve of the first take is so mild that a check takes it for the dry recording.
	if _, said := command(t, exitFailed, "build", path, "-o", out); !strings.Contains(said, why) {
		t.Errorf("build does not say %q: %s", why, said)
	}
	res := resultsIn(t, out)
	if !slices.ContainsFunc(res.Warnings, func(w result.Warning) bool { return w.Found == "gear.rate" }) {
		t.Errorf("warnings: %v", res.Warnings)
	}
	if res.Timeline.SampleRate != 8000 || res.Leftover != nil || res.Parameters.Gear != nil {
		t.Errorf("%d Hz; left after EQ: %v, %v", res.Timeline.SampleRate, res.Leftover, res.Parameters.Gear)
	}
	for _, x := range res.Takes {
		if x.Touch != nil || x.Drive != nil {
			t.Errorf("%s: touch %v, drive %v", x.Name, x.Touch, x.Drive)
		}
	}
	if said, _ := command(t, exitDone, "verify", out); !strings.Contains(said, "a published report made by evenhand") {
		t.Errorf("verify: %s", said)
	}
}
