package analyze

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/listening"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/store"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/examples/studio"
	"evenhand/report/sentences"
)

// drivenTakes writes a dry recording and eight takes of it, through each of the
// four circuits with two drives, and returns their names.
func drivenTakes(t *testing.T, dir string) []string {
	t.Helper()
	const rate = 44100
	dry, err := studio.Performance(rate, 5, studio.Score{Length: 6, Parts: []studio.Part{
		{Name: "Riff", Start: 0.8, Tempo: 132, Step: 0.5, Notes: "60m 60m 63 60m 65 63 60m 62 60m"},
		{Name: "Chords", Start: 3.5, Tempo: 110, Step: 1, Notes: "60+52+42 63+55+45 50+42+32"},
	}})
	if err != nil {
		t.Fatal(err)
	}
	put := func(name string, x []float64) {
		w, err := wavio.Create(filepath.Join(dir, name+".wav"), wavio.Spec{SampleRate: rate, Channels: 1, Bits: 24})
		if err == nil {
			err = errors.Join(w.Write([][]float64{x}), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	put("dry", dry)
	mic := studio.Cabinet(rate, studio.Microphone{Name: "close"})
	names := []string{}
	for i := range 8 {
		c := studio.Circuits()[i%4]
		c.Drive += unit.DB(8*(i/4) - 4)
		name := fmt.Sprintf("Take %c", 'A'+i)
		put(name, studio.Render(dry, studio.Chain{Rate: rate, Circuit: &c, Amp: studio.Amp{Hiss: -90}, Mics: [][]float64{mic},
			Lag: unit.Samples(40 + 23.17*float64(i)), Gain: unit.DB(-12 + i%3), Floor: -92, Seed: uint64(70 + i), Inverted: i == 2})[0])
		names = append(names, name)
	}
	return names
}

// keepBuild measures and publishes a comparison of takes over an earlier report.
// Lines are put into the manifest, at its top.
func keepBuild(t *testing.T, dir string, takes []string, lines string, earlier *result.Result, opts Options) (*Session, error) {
	t.Helper()
	text := "title: Eight\nvaries: fuzz\nchain: [{slot: fuzz}]\nmatch: {target: -32 LUFS}\n" + lines + "takes:\n"
	for _, name := range takes {
		name, more, _ := strings.Cut(name, ";")
		text += fmt.Sprintf("  - name: %s\n    file: %[1]s.wav\n", name)
		if more == "" {
			more = "fuzz: " + name
		}
		text += "    " + more + "\n"
	}
	path := filepath.Join(dir, "comparison.yaml")
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	c, err := manifest.Load(path, fairness.CheckLimit)
	if err != nil {
		t.Fatal(err)
	}
	if earlier != nil {
		opts.Earlier = EarlierFrom(stored(t, earlier))
	}
	opts.ChecksOnly = false
	s, err := Measure(t.Context(), c, opts)
	if err != nil {
		return nil, err
	}
	return s, s.Publish(t.Context(), t.TempDir(), PublishOptions{})
}

const withDry = "performance: {dry: dry.wav}\n"

// TestAddingChangesNothing adds each of eight driven takes to the other seven and
// asks that no published byte of those changes.
func TestAddingChangesNothing(t *testing.T) {
	if underRace {
		t.Skip("slow; its concurrent code runs in other tests")
	}
	dir := t.TempDir()
	names := drivenTakes(t, dir)
	kept := store.Open(t.TempDir())
	for _, k := range campaign.Share(t, len(names), 2) {
		seven := slices.Delete(slices.Clone(names), k, k+1)
		before, err := keepBuild(t, dir, seven, withDry, nil, Options{Store: kept})
		if err != nil {
			t.Fatal(err)
		}
		after, err := keepBuild(t, dir, names, withDry, before.Result, Options{Store: kept})
		if err != nil {
			t.Fatal(err)
		}
		sameAudio(t, "with "+names[k], before.Result, after.Result)
		if after.Adding() != nil {
			t.Errorf("with %s: %+v", names[k], after.Adding())
		}
		// The new take lies beside the others as it does when all are placed anew.
		fresh, err := keepBuild(t, dir, names, withDry, nil, Options{Store: kept})
		if err != nil {
			t.Fatal(err)
		}
		for i := range names {
			at, of := after.Result.Takes[i].Alignment, fresh.Result.Takes[i].Alignment
			by := float64((at.Applied - after.Result.Takes[0].Alignment.Applied) - (of.Applied - fresh.Result.Takes[0].Alignment.Applied))
			if within := 0.01 + 2*math.Hypot(float64(at.BesideError), float64(of.BesideError)); !(math.Abs(by) <= within) {
				t.Errorf("with %s: %s lies %.3f samples from where it lies among all eight, beyond %.3f", names[k], names[i], by, within)
			}
			if j := slices.IndexFunc(before.Result.Takes, func(x result.Take) bool { return x.Name == names[i] }); j >= 0 && before.Result.Takes[j].Alignment.Frames() != of.Frames() {
				t.Logf("with %s: %s would have moved by %d frames", names[k], names[i], of.Frames()-before.Result.Takes[j].Alignment.Frames())
			}
		}
	}
}

// sameAudio asks that the takes of before are published with the same bytes.
func sameAudio(t *testing.T, what string, before, after *result.Result) {
	t.Helper()
	for _, x := range before.Takes {
		k := slices.IndexFunc(after.Takes, func(y result.Take) bool { return y.File == x.File })
		if k < 0 {
			t.Errorf("%s: %s is gone", what, x.Name)
			continue
		}
		if y := after.Takes[k]; y.Published.SHA256 != x.Published.SHA256 {
			t.Errorf("%s: %s is published otherwise: %d frames at %.3f samples, was %d at %.3f", what, x.Name, y.Alignment.Frames(), y.Alignment.Applied, x.Alignment.Frames(), x.Alignment.Applied)
		}
	}
}

// stored returns a result as it is read from results.json.
func stored(t *testing.T, res *result.Result) *result.Result {
	t.Helper()
	again, err := result.Read(strings.NewReader(asJSON(t, res)))
	if err != nil {
		t.Fatal(err)
	}
	return again
}

func asJSON(t *testing.T, res *result.Result) string {
	t.Helper()
	b, err := json.MarshalIndent(res, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestChangesThatKeep asks the same where the reference changes, a repeat or a
// bypass comes, the dry recording goes or the order is another, and that a result
// built over itself is the same.
func TestChangesThatKeep(t *testing.T) {
	if underRace {
		t.Skip("slow; its concurrent code runs in other tests")
	}
	dir := t.TempDir()
	names := drivenTakes(t, dir)
	kept := store.Open(t.TempDir())
	three := names[:3]
	made := map[string]*Session{}
	for _, c := range []struct {
		name, before, after string
		takes               []string
	}{
		{"another reference", withDry + "reference: Take A\n", withDry + "reference: Take C\n", three},
		{"a new reference", withDry + "reference: Take A\n", withDry + "reference: Take D\n", names[:4]},
		{"a new first take", withDry, withDry, []string{names[4], names[0], names[1], names[2]}},
		{"a repeat", withDry, withDry, append(slices.Clone(three), "Take E;repeat_of: Take A")},
		{"a bypass", withDry, withDry, append(slices.Clone(three), "Take E;role: bypass")},
		{"no dry recording", withDry, "", three},
		{"no dry recording, another reference", "", "reference: Take B\n", three},
		{"nothing", withDry, withDry, three},
	} {
		before, err := made[c.before], error(nil)
		if before == nil {
			if before, err = keepBuild(t, dir, three, c.before, nil, Options{Store: kept}); err != nil {
				t.Fatal(c.name, err)
			}
			made[c.before] = before
		}
		after, err := keepBuild(t, dir, c.takes, c.after, before.Result, Options{Store: kept})
		if err != nil {
			t.Fatal(c.name, err)
		}
		sameAudio(t, c.name, before.Result, after.Result)
		if a := after.Adding(); a != nil {
			t.Errorf("%s: %+v", c.name, a)
		}
		again, err := keepBuild(t, dir, c.takes, c.after, after.Result, Options{Store: kept})
		if err != nil {
			t.Fatal(c.name, err)
		}
		if x, y := asJSON(t, after.Result), asJSON(t, again.Result); x != y {
			t.Errorf("%s: built over itself it is another", c.name)
		}
	}
}

// TestWhyAudioChanges asks that lost answers come with the true reason.
func TestWhyAudioChanges(t *testing.T) {
	if underRace {
		t.Skip("slow; its concurrent code runs in other tests")
	}
	dir := t.TempDir()
	three := drivenTakes(t, dir)[:3]
	// Two more recordings: one of two channels, and one that begins late.
	for name, cut := range map[string]func(x []float64) [][]float64{
		"Wide": func(x []float64) [][]float64 { return [][]float64{x, slices.Concat(x[3:], x[:3])} },
		"Late": func(x []float64) [][]float64 { return [][]float64{x[44100/2:]} },
	} {
		r, err := wavio.Open(filepath.Join(dir, "Take D.wav"))
		if err != nil {
			t.Fatal(err)
		}
		x := [][]float64{make([]float64, r.Info().Frames)}
		n, err := r.Read(x)
		if err = errors.Join(err, r.Close()); err != nil || int64(n) != r.Info().Frames {
			t.Fatal(n, err)
		}
		out := cut(x[0])
		w, err := wavio.Create(filepath.Join(dir, name+".wav"), wavio.Spec{SampleRate: 44100, Channels: len(out), Bits: 24})
		if err == nil {
			err = errors.Join(w.Write(out), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	before, err := keepBuild(t, dir, three, withDry, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	heard := &listening.Result{Comparison: before.Result.AudioID()[:result.CodeDigits], Takes: before.Result.Heard(), Readers: 5}
	for _, c := range []struct {
		name  string
		takes []string
		want  string
	}{
		{"one gone", three[:2], `of "Take C": the take is gone`},
		{"one of two channels", append(slices.Clone(three), "Wide"), `of "Take A", "Take B", "Take C": it has two equal channels now, since another take has two`},
		{"one late", append(slices.Clone(three), "Late"), `of "Take A", "Take B", "Take C": the published time is another, since all takes share less of it than then: the beginning is limited by "Late", the end by `},
	} {
		after, err := keepBuild(t, dir, c.takes, withDry, before.Result, Options{})
		if err != nil {
			t.Fatal(c.name, err)
		}
		e := EarlierFrom(before.Result)
		e.Audience = heard
		if lost := after.KeepAudience(e); lost == nil || !strings.Contains(lost.Error(), c.want) {
			t.Errorf("%s: %v", c.name, lost)
		}
	}
}

// TestKeptWrong asks that a place of the earlier report that is known to be wrong
// now is kept, and said to be: one take's, then that of all on the timeline.
func TestKeptWrong(t *testing.T) {
	if underRace {
		t.Skip("slow; its concurrent code runs in other tests")
	}
	dir := t.TempDir()
	three := drivenTakes(t, dir)[:3]
	kept := store.Open(t.TempDir())
	for _, c := range []struct {
		name  string
		moved []int
		by    float64
		says  string
	}{
		{"one", []int{1}, 40, "Take B: it stays where the earlier report has it, so that its audio stays the same; measured now, it starts 40."},
		{"all", []int{0, 1, 2}, 4000, ": all takes stay where the earlier report has them on the timeline"},
	} {
		before, err := keepBuild(t, dir, three, withDry, nil, Options{Store: kept})
		if err != nil {
			t.Fatal(err)
		}
		was := before.Result
		for _, i := range c.moved {
			was.Takes[i].Alignment.Applied -= unit.Samples(c.by)
		}
		whole := was.Timeline.Spans[0]
		after, err := keepBuild(t, dir, three, withDry, was, Options{Store: kept})
		if err != nil {
			t.Fatal(err)
		}
		said := []string{}
		for _, w := range sentences.Result(after.Result).Warnings {
			said = append(said, w.Where+": "+w.Message)
		}
		if !slices.ContainsFunc(said, func(s string) bool { return strings.HasPrefix(s, c.says) }) {
			t.Errorf("%s: not said; warnings %q", c.name, said)
		}
		for i, x := range was.Takes {
			if got := after.Takes[i].Frame; got != x.Alignment.Frames() || after.Result.Takes[i].Alignment.Frames() != got {
				t.Errorf("%s: %s is shifted by %d frames, was %d", c.name, x.Name, got, x.Alignment.Frames())
			}
		}
		if now := after.Result.Timeline.Spans[0]; now != whole || after.Result.Timeline.PlacesSource != PlacesKept {
			t.Errorf("%s: time %+v, was %+v; places %q", c.name, now, whole, after.Result.Timeline.PlacesSource)
		}
		// Given up, they are placed anew, and nothing is said.
		fresh, err := keepBuild(t, dir, three, withDry, was, Options{Store: kept, NewTarget: true})
		if err != nil {
			t.Fatal(err)
		}
		if got, moved := fresh.Adding(), len(c.moved); got == nil || len(got.Others) != moved || fresh.Result.Timeline.PlacesSource != "" {
			t.Errorf("%s: with a new target %+v", c.name, got)
		}
	}
}
