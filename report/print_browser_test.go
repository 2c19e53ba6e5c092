package report

import (
	"context"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"evenhand/analyze/result"
)

// On paper nothing scrolls: no table may reach beyond the sheet, with however
// many takes, and players are left out. The sheet is A4 with the margins of the
// style sheet, 182 mm or 688 px.
func TestPrintedPage(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	const wide = 688
	all := variants()
	// Sentences that take the width from the labels before them.
	notes := result.SettingRow{Name: "octave notes", Differs: true, Varied: true}
	for range all["usual"].Takes {
		notes.Values = append(notes.Values, result.SettingValue{Stated: true, Written: "Rectifies for the octave above. Its wall adapter hums."})
	}
	all["usual"].Settings.Slots[0].Rows = append(all["usual"].Settings.Slots[0].Rows, notes)
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
			if name != "usual" { // the others have words that are longer than a column
				return
			}
			broken, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll('#settings th')].flatMap(cell => {
				const out = [], texts = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT), range = new Range();
				for (let n; n = texts.nextNode();) for (const word of n.data.matchAll(/[^\s-]+/g)) {
					range.setStart(n, word.index);
					range.setEnd(n, word.index + word[0].length);
					if (new Set([...range.getClientRects()].map(r => r.top)).size > 1) out.push(word[0]);
				}
				return out;
			})`))
			if err != nil || len(broken) > 0 {
				t.Errorf("labels of settings that are broken within a word: %q, %v", broken, err)
			}
		})
	}
}

// printed prints a page on A4 and returns how many sheets it takes.
func printed(t *testing.T, ctx context.Context) int {
	t.Helper()
	pdf, err := chromedp.Run(ctx, chromedp.Action[[]byte](func(ctx context.Context, t *chromedp.Target) ([]byte, error) {
		r, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: 8.27, PaperHeight: 11.69}) // inches
		return r.Data, err
	}))
	must(t, err)
	return len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1)) // /Pages is another word
}

// A page of up to six takes takes four sheets, and one more for each further six.
func TestSheets(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	all := variants()
	for _, name := range []string{"one", "usual", "many"} {
		ctx := browser(t)
		must(t, chromedp.Do(ctx, chromedp.Navigate("file://"+write(t, all[name])+"/"+indexName)))
		most := mostSheets + max(0, (len(all[name].Takes)-1)/6)
		if n := printed(t, ctx); n > most {
			t.Errorf("%s: %d takes take %d sheets, allowed are %d", name, len(all[name].Takes), n, most)
		}
	}
}

// What is folded is not printed, and the page says so: on the page, the settings that
// are alike and the checks that passed; in the details, those and the method. Checks
// that did not pass are printed, and whatever the reader has opened.
func TestFoldedIsNotPrinted(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	dir := write(t, fixture())
	const shown = `(s => [...document.querySelectorAll(s)].filter(e => e.checkVisibility()).length)`
	const bad = `:has(> summary > .mark:not(.passed))`
	for _, c := range []struct{ file, state, folded, open string }{
		{indexName, `[n('.paper'), n('.tally') === all('.tally'), n('.passed-list') < all('.passed-list'), n('.tally .open li') === all('.tally .open li'), n('.data table') === 0].join()`,
			"1,true,true,true,true", "1,true,false,true,false"},
		{detailsName, `[n('.paper'), n('.checks > details:has(> summary > .passed)') === 0, n('.checks > details` + bad + `') === all('.checks > details` + bad + `'), n('.method'), n('#files'), n('.checks > h3') < all('.checks')].join()`,
			"1,true,true,0,0,true", "1,false,true,1,1,false"},
	} {
		ctx := browser(t)
		must(t, chromedp.Do(ctx, chromedp.Navigate("file://"+dir+"/"+c.file)))
		if n := eval[int](t, ctx, shown+`('.paper')`); n != 0 {
			t.Errorf("%s: the screen shows what is meant for paper", c.file)
		}
		must(t, chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
			return err
		})))
		state := `((n, all) => ` + c.state + `)(` + shown + `, s => document.querySelectorAll(s).length)`
		if got := eval[string](t, ctx, state); got != c.folded {
			t.Errorf("%s, printed while folded: %s, want %s", c.file, got, c.folded)
		}
		short := printed(t, ctx)
		eval[int](t, ctx, openAll)
		if got := eval[string](t, ctx, state); got != c.open {
			t.Errorf("%s, printed when open: %s, want %s", c.file, got, c.open)
		}
		if long := printed(t, ctx); long <= short {
			t.Errorf("%s: %d pages when all is open, %d when folded", c.file, long, short)
		}
	}
}

// TestLongNotes asks that notes of many lines are folded on the screen, open
// without a script, and stand in full, line by line, on paper.
func TestLongNotes(t *testing.T) {
	t.Parallel()
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
