package report

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/examples"
	"evenhand/examples/studio"
)

// most is what the page of the demo may weigh before audio, in bytes: all
// files that a browser loads when it opens the page, not compressed.
const most = 200_000

// mostSheets is what the demo's page may take of A4 when nothing is opened.
const mostSheets = 8

// loaded are the files that a page names to be loaded when it is opened.
var loaded = regexp.MustCompile(`<(?:script|link|img)\b[^>]*?\b(?:src|href)="([^"]+)"[^>]*>`)

// atStart lists the page and the files that it names to be loaded at once:
// all but pictures that wait until they are in sight, and data in the page.
func atStart(page string) []string {
	out := []string{"index.html"}
	for _, m := range loaded.FindAllStringSubmatch(page, -1) {
		if !strings.HasPrefix(m[1], "data:") && !strings.Contains(m[0], `loading="lazy"`) {
			out = append(out, m[1])
		}
	}
	return out
}

// weigh sums the files' sizes.
func weigh(t *testing.T, dir string, files []string) int64 {
	t.Helper()
	sum := int64(0)
	for _, f := range files {
		info, err := os.Stat(filepath.Join(dir, filepath.FromSlash(f)))
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%8d %s", info.Size(), f)
		sum += info.Size()
	}
	return sum
}

// demoReport makes the audio of the demo, measures and publishes it, and
// writes its report.
func demoReport(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := studio.Write(filepath.Join(dir, "demo"), studio.Options{Scenario: "four-fuzzes"}, nil); err != nil {
		t.Fatal(err)
	}
	source := filepath.Join(dir, "demo", examples.ManifestName("four-fuzzes"))
	text, err := os.ReadFile(source)
	if err != nil {
		t.Fatal(err)
	}
	c, err := manifest.Load(source, fairness.CheckLimit)
	if err != nil {
		t.Fatal(err)
	}
	s, err := analyze.Measure(context.Background(), c, analyze.Options{Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	if err := s.Publish(context.Background(), out, analyze.PublishOptions{Pieces: true}); err != nil {
		t.Fatal(err)
	}
	s.Check()
	if err := Write(out, s.Result, Options{Manifest: text}); err != nil {
		t.Fatal(err)
	}
	return out
}

// TestPageOfTheDemoIsLight adds up every file that a browser loads of the demo's
// report before any audio, then opens it in a browser to see that nothing else is
// loaded. The sum was just below 200 kB, of which 148 kB were HTML; for 16 takes of
// the same length 313 kB, of which 259 kB were HTML. The page stays light because
// what several takes have in common is said once (checks, settings, listening), plots
// leave out points that nobody could see (chart.simplify), and the strips of
// differences share their axes.
func TestPageOfTheDemoIsLight(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("the studio is slow; the plain suite runs this")
	}
	dir := demoReport(t)
	files := atStart(read(t, filepath.Join(dir, "index.html")))
	sum := weigh(t, dir, files)
	fmt.Printf("the page of the demo weighs %d bytes before audio\n", sum)
	if sum >= most {
		t.Errorf("%d bytes, allowed are less than %d", sum, most)
	}
	if len(files) < 5 {
		t.Errorf("only %q: are the player's files there?", files)
	}

	t.Run("in a browser", func(t *testing.T) {
		var mu sync.Mutex
		asked := []string{}
		fs := http.FileServer(http.Dir(dir))
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			mu.Lock()
			asked = append(asked, strings.TrimPrefix(r.URL.Path, "/"))
			mu.Unlock()
			fs.ServeHTTP(w, r)
		}))
		t.Cleanup(s.Close)
		ctx := browser(t)
		if err := chromedp.Do(ctx, chromedp.Navigate(s.URL+"/"), chromedp.Sleep(time.Second)); err != nil {
			t.Fatal(err)
		}
		mu.Lock()
		defer mu.Unlock()
		if len(asked) > 0 && asked[0] == "" {
			asked[0] = "index.html"
		}
		slices.Sort(asked)
		slices.Sort(files)
		if !slices.Equal(asked, files) {
			t.Errorf("the browser loads %q, the page names %q", asked, files)
		}
		pages := printed(t, ctx)
		fmt.Printf("the page of the demo takes %d sheets of paper\n", pages)
		if pages > mostSheets {
			t.Errorf("%d sheets, allowed are %d", pages, mostSheets)
		}
	})
}

// A page of many takes is heavier, but not by what all takes have in common.
func TestPageOfManyTakesIsLight(t *testing.T) {
	dir := write(t, variants()["many"])
	sum := weigh(t, dir, atStart(read(t, filepath.Join(dir, "index.html"))))
	t.Logf("a page of 16 takes weighs %d bytes before audio", sum)
	if sum >= 300_000 {
		t.Errorf("%d bytes", sum)
	}
}
