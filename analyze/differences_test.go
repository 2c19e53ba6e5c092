package analyze

import (
	"context"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/publish"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/sentences"
)

func TestNeighbours(t *testing.T) {
	inf := unit.DB(math.Inf(1))
	for _, c := range []struct{ in, want []unit.DB }{
		{nil, []unit.DB{}},
		{[]unit.DB{-2}, []unit.DB{2}},
		{[]unit.DB{0, 1, 0, 0, -3, 0}, []unit.DB{1, 1, 1, 3, 3, 3}},
		{[]unit.DB{0, inf, 0.5}, []unit.DB{0, 0.5, 0.5}},
	} {
		if got := neighbours(c.in); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%v: got %v, want %v", c.in, got, c.want)
		}
	}
}

// TestMedianOfTakes asks that no repeat, bypass or room moves the median.
func TestMedianOfTakes(t *testing.T) {
	s := &Session{Measured: fairness.Measured{Result: &result.Result{Takes: []result.Take{{Name: "One"}, {Name: "Again", RepeatOf: "One"}, {Name: "Cable", Role: string(manifest.RoleBypass)}, {Name: "Hall", Role: string(manifest.RoleRoom)}}}}}
	for i, want := range []bool{true, false, false, false} {
		if got := s.countsForMedian(i); got != want {
			t.Errorf("%s: %v", s.Result.Takes[i].Name, got)
		}
	}
	for _, c := range []struct{ in, want []float64 }{{nil, []float64{math.NaN()}}, {[]float64{3}, []float64{3}}, {[]float64{5, 1, 3}, []float64{3}}, {[]float64{4, 1, 2, 9}, []float64{3}}} {
		if got := result.Median(slices.Clone(c.in)); got != c.want[0] && !(math.IsNaN(got) && math.IsNaN(c.want[0])) {
			t.Errorf("median of %v: %v", c.in, got)
		}
	}
}

// TestHumOfRepeat asks that a repeat's hum is compared with that of what it
// repeats alone, and does not count among the others.
func TestHumOfRepeat(t *testing.T) {
	take := func(name, of string, hum unit.DBFS) result.Take {
		return result.Take{Name: name, RepeatOf: of, Noise: result.Noise{Measured: true, AsMatched: result.NoiseLevels{Hum: hum, Hiss: -90}}}
	}
	s := &fairness.Measured{Manifest: &manifest.Comparison{}, Result: &result.Result{Takes: []result.Take{
		take("One", "", -70), take("Two", "", -60), take("Three", "", -64), take("Two again", "Two", -58)}}}
	answers := sentences.Checks(s.Answers(fairness.IDHum))
	want := map[string]float64{"One": -70 + 62, "Two": -60 + 67, "Three": -64 + 65, "Two again": 2}
	for _, c := range answers {
		if got := float64(c.Measured); math.Abs(got-want[c.Subject]) > 1e-9 {
			t.Errorf("%s: %v dB, want %v: %s", c.Subject, got, want[c.Subject], c.Reason)
		}
		if (c.Subject == "Two again") != strings.Contains(c.Reason, "against Two") {
			t.Errorf("%s: %s", c.Subject, c.Reason)
		}
	}
	if len(answers) != 4 {
		t.Errorf("%d answers", len(answers))
	}
}

// TestShortSections asks that a section shorter than a gating block, 0.4 s
// (ITU-R BS.1770-5), is left out and one just longer is not.
func TestShortSections(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	s := newScene(t)
	s.manifest = strings.Replace(s.manifest, "{name: Riff, from: 1.1, to: 4.3}", "{name: Riff, from: 1.1, to: 3.0}\n    - {name: Short, from: 3.0, to: 3.39}\n    - {name: Just, from: 3.4, to: 3.81}", 1)
	session, err := s.measure(t)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, sp := range session.Result.Timeline.Spans {
		names = append(names, sp.Name)
	}
	if got := strings.Join(names, ","); got != "Whole,Riff,Just,Notes" {
		t.Errorf("spans %s", got)
	}
	if !slices.ContainsFunc(session.Result.Warnings, func(w result.Warning) bool {
		return w.Found == "section.short" && w.With["name"] == "Short" && w.With["long_s"] == unit.Number(0.39)
	}) {
		t.Errorf("not said: %v", session.Result.Warnings)
	}
}

// TestNamesOfSpans asks that a take called dry is not taken for the dry recording, and
// that sections of one name are told apart, also from the whole.
func TestNamesOfSpans(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	s := newScene(t)
	s.manifest = strings.NewReplacer("  dry: dry.wav\n", "", "  loopback: loop.wav\n", "", "One", "dry", "name: Riff", "name: Whole").Replace(s.manifest)
	session, err := s.measure(t)
	if err != nil {
		t.Fatal(err)
	}
	tl := session.Result.Timeline
	if tl.SourceIs != result.SourceTake || tl.Source != "dry" || session.Result.DryTimeline() {
		t.Errorf("the source is %q, %q", tl.SourceIs, tl.Source)
	}
	if tl.Spans[0].Name != "Whole" || tl.Spans[1].Name != "Whole 2" || tl.Spans[2].Name != "Notes" {
		t.Errorf("spans %q, %q, %q", tl.Spans[0].Name, tl.Spans[1].Name, tl.Spans[2].Name)
	}
	for _, c := range session.Result.Checks {
		if strings.Contains(c.Reason, "dry recording") {
			t.Errorf("%s: %s", c.ID, c.Reason)
		}
	}
}

// TestMicrophoneAloneKeepsTheCeiling publishes a take whose microphones all but
// cancel: at the gain of the blend the one that is published alone would clip.
func TestMicrophoneAloneKeepsTheCeiling(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	s := newScene(t)
	x := s.files["two"][0]
	s.files["two"] = [][]float64{x, scaledBy(x, -0.9)}
	s.manifest = strings.Replace(s.manifest, "    file: two.wav\n", "    file: two.wav\n"+sceneMics, 1)
	session, err := s.measure(t)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := session.Publish(context.Background(), dir, PublishOptions{Pieces: true}); err != nil {
		t.Fatal(err)
	}
	take := session.Result.Takes[1]
	plan := take.Published.Blend
	if plan.Gain >= take.Gain {
		t.Errorf("gain %v alone, %v in the blend: this take shows nothing", plan.Gain, take.Gain)
	}
	m, _, err := publish.Measure(context.Background(), filepath.Join(dir, filepath.FromSlash(plan.Pieces[0].Path)))
	if err != nil {
		t.Fatal(err)
	}
	// Half a step of 24 bits is far below 0.001 dB.
	if want := float64(session.Result.Parameters.Match.Ceiling); math.Abs(float64(m.SamplePeak)-want) > 0.001 {
		t.Errorf("the microphone alone peaks at %v, want the ceiling, %.3f", m.SamplePeak, want)
	}
}
