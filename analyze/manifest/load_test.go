package manifest

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// folder writes files, with empty content unless given, into a new folder.
func folder(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, content := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestLoad(t *testing.T) {
	dir := folder(t, map[string]string{
		"session/m.yaml":        "title: x\nvaries: amp\nchain: [{slot: amp, device: A}]\ntakes: [{name: One, file: audio/one.wav}, {name: Two, file: ../two.wav}]\n",
		"session/audio/one.wav": "", "two.wav": "",
	})
	path := filepath.Join(dir, "session", "m.yaml")
	c, err := Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if c.Path != path || c.Dir != filepath.Join(dir, "session") || len(c.Takes) != 2 {
		t.Errorf("%+v", c)
	}
}

func TestLoadMissingFiles(t *testing.T) {
	manifest := `title: x
varies: amp
about: nots.md
chain: [{slot: amp, device: A, file: ir}]
takes:
  - {name: One, file: audio/spliting.wav}
  - {name: Two, file: adio/leaning.wav}
  - {name: Three, file: audio/zzz.wav, tilte: x}
  - {name: Four, file: audio/leaning.wav/inner.wav}
  - {name: Five, file: nowhere/at/all.wav}
`
	dir := folder(t, map[string]string{"m.yaml": manifest, "notes.md": "", "audio/splitting.wav": "", "audio/leaning.wav": "", "ir/a.wav": ""})
	path := filepath.Join(dir, "m.yaml")
	c, err := Load(path, nil)
	var list *Errors
	if !errors.As(err, &list) || c != nil {
		t.Fatalf("got %v, %v", c, err)
	}
	var got []string
	for _, p := range list.List {
		if p.Path != path {
			t.Errorf("path %q", p.Path)
		}
		got = append(got, strings.TrimPrefix(strings.Split(p.String(), "\n")[0], path)+" | "+p.Hint)
	}
	want := []string{
		`:3:8: there is no file "nots.md" | did you mean "notes.md"?`,
		`:4:38: "ir" is a folder | name a file in it`,
		`:6:23: there is no file "audio/spliting.wav" | did you mean "audio/splitting.wav"?`,
		`:7:23: there is no file "adio/leaning.wav": the folder is missing: "adio" | did you mean "audio/leaning.wav"?`,
		`:8:25: there is no file "audio/zzz.wav" | the folder holds: leaning.wav, splitting.wav`,
		`:8:40: unknown key "tilte" in a take | did you mean "file"?`,
		`:9:24: "audio/leaning.wav/inner.wav" cannot be read: not a directory | `,
		`:10:24: there is no file "nowhere/at/all.wav": the folder is missing: "nowhere" | the folder holds: audio, ir, m.yaml, notes.md`,
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// A name whose accents are characters of their own is found by one whose accents
// are part of the letters, and the other way round; of two files the exact one
// counts.
func TestLoadOtherSpelling(t *testing.T) {
	const whole, apart = "\u00fc", "u\u0308" // both show ü
	dir := folder(t, map[string]string{"m.yaml": "title: x\nvaries: amp\nchain: [{slot: amp, device: A}]\ntakes:\n" +
		"  - {name: One, file: K" + whole + "che/a" + whole + ".wav}\n" +
		"  - {name: Two, file: K" + apart + "che/b" + apart + ".wav}\n" +
		"  - {name: Three, file: K" + whole + "che/c" + whole + ".wav}\n",
		"K" + apart + "che/a" + apart + ".wav": "", "K" + apart + "che/b" + whole + ".wav": "",
		"K" + apart + "che/c" + whole + ".wav": "", "K" + apart + "che/c" + apart + ".wav": ""})
	c, err := Load(filepath.Join(dir, "m.yaml"), nil)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"a" + apart, "b" + whole, "c" + whole} {
		if got := c.Takes[i].File.Path; got != "K"+apart+"che/"+want+".wav" {
			t.Errorf("take %d: %+q", i, got)
		}
	}
	if one, two := Slug("K"+whole+"che"), Slug("K"+apart+"che"); one != "kueche" || two != one {
		t.Errorf("slugs %q, %q", one, two)
	}
}

// A link that leads nowhere is named as that, not as its own nearest name.
func TestLoadDanglingLink(t *testing.T) {
	dir := folder(t, map[string]string{"m.yaml": "title: x\nvaries: amp\nchain: [{slot: amp, device: A}]\ntakes: [{name: One, file: one.wav}]\n"})
	if err := os.Symlink("gone.wav", filepath.Join(dir, "one.wav")); err != nil {
		t.Skip(err)
	}
	_, err := Load(filepath.Join(dir, "m.yaml"), nil)
	var list *Errors
	if !errors.As(err, &list) || len(list.List) != 1 {
		t.Fatalf("got %v", err)
	}
	if p := list.List[0]; p.Message != `"one.wav" is a link to "gone.wav", which does not exist` || p.Hint == "" {
		t.Errorf("%s | %s", p.Message, p.Hint)
	}
}

func TestLoadUnreadable(t *testing.T) {
	dir := folder(t, map[string]string{"big.yaml": strings.Repeat("# 45678901234567\n", MaxSize/16)})
	if _, err := Load(filepath.Join(dir, "none.yaml"), nil); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no manifest: %v", err)
	}
	if _, err := Load(dir, nil); err == nil {
		t.Error("a folder is taken for a manifest")
	}
	var list *Errors
	if _, err := Load(filepath.Join(dir, "big.yaml"), nil); !errors.As(err, &list) || !strings.Contains(err.Error(), "1024 KiB") {
		t.Errorf("too big: %v", err)
	}
}

func TestWarnings(t *testing.T) {
	c := mustParse(t, `title: x
varies: fuzz
may_differ: [amp.gain, amp.gain]
performance: {dry: /recordings/dry.wav}
chain:
  - {slot: fuzz, redistribute: no}
  - {slot: amp, device: A, controls: {gain: 1, volume: 2}}
takes:
  - {name: One, file: one.wav, fuzz: Leaning}
  - {name: Two, file: one.wav, amp: {controls: {volme: 3}}}
  - {name: Three, file: /recordings/dry.wav, role: bypass}
  - {name: Four, file: one.wav, channels: 2, fuzz: {device: Moss, box}}
`)
	var got []string
	for _, p := range c.Warnings {
		got = append(got, strings.Split(p.String(), "\n")[0]+" | "+p.Hint)
	}
	want := []string{
		`m.yaml:3:24: "amp.gain" is listed twice in may_differ: | `,
		`m.yaml:4:20: this is an absolute path, which works on this machine only | name it relative to the manifest's folder`,
		`m.yaml:6:32: redistribute: has no file | redistribute: goes next to file:, add file: or remove it`,
		`m.yaml:10:12: take "Two" does not say what is in the slot under test, "fuzz" | add fuzz: to the take`,
		`m.yaml:10:23: the recording of take "Two" is also that of take "One" | `,
		`m.yaml:10:49: control "volme" is not among those of amp: in the chain | did you mean "volume"?`,
		`m.yaml:11:25: this is an absolute path, which works on this machine only | name it relative to the manifest's folder`,
		`m.yaml:11:25: the recording of take "Three" is the dry recording | `,
		`m.yaml:12:61: a comma inside braces ends a value; read as "Moss, box" | put the text in quotes: device: "Moss, box"`,
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// TestHostile: texts on which the YAML library alone takes seconds to minutes
// are refused at once.
func TestHostile(t *testing.T) {
	for _, tt := range []struct{ src, want string }{
		{strings.Repeat("[", 9000), "more than 32 deep"},
		{strings.Repeat("{a: ", 9000), "more than 32 deep"},
		{strings.Repeat("- ", 9000), "more than 32 deep"},
		{strings.Repeat("? ", 100000), "words and marks"},
		{strings.Repeat("a: b\n", 100000), "words and marks"},
		{"a: [" + strings.Repeat("x, ", 200000) + "]", "words and marks"},
		{strings.Repeat("&a ", 10000), "an anchor"},
		{strings.Repeat("!a ", 10000), "a tag"},
		{strings.Repeat("---\n", 200000), "words and marks"},
		{strings.Repeat("\x01\n", 300000), "control character"},
		{strings.Repeat("\t", 1000000) + "a", "a tab"},
		{"a: " + strings.Repeat("'", 500000), "title"},
	} {
		_, err := Parse("m.yaml", []byte(tt.src))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%.10q: %.200v, want %q", tt.src, err, tt.want)
		}
		var list *Errors
		if errors.As(err, &list) && len(list.List) > maxRefused+1 {
			t.Errorf("%.10q: %d problems", tt.src, len(list.List))
		}
	}
}

func BenchmarkParse(b *testing.B) {
	src := []byte(readFile(b, "testdata/full.yaml"))
	b.SetBytes(int64(len(src)))
	for b.Loop() {
		if _, err := Parse("m.yaml", src); err != nil {
			b.Fatal(err)
		}
	}
}
