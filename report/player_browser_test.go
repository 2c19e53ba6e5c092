package report

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"evenhand/examples/oracle/chromium"
	"evenhand/report/folder"
)

// visit opens a report over http or from the disk in a browser window of a
// width, and returns the tab and what the browser complained about.
func visit(t *testing.T, dir string, overHTTP bool, width int64, fragment string) (context.Context, func() []string) {
	t.Helper()
	base := "file://" + dir + "/"
	if overHTTP {
		s := httptest.NewServer(http.FileServer(http.Dir(dir)))
		t.Cleanup(s.Close)
		base = s.URL + "/"
	}
	return visitAt(t, base, width, fragment)
}

func visitAt(t *testing.T, base string, width int64, fragment string) (context.Context, func() []string) {
	t.Helper()
	ctx := browser(t)
	bad := chromium.Watch(t, ctx, base)
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(base+"index.html"+fragment)))
	return ctx, bad
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// eval returns the value of an expression or promise in the page.
func eval[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%.120s: %v", expression, err)
	}
	return v
}

// saysNow is what the listening part tells its reader.
const saysNow = `[...document.querySelectorAll('#listen [role=status]')].map(e => e.textContent).join(' | ')`

// until waits for an expression to become true.
func until(t *testing.T, ctx context.Context, condition string) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !eval[bool](t, ctx, "!!("+condition+")"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("never true: %s\nthe page says: %s", condition, eval[string](t, ctx, saysNow))
		}
	}
}

// click scrolls an element into the middle, waits until it stands still there
// and nothing lies over it, and clicks it.
func click(t *testing.T, ctx context.Context, selector string) {
	t.Helper()
	until(t, ctx, fmt.Sprintf(`document.querySelector(%q)`, selector))
	still := fmt.Sprintf(`(async () => {
		const e = document.querySelector(%q);
		e.scrollIntoView({block: 'center', behavior: 'instant'});
		const at = () => { const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; }, before = at().join();
		for (let i = 0; i < 3; i++) await new Promise(requestAnimationFrame);
		const hit = document.elementFromPoint(...at());
		return at().join() === before && !!hit && (e.contains(hit) || hit.contains(e));
	})()`, selector)
	for end := time.Now().Add(20 * time.Second); !eval[bool](t, ctx, still); {
		if time.Now().After(end) {
			t.Fatalf("%s does not stand still, or something lies over it", selector)
		}
	}
	must(t, chromedp.Do(ctx, chromedp.Click(chromedp.CSS(selector))))
}

// about chooses a take and opens what is folded in its panel.
func about(t *testing.T, ctx context.Context, take int) {
	t.Helper()
	click(t, ctx, fmt.Sprintf(`.pick[data-take="%d"]`, take))
	until(t, ctx, `document.querySelector('.take.on .flip, .take.on .blend')`)
	click(t, ctx, ".take.on .about > summary")
}

func press(t *testing.T, ctx context.Context, keys string) {
	t.Helper()
	must(t, chromedp.Do(ctx, chromedp.KeyEvent(keys)))
}

func quietBrowser(t *testing.T, bad func() []string) {
	t.Helper()
	for _, s := range bad() {
		t.Error("browser:", s)
	}
}

// accessible runs axe on the page as it stands.
func accessible(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	if !eval[bool](t, ctx, `typeof axe === 'object'`) {
		axe, err := os.ReadFile(filepath.Join("testdata", "axe.min.js"))
		must(t, err)
		must(t, chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](string(axe)+";0")))
	}
	for _, s := range eval[[]string](t, ctx, `axe.run(document.getElementById('listen'), {preload: false}).then(r => r.violations.map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + ' ' + (n.any[0]||n.all[0]||n.none[0]||{}).message).join(' | ')))`) {
		t.Errorf("axe, %s: %s", what, s)
	}
	if over := eval[float64](t, ctx, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
		t.Errorf("%s: the page is %v px wider than the window", what, over)
	}
}

const heard = `Evenhand.player.take`
const deckPos = `Evenhand.player.deck.position() / Evenhand.comparison.rate`

// nothingMoved checks that nothing has moved before the reader's eyes since the page began.
// What moves within the browser's own player, when it knows that there is no audio, is not
// the page's.
func nothingMoved(t *testing.T, ctx context.Context) {
	t.Helper()
	for _, shift := range eval[[]string](t, ctx, `new Promise(r => {
		const out = [], own = x => !x.node && [...document.querySelectorAll('audio')].some(a => (q => [x.previousRect, x.currentRect].every(p => p.left >= q.left && p.right <= q.right && p.top >= q.top && p.bottom <= q.bottom))(a.getBoundingClientRect())), name = e => e && (e.id || e.getAttribute && e.getAttribute('class') || e.nodeName), at = q => `+"`${q.x} ${q.y}, ${q.width} by ${q.height}`"+`;
		new PerformanceObserver(l => l.getEntries().forEach(e => e.sources.filter(x => !own(x)).forEach(x => out.push(e.value + ': ' + name(x.node) + ' from ' + at(x.previousRect) + ' to ' + at(x.currentRect))))).observe({type: 'layout-shift', buffered: true});
		setTimeout(() => r(out), 300) })`) {
		t.Errorf("layout shift %s", shift)
	}
}

// While the page comes in bit by bit, what is drawn already stays where it is.
func TestPageComesInBitByBit(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	all := variants()
	for _, c := range []struct {
		name string // of a variant; "" for the report that can be played
		wide int64
	}{{"", 1000}, {"", 360}, {"usual", 1400}, {"usual", 360}, {"audience", 1400}, {"audience", 360}, {"loopback", 360}, {"crowded", 360}, {"one", 800}, {"void", 800}} {
		t.Run(fmt.Sprintf("%s/%d", orElse(c.name, "played"), c.wide), func(t *testing.T) {
			from := dir
			if c.name != "" {
				from = write(t, all[c.name])
			}
			ctx, bad := visitAt(t, inBits(t, from)+"/", c.wide, "")
			nothingMoved(t, ctx)
			quietBrowser(t, bad)
		})
	}
}

// inBits serves a report whose first page comes 120 bytes at a time, down to the end of its
// first section.
func inBits(t *testing.T, dir string) (url string) {
	page, err := os.ReadFile(filepath.Join(dir, indexName))
	must(t, err)
	files := http.FileServer(http.Dir(dir))
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/index.html" {
			files.ServeHTTP(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		write := func(b []byte, wait time.Duration) {
			w.Write(b) // the browser may be gone
			w.(http.Flusher).Flush()
			time.Sleep(wait)
		}
		from, to := bytes.Index(page, []byte("<body>")), bytes.Index(page, []byte("</section>"))
		write(page[:from], 100*time.Millisecond)
		for bit := range slices.Chunk(page[from:to], 120) {
			write(bit, 18*time.Millisecond) // a picture a bit
		}
		write(page[to:], 0)
	}))
	t.Cleanup(s.Close)
	return s.URL
}

func TestPlayerByClicksAndKeys(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	for _, overHTTP := range []bool{true, false} {
		t.Run(fmt.Sprintf("http=%v", overHTTP), func(t *testing.T) {
			ctx, bad := visit(t, dir, overHTTP, 1000, "")
			nothingMoved(t, ctx)
			if n := eval[int](t, ctx, `[...document.querySelectorAll('#listen audio')].filter(a => a.offsetParent).length`); n != 0 {
				t.Errorf("%d plain players beside the transport", n)
			}
			accessible(t, ctx, "idle")
			// One tap from sound.
			click(t, ctx, `.pick[data-take="1"]`)
			until(t, ctx, `Evenhand.player.deck.playing && `+deckPos+` > 0.3`)
			if got := eval[int](t, ctx, heard); got != 1 {
				t.Errorf("take %d is heard", got)
			}
			until(t, ctx, `document.getElementById('loading').classList.contains('on') === false`)
			// A switch keeps the place and is at once.
			click(t, ctx, `.pick[data-take="2"]`)
			if got := eval[int](t, ctx, heard); got != 2 {
				t.Errorf("take %d is heard after the switch", got)
			}
			if got := eval[string](t, ctx, `[...document.querySelectorAll('.pick')].map(b => b.getAttribute('aria-pressed')).join()`); got != "false,false,true,false" {
				t.Errorf("pressed: %s", got)
			}
			if got := eval[string](t, ctx, `document.getElementById('say').textContent`); got != "Quarry" {
				t.Errorf("announced: %q", got)
			}
			// Keys.
			press(t, ctx, "1")
			until(t, ctx, heard+` === 0`)
			press(t, ctx, "2")
			until(t, ctx, heard+` === 1`)
			press(t, ctx, "a")
			until(t, ctx, `Evenhand.player.levels === "recorded" && document.querySelector('input[value=recorded]').checked`)
			accessible(t, ctx, "playing, as recorded")
			press(t, ctx, "a")
			until(t, ctx, `Evenhand.player.levels === "whole"`)
			click(t, ctx, `[data-part="0"]`)
			until(t, ctx, deckPos+` >= 0.4 && `+deckPos+` < 3 && Evenhand.player.part === 0`)
			press(t, ctx, "]")
			until(t, ctx, deckPos+` >= 13.4 && Evenhand.player.part === 1 && Evenhand.player.deck.playing`)
			press(t, ctx, "r")
			until(t, ctx, `Evenhand.player.deck.loop && document.getElementById('loop').getAttribute('aria-pressed') === 'true'`)
			must(t, chromedp.Do(ctx, chromedp.Focus(chromedp.CSS(`#seek`))))
			place, began := eval[float64](t, ctx, deckPos), time.Now()
			press(t, ctx, kb.ArrowRight)
			if moved := eval[float64](t, ctx, deckPos) - place - time.Since(began).Seconds(); moved < 0.5 {
				t.Errorf("an arrow moved the music by %.2f s", moved)
			}
			// Near the end of the looped section: it comes round to its start.
			eval[bool](t, ctx, `Evenhand.player.seek(25.1 * Evenhand.comparison.rate), true`)
			until(t, ctx, deckPos+` > 13 && `+deckPos+` < 14.5`)
			press(t, ctx, "p")
			until(t, ctx, `!Evenhand.player.deck.playing`)
			pos := eval[float64](t, ctx, deckPos)
			time.Sleep(100 * time.Millisecond)
			if now := eval[float64](t, ctx, deckPos); now != pos {
				t.Errorf("moves while paused: %v, %v", pos, now)
			}
			// The picture: a click three quarters along its axis.
			box := eval[map[string]float64](t, ctx, `(() => { const s = document.getElementById('seek'); s.scrollIntoView({block: 'center', behavior: 'instant'}); const r = s.getBoundingClientRect(), bg = [...document.querySelectorAll('#overview .s0, #overview .s1')].map(e => e.getBoundingClientRect()); return {x: r.x, y: r.y, w: r.width, h: r.height, a: bg[0].x, b: bg[1].right} })()`)
			must(t, chromedp.Do(ctx, chromedp.MouseClickXY(box["x"]+box["w"]*0.75, box["y"]+box["h"]/2)))
			whole := float64(res.Timeline.Spans[0].Frames) / playedRate
			if got := eval[float64](t, ctx, deckPos); math.Abs(got-0.75*whole) > 0.1 {
				t.Errorf("a click at 3/4 of the picture goes to %.2f s of %.2f", got, whole)
			}
			// The overlay lies on the picture's axis: the sections' shades are
			// where their times are.
			from, to := res.Timeline.Spans[1].From-res.Timeline.Spans[0].From, res.Timeline.Spans[2].To-res.Timeline.Spans[0].From
			if a, b := (box["a"]-box["x"])/box["w"]*whole, (box["b"]-box["x"])/box["w"]*whole; math.Abs(a-float64(from)) > 0.1 || math.Abs(b-float64(to)) > 0.1 {
				t.Errorf("on the overlay the sections go from %.2f to %.2f s, in truth from %.2f to %.2f", a, b, float64(from), float64(to))
			}
			// The address restores the place.
			hash := eval[string](t, ctx, `document.getElementById('spot').getAttribute('href')`)
			if !strings.Contains(hash, "take=splitting") || !strings.Contains(hash, "section=open-chords") || !strings.Contains(hash, "t=") {
				t.Errorf("address %s", hash)
			}
			if got := eval[string](t, ctx, `location.hash`); got != hash {
				t.Errorf("the address bar says %s, the link %s", got, hash)
			}
			before := eval[float64](t, ctx, deckPos)
			must(t, chromedp.Do(ctx, chromedp.Reload()))
			until(t, ctx, `globalThis.Evenhand && Evenhand.player && Evenhand.player.wanted === 1 && Evenhand.player.part === 1`)
			if got := eval[float64](t, ctx, deckPos); math.Abs(got-before) > 0.02 {
				t.Errorf("restored to %.3f s instead of %.3f", got, before)
			}
			click(t, ctx, "#play")
			until(t, ctx, `Evenhand.player.deck.playing && `+deckPos+` > `+fmt.Sprint(before))
			if got := eval[int](t, ctx, heard); got != 1 {
				t.Errorf("take %d is heard from the link", got)
			}
			// Polarity and blend.
			about(t, ctx, 2)
			click(t, ctx, `.flip[data-take="2"]`)
			if !eval[bool](t, ctx, `Evenhand.player.flips[2]`) {
				t.Error("polarity is not turned round")
			}
			about(t, ctx, 1)
			click(t, ctx, `.blend[data-take="1"] summary`)
			until(t, ctx, `document.querySelector('.blend input')`)
			must(t, chromedp.Do(ctx, chromedp.Focus(chromedp.CSS(`.blend input`))))
			press(t, ctx, kb.ArrowRight)
			eval[bool](t, ctx, `(() => { const s = document.querySelector('.blend input'); s.value = .8; s.dispatchEvent(new Event('input')); return true })()`)
			until(t, ctx, `Evenhand.player.blends[1] === .8`)
			accessible(t, ctx, "blend open")
			quietBrowser(t, bad)
		})
	}
}

// Letters that mean something when a video is edited do nothing here. Keys work where
// the focus is in the player; elsewhere on the page only after the switch, which is off
// at first and remembered, and then without Space and the arrows (WCAG 2.2, 2.1.4).
func TestKeysOnThePage(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, true, 1000, "")
	state := `(d => [d.playing, d.loop, Evenhand.player.levels, Evenhand.player.wanted, Evenhand.player.part, d.playing ? 0 : d.position()].join())(Evenhand.player.deck)`
	outside := `(document.querySelector('#method') || document.querySelector('main a:not(#listen a)')).focus(), !document.getElementById('listen').contains(document.activeElement)`
	same := func(where string, keys ...string) {
		t.Helper()
		before := eval[string](t, ctx, state)
		for _, k := range keys {
			press(t, ctx, k)
		}
		time.Sleep(100 * time.Millisecond)
		if after := eval[string](t, ctx, state); after != before {
			t.Errorf("%s, %q: %s became %s", where, keys, before, after)
		}
	}
	click(t, ctx, "#clock")
	same("letters of editing", "j", "k", "l", "m", "i", "o", ",", ".", kb.ArrowRight)
	if !eval[bool](t, ctx, outside) {
		t.Fatal("the focus is in the player")
	}
	same("outside, the switch off", "2", "p", "r", "a", "]")
	click(t, ctx, "#keys > summary")
	click(t, ctx, "#anywhere")
	eval[bool](t, ctx, outside)
	press(t, ctx, "2")
	until(t, ctx, `Evenhand.player.wanted === 1`)
	press(t, ctx, "]")
	until(t, ctx, `Evenhand.player.part === 0`)
	same("outside, the switch on", " ", kb.ArrowRight)
	press(t, ctx, "p")
	until(t, ctx, `Evenhand.player.deck.playing`)
	press(t, ctx, "p")
	until(t, ctx, `!Evenhand.player.deck.playing`)
	must(t, chromedp.Do(ctx, chromedp.Reload()))
	until(t, ctx, `globalThis.Evenhand && Evenhand.player && document.getElementById('anywhere').checked`)
	quietBrowser(t, bad)
}

// rendered runs code that ends in a rendered buffer and returns its channel.
func rendered(t *testing.T, ctx context.Context, code string) []float64 {
	t.Helper()
	text := eval[string](t, ctx, `(async () => {
		await Evenhand.need('deck.js');
		const d = Evenhand.comparison, S = Evenhand.sound, rate = d.rate;
		const pieces = d.takes.flatMap(t => [...t.pieces, ...(t.blend ? t.blend.pieces : [])]);
		const store = S.Store(rate);
		store.want('test', pieces);
		await Promise.all(pieces.map(p => store.promise(p)));
		const cuts = [...d.takes[0].pieces.map(p => p.first), d.frames];
		const voices = d.takes.map(t => ({buffer: k => store.buffer(t.pieces[k])}));
		`+code+`
		const bytes = new Uint8Array(out.getChannelData(0).buffer);
		let s = '';
		for (let i = 0; i < bytes.length; i += 32768) s += String.fromCharCode(...bytes.subarray(i, i + 32768));
		return btoa(s);
	})()`)
	raw, err := base64.StdEncoding.DecodeString(text)
	must(t, err)
	out := make([]float64, len(raw)/4)
	for i := range out {
		out[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:])))
	}
	return out
}

func largestStep(x []float64) float64 {
	top := 0.0
	for i := 1; i < len(x); i++ {
		top = math.Max(top, math.Abs(x[i]-x[i-1]))
	}
	return top
}

// The sound graph, rendered offline, gives the published files sample by
// sample, across a cut between pieces; switches are in step and do not click.
func TestPlayerGraphAgainstThePublishedFiles(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	d := newPlayerData(res)
	takes := [][]float64{}
	for _, take := range d.Takes {
		takes = append(takes, samples(t, filepath.Join(dir, take.Path))[0])
	}
	ctx, bad := visit(t, dir, false, 1000, "")
	const seconds = 4.0
	cut := int(d.Cuts[1])
	first := cut - 2*playedRate // two seconds before the cut
	switches := []struct {
		at float64
		to int
	}{{0, 0}, {1, 1}, {2.5, 2}, {3, 3}}
	code := fmt.Sprintf(`
		const off = new OfflineAudioContext(1, %g * rate, rate), deck = S.Deck(off, voices, cuts);
		deck.lookahead = 60; deck.pos = %d; deck.preset([1, 0, 0, 0]); deck.start();
		for (const [at, to] of [[1, 1], [2.5, 2], [3, 3]]) off.suspend(at).then(() => { deck.mix(voices.map((_, i) => i === to ? 1 : 0)); off.resume(); });
		const out = await off.startRendering();`, seconds, first)
	got := rendered(t, ctx, code)
	start := int(math.Ceil(0.06 * playedRate)) // Deck's head start
	for k, s := range switches {
		from, to := int(s.at*playedRate)+playedRate/10, len(got)
		if k == 0 {
			from = start + playedRate/10
		}
		if k+1 < len(switches) {
			to = int(switches[k+1].at*playedRate/128) * 128
		}
		worst := 0.0
		for n := from; n < to; n++ {
			worst = math.Max(worst, math.Abs(got[n]-float64(float32(takes[s.to][first+n-start]))))
		}
		if worst > 0 {
			t.Errorf("%s from %.2f s: off by up to %g from the published file", d.Takes[s.to].Name, float64(from)/playedRate, worst)
		}
		// Around the switch no step is larger than one of either take, and what
		// an exponential of 2 ms adds to their difference in one sample.
		if k > 0 {
			a, b := takes[switches[k-1].to], takes[s.to]
			at := int(s.at * playedRate)
			lo, hi := at-256, at+2400
			own, apart := 0.0, 0.0
			for n := lo; n < hi; n++ {
				i := first + n - start
				own = math.Max(own, math.Max(math.Abs(a[i]-a[i-1]), math.Abs(b[i]-b[i-1])))
				apart = math.Max(apart, math.Abs(a[i]-b[i]))
			}
			if step, limit := largestStep(got[lo:hi]), own+apart/(0.002*playedRate)+1e-6; step > limit {
				t.Errorf("switch to %s: a step of %.4f, at most %.4f is in the music", d.Takes[s.to].Name, step, limit)
			}
		}
	}

	// Fast clicking: constants 1, 0.5 and −1, a switch every 5 ms.
	got = rendered(t, ctx, `
		const off = new OfflineAudioContext(1, rate / 2, rate);
		const constant = v => { const b = new AudioBuffer({length: rate, sampleRate: rate}); b.getChannelData(0).fill(v); return {buffer: () => b}; };
		const deck = S.Deck(off, [1, .5, -1].map(constant), [0, rate]);
		deck.preset([1, 0, 0]); deck.start();
		for (let i = 0; i < 60; i++) { const to = i * 7 % 3; off.suspend(.15 + i * .005).then(() => { deck.mix([0, 1, 2].map(k => k === to ? 1 : 0)); off.resume(); }); }
		const out = await off.startRendering();`)
	if step := largestStep(got); step > 2/(0.002*playedRate)*1.02 {
		t.Errorf("fast clicking: a step of %.4f; an exponential of 2 ms over a distance of 2 makes 0.0208", step)
	} else {
		t.Logf("fast clicking: largest step %.4f", step)
	}

	// Pausing, going on and jumping: a constant of 1 fades out and in.
	got = rendered(t, ctx, `
		const off = new OfflineAudioContext(1, rate, rate), deck = S.Deck(off, [{buffer: () => one}], [0, 2 * rate]);
		const one = new AudioBuffer({length: 2 * rate, sampleRate: rate});
		one.getChannelData(0).fill(1);
		deck.preset([1]); deck.start();
		for (const [at, act] of [[.2, () => deck.stop()], [.3, () => deck.start()], [.5, () => deck.seek(100)], [.7, () => deck.seek(rate)], [.705, () => deck.seek(5)]]) off.suspend(at).then(() => { act(); off.resume(); });
		const out = await off.startRendering();`)
	if step := largestStep(got); step > 1/(0.002*playedRate)*1.02 {
		t.Errorf("pausing and jumping: a step of %.4f; an exponential of 2 ms over a distance of 1 makes 0.0104", step)
	}
	if math.Abs(got[playedRate*28/100]) > 1e-6 || math.Abs(got[len(got)-1]-1) > 1e-6 {
		t.Errorf("paused at %g, playing at %g", got[playedRate*28/100], got[len(got)-1])
	}

	// A loop comes round to the frame, in step, with a dip in place of a click.
	got = rendered(t, ctx, fmt.Sprintf(`
		const off = new OfflineAudioContext(1, 2 * rate, rate), deck = S.Deck(off, voices, cuts);
		deck.lookahead = 60; deck.loop = true; deck.range = [%d, %d]; deck.pos = %d; deck.preset([0, 1, 0, 0]); deck.start();
		const out = await off.startRendering();`, first, first+playedRate*3/10, first))
	period := playedRate * 3 / 10
	for n := start + playedRate/10; n < len(got); n++ {
		in := (n - start) % period
		if in < 200 || in > period-200 {
			continue
		}
		if want := float64(float32(takes[1][first+in])); math.Abs(got[n]-want) > 0 {
			t.Fatalf("loop: frame %d is %g instead of %g", n, got[n], want)
		}
	}
	own := largestStep(takes[1][first : first+period])
	if step := largestStep(got[start+4800:]); step > own+1.0/(0.004*playedRate) {
		t.Errorf("loop: a step of %.4f, the music has %.4f", step, own)
	}

	// A blend is what the published file and the lone microphone give.
	alone := loneMicrophone(t, dir, d.Takes[1].Blend)
	got = rendered(t, ctx, fmt.Sprintf(`
		await Evenhand.need('listen-more.js'); await Evenhand.need('blends.js');
		const off = new OfflineAudioContext(1, rate, rate), b = d.takes[1].blend;
		const deck = S.Deck(off, [voices[1], {buffer: k => store.buffer(b.pieces[k])}], cuts), g = Evenhand.player.blendGains(1, b.steps[30][0]);
		deck.pos = %d; deck.preset([g.take, g.mic]); deck.start();
		const out = await off.startRendering();`, first))
	s := newPlayerMore(res)[1].Steps[30]
	want := blendOf(d.Takes[1].Blend, takes[1], alone, s[0], s[1])
	for n := start + playedRate/10; n < len(got); n++ {
		if math.Abs(got[n]-want[first+n-start]) > 2e-6 {
			t.Fatalf("blend: frame %d is %g instead of %g", n, got[n], want[first+n-start])
		}
	}
	quietBrowser(t, bad)
}

// A piece that is missing or damaged is told in words, and the rest works.
func TestPlayerTellsWhatIsMissing(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	files := http.FileServer(http.Dir(dir))
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case strings.HasSuffix(r.URL.Path, "/splitting.flac"):
			http.NotFound(w, r)
		case strings.HasSuffix(r.URL.Path, "/quarry.flac"):
			http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(make([]byte, res.Takes[2].Published.Bytes)))
		case strings.HasSuffix(r.URL.Path, "/leaning-again.flac"):
			fmt.Fprint(w, "not audio")
		default:
			files.ServeHTTP(w, r)
		}
	}))
	t.Cleanup(s.Close)
	ctx, _ := visitAt(t, s.URL+"/", 360, "")
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `/splitting\.flac is missing/.test(document.getElementById('say').textContent)`)
	accessible(t, ctx, "a file is missing")
	click(t, ctx, `.pick[data-take="0"]`)
	until(t, ctx, `Evenhand.player.take === 0 && Evenhand.player.deck.playing`)
	click(t, ctx, `.pick[data-take="2"]`)
	until(t, ctx, `/quarry\.flac cannot be decoded/.test(document.getElementById('say').textContent)`)
	click(t, ctx, `.pick[data-take="3"]`)
	until(t, ctx, `/leaning-again\.flac has 9 bytes instead of \d+: it is not the file of this page/.test(document.getElementById('say').textContent)`)
	if got := eval[int](t, ctx, heard); got != 0 {
		t.Errorf("take %d is heard", got)
	}
}

// A report for the web only has no scripts with pieces: the player works
// over http, and from a disk the plain players stay. Written anew, it remains
// one.
func TestWebOnly(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, full := playedReport(t)
	dir, again := filepath.Join(t.TempDir(), "report"), t.TempDir()
	draft, err := folder.Begin(dir, folder.Report)
	must(t, err)
	must(t, os.CopyFS(draft.Dir, os.DirFS(full)))
	scripts := func(dir string) []string {
		list, err := filepath.Glob(filepath.Join(dir, "audio", "pieces", "*.js"))
		must(t, err)
		return list
	}
	for _, f := range scripts(draft.Dir) {
		must(t, os.Remove(f))
	}
	must(t, Write(draft.Dir, res, Options{WebOnly: true}))
	must(t, draft.Commit())
	must(t, Renew(dir, again, res))
	for _, d := range []string{dir, again} {
		if list := scripts(d); len(list) > 0 {
			t.Errorf("%s holds %v", d, list)
		}
		ctx, bad := visit(t, d, true, 800, "")
		click(t, ctx, `.pick[data-take="1"]`)
		until(t, ctx, `Evenhand.player.deck.playing`)
		quietBrowser(t, bad)
		ctx, bad = visit(t, d, false, 800, "")
		until(t, ctx, `!document.documentElement.classList.contains('scripted')`)
		if n := eval[int](t, ctx, `[...document.querySelectorAll('#listen audio')].filter(a => a.offsetParent).length`); n != len(res.Takes) {
			t.Errorf("%d plain players for %d takes", n, len(res.Takes))
		}
		if got, want := eval[string](t, ctx, `document.getElementById('lost').innerText`), "The player did not start: in this report it works only from a web server, not from a disk. Each take still plays by itself below."; got != want {
			t.Errorf("the page says %q", got)
		}
		quietBrowser(t, bad)
	}
}

// Without JavaScript the plain players are there.
func TestPlainPlayersWithoutScript(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx := browser(t)
	must(t, chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}), chromedp.Navigate("file://"+dir+"/index.html")))
	box, err := chromedp.Run(ctx, chromedp.Dimensions(chromedp.CSS(`#take-splitting audio`)))
	must(t, err)
	if box.Width < 100 || box.Height < 20 {
		t.Errorf("the plain player measures %d × %d px", box.Width, box.Height)
	}
	if _, err := chromedp.Run(ctx, chromedp.Dimensions(chromedp.CSS(`#play`))); err == nil {
		t.Error("the transport is shown although it cannot work")
	}
}
