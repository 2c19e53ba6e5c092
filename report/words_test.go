package report

import (
	"fmt"
	"html"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
)

func TestDeviationWords(t *testing.T) {
	for v, want := range map[float64]string{0: "all are within 0.001 LU of it", -0.0041: "all are within 0.005 LU of it", 0.004: "all are within 0.004 LU of it"} {
		if got := deviationWords(v); got != want {
			t.Errorf("%v: %q", v, got)
		}
	}
}

func TestThinKeepsTheGreatest(t *testing.T) {
	s := thin([]float64{-30, -20, math.Inf(-1), nan, nan, nan, -5}, 0.5, 2)
	if len(s.values) != 4 || s.step != 1 || s.values[0] != -20 || !math.IsInf(s.values[1], -1) || !math.IsNaN(s.values[2]) || s.values[3] != -5 {
		t.Errorf("%+v", s)
	}
}

// TestReampWords asks that the page says what the level of a loop is: of which
// passband, of a flat loop, or of a middle from which it was not told apart.
func TestReampWords(t *testing.T) {
	loop := result.Loopback{File: "loop.wav", Certain: true, Level: 0.1, LevelError: 0.02, Middle: -0.09, LevelBands: "250 Hz to 1 kHz", FitFrom: 20, FitTo: 20000}
	for _, c := range []struct {
		separated bool
		shape     []result.Cause
		want      string
	}{
		{true, []result.Cause{{Text: result.Say("shape.first-order", "treble", true, "at_hz", 3021.5)}}, "Here, from 20.0 Hz to 20.0 kHz, the loop has a first-order loss of treble, −3 dB at 3 kHz; without that its gain is +0.10 dB, to ±0.02 dB (two standard errors). The octaves of 250 Hz to 1 kHz return at −0.09 dB."},
		{true, nil, "Here the response is flat within what was measured, and both are the same to ±0.02 dB."},
		{false, nil, "Here none explains the response, so the level is that mean; the sixth octaves there differ by 0.02 dB."},
	} {
		loop.Separated, loop.Shape = c.separated, c.shape
		res := fixture()
		res.Loopback = &loop
		page, err := os.ReadFile(filepath.Join(write(t, res), "details.html"))
		if err != nil {
			t.Fatal(err)
		}
		if text := html.UnescapeString(string(page)); !strings.Contains(text, c.want) || len(c.shape) > 0 && !strings.Contains(text, "in the passband of a loop with a first-order loss of treble, −3 dB at 3 kHz") {
			t.Errorf("%+v: the page does not say %q", c, c.want)
		}
	}
}

// Two channels that carry one signal are told where the take is heard.
func TestEqualChannelsAreTold(t *testing.T) {
	res := fixture()
	res.Takes[1].Signal, res.Takes[1].EqualChannels = "stereo", &result.EqualChannels{Within: -98.04}
	b := &builder{res: res, labels: make([]label, len(res.Takes))}
	if got, want := b.listen(nil).Takes[1].Signal, "stereo, channels equal to within −98.0 dBFS"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestSentencesFold: below a figure of many takes stand six sentences, and the
// others where a reader asks for them; all are there, in order.
func TestSentencesFold(t *testing.T) {
	for n, folded := range map[int]int{0: 0, 6: 0, 8: 0, 9: 3, 19: 13} {
		f := figure{ID: "f", SVG: "<svg></svg>", Title: "Levels"}
		for i := range n {
			f.Words = append(f.Words, fmt.Sprint("Sentence ", i, "."))
		}
		text := part(t, "figure", f)
		shown, rest, _ := strings.Cut(text, fmt.Sprint("<details><summary>", folded, " more, in words</summary>"))
		if folded > 0 {
			rest, _, _ = strings.Cut(rest, "</details>")
		}
		if strings.Count(shown, "<p id=") != n-folded || strings.Count(rest, "<p id=") != folded {
			t.Errorf("%d sentences, of which %d should be folded:\n%s", n, folded, text)
		}
	}
}

// No sentence ranks a bypass, the room or a repeat, whatever its figures are: with
// them as the loudest, noisiest, most and least alike of all, the sentences are
// those of the takes that compete.
func TestOnlyContestantsAreRanked(t *testing.T) {
	words := func(res *result.Result) string {
		b := &builder{res: res, labels: []label{}}
		for i, t := range res.Takes {
			b.labels = append(b.labels, label{Name: t.Name, Slug: t.Slug, Swatch: svg(chart.Swatch(i))})
		}
		l := b.loudness()
		all := append(append(append(l.Words, l.AltWords), b.noise().Words...), b.likeness().Words...)
		return strings.Join(all, "\n")
	}
	res := fixture()
	want := words(res)
	if n := strings.Count(want, "The sentences here leave out Leaning again (repeat of Leaning) and No fuzz (bypass)."); n != 3 {
		t.Errorf("%d of 3 groups of sentences say what they leave out:\n%s", n, want)
	}
	for i := range res.Takes {
		k := &res.Takes[i]
		if k.Contestant() {
			continue
		}
		k.Measures[0].Integrated, k.Measures[0].Crest = unit.LUFS(3-40*float64(i%2)), unit.DB(40*float64(i%2))
		k.Noise.AsMatched.AWeighted, k.Noise.Measured, k.Noise.Gated = unit.DBFS(-10-120*float64(i%2)), true, false
		for n := range res.Match.Alternatives {
			if a := &res.Match.Alternatives[n]; a.Take == k.Name {
				a.Spread, a.AWeighted = 90, 90
			}
		}
		for n := range res.Likeness {
			if l := &res.Likeness[n]; (l.A == k.Name || l.B == k.Name) && l.Resolved {
				l.Spectral = unit.DB(60 * float64(n%2))
			}
		}
	}
	if got := words(res); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	// Without a take that competes nothing is ranked, and nothing false is said.
	for i := range res.Takes {
		res.Takes[i].Role = "bypass"
	}
	if got := words(res); strings.Contains(got, "loudest") || strings.Contains(got, "most noise") || strings.Contains(got, "Furthest") || strings.Contains(got, "could") {
		t.Errorf("a comparison of bypasses: %s", got)
	}
}
