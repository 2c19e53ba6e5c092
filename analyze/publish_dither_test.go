package analyze

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/examples/campaign"
)

// A take that is put in front of another changes nothing of what is published
// of that one: not its file and not that of its microphone alone, whose 16 bits are
// dithered.
func TestDitherIsOfTheRecordingAlone(t *testing.T) {
	campaign.Serial(t)
	s := newScene(t)
	s.bits = 16
	mic := slices.Clone(s.files["two"][0])
	for i := range mic[1:] { // a duller one
		mic[i+1] = 0.5*mic[i] + 0.5*mic[i+1]
	}
	s.files["two"] = append(s.files["two"], mic)
	two := "  - name: Two\n    file: two.wav\n    mics: {left: {name: A}, right: {name: B, blend: -3 dB}}\n    fuzz: {device: Two, controls: {gain: noon}}\n"
	head := "title: Circuits\nvaries: fuzz\nreference: Two\nmatch: {target: -30 LUFS}\nperformance: {dry: dry.wav}\nchain: [{slot: fuzz}]\ntakes:\n"
	one := "  - {name: One, file: one.wav, fuzz: {device: One, controls: {gain: noon}}}\n"
	publish := func(text string) (file, micAlone []byte) {
		s.manifest = text
		c, err := manifest.Load(s.write(t), nil)
		if err != nil {
			t.Fatal(err)
		}
		session, err := Measure(context.Background(), c, Options{ChecksOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		if err := session.Publish(context.Background(), dir, PublishOptions{Pieces: true}); err != nil {
			t.Fatal(err)
		}
		take := session.Result.Takes[len(session.Result.Takes)-1]
		if !strings.Contains(take.Published.Encoding, "16-bit") {
			t.Fatalf("%s: nothing is dithered", take.Published.Encoding)
		}
		if file, err = os.ReadFile(filepath.Join(dir, take.Published.Path)); err != nil {
			t.Fatal(err)
		}
		if micAlone, err = os.ReadFile(filepath.Join(dir, take.Published.Blend.Pieces[0].Path)); err != nil {
			t.Fatal(err)
		}
		return file, micAlone
	}
	file, micAlone := publish(head + two)
	later, laterMic := publish(head + one + two)
	if !bytes.Equal(file, later) {
		t.Error("the published file of Two is another with One in front of it")
	}
	if len(micAlone) == 0 || !bytes.Equal(micAlone, laterMic) {
		t.Errorf("the file of the microphone alone is another with One in front (%d and %d bytes)", len(micAlone), len(laterMic))
	}
}
