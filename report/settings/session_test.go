package settings

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"evenhand/analyze/manifest"
	"evenhand/examples/oracle"
	"evenhand/examples/oracle/chromium"
)

// plan writes the session sheet of a manifest and returns its folder and what it plans.
func plan(t *testing.T, src string) (string, *manifest.Comparison) {
	t.Helper()
	c, err := manifest.Parse("m.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	rec, err := New(t.Context(), c, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	dir := put(t, src)
	if err := WriteSession(dir, c, rec); err != nil {
		t.Fatal(err)
	}
	return dir, c
}

// The reference comes first and last: its repeat, or a pass that the manifest lacks. The
// others stay in their order.
func TestPassesOfASession(t *testing.T) {
	takes := func(reference string, names ...string) *manifest.Comparison {
		c := &manifest.Comparison{Reference: reference}
		for _, n := range names {
			name, of, _ := strings.Cut(n, "=")
			c.Takes = append(c.Takes, manifest.Take{Name: name, RepeatOf: of})
		}
		return c
	}
	for _, x := range []struct {
		c    *manifest.Comparison
		want []pass
	}{
		{takes("B", "A", "B", "C"), []pass{{1, false}, {0, false}, {2, false}, {1, true}}},
		{takes("B", "A", "B", "B again=B", "C"), []pass{{1, false}, {0, false}, {3, false}, {2, false}}},
		{takes("", "A", "B", "B again=B"), []pass{{0, false}, {1, false}, {2, false}, {0, true}}},
		{takes("A", "A", "B", "A two=A", "A three=A"), []pass{{0, false}, {1, false}, {2, false}, {3, false}}},
	} {
		if got := passesOf(x.c); !slices.Equal(got, x.want) {
			t.Errorf("%v: %v, want %v", x.c.Takes, got, x.want)
		}
	}
}

// Every setting is on the page of its pass, what is kept is told in a line, what is not known has a
// line to fill in, and the cautions stand with the device that they are for.
func TestSessionSheet(t *testing.T) {
	dir, c := plan(t, full)
	b, err := os.ReadFile(filepath.Join(dir, SessionName))
	if err != nil {
		t.Fatal(err)
	}
	pages := strings.Split(string(b), `<section class="pass"`)[1:]
	passes := passesOf(c)
	if len(pages) != len(passes) {
		t.Fatalf("%d pages for %d passes", len(pages), len(passes))
	}
	for i, page := range pages {
		k := c.Takes[passes[i].take]
		for _, want := range append([]string{fmt.Sprintf("Pass %d of %d", i+1, len(pages)), ">mains <", "warm-up", "°C", "photo number", `class="box"`}, manifest.LoadCaution) {
			if !strings.Contains(page, want) {
				t.Errorf("pass %d lacks %q", i+1, want)
			}
		}
		for _, d := range c.ChainOf(&k) {
			at := strings.Index(page, "</span> "+d.Name+"</h3>")
			if d.Name == "" {
				continue
			}
			if at < 0 {
				t.Errorf("pass %d lacks %s", i+1, d.Name)
				continue
			}
			stands := page[at:]
			if end := strings.Index(stands, `<div class="stands">`); end > 0 {
				stands = stands[:end]
			}
			for _, x := range d.Controls {
				if !strings.Contains(stands, x.Name) || x.Value.Written != "" && !strings.Contains(stands, x.Value.Written) {
					t.Errorf("pass %d, %s lacks %s %s", i+1, d.Name, x.Name, x.Value.Written)
				}
			}
			for _, x := range manifest.Cautions([]manifest.Device{d}) {
				if !strings.Contains(stands, x) {
					t.Errorf("pass %d, %s lacks the caution %q", i+1, d.Name, x)
				}
			}
		}
	}
	if !strings.Contains(pages[0], "It comes first, and again at the end") || !strings.Contains(pages[1], "as in the pass before: ") || !strings.Contains(pages[0], "write it down") {
		t.Error("the first pages lack what they are for")
	}
}

// On paper each pass has one page.
func TestSessionOnPaper(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	pdftotext := oracle.Path(t, "pdftotext")
	ctx := chromium.Start(t)
	for _, name := range []string{"full", "four-fuzzes"} {
		dir, c := plan(t, sheets(t)[name])
		if err := chromedp.Do(ctx, chromedp.Navigate("file://"+dir+"/"+SessionName)); err != nil {
			t.Fatal(err)
		}
		over, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`document.documentElement.scrollWidth - innerWidth`))
		if err != nil || over > 0 {
			t.Errorf("%s: %v px wider than the window, %v", name, over, err)
		}
		for paper, size := range papers() {
			pdf, err := printed(ctx, size)
			if err != nil {
				t.Fatal(err)
			}
			file := filepath.Join(t.TempDir(), "session.pdf")
			if err := os.WriteFile(file, pdf, 0o666); err != nil {
				t.Fatal(err)
			}
			if out := os.Getenv("EVENHAND_SHOTS"); out != "" {
				if err := os.WriteFile(filepath.Join(out, "session-"+name+"-"+paper+".pdf"), pdf, 0o666); err != nil {
					t.Fatal(err)
				}
			}
			out, err := exec.Command(pdftotext, "-bbox", file, "-").Output()
			if err != nil {
				t.Fatal(err)
			}
			pages := wordsOf(t, string(out), size)
			if want := len(passesOf(c)); len(pages) != want {
				t.Errorf("%s on %s: %d pages for %d passes", name, paper, len(pages), want)
			}
			for i, p := range pages {
				if p["pass"] == 0 || p["photo"] == 0 || p["saved"] == 0 {
					t.Errorf("%s on %s: page %d is not whole: %v", name, paper, i+1, p)
				}
			}
		}
	}
}

func TestSessionIsValidHTML(t *testing.T) {
	dir, _ := plan(t, full)
	oracle.ValidHTML(t, filepath.Join(dir, SessionName))
}
