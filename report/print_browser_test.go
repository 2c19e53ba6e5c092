package report

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"evenhand/analyze/result"
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

// TestLongNotes asks that notes of many lines are folded on the screen, open
// without a script, and stand in full, line by line, on paper.
func TestLongNotes(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res := fixture()
	lines := make([]string, 40)
	for i := range lines {
		lines[i] = fmt.Sprintf("Remark %d", i+1)
	}
	res.Takes[1].Notes = strings.Join(lines, "\n")
	res.Takes[2].Notes = strings.Repeat("word ", 60)
	res.Settings.Slots[0].Rows = append(res.Settings.Slots[0].Rows, result.SettingRow{Name: "notes", Differs: true, Varied: true,
		Values: []result.SettingValue{{Stated: true, Written: strings.Join(lines, "\n")}, {Stated: true, Written: "short"}}})
	dir := write(t, res)
	for _, media := range []string{"screen", "print"} {
		ctx := browser(t)
		as := chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media})
			return err
		})
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(800, 900), as, chromedp.Navigate("file://"+dir+"/index.html")); err != nil {
			t.Fatal(err)
		}
		got, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll('#takes .remarks, #settings .body > .scroll .remarks')].map(e => e.firstChild.textContent + (e.querySelector('p').checkVisibility() ? ' shown' : ''))`))
		if err != nil {
			t.Fatal(err)
		}
		want := "Notes, 40 lines|Notes, 60 words|40 lines"
		if media == "print" {
			want = "Notes, 40 lines shown|Notes, 60 words shown|40 lines shown"
		}
		if text := strings.Join(got, "|"); text != want {
			t.Errorf("%s: %s, want %s", media, text, want)
		}
		tall, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`(e => (e.open = true, e.querySelector('p').getBoundingClientRect().height))(document.querySelector('#takes .remarks'))`))
		if err != nil || tall < 40*12 {
			t.Errorf("%s: 40 lines are %v px high (%v)", media, tall, err)
		}
	}
}
