package report

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"evenhand/examples/oracle/chromium"
)

// The arrow keys move the place by 1 s, with Shift by 5 s, and the slider says the
// time. While the music plays, no live region changes: a screen reader would speak
// over the music all the time. After a reload the levels are those of the address.
func TestPlaceAndClock(t *testing.T) {
	t.Parallel()
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
		var minutes, seconds int
		if _, err := fmt.Sscanf(k.words, "%d:%d", &minutes, &seconds); err != nil {
			t.Fatal(err)
		}
		// The first key loads what it needs.
		until(t, ctx, fmt.Sprintf(`(s => s.getAttribute('aria-valuetext') + '|' + s.value / Evenhand.comparison.rate + '|' + `+deckPos+`)(document.getElementById('seek')) === '%s|%d|%d'`, k.words, seconds, seconds))
	}
	if got := eval[string](t, ctx, `(c => [c.computedRole, c.computedName, c.getAttribute('aria-live')].join())(document.getElementById('clock'))`); got != "timer,Time," {
		t.Errorf("the clock's role, name and liveness: %s", got)
	}
	if got := eval[string](t, ctx, `[...document.querySelectorAll('.pick')].map(b => b.computedName).join()`); got != "Leaning,Splitting darkest,Quarry,Leaning again repeat" {
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
	until(t, ctx, `globalThis.Evenhand && Evenhand.player && document.querySelector('input[value=recorded]').checked && Evenhand.player.levels === 'recorded'`)
	quietBrowser(t, bad)
}

// Without one of its scripts the player is not shown: each take has a plain player,
// and the page says what is missing.
func TestMissingScripts(t *testing.T) {
	t.Parallel()
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
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	d := newPlayerData(res)
	cut := d.Cuts[1]
	files := http.FileServer(http.Dir(dir))
	var down atomic.Bool
	down.Store(true)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if down.Load() && strings.HasSuffix(askedFor(d, r), ".2") {
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

// After the first Play a bar stays at the foot of the page, from which one plays and
// switches while reading on. It covers nothing that has the focus, nor the end of the
// page, and is not printed. Keys work in it.
func TestBarAtTheFoot(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	for _, width := range []int64{360, 1400} {
		ctx, bad := visit(t, dir, true, width, "")
		const visible = `!!document.getElementById('foot') && document.getElementById('foot').checkVisibility()`
		click(t, ctx, "#loop")
		if eval[bool](t, ctx, visible) {
			t.Errorf("%d px: the bar is there before the first Play", width)
		}
		click(t, ctx, "#play")
		until(t, ctx, `Evenhand.player.deck.playing && `+visible)
		state := `[...document.querySelectorAll('#foot button, #foot strong')].map(e => e.getAttribute('aria-label') || e.textContent).join()`
		if got := eval[string](t, ctx, state); got != "Pause,Previous take,Leaning,Next take" {
			t.Errorf("%d px: the bar has %s", width, got)
		}
		if small := eval[[]string](t, ctx, `[...document.querySelectorAll('#foot button')].map(b => b.getBoundingClientRect()).filter(r => r.width < 44 || r.height < 44 || r.left < 0 || r.right > innerWidth).map(r => r.left + ' ' + r.right + ' ' + r.width + ' ' + r.height)`); len(small) > 0 {
			t.Errorf("%d px: buttons of %q px", width, small)
		}
		accessible(t, ctx, "the bar")
		press := func(selector string) { // without scrolling to it
			box := eval[[]float64](t, ctx, fmt.Sprintf(`(r => [r.x + r.width / 2, r.y + r.height / 2])(document.querySelector(%q).getBoundingClientRect())`, selector))
			must(t, chromedp.Do(ctx, chromedp.MouseClickXY(box[0], box[1])))
		}
		press("#foot button[aria-label^=Next]")
		until(t, ctx, `Evenhand.player.take === 1 && `+state+`.includes('Splitting')`)
		press("#foot button[aria-label^=Previous]")
		until(t, ctx, `Evenhand.player.take === 0`)
		press("#foot button[aria-label^=Previous]")
		until(t, ctx, `Evenhand.player.take === 3`)
		must(t, chromedp.Do(ctx, chromedp.KeyEvent("3")))
		until(t, ctx, `Evenhand.player.take === 2`)
		// Each link of the page in turn has the focus: none is behind the bar.
		for _, s := range eval[[]string](t, ctx, `document.documentElement.style.scrollBehavior = 'auto', [...document.querySelectorAll('main a, main summary, footer a')].filter(e => e.checkVisibility({visibilityProperty: true})).map(e => { e.focus(); return [e, e.getBoundingClientRect().bottom - document.getElementById('foot').getBoundingClientRect().top]; }).filter(([e, over]) => over > 0).map(([e, over]) => e.textContent + ' by ' + over)`) {
			t.Errorf("%d px: the bar covers %s px", width, s)
		}
		if over := eval[float64](t, ctx, `scrollTo({top: 1e6, behavior: 'instant'}), document.querySelector('footer').lastElementChild.getBoundingClientRect().bottom - document.getElementById('foot').getBoundingClientRect().top`); over > 0 {
			t.Errorf("%d px: the bar covers the end of the page by %v px", width, over)
		}
		press("#foot .main")
		until(t, ctx, `!Evenhand.player.deck.playing && `+state+`.startsWith('Play,') && `+visible)
		must(t, chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
			return err
		})))
		if eval[bool](t, ctx, visible) {
			t.Error("the bar is printed")
		}
		quietBrowser(t, bad)
	}
}

// The player's first screen: what it takes from its top to the fourth take leaves a
// phone's screen room for the title and the verdict; takes are two a row, high enough
// for a finger, and nothing scrolls by itself. One panel is shown, that of the chosen
// take.
func TestFirstScreenOfThePlayer(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	for _, c := range []struct{ width, most, row int64 }{{360, 350, 2}, {800, 330, 3}, {1400, 400, 4}} { // in 1400x900 the picture is taller
		ctx, bad := visit(t, dir, true, c.width, "")
		const top = `document.querySelector('.desk').getBoundingClientRect().top`
		if got := eval[float64](t, ctx, `document.querySelectorAll('.pick')[3].getBoundingClientRect().bottom - `+top); got > float64(c.most) {
			t.Errorf("%d px: the fourth take ends %v px below the player's top, allowed are %d", c.width, got, c.most)
		}
		if got := eval[[]float64](t, ctx, `(p => [p.filter(r => r.top === p[0].top).length, Math.min(...p.map(r => r.height))])([...document.querySelectorAll('.pick')].map(b => b.getBoundingClientRect()))`); got[0] < float64(c.row) || got[1] < 44 {
			t.Errorf("%d px: takes in a row and their least height are %v", c.width, got)
		}
		if got := eval[[]string](t, ctx, `[...document.querySelectorAll('.desk, .desk *')].filter(e => e.scrollHeight > e.clientHeight + 1 && ['auto', 'scroll'].includes(getComputedStyle(e).overflowY)).map(e => e.className)`); len(got) > 0 {
			t.Errorf("%d px: %q scroll by themselves", c.width, got)
		}
		const shown = `[...document.querySelectorAll('.take')].filter(e => e.checkVisibility({visibilityProperty: true})).map(e => e.id).join()`
		if got := eval[string](t, ctx, shown); got != "take-leaning" {
			t.Errorf("%d px: panels %s at the start", c.width, got)
		}
		click(t, ctx, `.pick[data-take="1"]`)
		until(t, ctx, shown+` === 'take-splitting'`)
		line := eval[string](t, ctx, `document.querySelector('#take-splitting .line').textContent`)
		if !strings.Contains(line, " than Leaning: ") || strings.Count(line, ". ") > 0 {
			t.Errorf("the panel says %q", line)
		}
		quietBrowser(t, bad)
	}
}

// What a screen reader is given of the player at its start, in order: each control with
// its role, name and state, by Chromium's own reckoning.
func TestPlayerForScreenReaders(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx := browser(t, chromedp.Flag("enable-blink-features", "ComputedAccessibilityInfo"))
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(1000, 900), chromedp.Navigate("file://"+dir+"/index.html")))
	got := eval[string](t, ctx, `[...document.querySelectorAll('.desk :is(button, input, summary, [role], svg[role]), .take.on :is(h3, summary, audio), .tools > details > summary')]
		.filter(e => e.checkVisibility({visibilityProperty: true}))
		.map(e => [e.computedRole || e.localName, e.computedName.trim(), e.getAttribute('aria-pressed') === 'true' || e.checked ? 'on' : '', e.getAttribute('aria-valuetext') || ''].join(' | ').replace(/[ |]+$/, '')).join('\n')`)
	want := strings.TrimSpace(`
button | Play
button | Repeat
timer | Time
summary | Start quietly
button | Try it blind
image | Overview of the performance. Peak level over time with the sections Low riff and Open chords.
group | Sections
button | Low riff
button | Open chords
slider | Position in the performance |  | 0:00
group | Takes
button | Leaning | on
button | Splitting darkest
button | Quarry
button | Leaning again repeat
radio | over the whole | on
radio | in each section
radio | as recorded
status
heading | Leaning
summary | Level, download
summary | Measure it
summary | Keys
summary | No sound?
`)
	if got != want {
		t.Errorf("the player's tree is\n%s\nwant\n%s", got, want)
	}
}
