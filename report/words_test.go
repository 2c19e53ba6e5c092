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

func TestListUpTo(t *testing.T) {
	if got := listUpTo([]string{"A", "B", "C"}, 1); got != "A and 2 others" {
		t.Errorf("listUpTo: %q", got)
	}
}

func TestDeviationWords(t *testing.T) {
	for v, want := range map[float64]string{0: "all are within 0.001 LU of it", -0.0041: "all are within 0.005 LU of it", 0.004: "all are within 0.004 LU of it"} {
		if got := deviationWords(v); got != want {
			t.Errorf("%v: %q", v, got)
		}
	}
}

func TestBandName(t *testing.T) {
	for _, c := range []struct {
		label, want string
	}{{"250", "250 Hz"}, {"1k", "1 kHz"}, {"1.25k", "1.25 kHz"}, {"1.25 kHz", "1.25 kHz"}, {"31.5 Hz", "31.5 Hz"}, {"", "100 Hz"}} {
		if got := bandName(result.Band{Label: c.label, Centre: 100}); got != c.want {
			t.Errorf("%q: %q, want %q", c.label, got, c.want)
		}
	}
}

func TestLoudnessWords(t *testing.T) {
	for _, c := range []struct {
		in         []levelPoint
		resolution float64
		want       string
	}{
		{nil, nan, "No integrated loudness could be measured."},
		{[]levelPoint{{"A", nan}, {"B", math.Inf(-1)}}, nan, "No integrated loudness could be measured."},
		{[]levelPoint{{"A", -20}}, nan, "A was recorded at −20.0 LUFS."},
		{[]levelPoint{{"A", -20}, {"B", -20.01}}, nan, "As recorded, the takes do not differ in loudness by more than can be resolved."},
		{[]levelPoint{{"A", -20}, {"B", -20.3}}, 0.4, "As recorded, the takes do not differ in loudness by more than can be resolved."},
		{[]levelPoint{{"A", -20}, {"B", -23.2}, {"C", nan}}, 0.1, "As recorded, the takes were up to 3.2 LU apart: A was the loudest (−20.0 LUFS), B the quietest (−23.2 LUFS)."},
	} {
		if got := loudnessWords(c.in, c.resolution); got != c.want {
			t.Errorf("%v: %q", c.in, got)
		}
	}
}

func TestCrestWords(t *testing.T) {
	for _, c := range []struct {
		in   []levelPoint
		want string
	}{
		{nil, ""},
		{[]levelPoint{{"A", 14}, {"B", nan}}, ""},
		{[]levelPoint{{"A", 14}, {"B", 14.4}}, ""},
		{[]levelPoint{{"A", 14}, {"B", 14.6}, {"C", 14.2}}, "B has the highest crest factor (14.6 dB), A the lowest (14.0 dB). A compressor with a slow attack raises it too."},
	} {
		if got := crestWords(c.in); got != c.want {
			t.Errorf("%v: %q", c.in, got)
		}
	}
}

func TestAlternativeWords(t *testing.T) {
	alt := func(u, a, w, s float64) result.Alternative {
		return result.Alternative{Take: "Splitting", Unweighted: unit.DB(u), AWeighted: unit.DB(a), Weighted468: unit.DB(w), Spread: unit.DB(s)}
	}
	for _, c := range []struct {
		in   []result.Alternative
		want string
	}{
		{nil, "could not be worked out"},
		{[]result.Alternative{alt(0, 0, 0, nan)}, "could not be worked out"},
		{[]result.Alternative{alt(0.1, 0.2, -0.1, 0.3)}, "hardly matters"},
		{[]result.Alternative{alt(0.1, 0.2, -0.1, 0.3), alt(1, -0.5, -2.5, 3.5)}, "3.5 dB between the greatest and the least gain they ask for. Matched by 468-weighted level it would play 2.5 dB quieter than it does here."},
		{[]result.Alternative{alt(2, nan, nan, 2)}, "Matched by unweighted level it would play 2.0 dB louder"},
	} {
		if got := alternativeWords(c.in); !strings.Contains(got, c.want) {
			t.Errorf("%q lacks %q", got, c.want)
		}
	}
}

func TestNoiseWords(t *testing.T) {
	// Unweighted, the hum is 20 dB above the hiss throughout.
	take := func(name string, a, hum float64, gated, measured bool) result.Take {
		return result.Take{Name: name, Noise: result.Noise{Measured: measured, Gated: gated, AsMatched: result.NoiseLevels{AWeighted: unit.DBFS(a), HumAWeighted: unit.DBFS(hum), Hum: -30, Hiss: -50}}}
	}
	for _, c := range []struct {
		in   []result.Take
		want string
	}{
		{[]result.Take{take("A", -60, -70, false, true), take("B", -50, -50.5, false, true)}, "After matching, B has the most noise in the pauses: −50.0 dBFS A-weighted, 10.0 dB above A, the quietest; 89 % of that power is hum."},
		{[]result.Take{take("A", -60, -69.2, false, true)}, "After matching, the pauses of A hold −60.0 dBFS of A-weighted noise; 12 % of that power is hum."},
		{[]result.Take{take("A", -60, -84, false, true), take("B", -60.4, -63, false, true)}, "After matching, the takes are alike in noise within 0.4 dB A-weighted; A has the most, −60.0 dBFS; less than 1 % of that power is hum."},
		{[]result.Take{take("A", -60, nan, false, true)}, "After matching, the pauses of A hold −60.0 dBFS of A-weighted noise."},
		{[]result.Take{take("A", -60, 0, false, true)}, "After matching, the pauses of A hold −60.0 dBFS of A-weighted noise."},
		{[]result.Take{take("A", -99, nan, true, true), take("B", 0, 0, false, false)}, "The pauses of A were closed by a noise gate or muted: those figures describe the gate, not the circuit.|Noise was not measured for B."},
	} {
		if got := strings.Join(noiseWords(c.in), "|"); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}

func TestLikenessWordsLeaveOutWhatIsNotResolved(t *testing.T) {
	got := strings.Join(likenessWords([]result.Likeness{{A: "A", B: "B", Spectral: 9}, {A: "A", B: "C", Spectral: 2, Resolved: true}, {A: "B", B: "C", Spectral: 3, Resolved: true}}, "", func(string) bool { return true }, ""), " ")
	want := "Furthest apart in tone are B and C (3.0 dB rms over the third octaves that are heard); closest, of those that can be told apart, are A and C (2.0 dB). 1 pair cannot be told apart in tone by this measurement and is shown in grey."
	if got != want {
		t.Errorf("got %s", got)
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
		shape     []string
		want      string
	}{
		{true, []string{"a first-order loss of treble, −3 dB at 3 kHz"}, "Here, from 20.0 Hz to 20.0 kHz, the loop has a first-order loss of treble, −3 dB at 3 kHz; without that its gain is +0.10 dB, to ±0.02 dB (two standard errors). The octaves of 250 Hz to 1 kHz return at −0.09 dB."},
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
		if text := html.UnescapeString(string(page)); !strings.Contains(text, c.want) || len(c.shape) > 0 && !strings.Contains(text, "in the passband of a loop with "+c.shape[0]) {
			t.Errorf("%+v: the page does not say %q", c, c.want)
		}
	}
}

// Two channels that carry one signal are told where the take is heard.
func TestEqualChannelsAreTold(t *testing.T) {
	res := fixture()
	res.Takes[1].Signal, res.Takes[1].EqualChannels = "stereo", &result.EqualChannels{Within: -98.04}
	b := &builder{res: res, labels: make([]label, len(res.Takes))}
	if got, want := b.listen().Takes[1].Signal, "stereo, channels equal to within −98.0 dBFS"; got != want {
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

// A repeat between which and its take something changed is named where the smallest
// difference that counts is explained.
func TestResolutionWordsLeaveOut(t *testing.T) {
	r := result.Resolution{Source: "statistics", LeftOut: []result.Unsteady{{Take: "Splitting again", Of: "Splitting", Change: "the level is −3.0 dB off from 0:27.0 to 0:42.0"}}}
	s := resolutionWords(r)
	if !strings.Contains(s, "Splitting again, which repeats Splitting, does not count") || !strings.Contains(s, "−3.0 dB off from 0:27.0 to 0:42.0.") || strings.Contains(s, "No take was recorded twice") {
		t.Error(s)
	}
	r.Source, r.Repeats = "repeat", []result.Repeat{{Take: "Moss again", Of: "Moss"}}
	if s := resolutionWords(r); !strings.Contains(s, "Moss again repeats Moss") || !strings.Contains(s, "Splitting again, which repeats Splitting, does not count") {
		t.Error(s)
	}
}
