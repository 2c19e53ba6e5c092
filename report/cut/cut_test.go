package cut

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/publish"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/cut/timecode"
)

// The edit less the file that the cue list names is zero to the sample outside
// the fades, is the stated linear mix within them, and is not zero against any
// other take.
func TestEditHoldsEachTakeWhereTheCueListSays(t *testing.T) {
	every := func(text, tempo string) Interval {
		i, err := ParseEvery(text, tempo, 0)
		if err != nil {
			t.Fatal(err)
		}
		return i
	}
	for _, c := range []struct {
		name  string
		sc    *scenario
		o     Options
		parts int
	}{
		{"sections", at48k, Options{Reach: DefaultReach}, 3},
		{"seconds", at48k, Options{Every: every("2s", ""), Order: []string{"Plain wire", "splitting <b>", "leaning"}, Reach: 0.1, FPS: "23.976"}, 6},
		{"bars, converted", at44k, Options{Every: every("1bar", "130"), Reach: 0.05, Fade: 0.005, FPS: "29.97df", Start: "01:00:00:00"}, 6},
		{"converted up", at48k, Options{Rate: 96000, Reach: DefaultReach, FPS: "59.94df", Start: "23:59:55:00"}, 3},
		{"guess", at48k, Options{Shuffle: true, Seed: 5, Reach: DefaultReach}, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			if raced && (c.o.Rate > 48000 || c.parts == 6 && c.sc == at48k) {
				t.Skip("too slow under the race detector, which sees the same paths in the others")
			}
			dir, rec := write(t, c.sc, c.o)
			edit, info := mono(t, dir, editFile)
			cues := readCues(t, dir)
			if len(cues) != c.parts || len(rec.Parts) != c.parts || len(info.Cues) != c.parts {
				t.Fatalf("%d lines in the cue list, %d parts, %d markers; want %d", len(cues), len(rec.Parts), len(info.Cues), c.parts)
			}
			takes := map[string][]float64{}
			for _, a := range rec.Audio {
				x, i := mono(t, dir, a.Path)
				takes[a.Path] = x
				if len(x) != len(edit) || i.Bext == nil || i.Bext.TimeReference != info.Bext.TimeReference || i.Bits != 24 || i.SampleRate != rec.SampleRate {
					t.Errorf("%s: %d frames, %d bits, %d Hz, bext %+v; the edit has %d frames", a.Path, len(x), i.Bits, i.SampleRate, i.Bext, len(edit))
				}
			}
			if cues[0].first != 0 || cues[len(cues)-1].end != len(edit) {
				t.Errorf("the cue list covers samples %d to %d of %d", cues[0].first, cues[len(cues)-1].end, len(edit))
			}
			for i, q := range cues {
				from, to := q.first, q.end
				if i > 0 {
					if cues[i-1].end != q.first {
						t.Errorf("part %d begins at %d, the one before ends at %d", i+1, q.first, cues[i-1].end)
					}
					checkFade(t, edit, takes[cues[i-1].file], takes[q.file], cues[i-1], q)
					from = q.fadeEnd
				}
				if i+1 < len(cues) {
					to = cues[i+1].fadeFirst
				}
				if to-from < rec.SampleRate/4 {
					t.Fatalf("part %d has samples %d to %d", i+1, from, to)
				}
				for n := from; n < to; n++ {
					if edit[n] != takes[q.file][n] {
						t.Fatalf("part %d: sample %d of the edit is %g, of %s %g", i+1, n, edit[n], q.file, takes[q.file][n])
					}
				}
				for _, a := range rec.Audio {
					if a.Take != "" && a.Path != q.file && equal(edit[from:to], takes[a.Path][from:to]) {
						t.Errorf("part %d is equal in %s and %s: the test shows nothing", i+1, q.file, a.Path)
					}
				}
				if m := info.Cues[i]; m.Frame != int64(q.first) || m.Label != q.take {
					t.Errorf("marker %d is %+v, the cue list says %s at %d", i+1, m, q.take, q.first)
				}
				checkTimecode(t, rec, q, i == len(cues)-1)
				if i > 0 {
					if moved := math.Abs(float64(rec.Parts[i].First - rec.Parts[i].Wanted)); moved > float64(c.o.Reach)*float64(rec.SampleRate) {
						t.Errorf("cut %d was moved by %g samples, further than %v", i, moved, c.o.Reach)
					}
				}
			}
			if rec.Failed() {
				t.Errorf("checks: %+v", rec.Checks)
			}
		})
	}
}

func equal(a, b []float64) bool {
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// checkFade compares a fade with the mix that its gains make, to a step of 24
// bits: those of constant power for the correlation that the cue list states.
func checkFade(t *testing.T, edit, before, after []float64, p, q cue) {
	t.Helper()
	n := q.fadeEnd - q.fadeFirst
	if n < 2 || (q.fadeFirst+q.fadeEnd)/2 != q.first || !(q.correlation >= -0.5 && q.correlation <= 1) {
		t.Fatalf("a fade from %d to %d for a cut at %d, correlation %g", q.fadeFirst, q.fadeEnd, q.first, q.correlation)
	}
	for k := range n {
		g, at := (float64(k)+0.5)/float64(n), q.fadeFirst+k
		norm := math.Sqrt((1-g)*(1-g) + g*g + 2*q.correlation*g*(1-g))
		want := ((1-g)*sampleAt(before, at-p.first+p.source) + g*sampleAt(after, at-q.first+q.source)) / norm
		if d := math.Abs(edit[at] - want); d > 0x1p-23 {
			t.Fatalf("sample %d of the fade at %d is off by %g", k, q.first, d)
		}
	}
}

// sampleAt is a sample of a file, 0 before and after it.
func sampleAt(x []float64, i int) float64 {
	if i < 0 || i >= len(x) {
		return 0
	}
	return x[i]
}

// checkTimecode works the other way round from the label: the frame of the
// camera that it names begins at the cut, to half a sample.
func checkTimecode(t *testing.T, rec *Record, q cue, last bool) {
	t.Helper()
	fps, err := timecode.Parse(rec.FrameRate)
	if err != nil {
		t.Fatal(err)
	}
	start, _ := fps.Frame(rec.Start)
	in, err := fps.Frame(q.in)
	if err != nil {
		t.Fatal(err)
	}
	frames := (in - start + fps.Day()) % fps.Day()
	num, den := fps.PerSecond()
	if d := math.Abs(float64(frames*int64(rec.SampleRate)*den)/float64(num) - float64(q.first)); d > 0.5 {
		t.Errorf("%s is %g samples from the cut at %d", q.in, d, q.first)
	}
}

// Every take's own file is at the target and no file is above the ceiling,
// measured by the file alone.
func TestFilesMeasuredAgain(t *testing.T) {
	for _, sc := range []*scenario{at48k, at44k} {
		dir, rec := sc.edit(t)
		for _, a := range rec.Audio {
			m, info, err := publish.MeasureWAV(t.Context(), filepath.Join(dir, filepath.FromSlash(a.Path)))
			if err != nil {
				t.Fatal(err)
			}
			if a.Take != "" && math.Abs(float64(m.Integrated-rec.Target)) > 0.05 {
				t.Errorf("%s: %v, the target is %v", a.Path, m.Integrated, rec.Target)
			}
			if m.TruePeak > rec.Ceiling+0.1 {
				t.Errorf("%s peaks at %v, the ceiling is %v", a.Path, m.TruePeak, rec.Ceiling)
			}
			if a.Measured.Integrated != m.Integrated || a.Measured.TruePeak != m.TruePeak || a.Frames != info.Frames {
				t.Errorf("%s: recorded %+v, measured %v and %v", a.Path, a.Measured, m.Integrated, m.TruePeak)
			}
			sum, n, err := foreign.SHA256File(t.Context(), filepath.Join(dir, filepath.FromSlash(a.Path)))
			if err != nil || sum != a.SHA256 || n != a.Bytes {
				t.Errorf("%s: sum %s of %d bytes, %v; recorded %s of %d", a.Path, sum, n, err, a.SHA256, a.Bytes)
			}
		}
	}
}

// The loudness fields of each file's bext chunk are what the file measures;
// where takes are to be guessed, only the edit has them. Their bytes are tested
// with the chunk, in analyze/wavio.
func TestBextLoudness(t *testing.T) {
	dir, rec := at48k.edit(t)
	for _, a := range rec.Audio {
		name := filepath.Join(dir, filepath.FromSlash(a.Path))
		m, info, err := publish.MeasureWAV(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		l := info.Bext.Loudness
		if l == nil {
			t.Fatalf("%s: no loudness fields", a.Path)
		}
		for _, x := range []struct {
			field     string
			got, want float64
		}{
			{"LoudnessValue", float64(l.Integrated), float64(m.Integrated)},
			{"LoudnessRange", float64(l.Range), float64(m.Range)},
			{"MaxTruePeakLevel", float64(l.MaxTruePeak), float64(m.TruePeak)},
			{"MaxMomentaryLoudness", float64(l.MaxMomentary), float64(m.MaxMomentary)},
			{"MaxShortTermLoudness", float64(l.MaxShortTerm), float64(m.MaxShortTerm)},
		} {
			if !(math.Abs(x.got-x.want) <= 0.005) {
				t.Errorf("%s: %s %v, measured %v", a.Path, x.field, x.got, x.want)
			}
		}
	}
	dir, rec = write(t, at48k, Options{Shuffle: true, Seed: 3, Reach: DefaultReach})
	for _, a := range rec.Audio {
		if _, info := mono(t, dir, a.Path); (info.Bext.Loudness != nil) != (a.Take == "") {
			t.Errorf("to be guessed, %s: loudness fields %+v", a.Path, info.Bext.Loudness)
		}
	}
}

// A conversion moves nothing: the file at 48 kHz of a session at 44.1 kHz,
// resampled, is that of the same session at 44.1 kHz. Here in terms of length
// and of the samples that both grids share: every 160th is the 147th's.
func TestConversionKeepsTime(t *testing.T) {
	a, _ := write(t, at44k, Options{Rate: 44100})
	b, rec := at44k.edit(t)
	before, _ := mono(t, a, "takes/01_Leaning_matched_44.1k24.wav")
	after, _ := mono(t, b, "takes/01_Leaning_matched_48k24.wav")
	if want := (len(before)*160 + 146) / 147; len(after) != want {
		t.Errorf("%d samples became %d, want %d", len(before), len(after), want)
	}
	var diff, power float64
	for k := 10; k < len(before)/147-10; k++ {
		d := before[147*k] - after[160*k]
		diff += d * d
		power += before[147*k] * before[147*k]
	}
	// What lies above the pass band of 20 kHz is lost: nearly nothing here.
	if db := 10 * math.Log10(diff/power); db > -60 {
		t.Errorf("shared samples differ by %.1f dB", db)
	}
	if !strings.Contains(rec.Conversion, "44100 Hz to 48000 Hz") {
		t.Errorf("conversion %q", rec.Conversion)
	}
}

// The same input gives the same bytes, with any number of workers.
func TestSameBytes(t *testing.T) {
	o := Options{Reach: DefaultReach, Shuffle: true, Seed: 9, Pictures: true}
	a, _ := write(t, at48k, o)
	o.Workers = 3
	b, _ := write(t, at48k, o)
	for name, want := range contents(t, a) {
		if got, err := os.ReadFile(filepath.Join(b, name)); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s differs (%v)", name, err)
		}
	}
}

func contents(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		rel, _ := filepath.Rel(dir, path)
		out[rel], err = os.ReadFile(path)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Only the key tells which take is which.
func TestGuessGivesNothingAway(t *testing.T) {
	dir, rec := write(t, at48k, Options{Shuffle: true, Seed: 3, Reach: DefaultReach, Report: "https://example.org/r/", Pictures: true})
	files := contents(t, dir)
	secrets := []string{"leaning", "splitting", "plain", "wire", "render-", "patch", "sustain", "heat", "2:30", "hard corners", "gain_db", "seed"}
	for name, b := range files {
		if name == keyFile {
			continue
		}
		if strings.HasSuffix(name, ".wav") {
			b = slices.Concat(b[:4096], b[len(b)-4096:]) // all text is there
		}
		text := strings.ToLower(name + "\x00" + string(b))
		for _, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%s holds %q", name, secret)
			}
		}
	}
	for _, a := range rec.Audio {
		if a.Take != "" && a.Measured != nil {
			t.Errorf("%s: its figures are in the record", a.Path)
		}
	}
	var key Key
	if err := json.Unmarshal(files[keyFile], &key); err != nil {
		t.Fatal(err)
	}
	if key.Seed != 3 || len(key.Takes) != 3 {
		t.Fatalf("key %+v", key)
	}
	// The key is true: a letter's file is the take's own of an open edit.
	open, _ := at48k.edit(t)
	plain := map[string]string{"Leaning": "01_Leaning", "Splitting <b>": "02_Splitting-b", "Plain wire": "03_Plain-wire"}
	for i, k := range key.Takes {
		if want := string(rune('A' + i)); k.Letter != want || rec.Parts[i].Take != want {
			t.Errorf("take %d heard is %s, in the key %s; want %s", i+1, rec.Parts[i].Take, k.Letter, want)
		}
		x, _ := mono(t, dir, fmt.Sprintf("takes/%02d_%s_matched_48k24.wav", i+1, k.Letter))
		y, _ := mono(t, open, "takes/"+plain[k.Take]+"_matched_48k24.wav")
		if !equal(x, y) {
			t.Errorf("%s is not %s", k.Letter, k.Take)
		}
	}
}

func TestRecordIsJSON(t *testing.T) {
	dir, rec := at48k.edit(t)
	b, err := os.ReadFile(filepath.Join(dir, recordFile))
	if err != nil {
		t.Fatal(err)
	}
	var back Record
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	if back.Frames != rec.Frames || len(back.Parts) != len(rec.Parts) || back.Parts[1].First != rec.Parts[1].First {
		t.Errorf("read back %+v", back)
	}
	if bytes.Contains(b, []byte("null,\n    {")) || bytes.Contains(b, []byte(`"notes": null`)) {
		t.Error("a list is null")
	}
}

// Description and captions name takes, match and report.
func TestDescription(t *testing.T) {
	dir, rec := at48k.edit(t)
	b, err := os.ReadFile(filepath.Join(dir, descriptionFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"Leaning, Splitting <b> and Plain wire", "https://example.org/r/", unit.LUFS(rec.Target).String(), rec.Ceiling.String(),
		"Leaning: fuzz Leaning: sustain 3 o'clock, level 5\n", "Splitting <b>: fuzz Splitting: level 4, heat 2:30", "Plain wire: fuzz Patch cable",
		"amp: Kestrel (kind valve power amp, volume noon)", "listening level", manifest.LoadCaution, manifest.InsideCaution, "0:00 Riff (Leaning), Chords (Splitting <b>), Riff again (Plain wire)", "Synthetic.",
	} {
		if !strings.Contains(string(b), want) {
			t.Errorf("the description lacks %q:\n%s", want, b)
		}
	}
}

// Three pedals with one position of their knobs, each named as its take: they
// differ, and no word says that they are equal.
func TestDescriptionOfWhatDiffers(t *testing.T) {
	row := func(name string, control, varied, differs bool, values ...string) result.SettingRow {
		r := result.SettingRow{Name: name, Control: control, Varied: varied, Differs: differs}
		for _, v := range values {
			r.Values = append(r.Values, result.SettingValue{Written: v, Stated: v != ""})
		}
		return r
	}
	res := &result.Result{
		Takes: []result.Take{{Name: "Leaning"}, {Name: "Splitting"}, {Name: "Nothing"}},
		Settings: result.Settings{Slots: []result.SlotSettings{
			{Slot: "pedal", Rows: []result.SettingRow{
				row("device", false, true, true, "Leaning", "Splitting", ""), row("kind", false, true, false, "fuzz", "fuzz", "fuzz"),
				row("gain", true, true, false, "noon", "noon", "noon"), row("notes", false, true, true, strings.Repeat("long\n", 40), "new", "new")}},
			{Slot: "amp", Rows: []result.SettingRow{
				row("device", false, false, false, "Kestrel", "Kestrel", "Kestrel"), row("volume", true, false, true, "2", "3", "4"), row("tone", true, false, false, "5", "5", "5")}},
		}},
	}
	for i, want := range []string{"pedal Leaning: gain noon; amp: volume 2", "pedal Splitting: gain noon; amp: volume 3", "pedal none: gain noon; amp: volume 4"} {
		if got := underTest(res, i); got != want {
			t.Errorf("take %d: %q, want %q", i, got, want)
		}
	}
	if got, want := heldEqual(res), []string{"amp: Kestrel (tone 5)"}; !slices.Equal(got, want) {
		t.Errorf("equal: %q, want %q", got, want)
	}
	// A caption stands beneath the take's name and need not say it again.
	if got := settingsLine(res, 0); got != "amp: volume 2" {
		t.Errorf("caption: %q", got)
	}
}

// The description gives the verdict, how many checks had which outcome, and each
// that failed or asks for caution, up to a number. If takes are to be guessed, it gives
// the numbers alone.
func TestDescriptionTellsChecks(t *testing.T) {
	checks := []result.Check{
		{ID: "match", Name: "Level match", Outcome: result.NotMeasured},
		{ID: "offset", Name: "DC offset", Subject: "Splitting", Outcome: result.Caution, Value: "−50 dBFS", Limit: "at most −60 dBFS"},
		{ID: "polarity", Name: "Polarity", Subject: "Splitting", Outcome: result.Passed},
		{ID: "one-change", Name: "One change", Outcome: result.Failed, Value: "amp: volume"},
		{ID: "reamp", Name: "Reamp level", Outcome: result.NotMeasured},
	}
	p := &plan{res: &result.Result{Checks: checks}}
	want := []string{
		"Not fair: one change (amp: volume).",
		"The checks of this comparison: 1 failed, 1 caution, 1 not measured, 1 passed.",
		"failed: One change: amp: volume",
		"caution: DC offset, Splitting: −50 dBFS (limit at most −60 dBFS)",
	}
	if got := p.checksFound(); !slices.Equal(got, want) {
		t.Errorf("got %q", got)
	}
	p.o.Shuffle = true
	if got := p.checksFound(); !slices.Equal(got, want[1:2]) {
		t.Errorf("to be guessed: %q", got)
	}
	p.o.Shuffle = false
	for range 20 {
		p.res.Checks = append(p.res.Checks, checks[1])
	}
	if got := p.checksFound(); len(got) != 2+toldChecks+1 || got[len(got)-1] != "and 14 more" {
		t.Errorf("of many: %q", got)
	}
	p.res.Checks = nil
	if got := p.checksFound(); got != nil {
		t.Errorf("none asked: %q", got)
	}
}

// Where a conversion takes energy away or raises peaks, the takes' files are
// matched anew: none is above the ceiling, and all have one loudness.
func TestConversionIsMatchedAnew(t *testing.T) {
	if raced {
		t.Skip("too slow under the race detector, which sees the same paths in the others")
	}
	s := bright.session(t)
	p, err := newPlan(s, Options{Rate: 44100, Reach: DefaultReach}.withDefaults())
	if err != nil {
		t.Fatal(err)
	}
	if err := p.settle(t.Context(), func(int64) {}); err != nil {
		t.Fatal(err)
	}
	// It is the takes' brightness that differs: without the trims they would be
	// apart by more than the match allows.
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range p.voices {
		d := float64(v.trim) - float64(p.target-s.Result.Match.Target)
		lo, hi = math.Min(lo, d), math.Max(hi, d)
	}
	if hi-lo < 0.05 {
		t.Fatalf("the trims differ by %.3f dB: the test shows nothing", hi-lo)
	}
	_, rec := write(t, bright, Options{Rate: 44100, Reach: DefaultReach})
	if rec.Failed() {
		t.Errorf("checks: %+v", rec.Checks)
	}
	if rec.Target >= rec.ReportTarget || !strings.Contains(strings.Join(rec.Notes, "\n"), "converting the sample rate raises peaks") {
		t.Errorf("target %v, the report's %v, notes %q", rec.Target, rec.ReportTarget, rec.Notes)
	}
	for _, a := range rec.Audio {
		if a.Take != "" && math.Abs(float64(a.Measured.Deviation)) > 0.005 {
			t.Errorf("%s is %v LU from the target", a.Path, a.Measured.Deviation)
		}
	}
}

// Where what two takes share has opposite polarity, a note says that the level dips and by how
// much, unless the cut is in a pause; among takes to guess it does not say which.
func TestDipsAreNoted(t *testing.T) {
	fps, err := timecode.Parse("25")
	if err != nil {
		t.Fatal(err)
	}
	res := &result.Result{Takes: make([]result.Take, 2)}
	res.Takes[1].Alignment.PolarityToReference = "inverted"
	p := &plan{res: res, rate: 48000, fps: fps, voices: []voice{{take: 0, shown: "A"}, {take: 1, shown: "B"}},
		parts: []part{{voice: 0}, {voice: 1, cut: 48000, correlation: -0.75}}}
	// A fade for −0.5 has 2·(1+r) of the power in its middle: 10·log10(0.5).
	if p.noteDips(); len(p.notes) != 1 || !strings.HasPrefix(p.notes[0], "at 00:00:01:00 (A to B) the level dips by up to 3.0 dB") {
		t.Errorf("notes %q", p.notes)
	}
	if got := p.invertedTakes(); got != "Of inverted polarity against the reference, and left so: B." {
		t.Errorf("the description says %q", got)
	}
	p.notes, p.o.Shuffle = nil, true
	if p.noteDips(); len(p.notes) != 1 || p.notes[0] != "at 1 of 1 cuts the level dips by up to 3.0 dB" {
		t.Errorf("notes %q", p.notes)
	}
	if got := p.invertedTakes(); got != "Of inverted polarity against the reference, and left so: 1 of the takes." {
		t.Errorf("the description says %q", got)
	}
	p.notes, p.parts[1].inPause = nil, true
	if p.noteDips(); p.notes != nil {
		t.Errorf("in a pause: notes %q", p.notes)
	}
	p.parts[1].inPause, p.parts[1].correlation = false, -0.5
	if p.noteDips(); p.notes != nil {
		t.Errorf("what the fade makes up for: notes %q", p.notes)
	}
	p.parts[1].correlation, p.parts[1].level = -0.75, -70
	if p.noteDips(); p.notes != nil {
		t.Errorf("as quiet as noise: notes %q", p.notes)
	}
	res.Takes[1].Alignment.PolarityToReference = "same"
	if got := p.invertedTakes(); got != "" {
		t.Errorf("the description says %q", got)
	}
}
