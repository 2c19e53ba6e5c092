package report

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"

	"evenhand/analyze/loudness"
	"evenhand/examples/oracle/chromium"
)

// counted serves a report, with ranges of files or without, and notes what is asked for,
// in order: path and range.
func counted(t *testing.T, dir string, ranges bool) (base string, asked func() []string) {
	t.Helper()
	var mu sync.Mutex
	list := []string{}
	files := http.FileServer(http.Dir(dir))
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		list = append(list, strings.TrimSpace(r.URL.Path+" "+r.Header.Get("Range")))
		mu.Unlock()
		if !ranges {
			r.Header.Del("Range")
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	return s.URL + "/", func() []string { mu.Lock(); defer mu.Unlock(); return append([]string{}, list...) }
}

// What a test shows, loads and does to the sound does not depend on what is
// hidden where: two runs with opposite keys are alike to the byte, but for the
// key's hash and the levels.
func TestBlindGivesNothingAway(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	for _, c := range []struct {
		id     string
		keys   []string // pressed, with a look at the page after each
		random [2]string
		whole  bool // the host gives no ranges
	}{
		{"blind-trials", []string{"a", "b", "x", "1", "x", "b", "2", "x"}, [2]string{`b.random = () => 0`, `b.random = () => 1`}, false},
		{"blind-trials", []string{"a", "b", "x"}, [2]string{`b.random = () => 0`, `b.random = () => 1`}, true},
		{"blind-same", []string{"a", "b", "x", "1", "x", "b", "2", "x"}, [2]string{`b.random = () => 0`, `b.random = () => 1`}, false},
		{"blind-preference", []string{"f", "s", "1", "s", "f", "0", "f"}, [2]string{`b.pairs = () => [[0, 1], [2, 0], [1, 2]]`, `b.pairs = () => [[2, 1], [0, 2], [1, 0]]`}, false},
		{"blind-ratings", []string{"0", "a", "b", "c", "d"}, [2]string{`b.shuffle = l => [...l]`, `b.shuffle = l => [...l].reverse()`}, false},
	} {
		t.Run(c.id, func(t *testing.T) {
			var looks, requests, sound [2][]string
			var mapping [2]string
			for run, stub := range c.random {
				base, asked := counted(t, dir, !c.whole)
				ctx, bad := visitAt(t, base, 1000, "")
				opened(t, ctx, c.id)
				eval[bool](t, ctx, `(() => { const b = Evenhand.blind; `+stub+`;
					globalThis.moves = [];
					const ramp = AudioParam.prototype.setTargetAtTime;
					// Whether it is at once: the clock may go on meanwhile.
					const atOnce = at => Math.abs(at - Evenhand.player.context().currentTime) < 0.5;
					AudioParam.prototype.setTargetAtTime = function (v, at, tau) { moves.push([v === 0 ? 'off' : 'on', tau, atOnce(at)].join()); return ramp.call(this, v, at, tau); };
					return true })()`)
				start := len(asked())
				click(t, ctx, "#"+c.id+" button.main")
				until(t, ctx, `Evenhand.blind.booth && document.querySelector('#`+c.id+` .booth')`)
				requests[run] = slices.Sorted(slices.Values(asked()[start:])) // three at a time, in any order
				look := func() {
					looks[run] = append(looks[run], eval[string](t, ctx, `document.getElementById('`+c.id+`').outerHTML.replace(/[0-9a-f]{64}/, 'HASH') + document.title + location.hash + document.getElementById('say').textContent`))
				}
				look()
				for _, k := range c.keys {
					eval[bool](t, ctx, `moves.length = 0, true`)
					press(t, ctx, k)
					look()
					sound[run] = append(sound[run], k+": "+eval[string](t, ctx, `moves.join(' ')`))
				}
				mapping[run] = eval[string](t, ctx, `JSON.stringify(Evenhand.blind.booth.items)`)
				if got := asked(); len(got) != start+len(requests[run]) {
					t.Errorf("asked for while the test ran: %v", got[start+len(requests[run]):])
				}
				quietBrowser(t, bad)
			}
			if mapping[0] == mapping[1] {
				t.Fatalf("both runs hide the same: %s", mapping[0])
			}
			for i := range looks[0] {
				if looks[0][i] != looks[1][i] {
					t.Errorf("step %d: the page differs\n%s\n%s", i, looks[0][i], looks[1][i])
				}
			}
			// Until a file is known to come whole, what is asked of it is a matter of time.
			if c.whole {
				for run, list := range requests {
					for i, asked := range list {
						list[i], _, _ = strings.Cut(asked, " ")
					}
					requests[run] = slices.Compact(list)
				}
			}
			if a, b := strings.Join(requests[0], "\n"), strings.Join(requests[1], "\n"); a != b || len(requests[0]) == 0 {
				t.Errorf("loaded differently:\n%s\nand\n%s", a, b)
			}
			for i := range sound[0] {
				if sound[0][i] != sound[1][i] {
					t.Errorf("switched differently: %q and %q", sound[0][i], sound[1][i])
				}
			}
		})
	}
}

// Over the section of a test, hidden takes and the dull copy play at one
// loudness, measured here on the published files.
func TestBlindLevels(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	ctx, bad := visit(t, dir, false, 1000, "")
	opened(t, ctx, "blind-ratings")
	click(t, ctx, "#blind-ratings button.main")
	until(t, ctx, `Evenhand.blind.booth`)
	section := newPlayerData(res).Sections[0]
	type item struct {
		Take int
		Low  bool
		Gain float64
	}
	apart, want := map[float64]bool{}, math.NaN()
	for _, it := range eval[[]item](t, ctx, `(() => { const b = Evenhand.blind.booth; return b.items.map((i, v) => ({Take: i.take, Low: !!i.low, Gain: b.gain(v)})) })()`) {
		if it.Low {
			continue // its samples are the browser's own
		}
		x := samples(t, filepath.Join(dir, res.Takes[it.Take].Published.Path))[0][section.First : section.First+section.Frames]
		m, err := loudness.NewMeter(playedRate, 1)
		must(t, err)
		must(t, m.Write([][]float64{x}))
		own := float64(m.Finish()[0].Integrated)
		lufs := own + 20*math.Log10(math.Abs(it.Gain))
		if math.IsNaN(want) {
			want = lufs
		}
		apart[math.Round(own*100)] = true
		if math.Abs(lufs-want) > 0.01 {
			t.Errorf("%s plays at %.3f LUFS, another at %.3f", res.Takes[it.Take].Name, lufs, want)
		}
		// Against the reference, inverted takes are turned round.
		if (it.Gain < 0) != (res.Takes[it.Take].Alignment.PolarityToReference == "inverted") {
			t.Errorf("%s: gain %v", res.Takes[it.Take].Name, it.Gain)
		}
	}
	if len(apart) < 2 {
		t.Error("as published, all takes have one loudness over the section: the test shows nothing")
	}
	quietBrowser(t, bad)
}

// chiSquare is the statistic of counts that should all be equal.
func chiSquare(counts map[string]int, cells int) float64 {
	n, chi := 0, 0.0
	for _, c := range counts {
		n += c
	}
	each := float64(n) / float64(cells)
	for _, c := range counts {
		chi += (float64(c) - each) * (float64(c) - each) / each
	}
	return chi + float64(cells-len(counts))*each
}

// Started again and again, the tests hide everything everywhere equally often.
// Limits: exceeded once in a million fair runs (Wilson and Hilferty, Proc.
// Natl. Acad. Sci. 17, 1931).
func TestBlindMappingIsUniform(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, false, 1000, "")
	opened(t, ctx, "blind-trials")
	opened(t, ctx, "blind-preference")
	opened(t, ctx, "blind-ratings")
	// The tests are started by their own buttons; the key they seal is noted,
	// and no audio is loaded.
	keys := eval[map[string][]map[string]any](t, ctx, `(async () => {
		const out = {}, seal = Evenhand.blind.seal;
		Evenhand.blind.Booth = async () => { throw new Error('not now'); };
		Evenhand.blind.seal = k => { (out[k.test] = out[k.test] || []).push(k); return seal(k); };
		for (const id of ['blind-trials', 'blind-preference', 'blind-ratings']) for (let i = 0; i < 600; i++) {
			document.querySelector('#' + id + ' button.main').click();
			for (let k = 0; k < 6 && Evenhand.blind.running; k++) await null;
			document.querySelector('#' + id + ' .test button').click();
		}
		return out })()`)
	for _, c := range []struct {
		test  string
		cells int
		limit float64
		of    func(k map[string]any) string
	}{
		// X of the first four trials: 16 cells, 15 degrees of freedom.
		{"trials", 16, 57.2, func(k map[string]any) string { return k["x"].(string)[:4] }},
		// X of the last four.
		{"trials", 16, 57.2, func(k map[string]any) string { return k["x"].(string)[12:] }},
		// Which ordered pair of three takes comes first, the identical one left
		// out: 6 cells.
		{"preference", 6, 37.5, func(k map[string]any) string {
			for _, p := range k["pairs"].([]any) {
				if a := p.([]any); a[0] != a[1] {
					return fmt.Sprint(a)
				}
			}
			return ""
		}},
		// Place and take of the identical pair: 4 places, 3 takes.
		{"preference", 12, 50.0, func(k map[string]any) string {
			for i, p := range k["pairs"].([]any) {
				if a := p.([]any); a[0] == a[1] {
					return fmt.Sprint(i, a[0])
				}
			}
			return ""
		}},
		// The order of four hidden items: 24 cells.
		{"ratings", 24, 71.2, func(k map[string]any) string { return fmt.Sprint(k["order"]) }},
	} {
		counts := map[string]int{}
		for _, k := range keys[c.test] {
			counts[c.of(k)]++
		}
		chi := chiSquare(counts, c.cells)
		t.Logf("%s: %d tests, %d of %d cells, chi-square %.1f, limit %.1f", c.test, len(keys[c.test]), len(counts), c.cells, chi, c.limit)
		if len(keys[c.test]) != 600 || len(counts) > c.cells || chi > c.limit {
			t.Errorf("%s: chi-square %.1f over %d cells, %v", c.test, chi, c.cells, counts)
		}
	}
	quietBrowser(t, bad)
}

// A whole test by keys alone: opening it, planning, listening, answering,
// copying the code. What runs cannot be folded away, and the player works
// again afterwards.
func TestBlindByKeysAlone(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, true, 1000, "")
	const tab, enter = "\t", "\r"
	focusIs := func(what string, in ...string) bool {
		return eval[bool](t, ctx, `(a => !!a && !!a.closest('`+strings.Join(append([]string{"html"}, in...), " ")+`') && (a.textContent.trim().startsWith('`+what+`') || a.type === '`+what+`'))(document.activeElement)`)
	}
	goTo := func(what string, in ...string) {
		t.Helper()
		for range 40 {
			if focusIs(what, in...) {
				if !eval[bool](t, ctx, `document.activeElement.matches(':focus-visible') && getComputedStyle(document.activeElement).outlineStyle !== 'none'`) {
					t.Errorf("the focus on %s cannot be seen", what)
				}
				return
			}
			press(t, ctx, tab)
		}
		t.Fatalf("Tab does not reach %s", what)
	}
	eval[bool](t, ctx, `document.getElementById('clock').tabIndex = -1, document.getElementById('clock').focus(), true`)
	goTo("Try it blind")
	press(t, ctx, enter)
	until(t, ctx, `document.activeElement.parentNode.id === 'blind'`)
	goTo("Can you tell")
	press(t, ctx, enter)
	until(t, ctx, `document.querySelector('#blind-trials button.main')`)
	goTo("number")
	must(t, chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](`document.activeElement.select()`)))
	press(t, ctx, "10")
	goTo("Start")
	press(t, ctx, enter)
	until(t, ctx, `Evenhand.blind.booth && document.querySelector('#blind-trials .ask')`)
	if !focusIs("Play") {
		t.Error("the focus is not on Play when the test begins")
	}
	for i := range 10 {
		if got := eval[string](t, ctx, `document.querySelector('#blind-trials .ask').previousSibling.textContent`); got != fmt.Sprintf("Trial %d of 10. Which one is X? Listen to X first.", i+1) {
			t.Errorf("announced: %q", got)
		}
		for _, k := range []string{"a", "b", "x"} {
			press(t, ctx, k)
			if got := eval[string](t, ctx, `document.querySelector('#blind-trials .test > [role=status]').textContent`); got != "You hear "+strings.ToUpper(k) {
				t.Errorf("announced: %q", got)
			}
		}
		if i == 0 { // folding it away is refused
			eval[bool](t, ctx, `document.querySelector('#blind-trials > summary').click(), true`)
			if !eval[bool](t, ctx, `document.getElementById('blind-trials').open`) {
				t.Error("a running test was folded away")
			}
		}
		if i < 5 {
			press(t, ctx, "2")
			continue
		}
		goTo("A", ".ask")
		press(t, ctx, enter)
	}
	until(t, ctx, `document.querySelector('#blind-trials .result')`)
	if !focusIs("0") && !eval[bool](t, ctx, `document.activeElement.classList.contains('result')`) {
		t.Error("the focus is not on the result")
	}
	goTo("Copy")
	press(t, ctx, enter)
	until(t, ctx, `document.querySelector('#blind-trials .row [role=status]').textContent === 'Copied'`)
	click(t, ctx, `.pick[data-take="2"]`)
	until(t, ctx, `Evenhand.player.deck.playing && `+heard+` === 2`)
	quietBrowser(t, bad)
}

// On a plain http host there is no crypto.subtle and no clipboard: the seal,
// the hashes and the copying work all the same.
func TestPlainHTTPHost(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	base, _ := counted(t, dir, true)
	base = strings.Replace(base, "127.0.0.1", "listen.test", 1)
	ctx := browser(t, chromedp.Flag("host-resolver-rules", "MAP listen.test 127.0.0.1, MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"))
	bad := chromium.Watch(t, ctx, base)
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(360, 900), chromedp.Navigate(base+"index.html")))
	if eval[bool](t, ctx, `isSecureContext || !!crypto.subtle || !!navigator.clipboard`) {
		t.Fatal("the host counts as secure: the test shows nothing")
	}
	opened(t, ctx, "recheck")
	click(t, ctx, "#recheck-run")
	until(t, ctx, `/agree|differ|Sorry/.test(document.querySelector('#recheck [role=status]').textContent)`)
	if got := eval[string](t, ctx, `document.querySelector('#recheck [role=status]').textContent`); got != fmt.Sprintf("All %d comparisons agree.", 4*len(res.Takes)) {
		t.Error(got)
	}
	opened(t, ctx, "blind-preference")
	click(t, ctx, "#blind-preference button.main")
	until(t, ctx, `document.querySelector('#blind-preference .ask')`)
	seal := eval[string](t, ctx, `document.querySelector('#blind-preference`+sealShown)
	for range 7 {
		press(t, ctx, "f")
		press(t, ctx, "s")
		press(t, ctx, "0")
	}
	a, _ := answerCode(t, ctx, "blind-preference", seal)
	if a.Comparison != res.AudioID()[:10] {
		t.Errorf("%+v", a)
	}
	click(t, ctx, "#blind-preference .row button")
	until(t, ctx, `document.querySelector('#blind-preference .row [role=status]').textContent === 'Copied'`)
	quietBrowser(t, bad)
}

// Everything that is touched measures at least 44 by 44 px on a phone of
// 360 px. Source: WCAG 2.2, success criterion 2.5.5.
func TestTouchTargets(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, false, 360, "")
	small := func(what string) {
		t.Helper()
		for _, s := range eval[[]string](t, ctx, `[...document.querySelectorAll('#listen :is(button, summary, select, input:not([type=radio]):not([type=checkbox]), label:has(input))')].filter(e => e.checkVisibility()).map(e => [e, e.getBoundingClientRect()]).filter(([e, r]) => r.width < 44 || r.height < 43.5).map(([e, r]) => e.outerHTML.slice(0, 120) + ' ' + r.width + ' × ' + r.height)`) {
			t.Errorf("%s: too small: %s", what, s)
		}
	}
	small("idle")
	about(t, ctx, 1)
	click(t, ctx, `.blend[data-take="1"] summary`)
	until(t, ctx, `document.querySelector('.blend input')`)
	for _, id := range []string{"blind-trials", "blind-preference", "blind-ratings", "recheck"} {
		opened(t, ctx, id)
	}
	small("everything open")
	for _, id := range []string{"blind-trials", "blind-preference", "blind-ratings"} {
		click(t, ctx, "#"+id+" button.main")
		until(t, ctx, `document.querySelector('#`+id+` .booth')`)
		small(id)
		if n := eval[int](t, ctx, `[...document.querySelectorAll('.blind')].filter(d => d.checkVisibility()).length`); n != 1 {
			t.Errorf("%s: %d tests are in sight while it runs", id, n)
		}
		eval[bool](t, ctx, `[...document.querySelectorAll('#`+id+` button')].find(b => /^Give up/.test(b.textContent)).click(), true`)
	}
	quietBrowser(t, bad)
}
