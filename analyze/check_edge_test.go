package analyze

import (
	"bytes"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/examples/campaign"
	"evenhand/examples/oracle"
	"evenhand/report/sentences"
)

// TestBandEdge sends one take through a converter of another make and through lossy
// formats, in both materials: the edge that they leave is named, and that no take
// runs fast or slow is still excluded and says nothing about a conversion.
func TestBandEdge(t *testing.T) {
	campaign.Long(t)
	if underRace {
		t.Skip("slow under the race detector")
	}
	ffmpeg := oracle.Path(t, "ffmpeg")
	for material, fresh := range bothMaterials() {
		for _, c := range []struct {
			name, file string
			args       []string
		}{
			{"44.1 kHz by a steep filter", "a.wav", []string{"-af", "aresample=44100:resampler=soxr", "-c:a", "pcm_s24le"}},
			{"MPEG layer 3, 128 kbit/s", "a.mp3", []string{"-c:a", "libmp3lame", "-b:a", "128k"}},
			{"Vorbis", "a.ogg", []string{"-c:a", "libvorbis", "-q:a", "2"}},
			{"Opus", "a.opus", []string{"-c:a", "libopus", "-b:a", "96k"}},
		} {
			s := fresh(t)
			path := s.write(t)
			dir := filepath.Dir(path)
			two, coded := filepath.Join(dir, "two.wav"), filepath.Join(dir, c.file+filepath.Ext(c.file))
			for _, args := range [][]string{
				append(append([]string{"-i", two}, c.args...), coded),
				{"-i", coded, "-af", "aresample=48000:resampler=soxr", "-c:a", "pcm_s24le", two},
			} {
				var said bytes.Buffer
				cmd := exec.Command(ffmpeg, append([]string{"-y", "-loglevel", "error"}, args...)...)
				if cmd.Stderr = &said; cmd.Run() != nil {
					t.Fatalf("%s: %s", c.name, said.String())
				}
			}
			m, err := manifest.Load(path, nil)
			if err != nil {
				t.Fatal(err)
			}
			session, err := Measure(t.Context(), m, Options{ChecksOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			session.Check()
			session.Result = sentences.Result(session.Result)
			t.Log(material, c.name)
			assert(t, session.Result, wanted{fairness.IDBandEdge, "Two", result.Caution, nan(), 0, "near "})
			for _, k := range session.Result.Checks {
				if k.ID == fairness.IDBandEdge && k.Subject != "Two" && k.Outcome != result.Passed {
					t.Errorf("%s, %s: %s: %s; %s", material, c.name, k.Subject, k.Value, k.Reason)
				}
			}
			if e := standingOf(session.Result, "lossy format"); !strings.Contains(e.Because, "Two: near") {
				t.Errorf("%s, %s: %+v", material, c.name, e)
			}
			if e := standingOf(session.Result, "fast or slow"); strings.Contains(e.Accusation, "lossy") {
				t.Errorf("%+v", e)
			}
		}
	}
}
