package cut

import (
	"bytes"
	"fmt"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/report/picture"
)

// Every take has its pictures, each a PNG of its size with a text next to it; what they show
// in part, or cannot show, the description has in full, and a note names what no font has.
func TestPicturesOfAnEdit(t *testing.T) {
	s := at48k.session(t)
	p, err := newPlan(s, Options{Turns: true, Report: "https://example.org/r/", Pictures: true}.withDefaults())
	if err != nil {
		t.Fatal(err)
	}
	p.voices[1].shown = "雷" // which no font here has
	const long = "A name of a circuit that is so long that nobody would read it out, with more behind, and still more of it after that"
	p.voices[2].shown = long
	dir := t.TempDir()
	if err := p.writePictures(t.Context(), dir); err != nil {
		t.Fatal(err)
	}
	files := contents(t, dir)
	for _, shape := range picture.Shapes() {
		wide, high := shape.Size()
		stems := []string{p.voices[0].stem, p.voices[1].stem, p.voices[2].stem}
		if shape != picture.LowerThird {
			stems = append(stems, titlePicture, closingPicture)
		}
		for _, stem := range stems {
			name := filepath.FromSlash(picturePath(shape, stem))
			img, err := png.DecodeConfig(bytes.NewReader(files[name]))
			if err != nil || img.Width != wide || img.Height != high {
				t.Errorf("%s: %v, %v", name, img, err)
			}
			text := strings.TrimSuffix(name, ".png") + ".txt"
			if len(files[text]) < 5 {
				t.Errorf("%s: %q", text, files[text])
			}
			delete(files, name)
			delete(files, text)
		}
	}
	if len(files) > 0 {
		t.Errorf("%d more files", len(files))
	}
	if n := strings.Join(p.notes, "\n"); !strings.Contains(n, "the font of the pictures does not have all letters of 雷") {
		t.Errorf("notes %q", n)
	}
	for _, x := range p.shortened {
		if x == "" || strings.Contains(x, "…") {
			t.Errorf("%q is not whole", x)
		}
	}
	if !strings.Contains(strings.Join(p.shortened, "\n"), long) {
		t.Errorf("shortened: %q", p.shortened)
	}
	// What the description does not say already, it says at its end.
	for i := range p.turns {
		p.turns[i].frames = []int64{25}
	}
	p.shortened = append(p.shortened, "what nobody else says")
	text := p.describe(p.record())
	for _, want := range p.shortened {
		if !strings.Contains(text, oneLine(want)) {
			t.Errorf("the description lacks %q", want)
		}
	}
	if !strings.HasSuffix(text, "SHORTENED IN THE PICTURES\nwhat nobody else says\n") && !strings.Contains(text, "\nwhat nobody else says\n") {
		t.Errorf("the description ends %q", text[len(text)-200:])
	}
}

// An edit without pictures names none.
func TestNoPictures(t *testing.T) {
	dir, rec := at48k.edit(t)
	if _, err := os.Stat(filepath.Join(dir, picturesDir)); !os.IsNotExist(err) || rec.Parts[0].Picture != "" {
		t.Errorf("%v, %s", err, fmt.Sprint(rec.Parts[0].Picture))
	}
}
