package report

import (
	"bytes"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/report/settings"
)

// The page shows the pictures of the settings record that lies beside it and
// links the sheet; without a record it does neither.
func TestPicturesOfTheRecord(t *testing.T) {
	from := t.TempDir()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1500, 1000))); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(from, "amp.png"), b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	c, err := manifest.Parse(filepath.Join(from, "m.yaml"), []byte("title: t\nvaries: amp\nchain: [{slot: amp, device: Kestrel, photo: {file: amp.png, alt: 'The panel of the <Kestrel>'}}]\ntakes: [{name: n, file: f.wav}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	rec, err := settings.New(t.Context(), c, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	pictures, err := settings.WriteTo(t.Context(), dir, c, rec)
	if err != nil || len(pictures) != 1 || pictures[0].Width != 1200 || pictures[0].Height != 800 {
		t.Fatal(pictures, err)
	}
	if err := Write(dir, fixture(), Options{}); err != nil {
		t.Fatal(err)
	}
	page := read(t, filepath.Join(dir, indexName)) + read(t, filepath.Join(dir, detailsName))
	for _, want := range []string{
		`<img src="` + pictures[0].Path + `" alt="The panel of the &lt;Kestrel&gt;" width="1200" height="800" loading="lazy">`,
		`<figcaption>amp: Kestrel</figcaption>`, `<a href="recall.html">`, `<a href="settings.json" download>`,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %s", want)
		}
	}
	plain := t.TempDir()
	if err := Write(plain, fixture(), Options{}); err != nil {
		t.Fatal(err)
	}
	if page := read(t, filepath.Join(plain, "index.html")); strings.Contains(page, "recall.html") || strings.Contains(page, "<img") {
		t.Error("the page of a folder without a record links one")
	}
	// Somebody else's settings.json is not taken for ours.
	if err := os.WriteFile(filepath.Join(plain, settings.JSONName), []byte("{}"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := Write(plain, fixture(), Options{}); err == nil {
		t.Error("a settings.json that is none was passed over")
	}
}
