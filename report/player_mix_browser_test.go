package report

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"evenhand/analyze/loudness"
)

// What is heard of each take, matched and as recorded, as published and turned
// round: the page's own gains, rendered offline by its own deck, against the
// published files and their gains.
func TestPlayerLevelsAndPolarity(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	ctx, bad := visit(t, dir, false, 1000, "")
	start := int(math.Ceil(0.06 * playedRate)) // Deck's head start
	least := math.Inf(1)
	for _, take := range res.Takes {
		least = math.Min(least, rounded(float64(take.Gain), 4)) // as the page is told
	}
	const at = 3 * playedRate
	for i, take := range res.Takes {
		x := samples(t, filepath.Join(dir, take.Published.Path))[0]
		for _, recorded := range []bool{false, true} {
			for _, flip := range []bool{false, true} {
				want := 1.0
				if recorded { // the recording with the greatest level keeps the published one
					want = math.Pow(10, (least-rounded(float64(take.Gain), 4))/20)
				}
				if flip {
					want = -want
				}
				got := rendered(t, ctx, fmt.Sprintf(`
					const P = Evenhand.player;
					P.take = %[1]d; P.levels = %[2]v ? "recorded" : "whole"; P.flips[%[1]d] = %[3]v;
					const off = new OfflineAudioContext(1, rate / 2, rate), deck = S.Deck(off, voices, cuts);
					deck.pos = %[4]d; deck.preset(P.mixture().slice(0, voices.length)); deck.start();
					P.take = -1; P.levels = "whole"; P.flips[%[1]d] = false;
					const out = await off.startRendering();`, i, recorded, flip, at))
				// From 50 ms on the start's fade is below −200 dB.
				worst := 0.0
				for n := start + playedRate/20; n < len(got); n++ {
					worst = math.Max(worst, math.Abs(got[n]-want*x[at+n-start]))
				}
				if worst > 2e-7 { // one gain in 32-bit floats
					t.Errorf("%s, as recorded %v, turned round %v: off by up to %g", take.Name, recorded, flip, worst)
				}
			}
		}
	}
	quietBrowser(t, bad)
}

// Over its whole range, in steps that are not those of the table, a blend is
// as loud as the match asks for and does not clip.
func TestBlendIsMatchedWhereverItStands(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	d := newPlayerData(res)
	whole := samples(t, filepath.Join(dir, d.Takes[1].Path))[0]
	alone := loneMicrophone(t, dir, d.Takes[1].Blend)
	ctx, bad := visit(t, dir, false, 1000, "")
	about(t, ctx, 1)
	click(t, ctx, `.blend[data-take="1"] summary`)
	until(t, ctx, `document.querySelector('.blend input')`)
	type gains struct{ Take, Mic, Peak float64 }
	for k := 0; k <= 20; k++ {
		p := math.Min(1, float64(k)*0.0499)
		g := eval[gains](t, ctx, fmt.Sprintf(`(g => ({Take: g.take, Mic: g.mic, Peak: g.peak}))(Evenhand.player.blendGains(1, %v))`, p))
		mixed, peak := make([]float64, len(whole)), 0.0
		for i := range mixed {
			mixed[i] = g.Take*whole[i] + g.Mic*alone[i]
			peak = math.Max(peak, math.Abs(mixed[i]))
		}
		m, err := loudness.NewMeter(d.Rate, 1)
		must(t, err)
		must(t, m.Write([][]float64{mixed}))
		if lufs := float64(m.Finish()[0].Integrated); math.Abs(lufs-float64(d.Target)) > float64(d.Tolerance) {
			t.Errorf("blend at %.3f: %.3f LUFS, target %.3f", p, lufs, float64(d.Target))
		}
		if math.Abs(20*math.Log10(peak)-g.Peak) > 0.1 {
			t.Errorf("blend at %.3f: peak %.2f dBFS, taken for %.2f", p, 20*math.Log10(peak), g.Peak)
		}
	}
	quietBrowser(t, bad)
}

// On a disk, jumping to and fro while pieces are still on their way loses
// none: every script that was asked for is waited for.
func TestJumpingWhileLoadingFromDisk(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	d := newPlayerData(res)
	ctx, bad := visit(t, dir, false, 1000, "")
	click(t, ctx, `.pick[data-take="0"]`)
	last := d.Cuts[len(d.Cuts)-2] + 1000
	eval[bool](t, ctx, fmt.Sprintf(`(async () => { for (let i = 0; i < 40; i++) { Evenhand.player.seek(i %% 2 ? %d : 1000); if (i %% 5 === 0) await new Promise(r => setTimeout(r, 3)); } return true })()`, last))
	until(t, ctx, `Evenhand.player.deck.playing && `+allReady)
	click(t, ctx, `.pick[data-take="2"]`)
	until(t, ctx, heard+` === 2`)
	quietBrowser(t, bad)
}

// While files come slowly the bar tells how far they are and the page says
// what it waits for; what a reader has jumped away from is not waited for.
func TestProgressWhileLoading(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	d := newPlayerData(res)
	var hold sync.Mutex // held: pieces stop half way
	dropped := make(chan string, 64)
	files := http.FileServer(http.Dir(dir))
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !strings.HasSuffix(r.URL.Path, ".flac") {
			files.ServeHTTP(w, r)
			return
		}
		var whole bytes.Buffer
		answer := httptest.NewRecorder()
		answer.Body = &whole
		files.ServeHTTP(answer, r)
		maps.Copy(w.Header(), answer.Header())
		w.WriteHeader(answer.Code)
		b := whole.Bytes()
		w.Write(b[:len(b)/2])
		w.(http.Flusher).Flush()
		for !hold.TryLock() {
			select {
			case <-r.Context().Done():
				dropped <- askedFor(d, r)
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
		hold.Unlock()
		w.Write(b[len(b)/2:])
	}))
	t.Cleanup(s.Close)
	hold.Lock()
	ctx, bad := visitAt(t, s.URL+"/", 360, "")
	eval[bool](t, ctx, `window.said = [], new MutationObserver(list => said.push(...list.flatMap(m => [...m.addedNodes].map(n => n.textContent)))).observe(document.getElementById('say'), {childList: true}), true`)
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `document.getElementById('loading').value > 0.02`)
	if got := eval[string](t, ctx, `[document.getElementById('loading').classList.contains('on'), document.getElementById('play').textContent, document.getElementById('say').textContent, Evenhand.player.deck.playing].join()`); got != "true,Pause,Loading Splitting,false" {
		t.Errorf("while loading: %s", got)
	}
	accessible(t, ctx, "loading")
	eval[bool](t, ctx, fmt.Sprintf(`Evenhand.player.seek(%d), true`, d.Cuts[len(d.Cuts)-2]+1000))
	select {
	case piece := <-dropped:
		if !strings.HasSuffix(piece, ".1") {
			t.Errorf("given up: %s", piece)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("the pieces that were jumped away from are still being loaded")
	}
	hold.Unlock()
	until(t, ctx, `Evenhand.player.deck.playing && !document.getElementById('loading').classList.contains('on')`)
	if got := eval[string](t, ctx, `document.getElementById('say').textContent`); got != "Splitting" {
		t.Errorf("announced: %q", got)
	}
	if got := eval[int](t, ctx, `said.filter(s => s === 'Loading Splitting').length`); got != 1 {
		t.Errorf("that the take is loading was announced %d times", got)
	}
	quietBrowser(t, bad)
}

// A browser without a sound output never lets its clock run: the page says so
// instead of standing still, and Play tries again.
func TestNoSoundOutput(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, false, 1000, "")
	eval[bool](t, ctx, `(() => {
		window.mute = true;
		window.AudioContext = class extends AudioContext {
			constructor(o) { super(o); this.suspend(); }
			resume() { return mute ? Promise.resolve() : super.resume(); }
		};
		return true })()`)
	click(t, ctx, "#play")
	until(t, ctx, `!Evenhand.player.deck.playing && /starts no sound/.test(document.getElementById('say').textContent) && document.getElementById('play').textContent === 'Play'`)
	eval[bool](t, ctx, `(() => { mute = false; return true })()`)
	click(t, ctx, "#play")
	until(t, ctx, `Evenhand.player.deck.playing && `+deckPos+` > 0.1`)
	quietBrowser(t, bad)
}

// When the system takes the sound away, as for a call, the player and a blind
// test stop where they are and go on when Play is pressed.
func TestInterruption(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, false, 1000, "")
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `Evenhand.player.deck.playing && `+deckPos+` > 0.1`)
	eval[bool](t, ctx, `Evenhand.player.context().suspend().then(() => true)`)
	until(t, ctx, `!Evenhand.player.deck.playing && /interrupted/.test(document.getElementById('say').textContent)`)
	at := eval[float64](t, ctx, deckPos)
	click(t, ctx, `#play`)
	until(t, ctx, fmt.Sprintf(`Evenhand.player.deck.playing && %s > %v`, deckPos, at+0.1))

	opened(t, ctx, "blind-preference")
	click(t, ctx, "#blind-preference button.main")
	until(t, ctx, `document.querySelector('#blind-preference .ask')`)
	press(t, ctx, "f")
	until(t, ctx, `Evenhand.blind.booth.deck.playing`)
	eval[bool](t, ctx, `Evenhand.player.context().suspend().then(() => true)`)
	until(t, ctx, `!Evenhand.blind.booth.deck.playing && document.querySelector('#blind-preference .main').textContent === 'Play'`)
	press(t, ctx, "s")
	until(t, ctx, `Evenhand.blind.booth.deck.playing && Evenhand.player.context().state === 'running'`)
	quietBrowser(t, bad)
}

// Before any sound the place can be chosen: by a section, in the picture, by
// keys, by the loop button.
func TestPlaceBeforeSound(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	first := newPlayerData(res).Sections[0].First
	for _, act := range []struct {
		do func(context.Context)
		at int64
	}{
		{func(ctx context.Context) { click(t, ctx, `[data-part="0"]`) }, first},
		{func(ctx context.Context) { click(t, ctx, "#loop") }, 0},
		{func(ctx context.Context) { click(t, ctx, "#clock"); press(t, ctx, "]") }, first},
	} {
		ctx, bad := visit(t, dir, false, 1000, "")
		act.do(ctx)
		until(t, ctx, fmt.Sprintf(`Evenhand.player.deck.position() === %d`, act.at))
		click(t, ctx, "#play")
		until(t, ctx, fmt.Sprintf(`Evenhand.player.deck.playing && Evenhand.player.deck.position() > %d`, act.at))
		quietBrowser(t, bad)
	}
}
