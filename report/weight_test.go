package report

import (
	"context"
	"encoding/json"
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
	"evenhand/examples/campaign"
	"evenhand/examples/studio"
)

// most is what a page of the demo may weigh before audio, in bytes: all
// files that a browser loads when it opens the page, not compressed.
const most = 200_000

// mostSheets is what a page of up to six takes may take of A4 when nothing is opened.
const mostSheets = 4

// What a reader may be asked to read of the demo: words that are visible when nothing
// is opened, and those on the first screen but for names of takes and sections. Of the
// visible ones 300 are for the sentences on what the gear does: they answer what a
// comparison is made for, so they must be seen without opening anything.
const (
	mostWords = 2300
	mostFirst = 90
)

// loaded are the files that a page names to be loaded when it is opened.
var loaded = regexp.MustCompile(`<(?:script|link|img)\b[^>]*?\b(?:src|href)="([^"]+)"[^>]*>`)

// atStart lists the page and the files that it names to be loaded at once:
// all but pictures that wait until they are in sight, and data in the page.
func atStart(name, page string) []string {
	out := []string{name}
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
// pages before any audio, then opens the first in a browser to see that nothing else is
// loaded, how much there is to read and what is on the first screen. The pages stay
// light because what several takes have in common is said once (checks, settings,
// listening), and plots leave out points that nobody could see (chart.simplify).
func TestPageOfTheDemoIsLight(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("the studio is slow; the plain suite runs this")
	}
	campaign.Long(t)
	dir := demoReport(t)
	files := []string{}
	for _, page := range []string{detailsName, indexName} {
		files = atStart(page, read(t, filepath.Join(dir, page)))
		sum := weigh(t, dir, files)
		fmt.Printf("%s of the demo weighs %d bytes before audio\n", page, sum)
		if sum >= most {
			t.Errorf("%s: %d bytes, allowed are less than %d", page, sum, most)
		}
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

	t.Run("first screen", func(t *testing.T) {
		ctx := browser(t)
		names, err := json.Marshal(namesIn(t, dir))
		must(t, err)
		for _, c := range []struct {
			wide, high int64
			there      string // what must be on the first screen, by selector, and how often
			most       int
		}{
			{360, 740, `{"h1": 1, ".by": 1, ".lead": 1, "#play": 1, ".strip": 1, ".pick": 4}`, mostFirst},
			{1400, 900, `{"h1": 1, ".by": 1, ".lead": 1, "#play": 1, "#try": 1, ".strip": 1, ".pick": 6, ".take.on .who": 1, ".take.on .line": 1, ".take.on .dials li": 3, "#beside .plot": 1}`, mostFirst},
		} {
			must(t, chromedp.Do(ctx, chromedp.EmulateViewport(c.wide, c.high), chromedp.Navigate("file://"+dir+"/"+indexName)))
			for _, s := range eval[[]string](t, ctx, `Object.entries(`+c.there+`).map(([s, n]) => [s, n, [...document.querySelectorAll(s)].filter(e => e.checkVisibility({ visibilityProperty: true }) && e.getBoundingClientRect().bottom <= innerHeight).length]).filter(([s, n, is]) => is < n).map(([s, n, is]) => s + ': ' + is + ' of ' + n)`) {
				t.Errorf("%dx%d: not wholly on the first screen: %s", c.wide, c.high, s)
			}
			words := eval[[]int](t, ctx, fmt.Sprintf(countWords, names))
			fmt.Printf("%dx%d: %d words of the demo are visible, %d on the first screen without names\n", c.wide, c.high, words[0], words[1])
			if words[1] > c.most {
				t.Errorf("%dx%d: %d words on the first screen, allowed are %d", c.wide, c.high, words[1], c.most)
			}
			if c.wide == 1400 && words[0] > mostWords {
				t.Errorf("%d words are visible, allowed are %d", words[0], mostWords)
			}
		}
	})
}

// namesIn are the names of the takes and sections of a report, the longest first.
func namesIn(t *testing.T, dir string) []string {
	t.Helper()
	res, err := Read(dir)
	must(t, err)
	out := []string{}
	for _, take := range res.Takes {
		out = append(out, take.Name)
	}
	for _, s := range res.Timeline.Spans[1:] {
		out = append(out, s.Name)
	}
	slices.SortStableFunc(out, func(a, b string) int { return len(b) - len(a) })
	return out
}

// countWords counts the words of text nodes that are visible, and those of them that
// begin on the first screen, without the names that are given.
const countWords = `(names => {
	let all = 0, first = 0;
	const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), count = s => s.split(/\s+/).filter(Boolean).length;
	while (walk.nextNode()) {
		const e = walk.currentNode.parentElement, text = walk.currentNode.data;
		if (e.closest('script, style') || !e.checkVisibility({ visibilityProperty: true })) continue;
		const box = e.getBoundingClientRect();
		if (box.right <= 0 || box.width <= 1) continue; // for readers who hear the page
		all += count(text);
		if (box.top < innerHeight) first += count(names.reduce((s, n) => s.replaceAll(n, ' '), text).replace(/[.,:;/·]+(?=\s|$)/g, ' '));
	}
	return [all, first];
})(%s)`

// A page of many takes is heavier, but not by what all takes have in common.
func TestPageOfManyTakesIsLight(t *testing.T) {
	dir := write(t, variants()["many"])
	sum := weigh(t, dir, atStart(indexName, read(t, filepath.Join(dir, indexName))))
	t.Logf("a page of 16 takes weighs %d bytes before audio", sum)
	if sum >= 300_000 {
		t.Errorf("%d bytes", sum)
	}
}
