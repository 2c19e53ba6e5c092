package verify

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/again"
	"evenhand/analyze/equalise"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/wavio"
)

// equalised publishes a comparison of two takes of 20 s of noise that differ by EQ alone,
// whose cabinet is a file, and returns its result and folder.
func equalised(t *testing.T, cabinet string) (*result.Result, string) {
	t.Helper()
	const rate = 16000
	dir := t.TempDir()
	r := rand.New(rand.NewPCG(5, 6))
	dry, one, two := make([]float64, 20*rate), make([]float64, 20*rate), make([]float64, 20*rate)
	low, high := 0.0, 0.0
	for i := range dry {
		loud := 0.2
		if i/rate == 9 { // a pause
			loud = 1e-4
		}
		dry[i] = loud * r.NormFloat64() / 3
		low += 0.4 * (dry[i] - low)
		high += 0.1 * (low - high)
		one[i], two[i] = low, 0.3*low+high
	}
	for name, x := range map[string][]float64{"dry.wav": dry, "one.wav": one, "two.wav": two} {
		w, err := wavio.Create(filepath.Join(dir, name), wavio.Spec{SampleRate: rate, Channels: 1, Bits: 24})
		if err == nil {
			err = errors.Join(w.Write([][]float64{x}), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	text := fmt.Sprintf(`title: Two
varies: fuzz
copies: 24 bit
reference: One
performance: {dry: dry.wav}
chain:
  - slot: fuzz
  - {slot: cabinet, device: Box, file: %s}
takes:
  - {name: One, file: one.wav, fuzz: One}
  - {name: Two, file: two.wav, fuzz: Two}
`, cabinet)
	for name, text := range map[string]string{"two.yaml": text, "cab.model": "any bytes"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	c, err := manifest.Load(filepath.Join(dir, "two.yaml"), nil)
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	s, err := analyze.MeasureAndPublish(context.Background(), c, out, analyze.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s.Result, out
}

// TestEqualisedIsFittedAgain: takes that differ by EQ alone leave next to nothing. verify
// fits the filter again, and finds another one in its script, another hash and another
// figure. Results of earlier versions, without filters, are as good as before.
func TestEqualisedIsFittedAgain(t *testing.T) {
	res, out := equalised(t, "cab.model")
	e := res.EqualisedFrom("Two")
	if e == nil || e.Reason.Found != "" || e.Of != "One" || !(e.Left < -45) || !(e.Unweighted < -45) || e.Taps != 4096 || e.Channels != 1 {
		t.Fatalf("%+v of %+v", e, res.Leftover)
	}
	// As an archive has it, where the recordings gave the same published files once more.
	made := &again.Made{Dir: t.TempDir(), Result: &result.Result{Takes: res.Takes, Equalised: slices.Clone(res.Equalised)}}
	if err := os.CopyFS(made.Dir, os.DirFS(out)); err != nil {
		t.Fatal(err)
	}
	found := func() (said []string, compared int) {
		t.Helper()
		v, tree := verifying(t, res, out, "published report")
		twice, treeToo := verifying(t, res, out, "archive")
		twice.made = made
		if err := twice.measurePublished(out, "", twice.res, treeToo); err != nil {
			t.Fatal(err)
		}
		defer func() {
			faults, differences := told(twice)
			if too := append(faults, differences...); !slices.Equal(too, said) || twice.r.Compared != compared {
				t.Errorf("of an archive: %q, %d values compared; of a report: %q, %d", too, twice.r.Compared, said, compared)
			}
		}()
		if err := v.measurePublished(out, "", v.res, tree); err != nil {
			t.Fatal(err)
		}
		faults, differences := told(v)
		return append(faults, differences...), v.r.Compared
	}
	said, compared := found()
	if len(said) > 0 {
		t.Errorf("as made: %q", said)
	}
	with := *e
	e.Left += 0.01
	if said, _ := found(); !slices.Equal(said, []string{"equalised[filters/two.js, Two, One].left_db"}) {
		t.Errorf("another figure: %q", said)
	}
	*e = with
	l, err := equalise.Read(out, e.Path)
	if err != nil {
		t.Fatal(err)
	}
	l.Taps[0][1024] += 0.001
	name := filepath.Join(out, filepath.FromSlash(e.Path))
	if err := os.WriteFile(name, equalise.Script(e.Path, l), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, stated := range []string{"as it was", "as it is"} {
		if stated == "as it is" {
			if e.SHA256, _, err = foreign.SHA256File(context.Background(), name); err != nil {
				t.Fatal(err)
			}
		}
		if said, _ := found(); !slices.Equal(said, []string{"filters/two.js: it is not the filter from Two to One"}) {
			t.Errorf("another filter, its hash %s: %q", stated, said)
		}
	}
	for _, bad := range []string{"", "Evenhand.filter(\"filters/two.js\",{\"taps\":[\"?\"]});\n", "Evenhand.filter(\"filters/one.js\",{});\n"} {
		if err := os.WriteFile(name, []byte(bad), 0o666); err != nil {
			t.Fatal(err)
		}
		if said, _ := found(); len(said) != 1 || !strings.HasPrefix(said[0], "filters/two.js: it cannot be fitted again: ") {
			t.Errorf("%q: %q", bad, said)
		}
	}
	e.Path = "../two.yaml"
	if said, _ := found(); len(said) != 1 || !strings.HasPrefix(said[0], "../two.yaml: it cannot be fitted again: ") {
		t.Errorf("a path out of the report: %q", said)
	}
	res.Equalised = nil
	if said, without := found(); len(said) > 0 || without >= compared {
		t.Errorf("an earlier version: %q, %d values compared of %d", said, without, compared)
	}
}

// TestWithheldIsNotEqualised: no filter tells of a file that must not be passed on.
func TestWithheldIsNotEqualised(t *testing.T) {
	res, out := equalised(t, "{file: cab.model, redistribute: no}")
	if e := res.EqualisedFrom("Two"); e == nil || !reflect.DeepEqual(e.Reason.Text, result.Say("equalised.marked", "file", "cab.model", "name", "One")) || e.Path != "" {
		t.Errorf("%+v", e)
	}
	if _, err := os.Stat(filepath.Join(out, equalise.Dir)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a filter was published: %v", err)
	}
}
