package report

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// slowly writes an answer at so many bytes a second.
type slowly struct {
	http.ResponseWriter
	bytesPerSecond int
}

func (w slowly) Write(b []byte) (n int, err error) {
	const step = 20 * time.Millisecond
	for part := range slices.Chunk(b, max(1, int(float64(w.bytesPerSecond)*step.Seconds()))) {
		if _, err := w.ResponseWriter.Write(part); err != nil {
			return n, err
		}
		n += len(part)
		w.ResponseWriter.(http.Flusher).Flush()
		time.Sleep(step)
	}
	return n, nil
}

// slowHost serves a report whose audio comes at so many bytes a second, and returns its
// address and what was asked for so far: the pieces in order, and how many at most came
// at a time before the third was asked for.
func slowHost(t *testing.T, dir string, bytesPerSecond int) (string, func() (asked []string, most int)) {
	t.Helper()
	res, err := Read(dir)
	must(t, err)
	d := newPlayerData(res)
	var mu sync.Mutex
	asked, open, most := []string{}, 0, 0
	files := http.FileServer(http.Dir(dir))
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !strings.HasSuffix(r.URL.Path, ".flac") {
			files.ServeHTTP(w, r)
			return
		}
		mu.Lock()
		asked = append(asked, askedFor(d, r))
		open++
		if len(asked) < 3 {
			most = max(most, open)
		}
		mu.Unlock()
		defer func() { mu.Lock(); open--; mu.Unlock() }()
		files.ServeHTTP(slowly{w, bytesPerSecond}, r)
	}))
	t.Cleanup(s.Close)
	return s.URL + "/", func() ([]string, int) {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(asked), most
	}
}

// The take that is heard comes first, its first piece and then its next, one request at
// a time; then the others. The button fills meanwhile, and takes that are not here are
// marked.
func TestOrderOfLoading(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	base, asked := slowHost(t, dir, 1_000_000)
	ctx, bad := visitAt(t, base, 1000, "")
	fastLink(t, ctx)
	eval[int](t, ctx, `globalThis.got = [], new MutationObserver(() => got.push(parseInt(document.getElementById('play').style.getPropertyValue('--got')))).observe(document.getElementById('play'), {attributes: true, attributeFilter: ['style']}), 0`)
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `document.querySelectorAll('.pick.away').length === 3`)
	until(t, ctx, `Evenhand.player.deck.playing`)
	until(t, ctx, allReady)
	list, most := asked()
	if most != 1 || len(list) < 6 || list[0] != "splitting.1" || list[1] != "splitting.2" || slices.ContainsFunc(list[2:5], func(s string) bool { return !strings.HasSuffix(s, ".1") }) {
		t.Errorf("asked for %q, at first %d at a time", list, most)
	}
	if n := eval[int](t, ctx, `document.querySelectorAll('.pick.away').length`); n != 0 {
		t.Errorf("%d takes are marked as away when all are here", n)
	}
	if got := eval[[]int](t, ctx, `got`); len(got) < 3 || !slices.IsSorted(got) || got[len(got)-1] != 100 {
		t.Errorf("the button was filled by %v %%", got)
	}
	quietBrowser(t, bad)
}

// On a link with little room for the sound of all takes, only the chosen take and the two
// before it are loaded, the page says so, and a button loads all.
func TestSlowLink(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	base, asked := slowHost(t, dir, 500_000) // all four have about 400 kB a second
	ctx, bad := visitAt(t, base, 360, "")
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `Evenhand.player.deck.playing && !document.getElementById('few').hidden`)
	accessible(t, ctx, "few takes are loaded")
	time.Sleep(time.Second)
	if list, _ := asked(); slices.ContainsFunc(list, func(s string) bool { return !strings.HasPrefix(s, "splitting.") }) {
		t.Errorf("asked for %q", list)
	}
	click(t, ctx, `.pick[data-take="2"]`)
	until(t, ctx, heard+` === 2`)
	click(t, ctx, "#everything")
	until(t, ctx, `document.getElementById('few').hidden`)
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		list, _ := asked()
		if slices.ContainsFunc(list, func(s string) bool { return strings.HasPrefix(s, "leaning-again.") }) {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("asked for %q", list)
		}
	}
	quietBrowser(t, bad)
}

// What is pressed before the player's script is there is not lost.
func TestPressedEarly(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	files := http.FileServer(http.Dir(dir))
	here := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/listen.js" {
			<-here
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	ctx := browser(t)
	must(t, chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`location.href = %q; 0`, s.URL+"/index.html")))) // does not wait for the page
	until(t, ctx, `document.querySelector('.pick[data-take="2"]') && document.documentElement.classList.contains('scripted')`)
	click(t, ctx, `.pick[data-take="2"]`)
	if got := eval[string](t, ctx, `document.getElementById('play').textContent`); got != "Loading" {
		t.Errorf("the button says %q", got)
	}
	close(here)
	until(t, ctx, `globalThis.Evenhand.player && Evenhand.player.deck.playing && `+heard+` === 2`)
}
