package words

import (
	"math"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

var nan = math.NaN()

func TestListUpTo(t *testing.T) {
	if got := ListUpTo([]string{"A", "B", "C"}, 1); got != "A and 2 others" {
		t.Errorf("listUpTo: %q", got)
	}
}

func TestBandName(t *testing.T) {
	for _, c := range []struct {
		label, want string
	}{{"250", "250 Hz"}, {"1k", "1 kHz"}, {"1.25k", "1.25 kHz"}, {"1.25 kHz", "1.25 kHz"}, {"31.5 Hz", "31.5 Hz"}, {"", "100 Hz"}} {
		if got := BandName(result.Band{Label: c.label, Centre: 100}); got != c.want {
			t.Errorf("%q: %q, want %q", c.label, got, c.want)
		}
	}
}

func TestLoudness(t *testing.T) {
	for _, c := range []struct {
		in         []Point
		resolution float64
		want       string
	}{
		{nil, nan, "No integrated loudness could be measured."},
		{[]Point{{"A", nan}, {"B", math.Inf(-1)}}, nan, "No integrated loudness could be measured."},
		{[]Point{{"A", -20}}, nan, "A was recorded at −20.0 LUFS."},
		{[]Point{{"A", -20}, {"B", -20.01}}, nan, "As recorded, the takes do not differ in loudness by more than can be resolved."},
		{[]Point{{"A", -20}, {"B", -20.3}}, 0.4, "As recorded, the takes do not differ in loudness by more than can be resolved."},
		{[]Point{{"A", -20}, {"B", -23.2}, {"C", nan}}, 0.1, "As recorded, the takes were up to 3.2 LU apart: A was the loudest (−20.0 LUFS), B the quietest (−23.2 LUFS)."},
	} {
		if got := Loudness(c.in, c.resolution); got != c.want {
			t.Errorf("%v: %q", c.in, got)
		}
	}
}

func TestCrest(t *testing.T) {
	for _, c := range []struct {
		in      []Point
		attacks map[string]float64
		want    string
	}{
		{nil, nil, ""},
		{[]Point{{"A", 14}, {"B", nan}}, nil, ""},
		{[]Point{{"A", 14}, {"B", 14.4}}, nil, ""},
		{[]Point{{"A", 14}, {"B", 14.6}, {"C", 14.2}}, map[string]float64{"A": 20}, "B has the highest crest factor (14.6 dB), A the lowest (14.0 dB). A compressor with a slow attack raises it too."},
		{[]Point{{"A", 14}, {"B", 14.6}}, map[string]float64{"B": 20.6}, "B has the highest crest factor (14.6 dB), A the lowest (14.0 dB). B compresses with an attack of 21 ms, which can raise it too."},
	} {
		if got := Crest(c.in, c.attacks); got != c.want {
			t.Errorf("%v: %q", c.in, got)
		}
	}
}

func TestAlternatives(t *testing.T) {
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
		if got := Alternatives(c.in); !strings.Contains(got, c.want) {
			t.Errorf("%q lacks %q", got, c.want)
		}
	}
}

func TestNoise(t *testing.T) {
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
		if got := strings.Join(Noise(c.in), "|"); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}

func TestLikenessLeaveOutWhatIsNotResolved(t *testing.T) {
	got := strings.Join(Likeness([]result.Likeness{{A: "A", B: "B", Spectral: 9}, {A: "A", B: "C", Spectral: 2, Resolved: true}, {A: "B", B: "C", Spectral: 3, Resolved: true}}, "", func(string) bool { return true }, ""), " ")
	want := "Furthest apart in tone are B and C (3.0 dB rms over the third octaves that are heard); closest, of those that can be told apart, are A and C (2.0 dB). 1 pair cannot be told apart in tone by this measurement and is shown in grey."
	if got != want {
		t.Errorf("got %s", got)
	}
}

// A repeat between which and its take something changed is named where the smallest
// difference that counts is explained.
func TestResolutionLeaveOut(t *testing.T) {
	r := result.Resolution{Source: "statistics", LeftOut: []result.Unsteady{{Take: "Splitting again", Of: "Splitting", Change: "the level is −3.0 dB off from 0:27.0 to 0:42.0"}}}
	s := Resolution(r)
	if !strings.Contains(s, "Splitting again, which repeats Splitting, does not count") || !strings.Contains(s, "−3.0 dB off from 0:27.0 to 0:42.0.") || strings.Contains(s, "No take was recorded twice") {
		t.Error(s)
	}
	r.Source, r.Repeats = "repeat", []result.Repeat{{Take: "Moss again", Of: "Moss"}}
	if s := Resolution(r); !strings.Contains(s, "Moss again repeats Moss") || !strings.Contains(s, "Splitting again, which repeats Splitting, does not count") {
		t.Error(s)
	}
}
