package report

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// In the other engines plots choose a take, say values and seek by mouse, touch and keys
// as they do in Chromium, and the plot next to the panel shows the chosen take.
func TestPlotsInOtherBrowsers(t *testing.T) {
	inOtherBrowsers(t, func(t *testing.T, start func(*testing.T, []string) remote) {
		res, dir := playedReport(t)
		s := httptest.NewServer(http.FileServer(http.Dir(dir)))
		t.Cleanup(s.Close)
		r := start(t, nil)
		r.must(t, "SetWindowRect", map[string]any{"width": 1300, "height": 900})
		r.must(t, "Navigate", map[string]any{"url": s.URL + "/index.html"})
		value[bool](t, r, watchComplaints)
		chosen := func(i int, how string) {
			t.Helper()
			r.waitFor(t, fmt.Sprintf(`Evenhand.player.wanted === %d && [...document.querySelectorAll('[data-pick]')].every(e => e.classList.contains('chosen') === (e.dataset.pick === '%d'))`, i, i))
			shot := r.shot(t, "#beside .plot")
			for k := 1; k < len(playedTakes); k++ {
				if n := pixelsOf(t, shot, value[string](t, r, fmt.Sprintf(`getComputedStyle(document.documentElement).getPropertyValue('--p%d')`, k))); (n > strayPixels) != (k == i) {
					t.Errorf("%s: next to the panel, %d pixels are in the colour of take %d", how, n, k)
				}
			}
		}
		said := func(how, want string) {
			t.Helper()
			if got := strings.ReplaceAll(value[string](t, r, `(e => e.hidden ? 'nothing' : e.textContent)(document.querySelector('#difference .reading'))`), "−", "-"); got != want {
				t.Errorf("%s: %q, want %q", how, got, want)
			}
		}
		hit := func(kind, selector string, x, y float64) {
			t.Helper()
			x, y = r.place(t, selector, x, y)
			r.act(t, "pointer", kind, to(x, y), down, up)
		}
		hit("mouse", `.lines > [data-pick="2"] .small`, 0.5, 0.5)
		chosen(2, "by a small plot")
		hit("mouse", `#spectra tr[data-pick="1"] td`, 0.5, 0.5)
		chosen(1, "by a row")
		hit("touch", `.lines > [data-pick="2"] .small`, 0.5, 0.5)
		chosen(2, "by touch")
		hit("touch", `.lines > [data-pick="1"] .pickb`, 0.5, 0.5)
		chosen(1, "by touch of a name")
		x, y := r.place(t, ".one", placeOfBand(res, 20), 0.5)
		r.act(t, "pointer", "mouse", to(x, y))
		said("mouse", differenceRead(res, 1, 20))
		hit("touch", ".one", placeOfBand(res, 10), 0.4)
		said("touch", differenceRead(res, 1, 10))
		value[bool](t, r, `(document.querySelector('#difference .reader').focus(), true)`)
		r.press(t, arrowRight)
		r.press(t, arrowRight)
		said("keys", differenceRead(res, 1, 12))
		hit("mouse", "#time .wide", 0.5, 0.5)
		r.waitFor(t, deckPos+" > 11 && "+deckPos+" < 14")
		value[bool](t, r, `(document.querySelector('#time .reader').focus(), true)`)
		before := value[float64](t, r, deckPos)
		r.press(t, arrowRight)
		r.press(t, arrowRight)
		r.waitFor(t, fmt.Sprintf("%s >= %g && %s <= %g", deckPos, before+1, deckPos, before+3))
		if got := value[[]string](t, r, `complaints`); len(got) > 0 {
			t.Errorf("complaints: %q", got)
		}
	})
}
