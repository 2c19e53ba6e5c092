package report

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// On paper nothing scrolls: no table may reach beyond the sheet, with however
// many takes, and players are left out. The sheet is A4 with the margins of the
// style sheet, 182 mm or 688 px.
func TestPrintedPage(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	const wide = 688
	all := variants()
	for _, name := range []string{"usual", "hostile", "crowded", "loopback"} {
		t.Run(name, func(t *testing.T) {
			dir := write(t, all[name])
			ctx := browser(t)
			paper := chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
				_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
				return err
			})
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(wide, 900), paper, chromedp.Navigate("file://"+dir+"/index.html")); err != nil {
				t.Fatal(err)
			}
			over, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](openAll+fmt.Sprintf(`;
				[...document.querySelectorAll('table, figure, audio')].filter(e => e.getClientRects().length).filter(e => e.localName === 'audio' || e.getBoundingClientRect().right > %d.5)
					.map(e => e.localName + ' ' + Math.round(e.getBoundingClientRect().right) + ' ' + (e.caption || e).textContent.slice(0, 60))`, wide)))
			if err != nil {
				t.Fatal(err)
			}
			if len(over) > 0 {
				t.Errorf("beyond %d px:\n%s", wide, strings.Join(over, "\n"))
			}
		})
	}
}
