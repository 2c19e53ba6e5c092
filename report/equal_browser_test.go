package report

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"evenhand/analyze/equalise"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// kWeighted is K-weighted audio at 48 kHz.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2 (from memory).
func kWeighted(x []float64) []float64 {
	out := append([]float64{}, x...)
	for _, s := range [][5]float64{
		{1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585},
		{1, -2, 1, -1.99004745483398, 0.99007225036621},
	} {
		var x1, x2, y1, y2 float64
		for i, v := range out {
			y := s[0]*v + s[1]*x1 + s[2]*x2 - s[3]*y1 - s[4]*y2
			x1, x2, y1, y2 = v, x1, y, y1
			out[i] = y
		}
	}
	return out
}

// powerOf is the power of audio from 20 Hz to 20 kHz, K-weighted.
func powerOf(x []float64) (sum float64) {
	for k, c := range fourier.NewFFT(len(x)).Coefficients(nil, kWeighted(x)) {
		if hz := float64(k) * playedRate / float64(len(x)); hz >= 20 && hz < 20000 {
			sum += real(c)*real(c) + imag(c)*imag(c)
		}
	}
	return sum
}

// pressed are the buttons of what is heard equalised, and whether each is pressed.
const pressed = `[...document.querySelectorAll('[data-equal]')].map(b => b.getAttribute('aria-pressed')).join()`

// allEqualised is what the page makes of the pair that it plays, piece by piece: the frames
// of each channel in turn, as 32-bit floats in base64.
const allEqualised = `(async () => {
	const P = Evenhand.player, { cuts, frames } = Evenhand.comparison, voice = P.voices[P.instead.parts.at(-1)[0]];
	let out = null;
	for (let k = 0; k + 1 < cuts.length; k++) {
		P.seek(cuts[k]);
		while (!voice.buffer(k)) await new Promise(r => setTimeout(r, 10));
		const b = voice.buffer(k);
		out = out || new Float32Array(frames * b.numberOfChannels);
		for (let c = 0; c < b.numberOfChannels; c++) out.set(b.getChannelData(c), c * frames + cuts[k]);
	}
	const bytes = new Uint8Array(out.buffer);
	let s = '';
	for (let i = 0; i < bytes.length; i += 32768) s += String.fromCharCode(...bytes.subarray(i, i + 32768));
	return btoa(s);
})()`

// heardEqualised reads the channels of what allEqualised returns.
func heardEqualised(t *testing.T, text string, channels int) [][]float64 {
	t.Helper()
	raw, err := base64.StdEncoding.DecodeString(text)
	must(t, err)
	out, frames := make([][]float64, channels), len(raw)/4/channels
	for c := range out {
		out[c] = make([]float64, frames)
		for i := range out[c] {
			out[c][i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[4*(c*frames+i):])))
		}
	}
	return out
}

// mostOff is the most by which what sounds may be off: 32-bit floats.
const mostOff = 1e-6

// offDefinition returns by how much what is heard is off at most from a take and its filter,
// by the definition of a convolution: around the cuts, and here and there.
func offDefinition(heard, take []float64, taps []float32, before int, d *playerData) float64 {
	worst := 0.0
	for _, c := range append(d.Cuts[:len(d.Cuts)-1:len(d.Cuts)-1], 9*playedRate, d.Frames()-200) {
		for n := max(0, int(c)-100); n < min(len(heard), int(c)+100); n++ {
			want := 0.0
			for k, v := range taps {
				if at := n + before - k; at >= 0 && at < len(take) {
					want += float64(v) * take[at]
				}
			}
			worst = math.Max(worst, math.Abs(heard[n]-want))
		}
	}
	return worst
}

// A take equalised to the reference, and what is left, heard from the page: what sounds is
// the published files and the filter of the report, sample by sample, and as far down as
// the page says. A switch is made in step; a blind test lets none of it be heard.
func TestEqualised(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	if len(res.Equalised) != 2 {
		t.Fatalf("%d pairs: %+v", len(res.Equalised), res.Equalised)
	}
	e := res.EqualisedFrom("Quarry")
	filter, err := equalise.Read(dir, e.Path)
	must(t, err)
	of, take := samples(t, filepath.Join(dir, res.Takes[0].Published.Path))[0], samples(t, filepath.Join(dir, res.Takes[2].Published.Path))[0]
	d := newPlayerData(res)
	for _, overHTTP := range []bool{true, false} {
		t.Run(fmt.Sprintf("http=%v", overHTTP), func(t *testing.T) {
			ctx, bad := visit(t, dir, overHTTP, 1000, "")
			own, left := `[data-equal^="2 "]:not([data-left])`, `[data-equal^="2 "][data-left]`
			if got, want := eval[string](t, ctx, fmt.Sprintf("document.querySelector('%s').textContent + ' | ' + document.querySelector('%s').textContent", own, left)),
				fmt.Sprintf("Quarry, equalised to Leaning | Only what is left, %s dB down", unit.Format(-float64(e.Left), 1)); got != want {
				t.Errorf("the buttons say %q, want %q", got, want)
			}
			click(t, ctx, own)
			until(t, ctx, `Evenhand.player.deck.playing && Evenhand.player.instead && `+deckPos+` > 0.2`)
			if got := eval[string](t, ctx, pressed); got != "false,false,true,false" {
				t.Errorf("pressed: %s", got)
			}
			if got := eval[string](t, ctx, `[...document.querySelectorAll('.pick')].map(b => b.getAttribute('aria-pressed')).join() + ' ' + document.querySelector('#foot strong').textContent + ' ' + document.getElementById('say').textContent`); got != "false,false,false,false Quarry, equalised to Leaning Quarry, equalised to Leaning" {
				t.Errorf("the player says %q", got)
			}
			at := eval[float64](t, ctx, deckPos)
			click(t, ctx, left)
			until(t, ctx, `document.getElementById('say').textContent === 'What is left of Leaning after Quarry'`)
			if now := eval[float64](t, ctx, deckPos); now < at || now > at+10 {
				t.Errorf("the switch went from %.2f to %.2f s", at, now)
			}

			// All of it, as the page makes it piece by piece.
			heard := heardEqualised(t, eval[string](t, ctx, allEqualised), 1)[0]
			remains := make([]float64, len(of))
			for i, v := range heard {
				remains[i] = of[i] - v
			}
			if k := unit.FromPower(powerOf(remains) / powerOf(of)); math.Abs(k-float64(e.Left)) > 0.1 {
				t.Errorf("what is left is at %.2f dB in the page, %.2f dB in the results", k, float64(e.Left))
			} else {
				t.Logf("what is left: %.3f dB in the page, %.3f dB in the results; the sentence's filter leaves %.3f dB", k, float64(e.Left), float64(res.LeftoverOf("Quarry", "Leaning").Filter))
			}
			if worst := offDefinition(heard, take, filter.Taps[0], filter.Before, d); worst > mostOff {
				t.Errorf("off by up to %g from the published take and its filter", worst)
			}

			// What the deck plays of the two, across a cut.
			first := int(d.Cuts[1]) - playedRate/2
			for _, c := range []struct {
				button string
				want   []float64
			}{{left, remains}, {own, heard}} {
				// A button that was pressed plays in the end: only then is it done.
				eval[bool](t, ctx, fmt.Sprintf(`Evenhand.player.pause(), Evenhand.player.seek(%d), true`, first))
				click(t, ctx, c.button)
				until(t, ctx, fmt.Sprintf(`Evenhand.player.deck.playing && document.querySelector('%s').getAttribute('aria-pressed') === 'true'`, c.button))
				eval[bool](t, ctx, fmt.Sprintf(`Evenhand.player.pause(), Evenhand.player.seek(%d), true`, first))
				until(t, ctx, `Evenhand.player.deck.pieces(`+fmt.Sprint(first)+`).every(k => Evenhand.player.deck.needs().every(v => Evenhand.player.voices[v].buffer(k)))`)
				got := rendered(t, ctx, fmt.Sprintf(`
					const P = Evenhand.player, off = new OfflineAudioContext(1, rate, rate), deck = S.Deck(off, [...P.voices], cuts);
					deck.pos = %d; deck.preset(P.mixture()); deck.start();
					const out = await off.startRendering();`, first))
				worst, start := 0.0, int(math.Ceil(0.06*playedRate))
				for n := start + playedRate/20; n < len(got); n++ { // after the fade at the start
					worst = math.Max(worst, math.Abs(got[n]-c.want[first+n-start]))
				}
				if worst > mostOff {
					t.Errorf("%s: the deck plays it off by up to %g", c.button, worst)
				}
			}

			// A take of the player ends it.
			click(t, ctx, `.pick[data-take="1"]`)
			until(t, ctx, heard1+` && !Evenhand.player.instead`)
			if got := eval[string](t, ctx, pressed); got != "false,false,false,false" {
				t.Errorf("pressed: %s", got)
			}

			// While a blind test runs the buttons are not there, and do nothing.
			opened(t, ctx, "blind-trials")
			click(t, ctx, "#blind-trials button.main")
			until(t, ctx, `Evenhand.blind.running && Evenhand.blind.booth && document.querySelector('#blind-trials .big button')`)
			if n := eval[int](t, ctx, `[...document.querySelectorAll('[data-equal]')].filter(b => b.offsetParent).length`); n != 0 {
				t.Errorf("%d buttons are in sight", n)
			}
			if n := eval[int](t, ctx, `Evenhand.blind.booth.items.filter(i => Object.keys(i).join() !== 'take').length`); n != 0 {
				t.Errorf("%d hidden items are more than a take", n)
			}
			if eval[bool](t, ctx, `(async () => { for (const b of document.querySelectorAll('[data-equal]')) { b.click(); await Evenhand.player.equal(b); } await new Promise(r => setTimeout(r, 300)); return !!Evenhand.player.instead || Evenhand.player.deck.playing || Evenhand.player.deck.stalled })()`) {
				t.Error("it was heard in a blind test")
			}
			quietBrowser(t, bad)
		})
	}
}

// Who presses Pause while a pair loads hears nothing of it until Play.
func TestPauseWhilePairLoads(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	files, held := http.FileServer(http.Dir(dir)), make(chan bool)
	letCome := sync.OnceFunc(func() { close(held) })
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/"+equalise.Dir+"/") {
			<-held
		}
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	t.Cleanup(letCome) // or the server would wait
	ctx, bad := visitAt(t, s.URL+"/", 1000, "")
	click(t, ctx, "#play")
	until(t, ctx, `Evenhand.player.deck.playing`)
	click(t, ctx, `[data-equal^="2 "]:not([data-left])`)
	until(t, ctx, `document.getElementById('say').textContent === 'Loading Quarry, equalised to Leaning'`)
	click(t, ctx, "#play")
	until(t, ctx, `!Evenhand.player.deck.playing`)
	letCome()
	until(t, ctx, `document.getElementById('say').textContent === 'Quarry, equalised to Leaning'`)
	if got := eval[string](t, ctx, `[Evenhand.player.deck.playing, Evenhand.player.deck.stalled, document.getElementById('play').textContent, `+pressed+`].join()`); got != "false,false,Play,false,false,true,false" {
		t.Errorf("playing, stalled, the button, what is pressed: %s", got)
	}
	click(t, ctx, "#play")
	until(t, ctx, `Evenhand.player.deck.playing && Evenhand.player.instead`)
	quietBrowser(t, bad)
}

const heard1 = heard + ` === 1`

// What cannot be heard has no button: without the player, and where the results say why.
func TestNothingToHearEqualised(t *testing.T) {
	full, _ := playedReport(t)
	res := *full
	res.Equalised = append(res.Equalised[:0:0], res.Equalised...)
	res.Equalised[0] = result.Equalised{Take: "Splitting", Of: "Leaning", Reason: result.Cause{Words: "cabinet.wav, a file of Splitting, is marked redistribute: no"}}
	b, err := newBuilder(&res, Options{})
	must(t, err)
	page, err := b.indexPage()
	must(t, err)
	html := string(page)
	if n := strings.Count(html, "data-equal="); n != 2 || !strings.Contains(html, "Splitting, equalised to Leaning, cannot be heard: cabinet.wav, a file of Splitting, is marked redistribute: no.") {
		t.Errorf("%d buttons: %s", n, html[strings.Index(html, `id="gear"`):])
	}
	b.player = nil
	page, err = b.indexPage()
	must(t, err)
	if strings.Contains(string(page), "data-equal=") {
		t.Error("there are buttons without a player")
	}
	frame, err := b.framePage()
	must(t, err)
	if strings.Contains(string(frame), "data-equal=") {
		t.Error("there are buttons in the frame")
	}
}
