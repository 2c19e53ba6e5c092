package report

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"evenhand/examples/oracle/chromium"
)

// frameHeight is the height in px that README.md states for the frame of a player with
// up to six takes, by the width from which on it holds.
var frameHeight = map[int64]float64{700: 780, 360: 1040}

// The player alone stands in a frame of a page of another origin: it plays there, it
// fits the stated height, and its links open pages of their own instead of the report
// within the frame.
func TestPlayerInAFrame(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	files := http.FileServer(http.Dir(dir))
	var mu sync.Mutex
	played := 0
	report := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, ".flac") {
			mu.Lock()
			played++
			mu.Unlock()
		}
		w.Header().Set("Content-Security-Policy", ContentPolicy) // as serve does
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(report.Close)
	host := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		fmt.Fprintf(w, `<!doctype html><link rel="icon" href="data:,"><body style="margin:0"><iframe src="%s/listen.html" title="Listen" width="100%%" height="640" style="border:0"></iframe>`, report.URL)
	}))
	t.Cleanup(host.Close)

	open := func(url string, width int64) (context.Context, func() []string) {
		ctx := browser(t)
		bad := chromium.Watch(t, ctx, "http://127.0.0.1:")
		must(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(url)))
		return ctx, bad
	}
	var play []float64
	for width, height := range frameHeight {
		ctx, bad := open(report.URL+"/listen.html", width)
		until(t, ctx, `globalThis.Evenhand && Evenhand.player`)
		got := eval[float64](t, ctx, `document.body.getBoundingClientRect().height`)
		t.Logf("%d px wide: %v px high", width, got)
		if six := got + map[int64]float64{360: 52}[width]; six > height { // this one has four takes
			t.Errorf("%d px: the player is %v px high, stated are %v", width, got, height)
		}
		if got := eval[string](t, ctx, `document.querySelector('base').target`); got != "_blank" {
			t.Errorf("links open in %q", got)
		}
		accessible(t, ctx, "alone")
		if got := eval[string](t, ctx, `Evenhand.player.remember(), document.getElementById('spot').getAttribute('href')`); !strings.HasPrefix(got, "index.html#take=") {
			t.Errorf("the link to this place is %s", got)
		}
		if width == 700 {
			play = eval[[]float64](t, ctx, `(r => [r.x + r.width / 2, r.y + r.height / 2])(document.getElementById('play').getBoundingClientRect())`)
		}
		quietBrowser(t, bad)
	}

	ctx, bad := open(host.URL, 700)
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		must(t, chromedp.Do(ctx, chromedp.MouseClickXY(play[0], play[1])))
		mu.Lock()
		n := played
		mu.Unlock()
		if n > 0 {
			break
		}
		if time.Now().After(end) {
			t.Fatal("nothing plays in the frame")
		}
	}
	quietBrowser(t, bad)
}
