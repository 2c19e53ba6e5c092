package report

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"evenhand/examples/oracle/chromium"
)

// The arrow keys move the place by 1 s, with Shift by 5 s, and the slider says the
// time. While the music plays, no live region changes: a screen reader would speak
// over the music all the time. What was ticked before a reload is set back.
func TestPlaceAndClock(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	// computedRole and computedName are what Chromium gives to screen readers.
	ctx := browser(t, chromedp.Flag("enable-blink-features", "ComputedAccessibilityInfo"))
	bad := chromium.Watch(t, ctx, "file://"+dir+"/")
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(1000, 900), chromedp.Navigate("file://"+dir+"/index.html")))
	click(t, ctx, "#clock") // keys go to a window that was touched
	must(t, chromedp.Do(ctx, chromedp.Focus(chromedp.CSS("#seek"))))
	for _, k := range []struct {
		key   string
		shift bool
		words string
	}{{kb.ArrowRight, false, "0:01, Low riff"}, {kb.ArrowRight, true, "0:06, Low riff"}, {kb.ArrowRight, true, "0:11, Low riff"}, {kb.ArrowLeft, false, "0:10, Low riff"}, {kb.ArrowLeft, true, "0:05, Low riff"}, {kb.ArrowLeft, true, "0:00"}, {kb.ArrowLeft, false, "0:00"}} {
		options := []chromedp.KeyOption{}
		if k.shift {
			options = append(options, chromedp.KeyModifiers(chromedp.ModifierShift))
		}
		must(t, chromedp.Do(ctx, chromedp.KeyEvent(k.key, options...)))
		at := eval[string](t, ctx, `(s => s.getAttribute('aria-valuetext') + '|' + s.value / Evenhand.comparison.rate + '|' + `+deckPos+`)(document.getElementById('seek'))`)
		var minutes, seconds int
		if _, err := fmt.Sscanf(k.words, "%d:%d", &minutes, &seconds); err != nil {
			t.Fatal(err)
		}
		if want := fmt.Sprintf("%s|%d|%d", k.words, seconds, seconds); at != want {
			t.Errorf("after %q, Shift %v: %s, want %s", k.key, k.shift, at, want)
		}
	}
	if got := eval[string](t, ctx, `(c => [c.computedRole, c.computedName, c.getAttribute('aria-live')].join())(document.getElementById('clock'))`); got != "timer,Time," {
		t.Errorf("the clock's role, name and liveness: %s", got)
	}
	if got := eval[string](t, ctx, `[...document.querySelectorAll('.pick')].map(b => b.computedName).join()`); got != "Leaning,Splitting,Quarry,Leaning again" {
		t.Errorf("the takes' buttons: %s", got)
	}
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `Evenhand.player.deck.playing && !document.getElementById('loading').classList.contains('on')`)
	clock := eval[string](t, ctx, `document.getElementById('clock').textContent`)
	said := eval[int](t, ctx, `new Promise(done => {
		let n = 0;
		const watch = new MutationObserver(list => n += list.length);
		for (const e of document.querySelectorAll('output, [role=status], [role=alert], [role=log], [aria-live]')) watch.observe(e, {childList: true, characterData: true, subtree: true});
		setTimeout(() => done(n), 1500);
	})`)
	if said > 0 {
		t.Errorf("live regions changed %d times in 1.5 s of music", said)
	}
	if now := eval[string](t, ctx, `document.getElementById('clock').textContent`); now == clock {
		t.Errorf("the clock stands still at %s", now)
	}
	click(t, ctx, "input[value=recorded]")
	must(t, chromedp.Do(ctx, chromedp.Reload()))
	until(t, ctx, `globalThis.Evenhand && Evenhand.player && document.querySelector('input[value=matched]').checked && !Evenhand.player.recorded`)
	quietBrowser(t, bad)
}

// Without one of its scripts the player is not shown: each take has a plain player,
// and the page says what is missing.
func TestMissingScripts(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	files := http.FileServer(http.Dir(dir))
	var lost atomic.Value
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		if "/"+lost.Load().(string) == r.URL.Path {
			http.NotFound(w, r)
			return
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	ctx := browser(t)
	const state = `(shown => [shown('#listen .live').length, shown('#listen audio').length, shown('#lost').map(e => e.innerText).join()].join('|'))(s => [...document.querySelectorAll(s)].filter(e => e.checkVisibility()))`
	const ends = " Each take still plays by itself below."
	for file, says := range map[string]string{
		"listen.js":      "The player did not start: listen.js could not be loaded." + ends,
		"listen-data.js": "The player did not start: listen-data.js could not be loaded." + ends,
		"sound.js":       "The player did not start: it needs JavaScript, sound.js, listen-data.js and listen.js." + ends,
	} {
		lost.Store(file)
		must(t, chromedp.Do(ctx, chromedp.Navigate(s.URL+"/index.html")))
		if got, want := eval[string](t, ctx, state), fmt.Sprintf("0|%d|%s", len(res.Takes), says); got != want {
			t.Errorf("without %s: %s\nwant %s", file, got, want)
		}
	}
	lost.Store("nothing")
	must(t, chromedp.Do(ctx, chromedp.Navigate(s.URL+"/index.html")))
	if got := eval[string](t, ctx, state); strings.HasPrefix(got, "0|") || !strings.HasSuffix(got, "|0|") {
		t.Errorf("with all scripts: %s", got)
	}
}

// When the connection is lost in mid-play the page says so in words, without a
// path, and says what to press; when it is back, that works.
func TestConnectionLost(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	cut := newPlayerData(res).Cuts[1]
	files := http.FileServer(http.Dir(dir))
	var down atomic.Bool
	down.Store(true)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if down.Load() && strings.HasSuffix(r.URL.Path, ".2.flac") {
			panic(http.ErrAbortHandler) // the connection is closed without an answer
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	ctx, _ := visitAt(t, s.URL+"/", 360, "")
	const says, play = `document.getElementById('say').textContent`, `document.getElementById('play').textContent`
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `Evenhand.player.deck.playing && `+says+` === 'Sorry: the connection was lost. If the sound stops, press Play to try again.'`)
	eval[bool](t, ctx, fmt.Sprintf(`Evenhand.player.seek(%d), true`, cut-playedRate/2))
	until(t, ctx, `!Evenhand.player.deck.playing && !Evenhand.player.deck.stalled && `+play+` === 'Play' && `+says+` === 'Sorry: the connection was lost. Press Play to try again.'`)
	if got := eval[int64](t, ctx, `Evenhand.player.deck.position()`); got != cut {
		t.Errorf("stopped at frame %d, the audio ends at %d", got, cut)
	}
	accessible(t, ctx, "the connection is lost")
	down.Store(false)
	click(t, ctx, "#play")
	until(t, ctx, fmt.Sprintf(`Evenhand.player.deck.playing && Evenhand.player.deck.position() > %d && %s === 'Splitting'`, cut, says))
}
