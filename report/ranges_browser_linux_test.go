package report

import (
	"compress/gzip"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/chromedp"

	"evenhand/analyze/flacio"
)

// The pieces of a published file, each a range of its bytes behind a header that the page
// makes, decode to the samples that the whole file has there, in each engine: of mono
// files that are published, and of a stereo file. Their first blocks have numbers other
// than 0.
func TestRangesDecodeAlike(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("needs browsers")
	}
	res, dir := playedReport(t)
	stereo := filepath.Join(t.TempDir(), "stereo.flac")
	const blocks = 140
	x := [][]int32{make([]int32, blocks*flacio.BlockFrames-99), make([]int32, blocks*flacio.BlockFrames-99)}
	for i := range x[0] {
		x[0][i], x[1][i] = int32(i*7%3001-1500), int32(i*5%2003-1000)
	}
	enc, err := flacio.Create(stereo, flacio.Spec{SampleRate: playedRate, Channels: 2, Bits: 16})
	must(t, err)
	must(t, errors.Join(enc.Write(x), enc.Close()))
	file, err := os.ReadFile(stereo)
	must(t, err)
	at := []int{frameOffset(t, file, 130), frameOffset(t, file, 137)}
	files := http.FileServer(http.Dir(dir))
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/stereo.flac" {
			http.ServeFile(w, r, stereo)
			return
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	code := fmt.Sprintf(`(async () => {
		const d = Evenhand.comparison, S = Evenhand.sound, wrong = [];
		let n = 0;
		const list = d.takes.flatMap(t => [t, t.blend]).filter(Boolean).map(f => f.pieces);
		list.push([{ path: 'stereo.flac', first: 130 * d.block, frames: 7 * d.block, bytes: %[2]d - %[1]d, part: { from: %[1]d, size: %[3]d, head: 0, channels: 2, bits: 16, block: d.block } }]);
		for (const pieces of list) {
			const file = await (await fetch(pieces[0].path)).arrayBuffer(), whole = await new OfflineAudioContext(1, 1, d.rate).decodeAudioData(file);
			for (const p of pieces) try {
				n++;
				const got = await S.decode(await S.bytesOf(p), p, d.rate);
				let off = 0;
				for (let c = 0; c < whole.numberOfChannels; c++) { const x = got.getChannelData(c), y = whole.getChannelData(c); for (let i = 0; i < p.frames; i++) if (x[i] !== y[p.first + i]) off++; }
				if (got.numberOfChannels !== whole.numberOfChannels || off) wrong.push(p.path + ' from ' + p.first + ': ' + off + ' samples differ');
			} catch (e) { wrong.push(p.path + ' from ' + p.first + ': ' + e); }
		}
		if (Evenhand.wholes) wrong.push('files came whole');
		return wrong.join('; ') + '|' + n;
	})()`, at[0], at[1], len(file))
	d := newPlayerData(res)
	want := fmt.Sprintf("|%d", (len(d.Takes)+1)*(len(d.Cuts)-1)+1)
	t.Run("Chromium", func(t *testing.T) {
		ctx := browser(t)
		must(t, chromedp.Do(ctx, chromedp.Navigate(s.URL+"/listen.html")))
		if got := eval[string](t, ctx, code); got != want {
			t.Error(got)
		}
	})
	inOtherBrowsers(t, func(t *testing.T, start func(*testing.T, []string) remote) {
		r := start(t, nil)
		r.must(t, "Navigate", map[string]any{"url": s.URL + "/listen.html"})
		if got := value[string](t, r, code); got != want {
			t.Error(got)
		}
	})
}

// A host that fails for a moment, and packs its answer that says so, is asked for ranges
// the next time too: the page does not take it for one that gives none.
func TestHostThatFailsOnce(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	files := http.FileServer(http.Dir(dir))
	var failed, whole atomic.Int32
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, ".flac") {
			if failed.Add(1) <= 2 { // the first request, and what may look into it
				w.Header().Set("Content-Encoding", "gzip")
				w.WriteHeader(http.StatusServiceUnavailable)
				gzip.NewWriter(w).Close()
				return
			}
			if r.Header.Get("Range") == "" {
				whole.Add(1)
			}
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	ctx, _ := visitAt(t, s.URL+"/", 360, "")
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `document.querySelector('#listen').textContent.includes('Press Play to try again')`)
	click(t, ctx, "#play")
	until(t, ctx, `Evenhand.player.deck.playing`)
	if shown := eval[bool](t, ctx, `document.getElementById('whole').checkVisibility()`); shown || whole.Load() > 0 || failed.Load() < 3 {
		t.Errorf("the page says that the host gives no ranges: %v; %d whole files were asked for", shown, whole.Load())
	}
}

// Hosts that give no ranges, that pack what they send, or pack a range of it, are asked
// for whole files, and not again: the page says so, plays, and finds every file as
// published.
func TestHostsWithoutRanges(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	files := http.FileServer(http.Dir(dir))
	packed := func(w http.ResponseWriter, r *http.Request) {
		answer := httptest.NewRecorder()
		files.ServeHTTP(answer, r)
		maps.Copy(w.Header(), answer.Header())
		w.Header().Del("Content-Length")
		w.Header().Set("Content-Encoding", "gzip")
		w.WriteHeader(answer.Code)
		z := gzip.NewWriter(w)
		z.Write(answer.Body.Bytes())
		z.Close()
	}
	for name, answer := range map[string]http.HandlerFunc{
		"no ranges":            func(w http.ResponseWriter, r *http.Request) { r.Header.Del("Range"); files.ServeHTTP(w, r) },
		"packed":               func(w http.ResponseWriter, r *http.Request) { r.Header.Del("Range"); packed(w, r) },
		"ranges that it packs": packed,
		"refuses ranges": func(w http.ResponseWriter, r *http.Request) {
			if r.Header.Get("Range") != "" {
				http.Error(w, "", http.StatusRequestedRangeNotSatisfiable)
				return
			}
			files.ServeHTTP(w, r)
		},
		"other ranges": func(w http.ResponseWriter, r *http.Request) {
			if r.Header.Get("Range") != "" {
				r.Header.Set("Range", "bytes=0-999")
			}
			files.ServeHTTP(w, r)
		},
	} {
		t.Run(name, func(t *testing.T) {
			var asked atomic.Int32
			s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if !strings.HasSuffix(r.URL.Path, ".flac") {
					files.ServeHTTP(w, r)
					return
				}
				asked.Add(1)
				answer(w, r)
			}))
			defer s.Close()
			ctx, bad := visitAt(t, s.URL+"/", 360, "")
			click(t, ctx, `.pick[data-take="1"]`)
			until(t, ctx, `Evenhand.player.deck.playing && document.getElementById('whole').checkVisibility()`)
			accessible(t, ctx, "whole files")
			opened(t, ctx, "recheck")
			before := int32(0)
			for range 2 {
				before = asked.Load()
				click(t, ctx, "#recheck-run")
				until(t, ctx, `!document.getElementById('recheck-run').disabled`)
				if got := eval[string](t, ctx, `document.querySelector('#recheck [role=status]').textContent`); got != fmt.Sprintf("All %d comparisons agree.", 4*len(res.Takes)) {
					t.Error(got)
				}
			}
			if n := asked.Load() - before; n > 0 {
				t.Errorf("asked for %d files that were here", n)
			}
			eval[bool](t, ctx, fmt.Sprintf(`Evenhand.player.seek(%d), true`, res.Takes[0].Published.Frames-playedRate))
			until(t, ctx, `Evenhand.player.deck.playing && `+allReady)
			for _, line := range bad() {
				if !strings.Contains(line, "Failed to load resource") { // what it is about
					t.Error(line)
				}
			}
		})
	}
}
