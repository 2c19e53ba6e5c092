package analyze_test

import (
	"context"
	"encoding/json"
	"flag"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/examples"
	"evenhand/examples/oracle"
	"evenhand/examples/studio"
	"evenhand/report/sentences"
)

var update = flag.Bool("update", false, "rewrite the golden results")

// built makes a scenario's audio in a temporary folder, measures it, publishes
// its audio there and runs the checks.
func built(t *testing.T, scenario string) (*analyze.Session, string) {
	t.Helper()
	dir := t.TempDir()
	if err := studio.Write(filepath.Join(dir, "demo"), studio.Options{Scenario: scenario}, nil); err != nil {
		t.Fatal(err)
	}
	c, err := manifest.Load(filepath.Join(dir, "demo", examples.ManifestName(scenario)), nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := analyze.Measure(context.Background(), c, analyze.Options{Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	if err := s.Publish(context.Background(), out, analyze.PublishOptions{}); err != nil {
		t.Fatal(err)
	}
	s.Check()
	s.Result = sentences.Result(s.Result)
	return s, out
}

// TestDemo measures the demo scenario, whose lags, polarities and levels are
// known from its making, and compares with that, with ffmpeg, and with the
// figures of the last version.
func TestDemo(t *testing.T) {
	if raceDetector {
		t.Skip("the studio is slow under the race detector; the same test runs without it")
	}
	s, out := built(t, "four-fuzzes")
	res := s.Result
	t.Run("truth", func(t *testing.T) { compareTruth(t, res) })
	t.Run("match", func(t *testing.T) { checkPublished(t, res) })
	t.Run("checks", func(t *testing.T) { nothingFails(t, res) })
	t.Run("by way of another", func(t *testing.T) {
		for _, c := range res.Checks {
			if c.ID == "polarity" && c.Subject == "Bypass" && (c.Outcome != result.Passed || !strings.HasSuffix(c.Reason, ", via Sagging")) {
				t.Errorf("polarity of Bypass: %s, %s", c.Outcome, c.Reason)
			}
		}
	})
	t.Run("gear", func(t *testing.T) { compareGear(t, res) })
	t.Run("ffmpeg", func(t *testing.T) { compareFFmpeg(t, res, out) })
	t.Run("golden", func(t *testing.T) { compareGolden(t, res, "four-fuzzes") })
	t.Run("from the published audio", func(t *testing.T) { checkFromPublished(t, res, out, 20000) })
	t.Run("resolution", func(t *testing.T) {
		// Two passes of one chain: nothing may count as a difference.
		for _, d := range res.Spectrum.Differences {
			if d.Take != "Leaning again" {
				continue
			}
			for _, bands := range []result.BandDifferences{d.Third, d.Sixth, d.Twelfth} {
				for i, r := range bands.Resolved {
					if r {
						t.Errorf("%s: the repeat differs from its original by %v in band %d", d.Span, bands.Difference[i], i)
					}
				}
			}
		}
		for _, d := range res.Spectrum.Differences {
			found := 0
			for _, r := range d.Third.Resolved {
				if r {
					found++
				}
			}
			if d.Span == "Whole" && d.Take != "Leaning again" && found == 0 {
				t.Errorf("%s: another circuit, and no difference is resolved", d.Take)
			}
		}
	})
}

// TestMicrophones measures the second scenario: 44.1 kHz, 16 bits, mono,
// sections from markers, no repeat.
func TestMicrophones(t *testing.T) {
	if raceDetector {
		t.Skip("the studio is slow under the race detector; the same test runs without it")
	}
	s, out := built(t, "microphones")
	if got := s.Result.Timeline.SectionsSource; got != "markers" {
		t.Errorf("sections from %q", got)
	}
	checkPublished(t, s.Result)
	compareGolden(t, s.Result, "microphones")
	checkFromPublished(t, s.Result, out, 5000)
	nothingFails(t, s.Result)
	compareFFmpeg(t, s.Result, out) // last: it may skip
}

func compareTruth(t *testing.T, res *result.Result) {
	session, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	takes := map[string]*result.Take{}
	for i := range res.Takes {
		takes[res.Takes[i].Name] = &res.Takes[i]
	}
	truths := map[string]studio.Truth{}
	for _, truth := range session.Truths() {
		truths[truth.Name] = truth
		a := takes[truth.Name].Alignment
		// Filters of circuit, amplifier, cabinet and microphone add their own
		// delay to the one that was inserted: some 4 to 15 frames here.
		if d := float64(a.Applied - truth.Lag); d < 0 || d > 20 {
			t.Errorf("%s: lag %v, inserted %v", truth.Name, a.Applied, truth.Lag)
		}
		want := "same"
		if truth.Inverted {
			want = "inverted"
		}
		if a.Polarity != want && a.Polarity != "uncertain" {
			t.Errorf("%s: polarity %s, want %s or uncertain", truth.Name, a.Polarity, want)
		}
	}
	// The same chain twice: here nothing hides the lag and the level.
	again, first := takes["Leaning again"], takes["Leaning"]
	lag := again.Alignment.LagToReference
	if want := truths["Leaning again"].Lag - truths["Leaning"].Lag; math.Abs(float64(lag-want)) > 0.05 {
		t.Errorf("repeat: lag %v, inserted %v", lag, want)
	}
	level := again.Measures[0].Integrated - first.Measures[0].Integrated
	if want := truths["Leaning again"].Gain - truths["Leaning"].Gain; math.Abs(float64(level)-float64(want)) > 0.01 {
		t.Errorf("repeat: level %v LU, made with %v", float64(level), want)
	}
	if len(res.Resolution.Repeats) != 1 || res.Resolution.Source != "repeat" {
		t.Errorf("resolution %+v", res.Resolution.Source)
	}
}

// checkPublished: the promise of the page.
func checkPublished(t *testing.T, res *result.Result) {
	t.Helper()
	var frames int64
	for _, take := range res.Takes {
		p := take.Published
		if math.Abs(float64(p.Deviation)) > 0.01 {
			t.Errorf("%s: published %v LU off target", take.Name, float64(p.Deviation))
		}
		if p.TruePeak > -1+0.005 {
			t.Errorf("%s: true peak %v over the ceiling", take.Name, float64(p.TruePeak))
		}
		if frames != 0 && p.Frames != frames {
			t.Errorf("%s: %d frames, others %d", take.Name, p.Frames, frames)
		}
		frames = p.Frames
	}
}

var (
	ffIntegrated = regexp.MustCompile(`I:\s+(-?[0-9.]+) LUFS`)
	ffPeak       = regexp.MustCompile(`Peak:\s+(-?[0-9.]+) dBFS`)
	ffRange      = regexp.MustCompile(`LRA:\s+(-?[0-9.]+) LU`)
)

// compareFFmpeg reads the published files with another decoder and another
// meter: ffmpeg's FLAC decoder and its ebur128 filter, which prints tenths.
func compareFFmpeg(t *testing.T, res *result.Result, out string) {
	t.Helper()
	ffmpeg := oracle.Path(t, "ffmpeg")
	for _, take := range res.Takes {
		name := filepath.Join(out, filepath.FromSlash(take.Published.Path))
		text, err := exec.Command(ffmpeg, "-nostats", "-hide_banner", "-i", name, "-af", "ebur128=peak=true:framelog=verbose", "-f", "null", "-").CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		last := func(re *regexp.Regexp) float64 {
			all := re.FindAllSubmatch(text, -1)
			if all == nil {
				t.Fatalf("no %v in\n%s", re, text)
			}
			v, err := strconv.ParseFloat(string(all[len(all)-1][1]), 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		// Half a printed digit, and 0.01 LU between the two K filters.
		if got := last(ffIntegrated); math.Abs(got-float64(take.Published.Integrated)) > 0.06 {
			t.Errorf("%s: ffmpeg %v LUFS, we %v", take.Name, got, float64(take.Published.Integrated))
		}
		if got := last(ffRange); math.Abs(got-float64(take.Measures[0].Range)) > 0.15 {
			t.Errorf("%s: ffmpeg range %v LU, we %v", take.Name, got, float64(take.Measures[0].Range))
		}
		// EBU Tech 3341 allows +0.2 and −0.4 dB to each of two meters.
		if got := last(ffPeak); math.Abs(got-float64(take.Published.TruePeak)) > 0.2 {
			t.Errorf("%s: ffmpeg %v dBTP, we %v", take.Name, got, float64(take.Published.TruePeak))
		}
	}
}

// golden are the figures of a comparison that a change should not move
// unnoticed.
type golden struct {
	Target unit.LUFS
	Takes  map[string]goldenTake
}

type goldenTake struct {
	Integrated, MaxMomentary, MaxShortTerm, TruePeak, Range, Gain, Lag   float64
	Centroid, Tilt, Unweighted, AWeighted, Weighted468, Noise, Hum, Hiss float64
	Sections                                                             []float64
}

func goldenOf(res *result.Result) golden {
	g := golden{Target: res.Match.Target, Takes: map[string]goldenTake{}}
	for _, t := range res.Takes {
		m := t.Measures[0]
		k := goldenTake{
			Integrated: float64(m.Integrated), MaxMomentary: float64(m.MaxMomentary), MaxShortTerm: float64(m.MaxShortTerm),
			TruePeak: float64(m.TruePeak), Range: float64(m.Range), Gain: float64(t.Gain), Lag: float64(t.Alignment.Applied),
			Centroid: float64(m.Descriptors.Centroid), Tilt: float64(m.Descriptors.Tilt),
			Unweighted: float64(m.Unweighted), AWeighted: float64(m.AWeighted), Weighted468: float64(m.Weighted468),
			Noise: float64(t.Noise.AsRecorded.AWeighted), Hum: float64(t.Noise.AsRecorded.Hum), Hiss: float64(t.Noise.AsRecorded.Hiss),
		}
		for _, p := range []*float64{&k.Noise, &k.Hum, &k.Hiss} {
			if math.IsNaN(*p) || math.IsInf(*p, 0) {
				*p = -999
			}
		}
		for _, s := range t.Measures[1:] {
			k.Sections = append(k.Sections, float64(s.Integrated))
		}
		g.Takes[t.Name] = k
	}
	return g
}

func compareGolden(t *testing.T, res *result.Result, scenario string) {
	t.Helper()
	file := filepath.Join("testdata", scenario+".golden.json")
	got := goldenOf(res)
	if *update {
		b, err := json.MarshalIndent(got, "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, append(b, '\n'), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var want golden
	if err := json.Unmarshal(b, &want); err != nil {
		t.Fatal(err)
	}
	compareNumbers(t, scenario, toTree(t, got), toTree(t, want))
}

func toTree(t *testing.T, v any) any {
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var tree any
	if err := json.Unmarshal(b, &tree); err != nil {
		t.Fatal(err)
	}
	return tree
}

// compareNumbers allows 0.005 of any unit: processors that fuse multiply and
// add differ in the last bits.
func compareNumbers(t *testing.T, path string, got, want any) {
	t.Helper()
	switch w := want.(type) {
	case map[string]any:
		g, _ := got.(map[string]any)
		if len(g) != len(w) {
			t.Errorf("%s: %d values, want %d", path, len(g), len(w))
		}
		for k := range w {
			compareNumbers(t, path+"/"+k, g[k], w[k])
		}
	case []any:
		g, _ := got.([]any)
		if len(g) != len(w) {
			t.Fatalf("%s: %d values, want %d", path, len(g), len(w))
		}
		for i := range w {
			compareNumbers(t, path+"/"+strconv.Itoa(i), g[i], w[i])
		}
	case float64:
		if g, ok := got.(float64); !ok || math.Abs(g-w) > 0.005 {
			t.Errorf("%s: %v, want %v", path, got, w)
		}
	default:
		if got != want {
			t.Errorf("%s: %v, want %v", path, got, want)
		}
	}
}
