package verify

import (
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/flacio"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/wavio"
)

// TestMicrophoneAloneIsCompared changes one sample of the file of a microphone alone, and
// everything that the results say of that file: only the recordings show it then. As long
// as the results have its hash, that shows it too.
func TestMicrophoneAloneIsCompared(t *testing.T) {
	const rate = 16000
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	out := filepath.Join(data, "report")
	if err := os.MkdirAll(data, 0o777); err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(3, 4))
	dry, room := make([]float64, 4*rate), make([]float64, 4*rate)
	for i := range dry {
		loud := 0.3 * (1 + math.Sin(float64(i)/2000))
		if i > 2*rate && i < 3*rate {
			loud = 1e-3
		}
		dry[i] = loud * (r.Float64() - 0.5)
		if room[i] = 0.5 * dry[i]; i > 0 {
			room[i] += 0.5 * dry[i-1]
		}
	}
	for name, x := range map[string][][]float64{"dry.wav": {dry}, "one.wav": {dry, room}} {
		w, err := wavio.Create(filepath.Join(data, name), wavio.Spec{SampleRate: rate, Channels: len(x), Bits: 24})
		if err == nil {
			err = w.Write(x)
		}
		if err == nil {
			err = w.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	text := "title: One\nvaries: fuzz\nperformance: {dry: dry.wav}\nchain: [{slot: fuzz}]\ntakes:\n" +
		"  - {name: One, file: one.wav, mics: {left: {name: A}, right: {name: B, blend: -3 dB}}, fuzz: {device: One, controls: {gain: noon}}}\n"
	path := filepath.Join(data, "one.yaml")
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	c, err := manifest.Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := analyze.MeasureAndPublish(context.Background(), c, out, analyze.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := s.Result.Takes[0].Published.Blend
	alone := filepath.Join(out, filepath.FromSlash(b.File()))
	// found is what verify says of the file.
	found := func() (faults, differences []string) {
		t.Helper()
		v, tree := verifying(t, s.Result, dir, "bag in a folder")
		if err := v.measurePublished(out, "data/report/", v.res, tree); err != nil {
			t.Fatal(err)
		}
		if err := v.recompute(dir, "data/one.yaml", out, "data/report/"+result.FileName, v.res, tree); err != nil {
			t.Fatal(err)
		}
		if v.r.Published != 1 || v.r.Compared < 1000 {
			t.Fatalf("%d files measured, %d values compared: %v %v", v.r.Published, v.r.Compared, v.r.Faults, v.r.Notes)
		}
		return told(v)
	}
	if faults, differences := found(); len(faults)+len(differences) > 0 {
		t.Fatalf("as made: %q, %q", faults, differences)
	}

	size := changeSample(t, alone)
	b.Pieces = slices.Clone(b.Pieces)
	if len(b.Pieces) != 1 {
		t.Fatalf("%d pieces; the test knows the length of one", len(b.Pieces))
	}
	b.Pieces[0].Bytes = size - b.Pieces[0].Offset
	const hash = "takes[One].published.blend.sha256"
	const samples = "data/report/audio/one.mic.flac: its samples are not what the recordings give: from frame 20000 on, by up to "
	for _, stated := range []string{"as it was", "as it is"} {
		if stated == "as it is" {
			if b.SHA256, _, err = foreign.SHA256File(context.Background(), alone); err != nil {
				t.Fatal(err)
			}
		}
		faults, differences := found()
		if len(faults) != 1 || !strings.HasPrefix(faults[0], samples) {
			t.Errorf("hash %s: faults: %q", stated, faults)
		}
		if slices.Equal(differences, []string{hash}) != (stated == "as it was") || stated == "as it is" && len(differences) > 0 {
			t.Errorf("hash %s: differences: %q", stated, differences)
		}
	}
}

// verifying is a verifier of a result as a report stores it, and that result's tree.
func verifying(t *testing.T, res *result.Result, what, kind string) (*verifier, any) {
	t.Helper()
	stored, err := json.Marshal(res)
	if err != nil {
		t.Fatal(err)
	}
	read, err := result.Decode(stored)
	if err != nil {
		t.Fatal(err)
	}
	tree, err := Decode(stored)
	if err != nil {
		t.Fatal(err)
	}
	v := &verifier{ctx: context.Background(), tmp: t.TempDir(), r: New(what, kind), res: read}
	v.r.Format, v.r.MadeBy = read.Format, "evenhand "
	return v, tree
}

// told is what a verifier found.
func told(v *verifier) (faults, differences []string) {
	for _, f := range v.r.Faults {
		faults = append(faults, f.File+": "+f.What)
	}
	for _, d := range v.r.Differences {
		differences = append(differences, d.Quantity)
	}
	return faults, differences
}

// changeSample writes a FLAC file anew with sample 20000 of its first channel changed, and
// returns how long it then is.
func changeSample(t *testing.T, path string) (size int64) {
	t.Helper()
	d, err := flacio.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	info := d.Info()
	x, ints := make([][]float64, info.Channels), make([][]int32, info.Channels)
	for c := range x {
		x[c], ints[c] = make([]float64, info.Frames), make([]int32, info.Frames)
	}
	if _, err := d.Read(x); err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	x[0][20000] += 0.01
	for c := range x {
		flacio.NewQuantiser(info.Bits, false, 0).Quantise(ints[c], x[c])
	}
	e, err := flacio.Create(path, flacio.Spec{SampleRate: info.SampleRate, Channels: info.Channels, Bits: info.Bits})
	if err == nil {
		err = e.Write(ints)
	}
	if err == nil {
		err = e.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	return st.Size()
}
