package report

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"evenhand/examples/oracle/chromium"
)

// TestPlayerScreenshots writes pictures of the listening area into the folder
// that EVENHAND_SHOTS names, for looking at. EVENHAND_SHOTS_REPORT names a
// report to take them of; with EVENHAND_SHOTS_FIRST only the first screen and the
// player at rest are taken.
func TestPlayerScreenshots(t *testing.T) {
	out := os.Getenv("EVENHAND_SHOTS")
	if out == "" {
		t.Skip("EVENHAND_SHOTS is not set")
	}
	dir := os.Getenv("EVENHAND_SHOTS_REPORT")
	if dir == "" {
		_, dir = playedReport(t)
	}
	shot := func(ctx context.Context, name string) {
		time.Sleep(200 * time.Millisecond)
		png, err := chromedp.Run(ctx, chromedp.Screenshot(chromedp.CSS("#listen")))
		must(t, err)
		must(t, os.WriteFile(filepath.Join(out, name+".png"), png, 0o644))
	}
	for _, width := range []int64{360, 800, 1400} {
		for _, scheme := range []string{"light", "dark"} {
			tag := fmt.Sprintf("-%d-%s", width, scheme)
			ctx := browser(t)
			height := map[int64]int64{360: 740}[width]
			if height == 0 {
				height = 900
			}
			must(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, height), chromium.ColourScheme(scheme), chromedp.Navigate("file://"+dir+"/index.html")))
			time.Sleep(200 * time.Millisecond)
			first, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
			must(t, err)
			must(t, os.WriteFile(filepath.Join(out, "first"+tag+".png"), first, 0o644))
			shot(ctx, "idle"+tag)
			if os.Getenv("EVENHAND_SHOTS_FIRST") != "" {
				continue
			}
			click(t, ctx, `.pick[data-take="1"]`)
			until(t, ctx, `Evenhand.player.deck.playing`)
			click(t, ctx, `[data-part="1"]`)
			press(t, ctx, "r")
			press(t, ctx, "a")
			about(t, ctx, 1)
			click(t, ctx, `.blend[data-take="1"] summary`)
			click(t, ctx, `#keys summary`)
			click(t, ctx, `#silent summary`)
			time.Sleep(time.Second)
			shot(ctx, "playing"+tag)
			click(t, ctx, "#play")
			click(t, ctx, "#keys > summary")
			click(t, ctx, "#silent > summary")
			for _, id := range []string{"blind-trials", "blind-preference", "blind-ratings", "recheck"} {
				opened(t, ctx, id)
			}
			click(t, ctx, "#recheck-run")
			until(t, ctx, `/agree|differ|Sorry/.test(document.querySelector('#recheck [role=status]').textContent)`)
			shot(ctx, "tools"+tag)
			ask := func(id string, hear ...string) {
				for eval[bool](t, ctx, `Evenhand.blind.running`) {
					for _, k := range hear {
						press(t, ctx, k)
					}
					press(t, ctx, "1")
				}
				until(t, ctx, `document.querySelector('#`+id+` .result')`)
			}
			begin := func(id, then string) {
				click(t, ctx, "#"+id+" > .test > p > button.main")
				until(t, ctx, `document.querySelector('#`+id+` `+then+`')`)
			}
			begin("blind-trials", ".ask")
			shot(ctx, "trial-begun"+tag)
			press(t, ctx, "x")
			shot(ctx, "trial"+tag)
			ask("blind-trials", "x")
			begin("blind-preference", ".ask")
			press(t, ctx, "f")
			shot(ctx, "preference"+tag)
			ask("blind-preference", "f", "s")
			begin("blind-ratings", "input[type=range]")
			press(t, ctx, "0")
			shot(ctx, "ratings"+tag)
			eval[bool](t, ctx, `document.querySelectorAll('#blind-ratings input[type=range]').forEach((s, i) => { s.value = 10 * i + 30; s.dispatchEvent(new Event('input')) }), true`)
			for _, k := range strings.Split("abcdefghijkl", "") {
				press(t, ctx, k)
			}
			click(t, ctx, `#blind-ratings .test p:not(.small) > button.main`)
			until(t, ctx, `document.querySelector('#blind-ratings .result')`)
			shot(ctx, "results"+tag)
		}
	}
}
