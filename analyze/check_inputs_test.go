package analyze

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/flacio"
	"evenhand/analyze/loopback"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/analyze/store"
	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
	"evenhand/report/sentences"
)

// TestInputs asks of poor input what can and what cannot be concluded from it.
func TestInputs(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	drop := func(s *scene, lines ...string) {
		for _, l := range lines {
			if !strings.Contains(s.manifest, l) {
				t.Fatalf("no %q in the manifest", l)
			}
			s.manifest = strings.Replace(s.manifest, l, "", 1)
		}
	}
	second := "  - name: Two\n    file: two.wav\n    fuzz: {device: Two, controls: {gain: noon}}\n"
	again := sceneAgain
	for _, c := range []struct {
		name  string
		spoil func(*scene)
		want  []wanted
		text  string // part of a reason
	}{
		{"one take", func(s *scene) { drop(s, second, again) },
			[]wanted{{fairness.IDTakes, "", result.Caution, nan(), 0, "1 take"}, {fairness.IDPerformance, "One", result.Passed, nan(), 0, ""}, {fairness.IDVaried, "", result.Passed, nan(), 0, ""}},
			"it can be compared with the dry recording; differences between devices are not measured"},
		{"one take and no dry recording", func(s *scene) {
			drop(s, second, again, "  dry: dry.wav\n", "  loopback: loop.wav\n")
		}, []wanted{{fairness.IDTakes, "", result.Caution, nan(), 0, ""}, {fairness.IDDry, "", result.Caution, nan(), 0, "none"}}, "noise and faults are measured; differences are not"},
		{"no dry recording", func(s *scene) { drop(s, "  dry: dry.wav\n", "  loopback: loop.wav\n") },
			[]wanted{{fairness.IDDry, "", result.Caution, nan(), 0, "none"}, {fairness.IDPerformance, "Two", result.Passed, nan(), 0, ""}, {fairness.IDReampLevel, "", result.NotMeasured, nan(), 0, ""}},
			"not whether they came from one recording, nor its level into the devices"},
		{"a loopback without a dry recording", func(s *scene) { drop(s, "  dry: dry.wav\n") },
			[]wanted{{fairness.IDReampLevel, "", result.NotMeasured, nan(), 0, ""}}, "there is no dry recording to compare it with"},
		{"a clipped dry recording", func(s *scene) {
			x := s.files["dry"][0]
			for i := range x {
				x[i] = max(-1, min(1, 6*x[i]))
			}
		}, []wanted{{fairness.IDDry, "", result.Caution, nan(), 0, "clipped"}, {fairness.IDClipping, "dry recording", result.Caution, nan(), 0, ""}}, "every device got the same clipped signal"},
		{"a silent dry recording", func(s *scene) { clear(s.files["dry"][0]) },
			[]wanted{{fairness.IDDry, "", result.Caution, nan(), 0, "silent"}, {fairness.IDPerformance, "One", result.NotMeasured, nan(), 0, ""}, {fairness.IDReampLevel, "", result.NotMeasured, nan(), 0, ""}, {fairness.IDSlips, "Two", result.NotMeasured, nan(), 0, ""}, {fairness.IDRateLabel, "Two", result.NotMeasured, nan(), 0, ""}},
			"the dry recording, dry.wav, is silent"},
		{"a shorter loopback", func(s *scene) { s.files["loop"][0] = s.files["loop"][0][:5*sceneRate] },
			[]wanted{{fairness.IDReampLevel, "", result.Passed, 0.05, 0.02, ""}}, ""},
		{"a loopback with a bump in the middle", func(s *scene) {
			// 0.3 dB at 1 kHz, 1 kHz wide, by a resonator of two poles.
			r := 1 - math.Pi*1000/sceneRate
			var y1, y2, x1, x2 float64
			for i, x := range s.files["loop"][0] {
				y := 2*r*math.Cos(2*math.Pi*1000/sceneRate)*y1 - r*r*y2 + (1-r*r)/2*(x-x2)
				s.files["loop"][0][i] = x + 0.035*y
				y2, y1, x2, x1 = y1, y, x1, x
			}
		}, []wanted{{fairness.IDReampLevel, "", result.Caution, 0.15, 0.1, "+0.1"}}, "within the limit on average, but the response is uneven in the middle"},
		{"an unrelated loopback", func(s *scene) {
			s.files["loop"][0] = slices.Clone(s.files["two"][0])
			slices.Reverse(s.files["loop"][0])
		},
			[]wanted{{fairness.IDReampLevel, "", result.NotMeasured, nan(), 0, ""}}, "the loopback does not show the level"},
		{"the dry recording as loopback", func(s *scene) { s.files["loop"] = s.files["dry"] },
			[]wanted{{fairness.IDSameFile, "dry recording and loopback", result.Caution, nan(), 0, "same bytes"}, {fairness.IDReampLevel, "", result.NotMeasured, nan(), 0, ""}, {fairness.IDReampTone, "", result.NotMeasured, nan(), 0, ""}},
			"the file has the same bytes as the dry recording: it is not a loopback"},
		{"the dry recording, longer, as loopback", func(s *scene) { s.files["loop"][0] = append(slices.Clone(s.files["dry"][0]), 0, 0) },
			[]wanted{{fairness.IDReampLevel, "", result.NotMeasured, nan(), 0, ""}}, "it is the dry recording itself, sample for sample"},
		{"a take as loopback", func(s *scene) { s.files["loop"] = s.files["two"] },
			[]wanted{{fairness.IDReampLevel, "", result.NotMeasured, nan(), 0, ""}}, "the file has the same bytes as Two: it is not a loopback"},
		{"a pause listed as a section", func(s *scene) {
			s.manifest = strings.Replace(s.manifest, "    - {name: Notes,", "    - {name: Rest, from: 4.5, to: 5.0}\n    - {name: Notes,", 1)
			for name, x := range s.files {
				clear(x[0][int(4.3*sceneRate):int(5.1*sceneRate)])
				s.files[name] = x
			}
		}, []wanted{{fairness.IDSections, "One", result.Passed, nan(), 0, "2 of 2"}, {fairness.IDSections, "Two", result.Passed, nan(), 0, "2 of 2"}}, "the dry recording is silent in Rest too"},
		{"a spoilt channel that the take leaves out", func(s *scene) {
			spoilt := make([]float64, len(s.files["two"][0]))
			for i := sceneRate; i < sceneRate+100; i++ {
				spoilt[i] = 1
			}
			s.files["two"] = [][]float64{spoilt, s.files["two"][0]}
			s.manifest = strings.Replace(s.manifest, "    file: two.wav\n", "    file: two.wav\n    channels: [2]\n", 1)
		}, []wanted{{fairness.IDClipping, "Two", result.Passed, 0, 0, "none"}, {fairness.IDHeadroom, "Two", result.Passed, nan(), 0, ""}, {fairness.IDClicks, "Two", result.Passed, 0, 0, "none"}, {fairness.IDDC, "Two", result.Passed, nan(), 0, ""}, {fairness.IDSilent, "Two", result.Passed, nan(), 0, "none"}},
			"only channel 2 is used"},
		{"one of three channels that is dead", func(s *scene) {
			x := s.files["two"][0]
			s.files["two"] = [][]float64{x, x, make([]float64, len(x))}
			s.manifest = strings.Replace(s.manifest, "    file: two.wav\n", "    file: two.wav\n    channels: [2, 3]\n", 1)
		}, []wanted{{fairness.IDSilent, "Two", result.Failed, nan(), 0, "silent"}, {fairness.IDDualMono, "Two", result.Passed, nan(), 0, "different"}},
			"channel 3 never rises above"},
		{"takes of different lengths", func(s *scene) {
			s.files["two"][0] = append(s.files["two"][0], make([]float64, sceneRate)...)
			s.files["one"][0] = s.files["one"][0][:len(s.files["one"][0])-3*sceneRate]
		}, []wanted{{fairness.IDLengths, "One", result.Caution, nan(), 0, "s missing"}, {fairness.IDLengths, "Two", result.Passed, 0, 0, ""}}, "the rest is compared"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t)
			c.spoil(s)
			s.manifest = strings.Replace(s.manifest, again, "", 1)
			res := s.check(t)
			for _, w := range c.want {
				if w.id == fairness.IDReampLevel && w.outcome == result.NotMeasured {
					if e := standingOf(res, "another level"); e.Standing != result.AuthorsWord || strings.Contains(e.Because, "dB") {
						t.Errorf("%+v", e)
					}
				}
				assert(t, res, w)
			}
			if strings.Contains(c.name, "as a section") && !slices.ContainsFunc(res.Warnings, func(w result.Warning) bool { return w.Found == "section.silent" && w.With["name"] == "Rest" }) {
				t.Errorf("warnings: %v", res.Warnings)
			}
			if c.text != "" && !slices.ContainsFunc(res.Checks, func(k result.Check) bool { return strings.Contains(k.Reason, c.text) }) {
				t.Errorf("no reason says %q", c.text)
			}
		})
	}
	t.Run("another sample rate", func(t *testing.T) {
		s := newScene(t)
		s.rates["two"] = 44100
		_, err := s.measure(t)
		var input *mistake.Error
		if !errors.As(err, &input) || !strings.Contains(err.Error(), "the sample rate is 44100 Hz, the dry recording has 48000 Hz") ||
			!strings.Contains(err.Error(), "takes 1.0884 times as long, so its label is wrong (recorded at 48 kHz, labelled 44.1 kHz)") {
			t.Error(err)
		}
	})
}

// TestMicrophones gives two takes of two microphones each and moves one.
func TestMicrophones(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector")
	}
	pair := func(x []float64, later int, sign float64) [][]float64 {
		y := make([]float64, len(x))
		for i := later; i < len(y); i++ {
			y[i] = sign * 0.7 * x[i-later]
		}
		return [][]float64{x, y}
	}
	s := newScene(t)
	s.files["one"] = pair(s.files["one"][0], 24, 1)
	s.files["two"] = pair(s.files["two"][0], 30, 1)
	s.files["again"] = pair(s.files["again"][0], 24, -1)
	for _, name := range []string{"one", "two", "again"} {
		s.manifest = strings.Replace(s.manifest, "file: "+name+".wav\n", "file: "+name+".wav\n    mics: {left: {name: A}, right: {name: B}}\n", 1)
	}
	res := s.check(t)
	// 24 samples at 48 kHz: 0.5 ms, notch at 1 kHz.
	assert(t, res, wanted{fairness.IDMicDelay, "One", result.Passed, 0.5, 0.001, "+0.500 ms"})
	assert(t, res, wanted{fairness.IDMicDelay, "Two", result.Caution, 0.125, 0.001, "+0.125 ms"})
	assert(t, res, wanted{fairness.IDMicPolarity, "One", result.Passed, nan(), 0, "the same"})
	assert(t, res, wanted{fairness.IDMicPolarity, "Again", result.Caution, nan(), 0, "opposite"})
	for _, c := range res.Checks {
		if c.ID == fairness.IDMicDelay && c.Subject == "One" && !strings.Contains(c.Reason, "1.00 kHz") {
			t.Errorf("no notch at 1 kHz: %s", c.Reason)
		}
	}
}

// A delay that is held against nothing says nothing about a move.
func TestMicrophonesAlone(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector")
	}
	x := func(s *scene, name string) {
		one := s.files[name][0]
		s.files[name] = [][]float64{one, append(make([]float64, 24), scaledBy(one[:len(one)-24], 0.7)...)}
		s.manifest = strings.Replace(s.manifest, "file: "+name+".wav\n", "file: "+name+".wav\n    mics: {left: {name: A}, right: {name: B}}\n", 1)
	}
	for _, c := range []struct {
		takes    []string
		old, new string
		reason   string
	}{
		{[]string{"two"}, "", "", "no other take with two microphones to compare with; +0.500 ms (+24.00 samples), right microphone after left, 17.2 cm of air; the first notch of the blend is at 1.00 kHz"},
		{[]string{"one", "two"}, "slot: fuzz\n", "slot: fuzz\n    kind: microphone\n", "the microphones are under test, so takes are not compared; +0.500 ms"},
	} {
		s := newScene(t)
		for _, name := range c.takes {
			x(s, name)
		}
		s.manifest = strings.Replace(s.manifest, c.old, c.new, 1)
		s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
		res := s.check(t)
		assert(t, res, wanted{fairness.IDMicDelay, "Two", result.NotMeasured, nan(), 0, ""})
		if !slices.ContainsFunc(res.Checks, func(k result.Check) bool { return k.ID == fairness.IDMicDelay && strings.HasPrefix(k.Reason, c.reason) }) {
			t.Errorf("%v: no reason begins %q", c.takes, c.reason)
		}
	}
}

// TestPublishedCheats spoils what is published: a take that was made louder
// before the build makes no difference; where the written file is louder than
// what was computed, the build's own second measurement says by how much.
func TestPublishedCheats(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector")
	}
	s := newScene(t)
	peak := 0.0
	for _, v := range s.files["two"][0] {
		peak = max(peak, math.Abs(v))
	}
	s.files["two"][0] = scaled(s.files["two"][0], -6.2-unit.FromAmplitude(peak))
	s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
	c, err := manifest.Load(s.write(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	session, err := Measure(context.Background(), c, Options{Store: store.Open(t.TempDir())})
	if err != nil {
		t.Fatal(err)
	}
	publish := func() (*result.Result, string) {
		t.Helper()
		out := t.TempDir()
		if err := session.Publish(context.Background(), out, PublishOptions{}); err != nil {
			t.Fatal(err)
		}
		session.Check()
		session.Result = sentences.Result(session.Result)
		return session.Result, out
	}
	res, out := publish()
	assert(t, res, wanted{fairness.IDMatch, "", result.Passed, 0, 0.05, ""})
	for accusation, standing := range map[string]result.Standing{"louder": result.ExcludedByFiles, "changed later": result.ExcludedByFiles} {
		if e := standingOf(res, accusation); e.Standing != standing {
			t.Errorf("%s: %+v", accusation, e)
		}
	}
	honest, err := os.ReadFile(filepath.Join(out, filepath.FromSlash(res.Takes[1].Published.Path)))
	if err != nil {
		t.Fatal(err)
	}
	hash := res.Takes[1].Published.SHA256
	for _, db := range []float64{0.1, 0.5, 2} {
		// What the store keeps is published; a louder file in the place of the honest
		// one stands for a writer that makes it louder.
		name := filepath.Join(t.TempDir(), "louder.flac")
		if err := errors.Join(os.WriteFile(name, honest, 0o666), louder(name, db)); err != nil {
			t.Fatal(err)
		}
		two := session.audioOf(1)
		session.run.Store.Put(two.Key(res.Timeline.Spans[0]), name)
		reused := session.Reused()
		if res, _ = publish(); session.Reused() != reused+2 {
			t.Fatal("the store was not used")
		}
		if res.Takes[1].Published.SHA256 == hash {
			t.Errorf("%g dB: the file has the honest one's hash", db)
		}
		// Of louder music the absolute gate lets a little more count.
		assert(t, res, wanted{fairness.IDMatch, "", result.Failed, db, 0.01, "+" + unit.Format(db, 2) + " LU"})
		if e := standingOf(res, "louder"); e.Standing != result.Found {
			t.Errorf("%g dB: %+v", db, e)
		}
	}
}

// louder makes a FLAC file louder by some dB.
func louder(name string, db float64) (err error) {
	d, err := flacio.Open(name)
	if err != nil {
		return err
	}
	info := d.Info()
	x := make([][]float64, info.Channels)
	for c := range x {
		x[c] = make([]float64, 1<<20)
	}
	n, err := d.Read(x)
	for err == nil && n < len(x[0]) {
		part := make([][]float64, len(x))
		for c := range x {
			part[c] = x[c][n:]
		}
		var more int
		more, err = d.Read(part)
		n += more
	}
	if err = errors.Join(d.Close(), err); !errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: longer than thought: %w", name, err)
	}
	e, err := flacio.Create(name, flacio.Spec{SampleRate: info.SampleRate, Channels: info.Channels, Bits: info.Bits})
	if err != nil {
		return err
	}
	ints := make([][]int32, len(x))
	for c := range x {
		ints[c] = make([]int32, n)
		flacio.NewQuantiser(info.Bits, false, 0).Quantise(ints[c], scaled(x[c][:n], db))
	}
	return errors.Join(e.Write(ints), e.Close())
}

// TestLoopbackChannel records the loop to the right side of a stereo file, as an
// interface does: its level is that of the side that has it.
func TestLoopbackChannel(t *testing.T) {
	campaign.Serial(t)
	s := newScene(t)
	s.files["loop"] = [][]float64{make([]float64, len(s.files["loop"][0])), s.files["loop"][0]}
	s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
	dir := filepath.Dir(s.write(t))
	l, err := loopback.Measure(context.Background(), filepath.Join(dir, "dry.wav"), filepath.Join(dir, "loop.wav"), 0)
	if err != nil || math.Abs(float64(l.Level)-0.05) > 0.01 {
		t.Errorf("%v, %v", l, err)
	}
	if !underRace {
		assert(t, s.check(t), wanted{fairness.IDReampLevel, "", result.Passed, 0.05, 0.01, "+0.05 dB"})
	}
}
