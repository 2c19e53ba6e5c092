package analyze_test

import (
	"context"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/again"
	"evenhand/analyze/result"
	"evenhand/report/verify"
)

// fromPublished compares what the published audio gives again with a result,
// within the stated tolerances.
func fromPublished(t *testing.T, res *result.Result, out string) (verify.Comparison, *again.Published) {
	t.Helper()
	x, err := again.FromPublished(context.Background(), out, t.TempDir(), res, analyze.Options{})
	if err != nil {
		t.Fatal(err)
	}
	stored, err := verify.Tree(res)
	if err != nil {
		t.Fatal(err)
	}
	again, err := verify.Tree(x)
	if err != nil {
		t.Fatal(err)
	}
	return verify.Compare(stored, again, verify.Options{Part: true, Null: true, Tolerances: verify.PublishedTolerances()}), x
}

// checkFromPublished: the published files give the section measurements, the
// spectra, the noise and the differences again, and a gain that is not the one
// that was applied shows in each of them.
func checkFromPublished(t *testing.T, res *result.Result, out string, least int) {
	c, x := fromPublished(t, res, out)
	for _, d := range c.Differences {
		t.Error(d)
	}
	if c.Compared < least || len(x.NotMeasured) > 0 {
		t.Errorf("%d values compared, want %d or more; not measured: %q", c.Compared, least, x.NotMeasured)
	}

	b, err := json.Marshal(res)
	if err != nil {
		t.Fatal(err)
	}
	other, err := result.Read(strings.NewReader(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	other.Takes[1].Gain += 0.3
	name := other.Takes[1].Name
	c, _ = fromPublished(t, other, out)
	found := map[string]bool{}
	for _, d := range c.Differences {
		for _, part := range []string{"integrated_lufs", "true_peak_dbtp", "series.momentary_lufs", "noise.as_recorded"} {
			if strings.HasPrefix(d.Quantity, "takes["+name+"]") && strings.Contains(d.Quantity, part) {
				found[part] = true
			}
		}
		if !strings.Contains(d.Quantity, name) && !strings.HasPrefix(d.Quantity, "match.alternatives") && !strings.HasPrefix(d.Quantity, "resolution") {
			t.Errorf("with the gain of %s changed: %v", name, d)
		}
	}
	want := 4
	if math.IsNaN(float64(x.Takes[1].Noise.AsRecorded.Unweighted)) {
		want = 3 // the dither reaches the noise in the pauses
	}
	if len(found) != want {
		t.Errorf("a gain of 0.3 dB shows only in %v", found)
	}

	// Without one take's file the rest is measured all the same.
	other, err = result.Read(strings.NewReader(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	last := len(other.Takes) - 1
	other.Takes[last].Published, other.Takes[last].Withheld = nil, &result.Withheld{}
	c, x = fromPublished(t, other, out)
	for _, d := range c.Differences {
		t.Errorf("one take withheld: %v", d)
	}
	if len(x.NotMeasured) == 0 || len(x.Takes) != last {
		t.Errorf("one take withheld: %d takes measured, not measured: %q", len(x.Takes), x.NotMeasured)
	}
}
