package report

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// TestSoundSoon measures how soon the player of a report sounds on slow links, for the
// folders that EVENHAND_REPORTS names: the time from a click on Play to the first sound,
// what was loaded until then and after 11 s more, how often the sound stopped in that
// time, and where the music was when every take could be heard at once; 0 where it never
// could. Chromium slows the link down, with a latency of 150 ms.
func TestSoundSoon(t *testing.T) {
	reports := strings.Fields(os.Getenv("EVENHAND_REPORTS"))
	if len(reports) == 0 {
		t.Skip("EVENHAND_REPORTS is not set")
	}
	for _, dir := range reports {
		for _, mbit := range []float64{1.6, 10} {
			s := httptest.NewServer(http.FileServer(http.Dir(dir)))
			ctx := browser(t)
			slow := chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
				rate := mbit * 1e6 / 8
				_, err := cdp.Call(ctx, target, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{{Latency: 150, DownloadThroughput: rate, UploadThroughput: rate}}})
				return err
			})
			must(t, chromedp.Do(ctx, chromedp.EmulateViewport(1000, 900), slow, chromedp.Navigate(s.URL+"/index.html")))
			until(t, ctx, `globalThis.Evenhand && Evenhand.player`)
			eval[int](t, ctx, `globalThis.bytes = 0, new PerformanceObserver(l => l.getEntries().forEach(e => { if (e.name.includes('.flac')) bytes += e.transferSize; })).observe({type: 'resource', buffered: true}), 0`)
			eval[int](t, ctx, `addEventListener('click', () => { const began = performance.now(), from = `+deckPos+`, wait = setInterval(() => { if (Evenhand.player.deck.playing && `+deckPos+` > from) { globalThis.first = (performance.now() - began) / 1000; clearInterval(wait); } }, 10); }, {capture: true, once: true}), 0`)
			click(t, ctx, "#play")
			until(t, ctx, `globalThis.first`)
			eval[int](t, ctx, `globalThis.stalls = 0, globalThis.was = false, setInterval(() => { const now = Evenhand.player.deck.stalled; if (now && !was) stalls++; was = now; }, 20), 0`)
			eval[int](t, ctx, `globalThis.all = 0, setInterval(() => { all = all || (document.querySelector('.pick.away') ? 0 : `+deckPos+`); }, 20), 0`)
			time.Sleep(11 * time.Second)
			away := eval[int](t, ctx, `document.querySelectorAll('.pick.away').length`)
			t.Logf("%s at %v Mbit/s: first sound after %.1f s; 11 s later %.2f MB of audio loaded, %d stalls, %d takes away, all were here %.1f s into the music, only few: %v (measured %.0f kB a second)", dir, mbit, eval[float64](t, ctx, `first`), eval[float64](t, ctx, `bytes`)/1e6, eval[int](t, ctx, `stalls`), away, eval[float64](t, ctx, `all`), eval[bool](t, ctx, `!document.getElementById('few').hidden`), eval[float64](t, ctx, `Evenhand.player.store.speed()`)/1e3)
			s.Close()
		}
	}
}
