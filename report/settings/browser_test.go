package settings

import (
	"bytes"
	"context"
	"fmt"
	"image/jpeg"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"evenhand/analyze/manifest"
	"evenhand/examples/oracle"
	"evenhand/examples/oracle/chromium"
)

// full is a session that has everything that a sheet can show.
const full = `
title: Three fuzzes into one small amplifier, close and in the room
by: Fern Street Recording
date: 2026-05-02
varies: fuzz
reference: Leaning
set_by: by ear
may_differ: [fuzz.level, amp.volume]
full_scale_in: +12 dBu
performance: {instrument: "Baritone guitar, 27.7 in scale", tuning: B1 E2 A2 D3 F#3 B3, pickup: bridge humbucker, notes: Medium pick.}
chain:
  - slot: reamp
    device: Passive reamp box
    controls: {level: "3 o'clock", ground: lifted, pad: off}
  - slot: fuzz
  - slot: amp
    device: Harrow
    kind: valve combo
    power: 15 W
    impedance: 8 ohm
    photo: {file: wide.jpg, alt: The panel of the Harrow with all knobs as written here}
    notes: |
      Warmed up for half an hour.
      The standby switch was left alone.
    controls:
      volume: "10:30"
      bass: "11 o'clock"
      middle: noon
      treble: "1:30"
      presence:
      reverb:
      bright: on
      speed: {value: 3, scale: 1-12}
      depth: 65 %
      voice: {value: flat, steps: [dark, flat, bright]}
      damping: {value: "10:00", travel: 270°, from: "7:30"}
      feedback: -6 dB
  - slot: microphone
    device: Dynamic
    kind: microphone
    position: {distance: 2 cm, angle: 20°, from: grille cloth}
    photo: {file: tall.jpg, alt: The microphone at the edge of the dust cap}
takes:
  - name: Leaning
    file: leaning.wav
    fuzz: {device: Leaning, controls: {sustain: "3 o'clock", tone: noon, level: "11 o'clock"}, notes: Leans to one side; clips softly.}
  - name: Splitting
    file: splitting.wav
    fuzz:
      device: Splitting
      controls: {heat: {value: "2:30", travel: 270°, from: "7:30"}, tone: {value: 7, scale: 1-10}, level: {value: 5, scale: 1-10}, turn: {value: 90 %, travel: 360°, from: noon}}
      photo: {file: secret.jpg, alt: The Splitting, redistribute: no}
  - name: Folding
    file: folding.wav
    fuzz: {device: Folding, controls: {fuzz: 65 %, octave: {value: blend, steps: [off, blend, full]}, presence: +5 dB, level: 40 %, "rectifier bias voltage trim": "a long remark about where it stood, which is text"}}
    amp: {controls: {volume: noon}}
    microphone: {device: Ribbon, position: {distance: 1.5 m, angle: -35°, from: grille cloth}}
  - name: Bypass
    file: bypass.wav
    role: bypass
    microphone: {device: Behind the open back, position: {distance: 12 in, angle: 160°, from: rear panel}}
  - name: Leaning again
    file: again.wav
    repeat_of: Leaning
    notes: Recorded last.
`

// put writes the sheet of a manifest and returns its folder.
func put(t *testing.T, src string) string {
	t.Helper()
	from := t.TempDir()
	for name, size := range map[string][2]int{"wide.jpg": {2000, 900}, "tall.jpg": {1200, 1900}, "photos/amp, front.jpg": {40, 30}, "photos/r.gif": {40, 30}, "photos/all.png": {40, 30}} {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, corners(size[0], size[1]), nil); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(from, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	c, err := manifest.Parse(filepath.Join(from, "m.yaml"), []byte(strings.Replace(src, "to: 1e}", "to: 64.75 s}", 1)))
	if err != nil {
		t.Fatal(err)
	}
	rec, err := New(t.Context(), c, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if _, err := WriteTo(t.Context(), dir, c, rec); err != nil {
		t.Fatal(err)
	}
	return dir
}

// sheets are the manifests that are looked at.
func sheets(t *testing.T) map[string]string {
	out := examples(t)
	out["full"] = full
	return out
}

// papers are the sizes in inches: ISO 216 A4, and Letter after ANSI/ASME Y14.1.
func papers() map[string][2]float64 {
	return map[string][2]float64{"A4": {210 / 25.4, 297 / 25.4}, "Letter": {8.5, 11}}
}

func printed(ctx context.Context, size [2]float64) ([]byte, error) {
	return chromedp.Run(ctx, chromedp.Action[[]byte](func(ctx context.Context, t *chromedp.Target) ([]byte, error) {
		r, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: size[0], PaperHeight: size[1]})
		return r.Data, err
	}))
}

var pageObject = regexp.MustCompile(`/Type\s*/Page[^s]`)

func TestSheetInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	axe, err := os.ReadFile(filepath.Join("..", "testdata", "axe.min.js"))
	if err != nil {
		t.Fatal(err)
	}
	all := sheets(t)
	window := chromium.Start(t)
	for _, x := range []struct {
		name   string
		scheme string
		wide   int64
	}{{"full", "light", 1200}, {"full", "dark", 360}, {"odd", "light", 700}, {"microphones", "dark", 900}} {
		t.Run(fmt.Sprintf("%s/%s/%d", x.name, x.scheme, x.wide), func(t *testing.T) {
			dir := put(t, all[x.name])
			s := httptest.NewServer(http.FileServer(http.Dir(dir)))
			t.Cleanup(s.Close)
			ctx, cancel := chromedp.NewContext(window)
			t.Cleanup(cancel)
			bad := chromium.Watch(t, ctx, s.URL+"/")
			err := chromedp.Do(ctx, chromedp.EmulateViewport(x.wide, 900), chromium.ColourScheme(x.scheme), chromedp.Navigate(s.URL+"/"+SheetName))
			if err != nil {
				t.Fatal(err)
			}
			over, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`document.documentElement.scrollWidth - innerWidth`))
			if err != nil || over > 0 {
				t.Errorf("the sheet is %v px wider than the window, %v", over, err)
			}
			broken, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`[...document.images].filter(i => !i.complete || !i.naturalWidth || !i.alt).map(i => i.src)`))
			if err != nil || len(broken) > 0 {
				t.Errorf("pictures that do not show: %v, %v", broken, err)
			}
			if err := chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](string(axe)+";0")); err != nil {
				t.Fatal(err)
			}
			v, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`axe.run(document, {preload: false}).then(r => r.violations.map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + (n.any[0]||n.all[0]||n.none[0]||{}).message).join(' | ')))`, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range append(v, bad()...) {
				t.Error(s)
			}
		})
	}
}

// On either paper every device stands on one page, whole, and nothing is
// printed beside the paper.
func TestSheetOnPaper(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	pdftotext := oracle.Path(t, "pdftotext")
	all := sheets(t)
	ctx := chromium.Start(t)
	for _, name := range []string{"full", "four-fuzzes"} {
		dir := put(t, all[name])
		if err := chromedp.Do(ctx, chromedp.Navigate("file://"+dir+"/"+SheetName)); err != nil {
			t.Fatal(err)
		}
		// Each device as the words that are to stand together.
		blocks, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll('.device')].map(d => d.innerText)`))
		if err != nil || len(blocks) < 5 {
			t.Fatal(len(blocks), err)
		}
		for paper, size := range papers() {
			pdf, err := printed(ctx, size)
			if err != nil {
				t.Fatal(err)
			}
			file := filepath.Join(t.TempDir(), "sheet.pdf")
			if err := os.WriteFile(file, pdf, 0o666); err != nil {
				t.Fatal(err)
			}
			out, err := exec.Command(pdftotext, "-bbox", file, "-").Output()
			if err != nil {
				t.Fatal(err)
			}
			pages := wordsOf(t, string(out), size)
			if n := len(pageObject.FindAll(pdf, -1)); n != len(pages) {
				t.Errorf("%s on %s: %d page objects, %d pages of words", name, paper, n, len(pages))
			}
			if most := 2 + len(blocks)/3; len(pages) > most {
				t.Errorf("%s on %s: %d devices on %d pages, want at most %d", name, paper, len(blocks), len(pages), most)
			}
			// The words come in the order of the sheet, so that a device is
			// whole when all its words are found behind each other on a page.
			at := 0
			for _, b := range blocks {
				found := false
				for ; at < len(pages) && !found; at++ {
					if found = holds(pages[at], b); found {
						break
					}
				}
				if !found {
					t.Errorf("%s on %s: this device is on no page as a whole:\n%s", name, paper, b)
					at = 0
				}
			}
		}
	}
}

var (
	bboxWord = regexp.MustCompile(`<word xMin="([-0-9.]+)" yMin="([-0-9.]+)" xMax="([-0-9.]+)" yMax="([-0-9.]+)">(.*?)</word>`)
	letters  = regexp.MustCompile(`[\p{L}\p{Nd}]+`)
)

// wordsOf reads the pages' words with their places and reports those that do
// not lie on the paper.
func wordsOf(t *testing.T, bbox string, size [2]float64) []map[string]int {
	t.Helper()
	var pages []map[string]int
	for _, p := range strings.Split(bbox, "<page ")[1:] {
		words := map[string]int{}
		for _, m := range bboxWord.FindAllStringSubmatch(p, -1) {
			var box [4]float64
			for i := range box {
				if _, err := fmt.Sscan(m[i+1], &box[i]); err != nil {
					t.Fatal(err)
				}
			}
			const margin = 8 // mm, what printers cannot reach, and more
			edge := margin / 25.4 * 72
			if box[0] < edge || box[1] < edge || box[2] > size[0]*72-edge || box[3] > size[1]*72-edge {
				t.Errorf("%q is printed at %v pt, outside the margins", m[5], box)
			}
			text := strings.NewReplacer("&apos;", "'", "&quot;", `"`, "&amp;", "&", "&lt;", "<", "&gt;", ">").Replace(m[5])
			for _, w := range letters.FindAllString(strings.ToLower(text), -1) {
				words[w]++
			}
		}
		pages = append(pages, words)
	}
	return pages
}

// holds takes the words of a device from those of a page; false when some are
// not there.
func holds(page map[string]int, device string) bool {
	need := map[string]int{}
	for _, w := range letters.FindAllString(strings.ToLower(device), -1) {
		need[w]++
	}
	for w, n := range need {
		if page[w] < n {
			return false
		}
	}
	for w, n := range need {
		page[w] -= n
	}
	return true
}

// TestShots writes pictures of the sheets into the folder that EVENHAND_SHOTS
// names, for looking at.
func TestShots(t *testing.T) {
	out := os.Getenv("EVENHAND_SHOTS")
	if out == "" {
		t.Skip("EVENHAND_SHOTS is not set")
	}
	ctx := chromium.Start(t)
	for name, src := range sheets(t) {
		dir := put(t, src)
		for _, s := range []string{"light", "dark"} {
			for _, w := range []int64{360, 1200} {
				if err := chromedp.Do(ctx, chromedp.EmulateViewport(w, 900), chromium.ColourScheme(s), chromedp.Navigate("file://"+dir+"/"+SheetName)); err != nil {
					t.Fatal(err)
				}
				png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(out, fmt.Sprintf("%s-%d-%s.png", name, w, s)), png, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
		for paper, size := range papers() {
			pdf, err := printed(ctx, size)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(out, name+"-"+paper+".pdf"), pdf, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func TestSheetIsValidHTML(t *testing.T) {
	pages := []string{}
	for _, text := range sheets(t) {
		pages = append(pages, filepath.Join(put(t, text), SheetName))
	}
	oracle.ValidHTML(t, pages...)
}
