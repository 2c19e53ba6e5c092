package report

import (
	"bytes"
	"context"
	"fmt"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"evenhand/analyze/result"
	"evenhand/examples/oracle/chromium"
)

// TestPlotScreenshots writes pictures of the sections with plots into the folder that
// EVENHAND_SHOTS names, for looking at. EVENHAND_SHOTS_REPORT names a report to take
// them of; EVENHAND_SHOTS_OF, a list of the invented ones.
func TestPlotScreenshots(t *testing.T) {
	out := os.Getenv("EVENHAND_SHOTS")
	if out == "" {
		t.Skip("EVENHAND_SHOTS is not set")
	}
	dirs := map[string]string{}
	for _, name := range strings.Fields(os.Getenv("EVENHAND_SHOTS_OF")) {
		dirs[name] = write(t, variants()[name])
	}
	if dir := os.Getenv("EVENHAND_SHOTS_REPORT"); dir != "" {
		dirs[filepath.Base(dir)] = dir
	}
	for name, dir := range dirs {
		for _, width := range []int64{360, 800, 1400} {
			for _, scheme := range []string{"light", "dark"} {
				ctx := browser(t)
				must(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromium.ColourScheme(scheme), chromedp.Navigate("file://"+dir+"/index.html")))
				for _, id := range []string{"differs", "spectra", "loudness", "noise", "likeness"} {
					time.Sleep(100 * time.Millisecond)
					shot, err := chromedp.Run(ctx, chromedp.Screenshot(chromedp.CSS("#"+id)))
					must(t, err)
					must(t, os.WriteFile(filepath.Join(out, fmt.Sprintf("%s-%s-%d-%s.png", name, id, width, scheme)), shot, 0o644))
				}
			}
		}
	}
}

// The player and the plots speak by events, each of which the player also follows.
func TestPlayerSpeaksToThePlots(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, true, 1000, "")
	eval[int](t, ctx, `globalThis.told = []; for (const k of ["take", "time"]) document.addEventListener("evenhand:" + k, e => told.push([k, e.detail])); 0`)
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `Evenhand.player.deck.playing`)
	until(t, ctx, `told.some(([k, v]) => k === "take" && v === "splitting") && told.some(([k, v]) => k === "time" && v > 0.2)`)
	eval[int](t, ctx, `document.dispatchEvent(new CustomEvent("evenhand:take", {detail: "quarry"})); 0`)
	until(t, ctx, `Evenhand.player.take === 2`)
	eval[int](t, ctx, `document.dispatchEvent(new CustomEvent("evenhand:seek", {detail: 14})); 0`)
	until(t, ctx, `told.at(-1)[1] >= 14 && told.at(-1)[1] < 16`)
	click(t, ctx, "#play")
	until(t, ctx, `!Evenhand.player.deck.playing`)
	eval[int](t, ctx, `document.dispatchEvent(new CustomEvent("evenhand:take", {detail: "no such take"})); document.dispatchEvent(new CustomEvent("evenhand:play")); 0`)
	until(t, ctx, `Evenhand.player.deck.playing && Evenhand.player.take === 2`)
	if n := eval[int](t, ctx, `told.filter(([k, v]) => k === "take" && v === "quarry").length`); n > 2 {
		t.Errorf("one choice was told %d times", n)
	}
	for _, s := range bad() {
		t.Error(s)
	}
}

// pointAt scrolls an element into sight and returns a place in it, as parts of its box.
func pointAt(t *testing.T, ctx context.Context, selector string, x, y float64) (float64, float64) {
	t.Helper()
	at := eval[[]float64](t, ctx, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: 'center', behavior: 'instant'}); const r = e.getBoundingClientRect(); return [r.left + %g * r.width, r.top + %g * r.height]; })()`, selector, x, y))
	return at[0], at[1]
}

func mouse(t *testing.T, ctx context.Context, kind input.DispatchMouseEventType, x, y float64) {
	t.Helper()
	p := input.DispatchMouseEventParams{Type: kind, X: x, Y: y}
	if kind != input.DispatchMouseEventTypeMouseMoved {
		p.Button, p.ClickCount = input.MouseButtonLeft, 1
	}
	_, err := chromedp.Call(ctx, input.DispatchMouseEvent, p)
	must(t, err)
}

func clickAt(t *testing.T, ctx context.Context, x, y float64) {
	t.Helper()
	mouse(t, ctx, input.DispatchMouseEventTypeMousePressed, x, y)
	mouse(t, ctx, input.DispatchMouseEventTypeMouseReleased, x, y)
}

func touchAt(t *testing.T, ctx context.Context, x, y float64) {
	t.Helper()
	_, err := chromedp.Call(ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: input.DispatchTouchEventTypeTouchStart, TouchPoints: []*input.TouchPoint{{X: x, Y: y}}})
	must(t, err)
	_, err = chromedp.Call(ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: input.DispatchTouchEventTypeTouchEnd, TouchPoints: []*input.TouchPoint{}})
	must(t, err)
}

// coloured are the numbers of the takes whose lines are in their colours in a plot.
func coloured(t *testing.T, ctx context.Context, plot string) []int {
	t.Helper()
	return eval[[]int](t, ctx, fmt.Sprintf(`[...document.querySelectorAll(%q)].filter(e => { const probe = document.createElement('i'); probe.style.color = getComputedStyle(document.documentElement).getPropertyValue('--p' + e.dataset.pick); e.ownerDocument.body.append(probe); const c = getComputedStyle(probe).color; probe.remove(); return getComputedStyle(e.querySelector('.ln') || e).stroke === c; }).map(e => Number(e.dataset.pick)).sort()`, plot+" g[data-pick]:has(>.ln,g>.ln)"))
}

// pixels counts those of an element that have a colour, written "#123456".
func pixels(t *testing.T, ctx context.Context, selector, colour string) int {
	t.Helper()
	raw, err := chromedp.Run(ctx, chromedp.Screenshot(chromedp.CSS(selector)))
	must(t, err)
	return pixelsOf(t, raw, colour)
}

// strayPixels are as many as smoothed edges of other lines can have in a take's colour; its
// own line has more.
const strayPixels = 50

// pixelsOf counts those of a PNG that have a colour.
func pixelsOf(t *testing.T, raw []byte, colour string) int {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(raw))
	must(t, err)
	n, box := 0, img.Bounds()
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			if r, g, b, _ := img.At(x, y).RGBA(); fmt.Sprintf("#%02x%02x%02x", r>>8, g>>8, b>>8) == colour {
				n++
			}
		}
	}
	return n
}

func sameInts(a []int, b ...int) bool { return fmt.Sprint(a) == fmt.Sprint(b) }

// The chosen take is in colour in plots and tables, the rest grey; it is chosen in the
// player, by a click on a line, a small plot, a row or a name, and by keys.
func TestPlotsFollowTheChosenTake(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	for _, c := range []struct {
		width  int64
		scheme string
	}{{1400, "light"}, {800, "dark"}, {360, "light"}} {
		t.Run(fmt.Sprintf("%d %s", c.width, c.scheme), func(t *testing.T) {
			ctx, bad := visit(t, dir, true, c.width, "")
			must(t, chromedp.Do(ctx, chromium.ColourScheme(c.scheme)))
			expect := func(i int, how string) {
				t.Helper()
				until(t, ctx, fmt.Sprintf(`[...document.querySelectorAll('[data-pick]')].every(e => e.classList.contains('chosen') === (e.dataset.pick === '%d'))`, i))
				for _, plot := range []string{"#spectrum-third", "#time"} {
					if got := coloured(t, ctx, plot); !sameInts(got, i) {
						t.Errorf("%s: takes %v are in colour in %s, want %d", how, got, plot, i)
					}
				}
				if name := eval[string](t, ctx, `document.querySelector('#difference-who span').textContent.trim()`); i > 0 && name != playedTakes[i].name {
					t.Errorf("%s: the wide plot shows %s", how, name)
				}
				if c.width >= 1100 && i > 0 {
					for k := range playedTakes {
						if n := pixels(t, ctx, "#beside .plot", eval[string](t, ctx, fmt.Sprintf(`getComputedStyle(document.documentElement).getPropertyValue('--p%d')`, k))); (n > strayPixels) != (k == i) {
							t.Errorf("%s: next to the panel, %d pixels are in the colour of take %d", how, n, k)
						}
					}
					if name := eval[string](t, ctx, `document.querySelector('#beside .who span').textContent.trim()`); name != playedTakes[i].name {
						t.Errorf("%s: the plot next to the panel is called %s", how, name)
					}
				}
				if n := eval[int](t, ctx, `[...document.querySelectorAll('.alone > [data-pick]')].filter(e => getComputedStyle(e).display !== 'none').length`); n != 1 {
					t.Errorf("%s: the wide plot shows %d takes", how, n)
				}
			}
			expect(0, "at first, as in the player")
			click(t, ctx, `.pick[data-take="1"]`)
			expect(1, "in the player")
			click(t, ctx, `.lines > [data-pick="2"] .small`)
			expect(2, "by a small plot")
			until(t, ctx, `Evenhand.player.wanted === 2`)
			click(t, ctx, `#spectra tr[data-pick="0"] td`)
			expect(0, "by a row")
			until(t, ctx, `Evenhand.player.wanted === 0`)
			click(t, ctx, `.lines > [data-pick="1"] .pickb`)
			expect(1, "by a name")
			must(t, chromedp.Do(ctx, chromedp.Focus(chromedp.CSS(`.lines > [data-pick="2"] .pickb`))))
			press(t, ctx, kb.Enter)
			expect(2, "by a key")
			until(t, ctx, `Evenhand.player.wanted === 2`)
			// On the line of take 1, where nothing is drawn over it.
			at := eval[[]float64](t, ctx, `(() => {
				const p = document.querySelector('#spectrum-third g[data-pick="1"]>.hit');
				p.scrollIntoView({block: 'center', behavior: 'instant'});
				const m = p.getScreenCTM();
				for (let s = 0; s < 1; s += .01) { const q = p.getPointAtLength(s * p.getTotalLength()), x = Math.round(m.a * q.x + m.e), y = Math.round(m.d * q.y + m.f); if (document.elementFromPoint(x, y) === p) return [x, y]; }
			})()`)
			clickAt(t, ctx, at[0], at[1])
			expect(1, "by a line")
			until(t, ctx, `Evenhand.player.wanted === 1`)
			if words := eval[string](t, ctx, `document.querySelector('.one').getAttribute('aria-labelledby').split(' ').map(id => document.getElementById(id).textContent).join(' ')`); !strings.Contains(words, "Splitting minus Leaning") || !strings.Contains(words, " than Leaning: ") {
				t.Errorf("the plot is called %q", words)
			}
			quietBrowser(t, bad)
		})
	}
}

// A figure in the table of likeness loads its two takes: pressed once one is heard,
// pressed again the other, and both are in colour.
func TestHearTheseTwo(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	for _, width := range []int64{360, 1400} {
		ctx, bad := visit(t, dir, true, width, "")
		cell := `td[data-pair="1 2"] button`
		if l := eval[string](t, ctx, `document.querySelector('`+cell+`').getAttribute('aria-label')`); !strings.HasPrefix(l, "Hear ") || !strings.Contains(l, "Splitting") || !strings.Contains(l, "Quarry") || !strings.HasSuffix(l, " dB") {
			t.Errorf("the figure is called %q", l)
		}
		click(t, ctx, cell)
		until(t, ctx, heard+` === 1 && Evenhand.player.deck.playing`)
		if got := coloured(t, ctx, "#spectrum-third"); !sameInts(got, 1, 2) {
			t.Errorf("in colour: %v", got)
		}
		click(t, ctx, cell)
		until(t, ctx, heard+` === 2`)
		click(t, ctx, `#pair [data-pick="1"]`)
		until(t, ctx, heard+` === 1`)
		if got := coloured(t, ctx, "#time"); !sameInts(got, 1, 2) {
			t.Errorf("in colour: %v", got)
		}
		click(t, ctx, `.pick[data-take="0"]`)
		until(t, ctx, heard+` === 0 && !document.querySelector('#pair button')`)
		if got := coloured(t, ctx, "#spectrum-third"); !sameInts(got, 0) {
			t.Errorf("another take is chosen, in colour: %v", got)
		}
		quietBrowser(t, bad)
	}
}

// differenceRead is what the wide plot of differences says of a take in a band, with a
// hyphen for the minus.
func differenceRead(res *result.Result, i, band int) string {
	for _, d := range res.Spectrum.Differences {
		if d.Take == res.Takes[i].Name && d.Span == res.Timeline.Spans[0].Name {
			return fmt.Sprintf("%s: %s %+.1f dB", bandName(res.Spectrum.Third[band]), d.Take, float64(d.Third.Difference[band]))
		}
	}
	return ""
}

// placeOfBand is where a band is in the wide plot of differences, as a part of its width.
func placeOfBand(res *result.Result, band int) float64 {
	lo, hi := bandRange(res.Spectrum.Third)
	return (52 + (600-52-18)*math.Log(float64(res.Spectrum.Third[band].Centre)/lo)/math.Log(hi/lo)) / 600
}

// Values are read from the table of the plot, by mouse, touch and keys.
func TestPlotsAreRead(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	band := 20 // of 20 Hz to 20 kHz in third octaves: 2 kHz
	if l := bandName(res.Spectrum.Third[band]); l != "2 kHz" {
		t.Fatal(l)
	}
	want := func(i, band int) string { return differenceRead(res, i, band) }
	place := func(band int) float64 { return placeOfBand(res, band) }
	for _, width := range []int64{360, 800, 1400} {
		ctx, bad := visit(t, dir, true, width, "")
		click(t, ctx, `.lines > [data-pick="1"] .pickb`)
		said := func(how, want string) {
			t.Helper()
			got := strings.ReplaceAll(eval[string](t, ctx, `document.querySelector('#difference .reading').textContent`), "−", "-")
			if got != want || !eval[bool](t, ctx, `!document.querySelector('#difference .reading').hidden`) {
				t.Errorf("%d px, %s: %q, want %q", width, how, got, want)
			}
		}
		x, y := pointAt(t, ctx, ".one", place(band), 0.5)
		mouse(t, ctx, input.DispatchMouseEventTypeMouseMoved, x, y)
		said("mouse", want(1, band))
		x, y = pointAt(t, ctx, ".one", place(10), 0.4)
		touchAt(t, ctx, x, y)
		said("touch", want(1, 10))
		must(t, chromedp.Do(ctx, chromedp.Focus(chromedp.CSS("#difference .reader"))))
		press(t, ctx, kb.ArrowRight)
		press(t, ctx, kb.ArrowRight)
		said("keys", want(1, 12))
		if v := eval[string](t, ctx, `document.querySelector('#difference .reader').getAttribute('aria-valuetext')`); !strings.HasPrefix(v, bandName(res.Spectrum.Third[12])+": Splitting ") {
			t.Errorf("a screen reader hears %q", v)
		}
		if eval[string](t, ctx, `getComputedStyle(document.querySelector('#difference .reader')).outlineStyle`) == "none" {
			t.Error("the focus is not seen")
		}
		// A take that is chosen meanwhile is read instead.
		eval[int](t, ctx, `document.dispatchEvent(new CustomEvent("evenhand:take", {detail: "quarry"})); 0`)
		said("another take", want(2, 12))
		quietBrowser(t, bad)
	}
}

// The playhead of the loudness curve is where that of the player's strip is, and a click
// or a key on the curve moves both.
func TestLoudnessCurveSeeks(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	for _, width := range []int64{360, 800, 1400} {
		ctx, bad := visit(t, dir, true, width, "")
		x, y := pointAt(t, ctx, "#time .wide", 0.5, 0.5)
		clickAt(t, ctx, x, y)
		until(t, ctx, deckPos+" > 11 && "+deckPos+" < 14")
		apart := eval[float64](t, ctx, `(() => {
			const seek = document.getElementById('seek'), r = seek.getBoundingClientRect(), head = document.querySelector('#time .playhead').getBoundingClientRect();
			return Math.abs(head.left + head.width / 2 - r.left - 1 - seek.value / seek.max * (r.width - 2));
		})()`)
		if apart > 1.5 {
			t.Errorf("%d px: the playheads are %.1f px apart", width, apart)
		}
		before := eval[float64](t, ctx, deckPos)
		must(t, chromedp.Do(ctx, chromedp.Focus(chromedp.CSS("#time .reader"))))
		press(t, ctx, kb.ArrowRight)
		press(t, ctx, kb.ArrowRight)
		if now := eval[float64](t, ctx, deckPos); now < before+1 || now > before+3 {
			t.Errorf("%d px: two keys lead from %.2f to %.2f s", width, before, now)
		}
		if v := eval[string](t, ctx, `document.querySelector('#time .reader').getAttribute('aria-valuetext')`); !strings.HasSuffix(v, " LUFS") {
			t.Errorf("a screen reader hears %q", v)
		}
		click(t, ctx, "#play")
		head := `document.querySelector('#time .playhead').getBoundingClientRect().left`
		from := eval[float64](t, ctx, head)
		until(t, ctx, fmt.Sprintf("%s > %g", head, from+2))
		quietBrowser(t, bad)
	}
}

// Without scripts, and on paper, everything is there and in colour. Without the player a
// take is chosen all the same.
func TestPlotsAlone(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	dir := write(t, fixture())
	ctx, bad := visit(t, dir, false, 800, "")
	click(t, ctx, `.lines > [data-pick="3"] .pickb`)
	if got := coloured(t, ctx, "#spectrum-third"); !sameInts(got, 3) {
		t.Errorf("in colour: %v", got)
	}
	paper := func(media string) {
		t.Helper()
		_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media})
		must(t, err)
	}
	paper("print")
	for _, plot := range []string{"#spectrum-third", "#time"} {
		if got := coloured(t, ctx, plot); len(got) != len(fixtureTakes) {
			t.Errorf("on paper, in colour in %s: %v", plot, got)
		}
	}
	if n := eval[int](t, ctx, `new Set([...document.querySelectorAll('.lines > [data-pick] .sw')].map(e => getComputedStyle(e).getPropertyValue('--c'))).size`); n != len(fixtureTakes)-1 {
		t.Errorf("on paper, %d takes of the small plots are in colours of their own", n)
	}
	if n := eval[int](t, ctx, `[...document.querySelectorAll('.pair')].filter(e => e.checkVisibility()).length`); n > 0 {
		t.Error("on paper there is a line about pressing figures")
	}
	paper("")
	x, y := pointAt(t, ctx, "#time .wide", 0.5, 0.5)
	clickAt(t, ctx, x, y)
	if eval[bool](t, ctx, `document.querySelector('.playhead').hasAttribute('d')`) {
		t.Error("nothing plays, and there is a playhead")
	}
	if words := eval[string](t, ctx, `document.getElementById('likeness').textContent`); strings.Contains(words, " hear its") || !strings.Contains(words, " see its") {
		t.Error("without audio a figure promises to be heard")
	}
	quietBrowser(t, bad)

	ctx = browser(t)
	_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	must(t, err)
	must(t, chromedp.Do(ctx, chromedp.Navigate("file://"+dir+"/index.html")))
	if got := coloured(t, ctx, "#spectrum-third"); len(got) != len(fixtureTakes) {
		t.Errorf("without scripts, in colour: %v", got)
	}
	if n := eval[int](t, ctx, `[...document.querySelectorAll('.alone > [data-pick]')].filter(e => getComputedStyle(e).display !== 'none').length`); n != 1 {
		t.Errorf("without scripts the wide plot shows %d takes", n)
	}
	if n := eval[int](t, ctx, `document.querySelectorAll('.reader, .pickb').length`); n != 0 {
		t.Errorf("%d controls do nothing", n)
	}
}

// Every mark of a curve is on the curve: the style sheet moves none.
func TestMarksAreOnTheirCurves(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	dir := write(t, fixture())
	for _, width := range []int64{360, 800, 1400} {
		ctx, bad := visit(t, dir, false, width, "")
		n := eval[[]int](t, ctx, `(() => {
			const curves = [...document.querySelectorAll('#spectrum-third [data-pick], #time [data-pick]')].filter(g => g.querySelector('.ln') && g.querySelector('.mk'));
			const off = curves.filter(g => {
				const line = g.querySelector('.ln'), mark = g.querySelector('.mk'), at = mark.getScreenCTM(), place = line.getScreenCTM();
				return ['a', 'd', 'e', 'f'].some(k => Math.abs(at[k] - place[k]) > .01) || getComputedStyle(mark).transform !== 'none';
			});
			return [curves.length, off.length];
		})()`)
		if n[0] < 2*len(fixtureTakes)-1 || n[1] > 0 {
			t.Errorf("%d px: of %d curves, %d have marks elsewhere", width, n[0], n[1])
		}
		quietBrowser(t, bad)
	}
}
