package again_test

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/again"
	"evenhand/analyze/manifest"
	"evenhand/analyze/publish"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/analyze/work"
	"evenhand/report/sentences"
)

// plainReport publishes a comparison of two takes of noise with a pause, 4 s,
// 16 bits, and returns its result and folder.
func plainReport(t *testing.T, text string) (*result.Result, string) {
	t.Helper()
	res, _, out := plainComparison(t, text, 1)
	return res, out
}

// plainComparison is plainReport with the manifest, and with so many channels of the
// second take: the one is noise far below the other.
func plainComparison(t *testing.T, text string, channels int) (*result.Result, *manifest.Comparison, string) {
	t.Helper()
	const rate = 16000
	dir := t.TempDir()
	r := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, 4*rate)
	for i := range x {
		loud := 0.3 * (1 + math.Sin(float64(i)/2000))
		if i > 2*rate && i < 3*rate {
			loud = 1e-3
		}
		x[i] = loud * (r.Float64() - 0.5)
	}
	for k, name := range []string{"dry.wav", "one.wav", "two.wav"} {
		y := make([]float64, len(x))
		for i := range y {
			y[i] = math.Tanh(float64(k+1) * x[i])
		}
		all := [][]float64{y}
		if name == "two.wav" && channels == 2 {
			noisy := slices.Clone(y)
			for i := range noisy {
				noisy[i] += 1e-4 * (r.Float64() - 0.5)
			}
			all = append(all, noisy)
		}
		w, err := wavio.Create(filepath.Join(dir, name), wavio.Spec{SampleRate: rate, Channels: len(all), Bits: 16})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write(all); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(dir, "two.yaml")
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	c, err := manifest.Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := analyze.Measure(context.Background(), c, analyze.Options{})
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	if err := s.Publish(context.Background(), out, analyze.PublishOptions{Pieces: true}); err != nil {
		t.Fatal(err)
	}
	s.Check()
	s.Result = sentences.Result(s.Result)
	return s.Result, c, out
}

const plainManifest = `title: Two
varies: fuzz
performance: {dry: dry.wav}
chain: [{slot: fuzz}]
takes:
  - {name: One, file: one.wav, fuzz: One}
  - {name: Two, file: two.wav, fuzz: Two%s
`

// Results that somebody made up are refused or measured as far as they go, and
// never let a file outside the report be read.
func TestHostileResults(t *testing.T) {
	good, dir := plainReport(t, fmt.Sprintf(plainManifest, "}"))
	b, err := json.Marshal(good)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(filepath.Dir(dir), "secret.flac"), []byte("x"), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name   string
		change func(*result.Result)
		takes  int    // measured
		want   string // in the error; "" for none
	}{
		{"as made", func(*result.Result) {}, 2, ""},
		{"no spans", func(r *result.Result) { r.Timeline.Spans = nil }, 0, "0 spans"},
		{"overflowing span", func(r *result.Result) {
			r.Timeline.Spans = append(r.Timeline.Spans, result.Span{Name: "far", FirstFrame: math.MaxInt64, Frames: math.MaxInt64})
		}, 0, `"far" is outside`},
		{"overflowing pause", func(r *result.Result) {
			r.Timeline.Spans[0].FirstFrame = math.MinInt64
		}, 0, "is outside"},
		{"longer than the audio", func(r *result.Result) { r.Timeline.Spans[0].Frames += 10 }, 0, ""},
		{"gain", func(r *result.Result) { r.Takes[1].Gain = unit.DB(math.Inf(1)) }, 0, "a gain of"},
		{"no gain", func(r *result.Result) { r.Takes[1].Gain = unit.DB(math.NaN()) }, 0, "a gain of"},
		{"lag", func(r *result.Result) { r.Takes[0].Alignment.Applied = unit.Samples(math.NaN()) }, 0, "a lag of"},
		{"outside", func(r *result.Result) { r.Takes[0].Published.Path = "../secret.flac" }, 1, ""},
		{"not audio", func(r *result.Result) { r.Takes[0].Published.Path = "../out" }, 1, ""},
		{"another rate", func(r *result.Result) { r.Timeline.SampleRate = 1 }, 0, ""},
		{"a repeat of itself", func(r *result.Result) { r.Takes[0].RepeatOf = "One" }, 2, ""},
		{"a repeat of nothing", func(r *result.Result) { r.Takes[0].RepeatOf = "Nine" }, 2, ""},
		{"no measures", func(r *result.Result) { r.Takes[0].Measures = nil }, 2, ""},
		{"equal names", func(r *result.Result) { r.Takes[0].Name = "Two" }, 2, ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			res, err := result.Read(strings.NewReader(string(b)))
			if err != nil {
				t.Fatal(err)
			}
			x.change(res)
			got, err := again.FromPublished(context.Background(), dir, t.TempDir(), res, analyze.Options{})
			if x.want != "" {
				if err == nil || !strings.Contains(err.Error(), x.want) {
					t.Errorf("got %v, want an error with %q", err, x.want)
				}
				return
			}
			if err != nil || len(got.Takes) != x.takes {
				t.Fatalf("%v; %+v", err, got)
			}
		})
	}
}

// A take that is marked redistribute: no is measured after matching like the
// others, and no file of its audio is written into the report.
func TestWithheldIsNotWritten(t *testing.T) {
	open, _ := plainReport(t, fmt.Sprintf(plainManifest, "}"))
	res, dir := plainReport(t, fmt.Sprintf(plainManifest, ", redistribute: no}"))
	one, two := res.Takes[0], res.Takes[1]
	if one.Published == nil || one.Withheld != nil || two.Published != nil || two.Withheld == nil {
		t.Fatalf("published %v and %v, withheld %v and %v", one.Published, two.Published, one.Withheld, two.Withheld)
	}
	p := open.Takes[1].Published
	if w := two.Withheld; w.Integrated != p.Integrated || w.TruePeak != p.TruePeak || w.SamplePeak != p.SamplePeak || w.Deviation != p.Deviation || w.Reason != publish.WithheldReason {
		t.Errorf("withheld %+v, published without the mark %+v", w, p)
	}
	if one.Published.SHA256 != open.Takes[0].Published.SHA256 || res.Match.WorstDeviation != open.Match.WorstDeviation {
		t.Error("the mark changes another take's audio or the match")
	}
	err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() && strings.Contains(strings.ToLower(e.Name()), "two") {
			t.Errorf("%s was written", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if id := res.AudioID(); id == "" || id == open.AudioID() {
		t.Errorf("the audio's id is %q", id)
	}
	louder := false
	for _, e := range res.Exclusions {
		if e.Accusation == "one take was made louder" {
			louder = e.Standing != result.ExcludedByFiles && strings.Contains(e.Because, "Two")
		}
	}
	if !louder {
		t.Errorf("the exclusions do not say that Two cannot be checked: %+v", res.Exclusions)
	}
	// A copy under another name, as a take beside a dry recording that is marked.
	same, dir := plainReport(t, strings.Replace(fmt.Sprintf(plainManifest, "}\n  - {name: Three, file: dry.wav, fuzz: none}"), "{dry: dry.wav}", "{dry: {file: dry.wav, redistribute: no}}", 1))
	if names := same.WithheldNames(); len(names) != 1 || names[0] != "Three" {
		t.Errorf("withheld %v, want the take that is the dry recording", names)
	}
	if _, err := os.Stat(filepath.Join(dir, "audio", "three.flac")); err == nil {
		t.Error("the dry recording's audio is published as a take")
	}
	for _, f := range res.Files {
		if f.Path == "two.wav" && (f.SHA256 == "" || f.Redistribute) {
			t.Errorf("%+v", f)
		}
	}
}

// A file that says it decodes to more than audio can be packed, or to another length
// than the results say, is refused before anything of it is decoded.
func TestFileThatDecodesWithoutEnd(t *testing.T) {
	res, dir := plainReport(t, fmt.Sprintf(plainManifest, "}"))
	p := res.Takes[0].Published
	name := filepath.Join(dir, filepath.FromSlash(p.Path))
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	const frames = 1 << 35
	binary.BigEndian.PutUint64(b[18:], binary.BigEndian.Uint64(b[18:])&^(1<<36-1)|frames) // RFC 9639, 8.2
	if err := os.WriteFile(name, b, 0o666); err != nil {
		t.Fatal(err)
	}
	for stated, want := range map[int64]string{p.Frames: "the results say", frames: "more than audio can be packed"} {
		res.Takes[0].Published.Frames = stated
		files, err := again.Files(context.Background(), dir, res, work.Run{})
		if err != nil || !strings.Contains(files[0].Err, want) || files[1].Err != "" {
			t.Errorf("%d frames: %+v, %v", stated, files, err)
		}
	}
}

// What is measured again of a take alone counts it as two equal channels where it was
// counted so, also by results that say it by the kind of signal alone.
func TestPresentCountsEqualChannels(t *testing.T) {
	res, c, _ := plainComparison(t, fmt.Sprintf(plainManifest, "}"), 2)
	one := &res.Takes[0]
	if !one.Widened || one.Signal != recording.WideMono {
		t.Fatalf("widened %v, %s", one.Widened, one.Signal)
	}
	b, err := json.Marshal(res)
	if err != nil {
		t.Fatal(err)
	}
	for _, without := range []string{"", `"widened":true,`} {
		if !strings.Contains(string(b), without) {
			t.Fatalf("the results do not have %s", without)
		}
		stored, err := result.Read(strings.NewReader(strings.Replace(string(b), without, "", 1)))
		if err != nil {
			t.Fatal(err)
		}
		takes, _, err := again.Present(t.Context(), c, stored, func(path string) bool { return path == "two.wav" }, analyze.Options{})
		if err != nil || len(takes) != 1 {
			t.Fatal(takes, err)
		}
		got, want := takes[0].Measures[0].Integrated, one.Measures[0].Integrated
		if takes[0].Signal != one.Signal || math.Abs(float64(got-want)) > 1e-4 {
			t.Errorf("without %q: %s, %v, want %s, %v", without, takes[0].Signal, got, one.Signal, want)
		}
	}
}
