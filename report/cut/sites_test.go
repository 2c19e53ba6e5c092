package cut

import (
	"math"
	"path/filepath"
	"testing"

	"evenhand/analyze/publish"
	"evenhand/analyze/unit"
)

// Each part's loudness is that of the part cut out as a file of its own, as the
// measurement of published files finds it.
func TestClipsAsLoudAsFilesOfTheirOwn(t *testing.T) {
	dir, rec := write(t, at48k, Options{Turns: true, Reach: DefaultReach, Title: 1})
	edit, _ := mono(t, dir, editFile)
	for i, x := range rec.Parts {
		name := filepath.Join(t.TempDir(), "clip.wav")
		if err := writeMono(name, rec.SampleRate, edit[x.First:x.End]); err != nil {
			t.Fatal(err)
		}
		m, _, err := publish.MeasureWAV(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		// Gating blocks of a file begin with it; those of a part within a stream do too.
		if d := math.Abs(float64(m.Integrated - *x.Loudness)); !(d < 0.02) {
			t.Errorf("part %d is %v, as a file %v", i+1, *x.Loudness, m.Integrated)
		}
		for _, s := range rec.Sites {
			if want := math.Min(0, float64(s.Target-m.Integrated)); math.Abs(float64(s.Clips[i])-want) > 0.02 {
				t.Errorf("part %d on a site of %v: %v, want %.2f", i+1, s.Target, s.Clips[i], want)
			}
		}
	}
	if d := rec.Audio[0].Measured.Integrated; math.IsInf(float64(d), 0) {
		t.Errorf("the edit measures %v", d)
	}
}

// Among takes to guess no clip's loudness is told, since it would tell them apart.
func TestClipsToGuessAreNotTold(t *testing.T) {
	_, rec := write(t, at48k, Options{Turns: true, Shuffle: true, Seed: 2})
	for _, x := range rec.Parts {
		if x.Loudness != nil {
			t.Errorf("%s in %s: %v is told", x.Take, x.Section, *x.Loudness)
		}
	}
	for _, s := range rec.Sites {
		if len(s.Clips) != 2 || s.Clips[0] < s.Clips[1] {
			t.Errorf("%v: clips %v", s.Target, s.Clips)
		}
	}
}

// What is turned down, worked out by hand: a site changes what is louder than its
// loudness by the difference, and turns nothing up.
func TestSites(t *testing.T) {
	p := &plan{parts: []part{{loudness: -14.5}, {loudness: -11.9}, {loudness: -10.6}, {loudness: unit.LUFS(math.NaN())}}}
	p.edit.Integrated = -12.25
	got := p.sites()
	for i, want := range []struct{ edit, clips string }{
		{"1.8 dB", "0.0, 2.1, 3.4 dB"}, {"3.8 dB", "1.5, 4.1, 5.4 dB"}, {"10.8 dB", "8.5, 11.1, 12.4 dB"},
	} {
		if got[i].EditText() != want.edit || got[i].ClipsText() != want.clips {
			t.Errorf("%v: %s and %s, want %+v", got[i].Target, got[i].EditText(), got[i].ClipsText(), want)
		}
	}
	if n := oneFile(got); n != "publish as one file: a site that turns down to −14.0 LUFS would turn single clips down by 0.0, 2.1, 3.4 dB, and they would no longer match" {
		t.Errorf("the advice is %q", n)
	}
	p.parts = []part{{loudness: -21}, {loudness: -20.5}}
	p.edit.Integrated = -20.7
	got = p.sites()
	if got[0].ClipsText() != "0.0 dB" || got[0].EditText() != "0.0 dB" || got[2].ClipsText() != "2.0, 2.5 dB" {
		t.Errorf("quiet clips: %+v", got)
	}
	p.parts = p.parts[:1]
	if n := oneFile(p.sites()); n != "" {
		t.Errorf("one clip: %q", n)
	}
	p.parts = []part{{loudness: unit.LUFS(math.NaN())}, {loudness: unit.LUFS(math.NaN())}}
	if s := p.sites()[0]; s.ClipsText() != "not measured: all are too short" || oneFile([]Site{s}) != "" {
		t.Errorf("too short: %q", s.ClipsText())
	}
}
