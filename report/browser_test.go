package report

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"evenhand/analyze/result"
	"evenhand/examples/campaign"
	"evenhand/examples/oracle/chromium"
)

// browser starts headless Chromium, with further flags. Under the race detector the
// test is skipped: it sees nothing of what a browser does.
func browser(t *testing.T, flags ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	if raced {
		t.Skip("what happens in a browser is out of the race detector's sight; the plain run has it")
	}
	return chromium.Start(t, flags...)
}

const openAll = `document.querySelectorAll('details').forEach(d => d.open = true); 0`

func TestPageInBrowser(t *testing.T) {
	campaign.Serial(t)
	if testing.Short() {
		t.Skip("needs a browser")
	}
	axe, err := os.ReadFile(filepath.Join("testdata", "axe.min.js"))
	if err != nil {
		t.Fatal(err)
	}
	all := variants()
	for _, c := range []struct {
		name string
		http bool
		dark bool
		wide int64
		page string // "" for the first
	}{{"usual", true, false, 1400, ""}, {"usual", false, true, 360, ""}, {"hostile", false, false, 360, ""}, {"void", true, true, 800, ""}, {"one", false, false, 800, ""}, {"loopback", true, false, 360, ""}, {"audience", true, true, 360, ""}, {"audience", false, false, 1400, ""}, {"crowded", true, false, 360, ""},
		{"usual", false, false, 1400, detailsName}, {"loopback", false, true, 360, detailsName}} {
		t.Run(fmt.Sprintf("%s%s/http=%v/%d", c.name, c.page, c.http, c.wide), func(t *testing.T) {
			t.Parallel()
			dir := write(t, all[c.name])
			base := "file://" + dir + "/"
			if c.http {
				s := httptest.NewServer(http.FileServer(http.Dir(dir)))
				t.Cleanup(s.Close)
				base = s.URL + "/"
			}
			ctx := browser(t)
			bad := chromium.Watch(t, ctx, base)
			scheme := "light"
			if c.dark {
				scheme = "dark"
			}
			err := chromedp.Do(ctx, chromedp.EmulateViewport(c.wide, 900),
				chromium.ColourScheme(scheme),
				chromedp.Navigate(base+orElse(c.page, indexName)))
			if err != nil {
				t.Fatal(err)
			}
			nothingMoved(t, ctx)
			over, err := chromedp.Run(ctx, chromedp.Evaluate[float64](openAll+`; document.documentElement.scrollWidth - innerWidth`))
			if err != nil || over > 0 {
				t.Errorf("the page is %v px wider than the window, %v", over, err)
			}
			if err := chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](string(axe)+";0")); err != nil {
				t.Fatal(err)
			}
			v, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`axe.run(document, {preload: false}).then(r => r.violations.map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + (n.any[0]||n.all[0]||n.none[0]||{}).message).join(' | ')))`, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range v {
				t.Error("axe:", s)
			}
			for _, s := range bad() {
				t.Error("browser:", s)
			}
		})
	}
}

// Addresses that were published while everything was on one page lead to the same part
// on the page with the details; those of parts that stayed, and of the player, stay.
func TestEarlierAddresses(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	dir := write(t, variants()["loopback"])
	ctx := browser(t)
	for fragment, want := range map[string]string{
		"method": "details.html#method", "files": "details.html#files", "check-3": "details.html#check-3", "note-1": "details.html#note-1",
		"loopback": "details.html#loopback", "spectrum-twelfth": "details.html#finer",
		"checks": "index.html#checks", "settings": "index.html#settings", "take=leaning&t=1.00": "index.html#take=leaning&t=1.00",
	} {
		must(t, chromedp.Do(ctx, chromedp.Navigate("about:blank"), chromedp.Navigate("file://"+dir+"/"+indexName+"#"+fragment)))
		time.Sleep(300 * time.Millisecond)
		if got := eval[string](t, ctx, `location.href.split('/').pop()`); got != want {
			t.Errorf("#%s leads to %s, want %s", fragment, got, want)
		}
		if id, ok := strings.CutPrefix(want, "details.html#"); ok && !eval[bool](t, ctx, `!!document.getElementById("`+id+`")`) {
			t.Errorf("#%s: nothing is there", fragment)
		}
	}
}

// TestScreenshots writes pictures of the page into the folder that
// EVENHAND_SHOTS names, for looking at.
func TestScreenshots(t *testing.T) {
	out := os.Getenv("EVENHAND_SHOTS")
	if out == "" {
		t.Skip("EVENHAND_SHOTS is not set")
	}
	which := strings.Fields(os.Getenv("EVENHAND_SHOTS_OF"))
	if len(which) == 0 {
		which = []string{"usual"}
	}
	all := variants()
	for _, name := range which {
		res, ok := all[name]
		if !ok { // the folder of a report: its results are rendered anew
			res = new(result.Result)
			if err := json.Unmarshal([]byte(read(t, filepath.Join(name, "results.json"))), res); err != nil {
				t.Fatal(err)
			}
		}
		dir := write(t, res)
		t.Logf("%s: page of %d bytes", name, len(read(t, filepath.Join(dir, "index.html"))))
		name = filepath.Base(name)
		ctx := browser(t)
		for _, w := range []int64{360, 800, 1400} {
			for _, scheme := range []string{"light", "dark"} {
				err := chromedp.Do(ctx, chromedp.EmulateViewport(w, 900),
					chromium.ColourScheme(scheme),
					chromedp.Navigate("file://"+dir+"/index.html"))
				if err != nil {
					t.Fatal(err)
				}
				png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(out, fmt.Sprintf("%s-%d-%s.png", name, w, scheme)), png, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
		pdf, err := chromedp.Run(ctx, chromedp.Action[[]byte](func(ctx context.Context, t *chromedp.Target) ([]byte, error) {
			yes := true
			r, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: &yes})
			return r.Data, err
		}))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(out, name+".pdf"), pdf, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
