package settings

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
)

// odd says everything that a manifest can say, in spellings that YAML or a
// spreadsheet could take for something else.
const odd = `
title: 'Null: "yes" \ #1'
by: "=cmd()"
date: 2026-03-14
url: "https://example.org/f%C3%BCzze/a,b:c/"
copies: 24 bit
varies: fuzz box
reference: "007"
mains: 60 Hz
about: {file: notes/über uns.md, redistribute: no}
set_by: by ear
may_differ: ["fuzz box.+gain, coarse", amp.bright]
full_scale_in: +12 dBu
disclosure: |
  Two lines,
  the second: with a colon.
match: {target: -16.5 LUFS, ceiling: -1.25 dBTP}
limits: {lag: 1 ms, other: "±2"}
performance:
  instrument: Baritone guitar, 27.7 in scale
  tuning: B1 E2 A2 D3 F#3 B3
  pickup: "null"
  notes: "tab\tbed [and] {braced}"
  dry: audio/dry.wav
  loopback: {file: audio/loop.wav, redistribute: no}
  sections:
    - {name: "off", from: "0:00.1", to: "1:02.3"}
    - {name: "- x", from: 63, to: 1e}
chain:
  - slot: reamp
    device: Passive reamp box
    controls: {level: "3 o'clock", ground: lifted}
  - slot: fuzz box
  - slot: amp
    device: Kestrel
    kind: valve power amp
    impedance: 8 ohm
    power: 20 W
    photo: {file: "photos/amp, front.jpg", alt: "Kestrel: all \"knobs\" at noon"}
    notes: |
      Warm for an hour.
      Then not touched.
    controls:
      volume: {value: "10:30", travel: 270°, from: "7:30"}
      bass: 010
      treble: {value: 7, scale: 1-12}
      bright: off
      voice: {value: "no", steps: ["no", "2", "a, b"]}
      presence:
      "depth: low": {scale: 0-5}
      "yes": 1.10
  - slot: cab
    device: Open-back 2x12
    kind: cabinet
    file: {file: ir/open back.wav, redistribute: no}
mics:
  left: {name: "Dynamic, cap edge", blend: 0 dB, file: {file: ir/left.wav, redistribute: no}, position: {distance: 5 cm, angle: -30°, from: "grille: cloth", at: "cap, edge"}, notes: "a\nb"}
  right: {name: Ribbon, blend: -3.25 dB, photo: {file: photos/r.gif, alt: A ribbon}}
takes:
  - name: "007"
    file: audio/007.wav
    channels: [2, 1]
    fuzz box:
      device: "true"
      photo: {file: photos/f.png, alt: A fuzz, redistribute: no}
      controls: {"+gain, coarse": -4 dB, "@tone": noon}
  - name: Second
    file: {file: audio/second.wav, redistribute: no}
    mics: none
    set_by: "by ear: twice"
    disclosure: Lent by its manufacturer.
    photo: {file: photos/all.png, alt: All of it}
    notes: 'it''s'
    fuzz box: {device: Splitting, kind: fuzz, controls: {"+gain, coarse": 65 %}}
    amp: {controls: {treble: 9, volume: noon, new: +5 dB}}
  - name: Again
    file: audio/again.wav
    repeat_of: Second
  - name: Bypass
    file: audio/bypass.wav
    role: bypass
    mics: {left: {name: Other}}
`

func parse(t *testing.T, src string) *manifest.Comparison {
	t.Helper()
	c, err := manifest.Parse("odd.yaml", []byte(strings.Replace(src, "to: 1e}", "to: 64.75 s}", 1)))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// told writes down all that a comparison says, but not where in a file.
func told(c *manifest.Comparison) string {
	x := *c
	x.Path, x.Dir, x.Warnings = "", "", nil
	var b strings.Builder
	var walk func(path string, v reflect.Value)
	walk = func(path string, v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			if v.IsNil() {
				fmt.Fprintf(&b, "%s: nil\n", path)
				return
			}
			walk(path, v.Elem())
		case reflect.Struct:
			for i := range v.NumField() {
				if n := v.Type().Field(i).Name; n != "Pos" {
					walk(path+"."+n, v.Field(i))
				}
			}
		case reflect.Slice:
			for i := range v.Len() {
				walk(fmt.Sprintf("%s[%d]", path, i), v.Index(i))
			}
		default:
			fmt.Fprintf(&b, "%s: %q\n", path, fmt.Sprint(v.Interface()))
		}
	}
	walk("", reflect.ValueOf(x))
	return b.String()
}

func same(t *testing.T, got, want *manifest.Comparison) {
	t.Helper()
	g, w := strings.Split(told(got), "\n"), strings.Split(told(want), "\n")
	for i := range max(len(g), len(w)) {
		a, b := "", ""
		if i < len(g) {
			a = g[i]
		}
		if i < len(w) {
			b = w[i]
		}
		if a != b {
			t.Errorf("line %d: got %s, want %s", i, a, b)
			return
		}
	}
}

func examples(t *testing.T) map[string]string {
	out := map[string]string{"odd": odd}
	for _, n := range []string{"four-fuzzes", "microphones"} {
		b, err := os.ReadFile(filepath.Join("..", "..", "examples", n, n+".yaml"))
		if err != nil {
			t.Fatal(err)
		}
		out[n] = string(b)
	}
	return out
}

// A record, written and read again, says what the manifest says.
func TestRoundTrip(t *testing.T) {
	for name, src := range examples(t) {
		c := parse(t, src)
		rec, err := New(t.Context(), c, "test", func(_ context.Context, path string) (string, int64, error) { return "00ff" + path, 7, nil })
		if err != nil {
			t.Fatal(err)
		}
		data, err := rec.JSON()
		if err != nil {
			t.Fatal(err)
		}
		again, got, err := Read("settings.json", bytes.NewReader(data))
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, rec.Manifest())
		}
		same(t, got, c)
		twice, err := again.JSON()
		if err != nil || !bytes.Equal(twice, data) {
			t.Errorf("%s: the record differs after reading, %v", name, err)
		}
		if f := again.Performance.Dry; f.SHA256 != "00ff"+f.Path || f.Bytes != 7 {
			t.Errorf("%s: hash of the dry recording %+v", name, f)
		}
	}
}

func TestReadRefuses(t *testing.T) {
	c := parse(t, odd)
	rec, err := New(t.Context(), c, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	good, err := rec.JSON()
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct{ data, want string }{
		"not JSON":         {"title: x", "not a settings record"},
		"empty":            {"", "not a settings record"},
		"another JSON":     {`{"format": 1}`, `its kind is ""`},
		"results":          {`{"kind": "x", "format": 1}`, `its kind is "x"`},
		"a newer format":   {strings.Replace(string(good), `"format": 1`, `"format": 2`, 1), "format 2, this version reads 1 to 1"},
		"an unread format": {strings.Replace(string(good), `"format": 1`, `"format": 0`, 1), "format 0"},
	} {
		_, _, err := Read("settings.json", strings.NewReader(x.data))
		if !errors.Is(err, ErrNotRecord) || !strings.Contains(err.Error(), x.want) || !strings.HasPrefix(err.Error(), "settings.json: ") {
			t.Errorf("%s: error %v, want one with %q", name, err, x.want)
		}
	}
	_, _, err = Read("settings.json", strings.NewReader(strings.Replace(string(good), `"value": "9"`, `"value": "13"`, 1)))
	var list *manifest.Errors
	if !errors.As(err, &list) || !strings.Contains(err.Error(), "outside the scale, 1 to 12") {
		t.Errorf("a value outside its scale: %v", err)
	}
}

// Without recordings the next manifest has the same chain, the same takes and
// the same settings; only files, pictures and what belongs to one session
// differ.
func TestDraftKeepsSettings(t *testing.T) {
	for name, src := range examples(t) {
		c := parse(t, src)
		rec, err := New(t.Context(), c, "test", nil)
		if err != nil {
			t.Fatal(err)
		}
		text := rec.Draft(nil)
		next, err := manifest.Parse("next.yaml", text)
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, text)
		}
		for _, caution := range manifest.Cautions(c.Devices()) {
			if !strings.Contains(string(text), manifest.Comment(caution)) {
				t.Errorf("%s: the draft lacks %q", name, caution)
			}
		}
		after, err := New(t.Context(), next, "test", nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []*Record{rec, after} {
			for _, p := range r.photos() {
				*p = Photo{}
			}
			for d := range r.devices() {
				d.Photo = nil
			}
			for i := range r.Takes {
				k := &r.Takes[i]
				k.Left, k.Right = withoutPhoto(k.Left), withoutPhoto(k.Right)
				k.File, k.Notes, k.Disclosure, k.Photo = File{}, "", "", nil
			}
			r.Date, r.URL, r.About, r.Disclosure = "", "", nil, ""
			r.Performance.Dry, r.Performance.Loopback, r.Performance.Sections, r.Performance.SectionsFrom = nil, nil, nil, ""
		}
		a, _ := rec.JSON()
		b, _ := after.JSON()
		if !bytes.Equal(a, b) {
			t.Errorf("%s: the draft says\n%s\nthe record\n%s", name, b, a)
		}
		if ch := Compare(rec, c, after, next); len(ch.Slots) > 0 || len(ch.Takes.Added)+len(ch.Takes.Removed) > 0 {
			t.Errorf("%s: changed %+v", name, ch)
		}
	}
}

func TestDraftWithRecordings(t *testing.T) {
	c := parse(t, odd)
	rec, err := New(t.Context(), c, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	text := rec.Draft([]Recording{
		{Path: "new/clean di.wav", Name: "clean di", About: "0:09.0, mono", Channels: 1, Dry: true},
		{Path: "new/SECOND.wav", Name: "SECOND", About: "0:09.0, mono", Channels: 1},
		{Path: "new/again.wav", Name: "again", Channels: 2},
		{Path: `new/x: "y".wav`, Name: `x: "y"`, Channels: 2},
		{Path: "new/wide.wav", Name: "wide", Channels: 8},
	})
	next, err := manifest.Parse("next.yaml", text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	var got []string
	for _, k := range next.Takes {
		d := next.ChainOf(&k)[1]
		got = append(got, fmt.Sprintf("%s|%s|%s|%v|%s|%d controls", k.Name, k.File.Path, d.Name, k.Channels, k.RepeatOf, len(d.Controls)))
	}
	want := []string{
		"Second|new/SECOND.wav|Splitting|[]||1 controls",
		"Again|new/again.wav|Splitting|[]|Second|1 controls",
		`x: "y"|new/x: "y".wav|x: "y"|[]||0 controls`,
		"wide|new/wide.wav|wide|[1]||0 controls",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("takes\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if next.Performance.Dry == nil || next.Performance.Dry.Path != "new/clean di.wav" || next.Reference != "" {
		t.Errorf("dry %v, reference %q", next.Performance.Dry, next.Reference)
	}
	for _, s := range []string{"#   - name: 007", "# earlier devices: true, Splitting", "# reference: 007"} {
		if !strings.Contains(string(text), s) {
			t.Errorf("no %q in\n%s", s, text)
		}
	}
}

// A new recording that seems a bypass or a repeat becomes one, and that is said to be
// a guess.
func TestDraftGuesses(t *testing.T) {
	src := "title: t\nvaries: fuzz\nchain: [{slot: fuzz}]\ntakes:\n  - {name: Splitting, file: splitting.wav, fuzz: {device: Splitting, controls: {gain: 2}}}\n"
	rec, err := New(t.Context(), parse(t, src), "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	text := rec.Draft([]Recording{
		{Path: "n/bypass.wav", Name: "bypass", About: "0:09.0, mono", Channels: 1, Bypass: true},
		{Path: "n/splitting again.wav", Name: "splitting again", Channels: 1, RepeatOf: "n/splitting.wav"},
		{Path: "n/splitting.wav", Name: "splitting", Channels: 1},
		{Path: "n/other 2.wav", Name: "other 2", Channels: 1, RepeatOf: "n/other.wav"},
		{Path: "n/other.wav", Name: "other", Channels: 1},
	})
	next, err := manifest.Parse("next.yaml", text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	var got []string
	for _, k := range next.Takes {
		got = append(got, fmt.Sprintf("%s|%s|%s|%s", k.Name, k.Role, k.RepeatOf, next.ChainOf(&k)[0].Name))
	}
	if list, want := strings.Join(got, " "), "Splitting|||Splitting bypass|bypass|| splitting again||Splitting|Splitting other 2||other|other other|||other"; list != want {
		t.Errorf("%s, want %s", list, want)
	}
	for _, want := range []string{"# 0:09.0, mono; a guess from the file's name: that it is a bypass\n", "a guess from the file's name: that it repeats a take\n"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

// A control that is under test is offered to be filled in.
func TestDraftOfSweep(t *testing.T) {
	src := "title: t\nvaries: amp.gain\nchain: [{slot: amp, device: Harrow, controls: {gain: noon, tone: 3}}]\ntakes:\n  - {name: low, file: low.wav, amp: {controls: {gain: 2}}}\n  - {name: high, file: high.wav, amp: {controls: {gain: 9}}}\n"
	rec, err := New(t.Context(), parse(t, src), "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	next, err := manifest.Parse("next.yaml", rec.Draft([]Recording{{Path: "high.wav", Name: "high", Channels: 1}, {Path: "higher.wav", Name: "higher", Channels: 1}}))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"9", ""} {
		if got := next.ChainOf(&next.Takes[i])[0].Controls[0].Value.Written; got != want {
			t.Errorf("gain of take %d is %q, want %q", i+1, got, want)
		}
	}
}

// A recording is that of the take that has its name, or else of the take whose
// file had it; the dry recording is told from last time's by its hash.
func TestDraftByFileName(t *testing.T) {
	src := "title: t\nvaries: mic\nperformance: {dry: in/di.wav, loopback: in/loop.wav}\nchain: [{slot: mic}]\ntakes:\n" +
		"  - {name: Ribbon, file: in/Ribbon 5 cm.wav, mic: {device: R}}\n  - {name: Coil, file: in/take 2.wav, mic: {device: C}}\n  - {name: take 2, file: in/take 3.wav, mic: {device: D}}\n"
	rec, err := New(t.Context(), parse(t, src), "test", func(_ context.Context, path string) (string, int64, error) { return "5e" + path, 1, nil })
	if err != nil {
		t.Fatal(err)
	}
	text := rec.Draft([]Recording{
		{Path: "di.wav", Name: "di", Dry: true, SHA256: "5ein/di.wav"},
		{Path: "loop.wav", Name: "loop", Loopback: true, SHA256: "77"},
		{Path: "ribbon 5 cm.wav", Name: "ribbon 5 cm"}, {Path: "take 2.wav", Name: "take 2"},
	})
	next, err := manifest.Parse("next.yaml", text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	var got []string
	for _, k := range next.Takes {
		got = append(got, k.Name+"|"+k.File.Path+"|"+next.ChainOf(&k)[0].Name)
	}
	if want := []string{"Ribbon|ribbon 5 cm.wav|R", "take 2|take 2.wav|D"}; !slices.Equal(got, want) {
		t.Errorf("takes %q, want %q", got, want)
	}
	for _, s := range []string{"dry: di.wav  # a guess from the file's name (); the same file as in the earlier comparison\n", "; not the earlier file, in/loop.wav, SHA-256 5ein/loop.wav\n", "#   - name: Coil"} {
		if !strings.Contains(string(text), s) {
			t.Errorf("no %q in\n%s", s, text)
		}
	}
}

// A record that an earlier version wrote calls the role link bridge.
func TestReadFormerRole(t *testing.T) {
	rec, _ := pair(t, strings.Replace(odd, "role: bypass", "role: link", 1), nil)
	var b bytes.Buffer
	if err := json.NewEncoder(&b).Encode(rec); err != nil {
		t.Fatal(err)
	}
	old := strings.Replace(b.String(), `"role":"link"`, `"role":"bridge"`, 1)
	if old == b.String() {
		t.Fatal("the record has no role")
	}
	got, c, err := Read("settings.json", strings.NewReader(old))
	if err != nil {
		t.Fatal(err)
	}
	if slices.ContainsFunc(c.Warnings, func(w manifest.Problem) bool { return strings.Contains(w.Message, "role") }) || !strings.Contains(string(got.Draft(nil)), "role: link\n") {
		t.Errorf("warnings %v in\n%s", c.Warnings, got.Draft(nil))
	}
}

// FuzzRead: any bytes are a record, which can be written and read again, or are
// refused.
func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"kind":"` + kind + `","format":1,"title":"T","varies":"fuzz","chain":[{"slot":"fuzz","device":"A"}],"takes":[{"name":"One","file":{"path":"a.wav"}},{"name":"Two","file":{"path":"b.wav"}}]}`))
	f.Add([]byte(`{"kind":"` + kind + `","format":1,"chain":[{"slot":"a","photo":{"file":{"path":"x"},"published":"../y"}}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, c, err := Read("r.json", bytes.NewReader(b))
		if (err == nil) != (r != nil && c != nil) {
			t.Fatalf("%v, %v, %v", r, c, err)
		}
		if err != nil {
			return
		}
		again, err := r.JSON()
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := Read("r.json", bytes.NewReader(again)); err != nil {
			t.Fatalf("%s\n%v", again, err)
		}
	})
}

// TestLessToType writes a rig of eight heads and two microphones, stated with every take,
// in fewer lines that say the same.
func TestLessToType(t *testing.T) {
	var b strings.Builder
	b.WriteString(`title: Eight heads, one cabinet
by: Fern Street Recording
date: 2026-03-14
varies: head
reference: Head 1
mains: 50 Hz
set_by: same position
performance:
  instrument: Baritone guitar, 27.7 in scale
  dry: renders/dry.wav
  loopback: renders/loopback.wav
  sections:
    - {name: Low riff, from: 0 s, to: 11.5 s}
    - {name: Open chords, from: 13 s, to: 24 s}
chain:
  - slot: reamp
    device: Passive reamp box
    controls: {level: "2 o'clock"}
  - slot: head
    kind: valve amp
    impedance: 8 ohm
    power: 50 W
  - slot: cabinet
    device: Closed-back 4x12
    kind: cabinet
    impedance: 8 ohm
    power: 100 W
takes:
`)
	for i := range 8 {
		fmt.Fprintf(&b, `  - name: Head %[1]d
    file: renders/head-%[1]d.wav
    head:
      device: Maker of heads, model %[1]d
      controls:
        volume: 5
        bass: noon
        treble: %[1]d
    mics:
      left: {name: Dynamic, position: {distance: 2 cm, at: cap edge}}
      right: {name: Ribbon, blend: -4 dB, position: {distance: 5 cm, at: cone}}
`, i+1)
	}
	c := parse(t, b.String())
	rec, err := New(t.Context(), c, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	less := string(rec.Manifest())
	same(t, parse(t, less), c)
	if n, was := strings.Count(less, "\n"), strings.Count(b.String(), "\n"); n >= 100 || was <= n {
		t.Errorf("%d lines, before %d; at most 99 are allowed:\n%s", n, was, less)
	}
}
