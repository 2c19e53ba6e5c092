package draft

import (
	"errors"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"evenhand/analyze/wavio"
)

func TestGuessesFromNames(t *testing.T) {
	type file struct {
		name     string
		channels int
	}
	for _, c := range []struct {
		about     string
		files     []file
		dry, loop int
	}{
		{"a DI of one channel before a take whose device is called dry", []file{{"01 DI", 1}, {"Dry Well", 2}, {"Splitting", 2}}, 0, -1},
		{"the shorter name, at equal channels", []file{{"dry-well", 1}, {"dry", 1}}, 1, -1},
		{"two words", []file{{"amp", 1}, {"03 Clean DI", 1}}, 1, -1},
		{"part of a word does not count", []file{{"ridiculous", 1}, {"laundry", 1}, {"loophole", 1}}, -1, -1},
		{"a bypass is not the dry recording", []file{{"dry through", 1}, {"DI bypass", 1}, {"leaning direct", 2}}, 2, -1},
		{"the loopback apart from the DI", []file{{"reamp_loop", 1}, {"di", 1}, {"leaning", 1}}, 1, 0},
	} {
		var files []draftFile
		for _, f := range c.files {
			files = append(files, draftFile{name: f.name, info: wavio.Info{Channels: f.channels}})
		}
		if dry, loop := guesses(files); dry != c.dry || loop != c.loop {
			t.Errorf("%s: dry %d, loopback %d; want %d, %d", c.about, dry, loop, c.dry, c.loop)
		}
	}
}

func TestPartsFromNames(t *testing.T) {
	for _, c := range []struct {
		names []string
		want  string // of each file: - no take, b bypass, t take; the place of what it repeats
	}{
		{[]string{"bypass", "dry", "Leaning", "Leaning, again", "Leaning_2", "Leaning (2)", "leaning repeat"}, "b - t t2 t2 t2 t2"},
		{[]string{"Bypass 2", "Bypass", "DI", "Amp (bypassed)"}, "b1 b - b"},
		{[]string{"Direct", "dry", "Direct box"}, "b - t"},
		{[]string{"direct", "Leaning", "dry-through"}, "- t b"},
		// What it would repeat is not there, or the number is a part of the name.
		{[]string{"di", "Leaning 1", "Leaning 2", "Kestrel 20", "Kestrel", "Splitting again", "2", "again"}, "- t t t t t t t"},
		{[]string{"Leaning noon dark", "Leaning noon dark second pass", "Leaning noon dark second pass 2", "Leaning noon"}, "t t0 t1 t"},
		{[]string{"dry", "dry again"}, "- t"},
	} {
		var files []draftFile
		for _, n := range c.names {
			files = append(files, draftFile{name: n, info: wavio.Info{Channels: 1}})
		}
		dry, loop := guesses(files)
		var got []string
		for _, p := range partsOf(files, dry, loop) {
			text := map[partKind]string{aTake: "t", aBypass: "b", noTake: "-"}[p.kind]
			if p.repeat >= 0 {
				text += strconv.Itoa(p.repeat)
			}
			got = append(got, text)
		}
		if text := strings.Join(got, " "); text != c.want {
			t.Errorf("%q: %s, want %s", c.names, text, c.want)
		}
	}
}

func TestTitleOfFolder(t *testing.T) {
	for folder, want := range map[string]string{
		"/sessions/fuzzes/audio":            "fuzzes",
		"/sessions/fuzzes/Renders/wav":      "fuzzes",
		"/sessions/four fuzzes":             "four fuzzes",
		"/sessions/audio of the baritone":   "audio of the baritone",
		"/sessions/fuzzes/audio/second day": "second day",
	} {
		if got := titleOf(folder); got != want {
			t.Errorf("%s: %q, want %q", folder, got, want)
		}
	}
}

// TestAsksNothingTwice: what a draft of many takes asks for, it asks for once, but for devices
// and their settings.
func TestAsksNothingTwice(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"bypass", "dry", "one", "one again", "two", "three"} {
		w, err := wavio.Create(filepath.Join(dir, name+".wav"), wavio.Spec{SampleRate: 8000, Channels: 2, Bits: 16})
		if err == nil {
			err = errors.Join(w.Write([][]float64{make([]float64, 80), make([]float64, 80)}), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	text, _, err := Manifest(dir, dir)
	if err != nil {
		t.Fatal(err)
	}
	asked := map[string]int{}
	for line := range strings.Lines(string(text)) {
		if key, _, ok := strings.Cut(strings.TrimPrefix(strings.TrimSpace(line), "# "), ":"); ok && strings.HasPrefix(strings.TrimSpace(line), "# ") {
			asked[key]++
		}
	}
	for _, key := range strings.Fields("by date url copies reference mains about set_by may_differ disclosure full_scale_in instrument tuning pickup loopback sections mics repeat_of role") {
		if asked[key] != 1 {
			t.Errorf("%s is asked for %d times, want once", key, asked[key])
		}
	}
}
