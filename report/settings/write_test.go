package settings

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
)

// folderOf reads all files below a folder.
func folderOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := fs.WalkDir(os.DirFS(dir), ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(path)))
		out[path] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestWriteTo(t *testing.T) {
	a, b := folderOf(t, put(t, full)), folderOf(t, put(t, full))
	names := []string{}
	for n := range a {
		names = append(names, n)
		if a[n] != b[n] {
			t.Errorf("%s differs when written twice", n)
		}
	}
	slices.Sort(names)
	want := "photos/tall.jpg photos/wide.jpg recall.css recall.html settings.csv settings.json"
	got := strings.Join(names, " ")
	got = strings.ReplaceAll(got, ".png", ".jpg")
	if got != want || len(a) != len(b) {
		t.Errorf("files %s, want %s", got, want)
	}
	page := strings.ReplaceAll(a[SheetName], "http://www.w3.org/2000/svg", "") // names a language and loads nothing
	for _, s := range []string{" style=", "<script", "<style", "http://", "https://", "ZgotmplZ", "secret.jpg"} {
		if strings.Contains(page, s) {
			t.Errorf("the sheet holds %q", s)
		}
	}
	for _, c := range []string{manifest.LoadCaution, manifest.InsideCaution, manifest.RoomCaution} {
		if !strings.Contains(page, "<li>"+c+"</li>") {
			t.Errorf("the sheet has not the caution %q", c)
		}
	}
	for _, s := range []string{`alt="The panel of the Harrow with all knobs as written here"`, "There is a picture, which is withheld: The Splitting", "Nothing in this slot", `href="settings.json"`, "not stated", "a second time"} {
		if !strings.Contains(page, s) {
			t.Errorf("the sheet has no %q", s)
		}
	}
	var rec Record
	if err := json.Unmarshal([]byte(a[JSONName]), &rec); err != nil {
		t.Fatal(err)
	}
	for _, p := range rec.photos() {
		if p.File.Redistribute != (p.Published != "") {
			t.Errorf("%+v", p)
		}
		if _, ok := a[p.Published]; p.Published != "" && !ok {
			t.Errorf("%s is said to be published and is not there", p.Published)
		}
	}
}

// Hostile text stays text.
func TestSheetEscapes(t *testing.T) {
	src := "title: '<script>alert(1)</script>'\nvaries: a\nchain: [{slot: a, device: '<b>x</b>', controls: {'<i>': '\"><img src=x>', k: {value: b, steps: ['<u>', b]}}, position: {distance: 1 cm, from: '<svg>'}, notes: '<p>'}]\ntakes: [{name: '<t>', file: f.wav}]\n"
	page := folderOf(t, put(t, src))[SheetName]
	for _, s := range []string{"<script>", "<b>", "<i>", "<img", "<u>", "<t>", "<p>&"} {
		if strings.Contains(page, s) {
			t.Errorf("the sheet holds %q", s)
		}
	}
}

// One picture that may not be passed on in one place is passed on in none.
func TestWithheldOnce(t *testing.T) {
	src := strings.Replace(full, "secret.jpg", "wide.jpg", 1)
	for name := range folderOf(t, put(t, src)) {
		if strings.Contains(name, "wide") {
			t.Errorf("%s was published", name)
		}
	}
}

func TestWriteToRefuses(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "p.webp"), []byte("RIFF    WEBPVP8 "), 0o666); err != nil {
		t.Fatal(err)
	}
	src := "title: t\nvaries: a\nchain: [{slot: a, device: d, photo: {file: p.webp, alt: A}}]\ntakes: [{name: n, file: f.wav}]\n"
	c, err := manifest.Parse(filepath.Join(dir, "m.yaml"), []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	rec, err := New(t.Context(), c, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	_, err = WriteTo(t.Context(), t.TempDir(), c, rec)
	if !errors.Is(err, mistake.Err) || !strings.HasPrefix(err.Error(), "p.webp: ") {
		t.Errorf("error %v", err)
	}
	_, err = WriteTo(t.Context(), filepath.Join(dir, "nowhere", "else"), parse(t, before), must(t, before))
	if err != nil {
		t.Errorf("a folder to be made: %v", err)
	}
}

func must(t *testing.T, src string) *Record {
	rec, _ := pair(t, src, nil)
	return rec
}

// The table keeps values as written, also those that begin with a sign, and
// lets no text be taken for a formula.
// Source of the formula characters: OWASP, "CSV Injection", from memory.
func TestCSVTable(t *testing.T) {
	data, err := csvTable(blocksOf(parse(t, odd)))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	find := func(slot, setting, takes string) []string {
		for _, r := range rows {
			if r[0] == slot && r[3] == setting && (takes == "" || r[2] == takes) {
				return r
			}
		}
		t.Errorf("no line for %s %s", slot, setting)
		return make([]string, 11)
	}
	if r := find("fuzz box", "'+gain, coarse", "007"); r[5] != "-4 dB" || r[6] != "" {
		t.Errorf("%q", r)
	}
	if r := find("amp", "new", ""); r[5] != "+5 dB" {
		t.Errorf("%q", r)
	}
	if r := find("amp", "volume", "007; Bypass"); r[5] != "10:30" || r[6] != "33.33" || r[8] != "270°" || r[9] != "7:30" {
		t.Errorf("%q", r)
	}
	if r := find("amp", "voice", ""); r[10] != "no; 2; a, b" || r[5] != "no" {
		t.Errorf("%q", r)
	}
	if r := find("amp", "presence", ""); r[4] != "yes" || r[5] != "" {
		t.Errorf("%q", r)
	}
	if r := find(rightMic, "blend", ""); r[5] != "-3.25 dB" {
		t.Errorf("%q", r)
	}
	for _, r := range rows {
		for _, c := range r {
			if c != "" && strings.ContainsAny(c[:1], "=@") {
				t.Errorf("a cell %q", c)
			}
		}
	}
}
