package report

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/systeminfo"
	"github.com/chromedp/chromedp"

	"evenhand/analyze/flacio"
	"evenhand/analyze/result"
	"evenhand/examples/oracle/chromium"
)

// longReport serves a report of so many takes of three minutes, whose pieces are files, as
// earlier versions wrote them, and all
// hold the same noise, the first in one channel and the others in as many as
// stated.
func longReport(t *testing.T, takeCount, pieceFrames, channels int) string {
	t.Helper()
	pieces := 180 * playedRate / pieceFrames
	dir := t.TempDir()
	noise := func(channels int) string { return filepath.Join(dir, fmt.Sprintf("noise-%d.flac", channels)) }
	x, state := make([]int32, pieceFrames), uint32(1)
	for i := range x {
		state = state*1664525 + 1013904223
		x[i] = int32(state) >> 20
	}
	for c := 1; c <= channels; c++ {
		enc, err := flacio.Create(noise(c), flacio.Spec{SampleRate: playedRate, Channels: c, Bits: 16})
		must(t, err)
		must(t, enc.Write([][]int32{x, x}[:c]))
		must(t, enc.Close())
	}

	takes := make([]fixtureTake, takeCount)
	for i := range takes {
		takes[i] = fixtureTakes[i%4]
		takes[i].name = fmt.Sprintf("Take %d", i+1)
	}
	res := fixtureOf(takes)
	res.Comparison.Reference = takes[0].name
	res.Timeline.Spans = []result.Span{{Name: "Whole", To: 180, Frames: 180 * playedRate}}
	for i := range res.Takes {
		take := &res.Takes[i]
		take.Slug = fmt.Sprintf("take-%d", i+1)
		if i > 0 {
			take.Published.Channels = channels
		}
		for k := range pieces {
			p := result.Piece{Path: fmt.Sprintf("audio/pieces/%s.%d.flac", take.Slug, k+1), FirstFrame: int64(k * pieceFrames), Frames: int64(pieceFrames), Bytes: 1 << 20}
			take.Published.Pieces = append(take.Published.Pieces, p)
		}
	}
	must(t, Write(dir, res, Options{WebOnly: true}))
	files := http.FileServer(http.Dir(dir))
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, ".flac") {
			c := channels
			if strings.Contains(r.URL.Path, "/take-1.") {
				c = 1
			}
			http.ServeFile(w, r, noise(c))
			return
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	return s.URL + "/"
}

// fastLink has the player take the link for fast. Where the machine is busy it
// measures a slow one, and then rightly loads only some of the takes.
func fastLink(t *testing.T, ctx context.Context) {
	t.Helper()
	eval[bool](t, ctx, `(Evenhand.player.store.speed = () => Infinity, true)`)
}

const allReady = `(() => { const p = Evenhand.player, at = p.deck.pieces(p.deck.position()), s = p.store.state(Evenhand.comparison.takes.flatMap(t => at.map(k => t.pieces[k]))); return s.ready === s.all })()`

// Eight takes of three minutes stay within the budget, however often the
// reader jumps.
func TestPlayerMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	const pieceFrames = 20 * playedRate
	ctx, bad := visitAt(t, longReport(t, 8, pieceFrames, 1), 1000, "")
	fastLink(t, ctx)
	before := rendererMemory(t, ctx)
	click(t, ctx, `.pick[data-take="3"]`)
	top, held := 0.0, 0.0
	for jump := range 15 {
		eval[bool](t, ctx, fmt.Sprintf(`Evenhand.player.seek(%d), true`, jump*5%9*pieceFrames+1000))
		until(t, ctx, allReady)
		held = math.Max(held, eval[float64](t, ctx, `Evenhand.player.store.decoded()`))
		top = math.Max(top, rendererMemory(t, ctx)-before)
	}
	const want = 2 * 8 * pieceFrames * 4
	t.Logf("decoded at most %.1f MB; the renderer grew by at most %.0f MB in 15 jumps", held/1e6, top/1e6)
	if held != want {
		t.Errorf("decoded %v bytes, two pieces of eight takes are %v", held, want)
	}
	if held > 128<<20 {
		t.Errorf("%v bytes are more than the 128 MB of a phone", held)
	}
	if top > 1e9 {
		t.Errorf("the renderer grew by %.0f MB: dropped buffers are not collected", top/1e6)
	}
	quietBrowser(t, bad)
}

// Pieces that are too long for a phone, a mono take before seven stereo ones:
// each file counts by its own channels, so what the page says is kept.
func TestPlayerBudgetCountsChannels(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	const pieceFrames = 30 * playedRate
	base := longReport(t, 8, pieceFrames, 2)
	ctx := browser(t)
	bad := chromium.Watch(t, ctx, base)
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(400, 900, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(base+"index.html")))
	if budget := eval[int](t, ctx, `Evenhand.player.budget`); budget != 128<<20 {
		t.Fatalf("the budget is %d bytes: the page was not taken for a phone", budget)
	}
	fastLink(t, ctx)
	click(t, ctx, `.pick[data-take="3"]`)
	until(t, ctx, `Evenhand.player.deck.playing`)
	// The pieces now playing, the mono one among them; then of the next the
	// chosen take's, the mono one and two more: another would be too much.
	const one = pieceFrames * 4
	const want = (1 + 7*2 + 2 + 1 + 2*2) * one
	until(t, ctx, fmt.Sprintf(`Evenhand.player.store.decoded() >= %d`, want))
	held := eval[float64](t, ctx, `new Promise(r => setTimeout(() => r(Evenhand.player.store.decoded()), 1500))`)
	if held != want || held > 128<<20 || held+2*one <= 128<<20 {
		t.Errorf("%.0f bytes are decoded, not %d; all would be %d, allowed are %d", held, want, 2*(1+7*2)*one, 128<<20)
	}
	quietBrowser(t, bad)
}

// A hundred jumps while it plays leave nothing behind: no decoded piece but
// those in use, and no source that has played.
func TestHundredJumpsLeakNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	const pieceFrames, jumps = 2 * playedRate, 100
	base := longReport(t, 8, pieceFrames, 1)
	ctx := browser(t, chromedp.Flag("js-flags", "--expose-gc"))
	bad := chromium.Watch(t, ctx, base)
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(1000, 900), chromedp.Navigate(base+"index.html")))
	eval[bool](t, ctx, `(() => {
		globalThis.made = {buffers: [], sources: []};
		const decode = OfflineAudioContext.prototype.decodeAudioData, source = AudioContext.prototype.createBufferSource;
		OfflineAudioContext.prototype.decodeAudioData = async function (...a) { const b = await decode.apply(this, a); made.buffers.push(new WeakRef(b)); return b; };
		AudioContext.prototype.createBufferSource = function () { const s = source.call(this); made.sources.push(new WeakRef(s)); return s; };
		return true })()`)
	fastLink(t, ctx)
	click(t, ctx, `.pick[data-take="3"]`)
	until(t, ctx, `Evenhand.player.deck.playing`)
	for jump := range jumps {
		eval[bool](t, ctx, fmt.Sprintf(`Evenhand.player.seek(%d), true`, jump*7%90*pieceFrames+1000))
		until(t, ctx, `Evenhand.player.deck.playing`)
		if jump%10 == 9 {
			until(t, ctx, allReady)
		}
	}
	click(t, ctx, `#play`)
	until(t, ctx, `!Evenhand.player.deck.playing && `+allReady)
	// Sources are let go when they have ended, 30 ms after the pause.
	alive := eval[map[string]int](t, ctx, `(async () => {
		const alive = list => list.filter(r => r.deref()).length;
		for (let i = 0; i < 20; i++) {
			await new Promise(r => setTimeout(r, 100));
			await gc({type: 'major', execution: 'async'});
			if (alive(made.buffers) <= 16 && alive(made.sources) === 0) break;
		}
		return {buffers: alive(made.buffers), sources: alive(made.sources), madeBuffers: made.buffers.length, madeSources: made.sources.length} })()`)
	t.Logf("%d pieces decoded and %d sources made in %d jumps; alive: %d and %d", alive["madeBuffers"], alive["madeSources"], jumps, alive["buffers"], alive["sources"])
	if alive["madeSources"] < jumps || alive["madeBuffers"] < 10*16 {
		t.Errorf("%v: the test shows nothing", alive)
	}
	if alive["buffers"] > 16 || alive["sources"] > 0 {
		t.Errorf("alive after %d jumps: %d decoded pieces, of which 16 are in use, and %d sources", jumps, alive["buffers"], alive["sources"])
	}
	quietBrowser(t, bad)
}

// rendererMemory returns the resident bytes of the largest renderer process;
// 0 where the system does not tell.
func rendererMemory(t *testing.T, ctx context.Context) float64 {
	t.Helper()
	info, err := chromedp.CallBrowser(ctx, systeminfo.GetProcessInfo, cdp.Empty{})
	must(t, err)
	top := 0.0
	for _, p := range info.ProcessInfo {
		if p.Type != "renderer" {
			continue
		}
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", p.ID))
		if f := strings.Fields(string(b)); err == nil && len(f) > 1 {
			pages, _ := strconv.ParseFloat(f[1], 64)
			top = math.Max(top, pages*float64(os.Getpagesize()))
		}
	}
	return top
}
