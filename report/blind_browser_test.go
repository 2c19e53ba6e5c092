package report

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"evenhand/analyze/listening"
	"evenhand/examples/oracle"
)

// opened clicks a part of the tools open and waits for what it loads.
func opened(t *testing.T, ctx context.Context, id string) {
	t.Helper()
	if strings.HasPrefix(id, "blind-") && !eval[bool](t, ctx, `document.getElementById('blind').open`) {
		click(t, ctx, "#try")
	}
	click(t, ctx, "#"+id+" > summary")
	until(t, ctx, `document.querySelector('#`+id+` button')`)
}

// answerCode waits for the result of a test, and decodes its code with the
// program's own reader and checks the opened key against the seal.
func answerCode(t *testing.T, ctx context.Context, id, sealed string) (listening.Answer, map[string]any) {
	t.Helper()
	until(t, ctx, `document.querySelector('#`+id+` .result')`)
	var a listening.Answer
	codes := 0
	for f, err := range listening.Find(strings.NewReader(eval[string](t, ctx, `document.querySelector('#`+id+` output.code').textContent`))) {
		if err != nil || f.Err != nil {
			t.Fatal(err, f.Err)
		}
		a, codes = f.Answer, codes+1
	}
	if codes != 1 {
		t.Fatalf("%d codes", codes)
	}
	key := eval[string](t, ctx, `document.querySelector('#`+id+` details .seal').textContent`)
	sum := sha256.Sum256([]byte(key))
	if got := hex.EncodeToString(sum[:]); got != sealed {
		t.Errorf("the opened key has SHA-256 %s, sealed was %s", got, sealed)
	}
	var k map[string]any
	if err := json.Unmarshal([]byte(key), &k); err != nil {
		t.Fatal(err)
	}
	return a, k
}

const sealShown = ` .seal').textContent`

func TestBlindTests(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	for _, c := range []struct {
		http  bool
		width int64
	}{{true, 1000}, {false, 360}} {
		t.Run(fmt.Sprintf("http=%v", c.http), func(t *testing.T) {
			ctx, bad := visit(t, dir, c.http, c.width, "")

			opened(t, ctx, "blind-trials")
			accessible(t, ctx, "trials, plan")
			plan := eval[string](t, ctx, `document.querySelector('#blind-trials [role=status]').textContent`)
			// 12 of 16 by chance: 2517/65536 = 3.84 %.
			if !strings.Contains(plan, "12 must be right") || !strings.Contains(plan, "3.8\u00a0%") {
				t.Errorf("plan: %s", plan)
			}
			// The repeat meets the take that it repeats, and nothing else.
			offered := eval[[]string](t, ctx, `[...document.querySelectorAll('#blind-trials .row select')].slice(0, 2).flatMap(s => [...s.options].map(o => o.textContent))`)
			if got := strings.Join(offered, ", "); got != "Leaning, Splitting, Quarry, Leaning, Splitting, Quarry" {
				t.Errorf("offered to be told apart: %s", got)
			}
			eval[bool](t, ctx, `(() => { const n = document.querySelector('#blind-trials input[type=number]'); n.value = 10; n.dispatchEvent(new Event('input')); return true })()`)
			click(t, ctx, "#blind-trials button.main")
			until(t, ctx, `document.querySelector('#blind-trials .big button:nth-child(4)')`)
			seal := eval[string](t, ctx, `document.querySelector('#blind-trials`+sealShown)
			accessible(t, ctx, "trials, running")
			if n := eval[int](t, ctx, `[...document.querySelectorAll('#takes, #overview, .transport')].filter(e => e.offsetParent).length`); n != 0 {
				t.Error("names are in sight while a test runs")
			}
			press(t, ctx, "x")
			press(t, ctx, "b")
			// The section's own match: what is heard of both has one loudness.
			apart := eval[float64](t, ctx, `(() => { const b = Evenhand.blind.booth, at = v => b.level.get(b.items[v].take) + 20 * Math.log10(Math.abs(b.gain(v))); return Math.abs(at(0) - at(1)) })()`)
			if apart > 1e-6 {
				t.Errorf("the hidden takes are %g LU apart over the section", apart)
			}
			if b := eval[float64](t, ctx, `Math.abs([...Evenhand.blind.booth.level.values()].reduce((a, b) => a - b))`); b < 0.01 {
				t.Errorf("before that they are %.3f LU apart: the test shows nothing", b)
			}
			for i := range 10 {
				if i == 1 { // a second click on the same answer is no answer
					click(t, ctx, "#blind-trials .ask button:first-child")
					if got := eval[string](t, ctx, `document.querySelector('#blind-trials .test [role=status]:not(.small)').textContent`); got != "Trial 2 of 10. Which one is X? Listen to X first." {
						t.Errorf("answered unheard: %s", got)
					}
				}
				press(t, ctx, "x")
				got := eval[string](t, ctx, `document.querySelector('#blind-trials .test').textContent`)
				if !strings.Contains(got, fmt.Sprintf("Trial %d of 10", i+1)) || strings.Contains(got, "right") {
					t.Errorf("trial %d: %s", i+1, got)
				}
				for _, name := range []string{"Leaning", "Splitting", "Quarry"} {
					if strings.Contains(got, name) {
						t.Errorf("the name %s stands in a running test", name)
					}
				}
				if i == 0 {
					click(t, ctx, "#blind-trials .ask button:first-child")
				} else {
					press(t, ctx, "1")
				}
			}
			a, key := answerCode(t, ctx, "blind-trials", seal)
			right := strings.Count(key["x"].(string), "A") // A was said each time
			if a.Trials == nil || *a.Trials != (listening.Trials{A: 0, B: 1, Planned: 10, Done: 10, Correct: right}) {
				t.Errorf("%d right: %+v", right, a.Trials)
			}
			if a.Comparison != res.AudioID()[:10] {
				t.Errorf("comparison %s, audio %s", a.Comparison, res.AudioID())
			}
			low, high := listening.Interval(right, 10, 0.95)
			text := eval[string](t, ctx, `document.querySelector('#blind-trials .test').textContent`)
			for _, want := range []string{fmt.Sprintf("%d of 10 right", right), fmt.Sprintf("between %s and %s", inPercent(low), inPercent(high))} {
				if !strings.Contains(text, want) {
					t.Errorf("%q is not in: %s", want, text)
				}
			}
			accessible(t, ctx, "trials, result")
			click(t, ctx, "#blind-trials > summary")

			opened(t, ctx, "blind-same")
			accessible(t, ctx, "same or different, plan")
			if got := eval[string](t, ctx, `[...document.querySelector('#blind-same select').options].map(o => o.textContent).join()`); got != "Leaning and Leaning again" {
				t.Errorf("same or different: %s", got)
			}
			eval[bool](t, ctx, `(() => { const n = document.querySelector('#blind-same input[type=number]'); n.value = 5; n.dispatchEvent(new Event('input')); return true })()`)
			click(t, ctx, "#blind-same button.main")
			until(t, ctx, `document.querySelector('#blind-same .big button:nth-child(4)')`)
			seal = eval[string](t, ctx, `document.querySelector('#blind-same`+sealShown)
			for range 5 {
				press(t, ctx, "x")
				press(t, ctx, "2")
			}
			a, key = answerCode(t, ctx, "blind-same", seal)
			if right := strings.Count(key["x"].(string), "B"); a.Takes != 4 || a.Trials == nil || *a.Trials != (listening.Trials{A: 0, B: 3, Planned: 5, Done: 5, Correct: right}) {
				t.Errorf("%d right: %d takes, %+v", right, a.Takes, a.Trials)
			}
			click(t, ctx, "#blind-same > summary")

			opened(t, ctx, "blind-preference")
			accessible(t, ctx, "preference, plan")
			click(t, ctx, "#blind-preference button.main")
			until(t, ctx, `document.querySelector('#blind-preference .big button:nth-child(3)')`)
			seal = eval[string](t, ctx, `document.querySelector('#blind-preference`+sealShown)
			accessible(t, ctx, "preference, running")
			// Always the first: then each take wins as often as it came first.
			for range 4 {
				press(t, ctx, "f")
				press(t, ctx, "s")
				press(t, ctx, "1")
			}
			a, key = answerCode(t, ctx, "blind-preference", seal)
			if a.Preference == nil || len(key["pairs"].([]any)) != 4 || strings.Contains(fmt.Sprint(key["pairs"]), "again") {
				t.Fatalf("%+v, %v", a.Preference, key)
			}
			places := map[string]int{}
			for i, take := range res.Takes {
				places[take.Name] = i
			}
			for _, p := range key["pairs"].([]any) {
				first, second := places[p.([]any)[0].(string)], places[p.([]any)[1].(string)]
				if first == second {
					if a.Preference.SameTake != first || a.Preference.Same != listening.First {
						t.Errorf("identical pair: %+v", a.Preference)
					}
					continue
				}
				lo, hi, want := first, second, listening.First
				if lo > hi {
					lo, hi, want = second, first, listening.Second
				}
				if got := a.Preference.Pairs[lo*4-lo*(lo+1)/2+hi-lo-1]; got != want {
					t.Errorf("pair %v: %v instead of %v", p, got, want)
				}
			}
			accessible(t, ctx, "preference, result")
			click(t, ctx, "#blind-preference > summary")

			opened(t, ctx, "blind-ratings")
			accessible(t, ctx, "ratings, plan")
			click(t, ctx, "#blind-ratings button.main")
			until(t, ctx, `document.querySelectorAll('#blind-ratings input[type=range]').length === 4`)
			seal = eval[string](t, ctx, `document.querySelector('#blind-ratings`+sealShown)
			accessible(t, ctx, "ratings, running")
			const done = `[...document.querySelectorAll('#blind-ratings button.main')].at(-1)`
			eval[bool](t, ctx, `document.querySelectorAll('#blind-ratings input[type=range]').forEach((s, i) => { s.value = 10 * i + 50; s.dispatchEvent(new Event('input')) }), true`)
			for _, k := range []string{"0", "a", "b", "c", "d"} {
				if !eval[bool](t, ctx, done+`.ariaDisabled === 'true'`) {
					t.Errorf("done before %s is heard", k)
				}
				eval[bool](t, ctx, done+`.click(), true`)
				press(t, ctx, k)
			}
			eval[bool](t, ctx, done+`.click(), true`)
			a, key = answerCode(t, ctx, "blind-ratings", seal)
			if a.Ratings == nil {
				t.Fatal("no ratings")
			}
			for i, o := range key["order"].([]any) {
				name, want := o.([]any)[1].(string), 10*i+50
				got, ok := a.Ratings.Hidden, name == "hidden copy of the reference"
				if name == "low-passed copy of the reference" {
					got, ok = a.Ratings.Anchor, true
				}
				if k, take := places[name]; take {
					got, ok = a.Ratings.Takes[k], true
				}
				if !ok || got != want {
					t.Errorf("%s: rated %d, the code says %d", name, want, got)
				}
			}
			if r := a.Ratings.Takes; r[0] != listening.NotRated || r[3] != listening.NotRated {
				t.Errorf("the open reference or its repeat is rated: %v", r)
			}
			if n := eval[int](t, ctx, `Evenhand.blind.recall('answers', []).length`); n != 4 {
				t.Errorf("%d answers kept", n)
			}
			accessible(t, ctx, "ratings, result")
			quietBrowser(t, bad)
		})
	}
}

func inPercent(v float64) string {
	return strconv.FormatFloat(math.Round(v*100), 'f', 0, 64) + "\u00a0%"
}

// Hidden orders are uniform, keys of equal tests differ, the anchor is what it
// claims, and each take comes first as often as second.
func TestBlindChance(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, false, 1000, "")
	opened(t, ctx, "blind-trials")
	const draws = 60000
	counts := eval[map[string]float64](t, ctx, fmt.Sprintf(`(() => { const n = {}; for (let i = 0; i < %d; i++) { const k = Evenhand.blind.shuffle([0, 1, 2, 3, 4]).join(''); n[k] = (n[k] || 0) + 1; } return n })()`, draws))
	chi := 0.0
	for _, n := range counts {
		chi += math.Pow(n-draws/120.0, 2) / (draws / 120.0)
	}
	// 120 orders, 119 degrees of freedom: 207 is exceeded once in a million
	// fair runs (Wilson and Hilferty, Proc. Natl. Acad. Sci. 17, 1931).
	if len(counts) != 120 || chi > 207 {
		t.Errorf("%d orders, chi-square %.1f", len(counts), chi)
	}
	coins := eval[[]float64](t, ctx, fmt.Sprintf(`(() => { const n = [0, 0, 0]; for (let i = 0; i < %d; i++) n[Evenhand.blind.random(3)]++; return n })()`, draws))
	chi = 0
	for _, n := range coins {
		chi += math.Pow(n-draws/3, 2) / (draws / 3)
	}
	if chi > 27.6 { // two degrees of freedom: once in a million, −2·ln(1e−6)
		t.Errorf("draws of three: %v", coins)
	}
	for n := 2; n <= 9; n++ {
		for _, reach := range []int{1, 2, n} {
			pairs := eval[[][2]int](t, ctx, fmt.Sprintf(`Evenhand.blind.pairs(%d, %d)`, n, reach))
			seen, first, all := map[[2]int]bool{}, make([]int, n), make([]int, n)
			for _, p := range pairs {
				k := [2]int{min(p[0], p[1]), max(p[0], p[1])}
				if p[0] == p[1] || seen[k] {
					t.Errorf("%d takes: pair %v twice or of one take", n, p)
				}
				seen[k] = true
				first[p[0]]++
				all[p[0]]++
				all[p[1]]++
			}
			if reach == n && len(pairs) != n*(n-1)/2 {
				t.Errorf("%d takes: %d pairs instead of all", n, len(pairs))
			}
			for i := range n {
				if all[i] != all[0] {
					t.Errorf("%d takes, reach %d: unequal shares %v", n, reach, all)
				}
				if d := 2*first[i] - all[i]; d < -1 || d > 1 {
					t.Errorf("%d takes, reach %d: take %d is first in %d of %d", n, reach, i, first[i], all[i])
				}
			}
		}
	}
	if eval[bool](t, ctx, `Evenhand.blind.seal({a: 1}).hash === Evenhand.blind.seal({a: 1}).hash`) {
		t.Error("two seals of one key are alike: the key could be guessed")
	}
	checkAnchor(t, eval[[][2]float64](t, ctx, anchorTones))
	quietBrowser(t, bad)
}

// anchorTones is what the anchor makes of tones: how much it lets through of each, in dB,
// and by how much it turns it, in rad.
const anchorTones = `(async () => {
		const rate = 48000, out = [];
		for (const f of [100, 1000, 3000, 3500, 4000, 4500, 8000]) {
			const b = new AudioBuffer({length: rate, sampleRate: rate}), x = b.getChannelData(0);
			for (let i = 0; i < rate; i++) x[i] = .1 * Math.sin(2 * Math.PI * 700 * i / rate) + .1 * Math.sin(2 * Math.PI * f * i / rate);
			const y = (await Evenhand.blind.anchor([b], [rate])).buffers[0].getChannelData(0);
			const at = g => { let s = 0, c = 0; for (let i = rate / 4; i < rate * 3 / 4; i++) { s += y[i] * Math.sin(2 * Math.PI * g * i / rate); c += y[i] * Math.cos(2 * Math.PI * g * i / rate); } return [Math.hypot(s, c), Math.atan2(c, s)]; };
			out.push([20 * Math.log10(at(f)[0] / at(700)[0]), at(f)[1]]);
		}
		return out })()`

// checkAnchor checks what anchorTones returns. Source: ITU-R BS.1534-3, 5.1, low-range
// anchor, from memory: within ±0.1 dB up to 3.5 kHz, at least 25 dB down at 4 kHz and 50 dB
// at 4.5 kHz. In the pass band it is not late either: against the tone that went in, its
// phase is 0.
func checkAnchor(t *testing.T, tones [][2]float64) {
	t.Helper()
	for i, c := range []struct{ f, low, high float64 }{{100, -0.1, 0.1}, {1000, -0.1, 0.1}, {3000, -0.1, 0.1}, {3500, -0.1, 0.1}, {4000, -300, -25}, {4500, -300, -50}, {8000, -300, -50}} {
		got := tones[i]
		if got[0] < c.low || got[0] > c.high {
			t.Errorf("anchor at %v Hz: %.2f dB, allowed %v to %v", c.f, got[0], c.low, c.high)
		}
		if c.high > 0 && math.Abs(got[1]) > 1e-3 {
			t.Errorf("anchor at %v Hz: turned by %.4f rad", c.f, got[1])
		}
	}
}

// SHA-256 against the standard's examples and Go at lengths around a block.
//
// Source: FIPS 180-4 examples ("abc"; the two-block message), from memory.
func TestHashInTheBrowser(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, _ := visit(t, dir, false, 1000, "")
	eval[bool](t, ctx, `Evenhand.need('hash.js').then(() => true)`)
	hash := func(code string) string {
		return eval[string](t, ctx, `Evenhand.sha256(`+code+`)`)
	}
	for text, want := range map[string]string{
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
		"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
	} {
		if got := hash(fmt.Sprintf(`new TextEncoder().encode(%q)`, text)); got != want {
			t.Errorf("%q: %s", text, got)
		}
	}
	for _, n := range []int{55, 56, 63, 64, 65, 119, 120, 100000} {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(i * 7)
		}
		want := sha256.Sum256(b)
		if got := hash(fmt.Sprintf(`Uint8Array.from({length: %d}, (_, i) => i * 7)`, n)); got != hex.EncodeToString(want[:]) {
			t.Errorf("%d bytes: %s", n, got)
		}
	}
}

// The page's own measurement agrees with the program's and with ffmpeg's, and
// tells when a file is another one.
func TestRecheckInTheBrowser(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	var ctx context.Context
	for _, overHTTP := range []bool{true, false} {
		var bad func() []string
		ctx, bad = visit(t, dir, overHTTP, 360, "")
		opened(t, ctx, "recheck")
		click(t, ctx, "#recheck-run")
		until(t, ctx, `/agree|differ|Sorry/.test(document.querySelector('#recheck [role=status]').textContent)`)
		if got := eval[string](t, ctx, `document.querySelector('#recheck [role=status]').textContent`); got != fmt.Sprintf("All %d comparisons agree.", 4*len(res.Takes)) {
			t.Error(got)
		}
		if said := eval[bool](t, ctx, `document.getElementById('recheck').textContent.includes('compare them with checksums.sha256')`); said == overHTTP {
			t.Errorf("over HTTP: %v; that the audio files themselves are not measured is said: %v", overHTTP, said)
		}
		accessible(t, ctx, "measured again")
		quietBrowser(t, bad)
	}
	got := eval[[][]float64](t, ctx, `(async () => { const out = []; for (const t of Evenhand.comparison.takes) { const m = await Evenhand.recheck.measure(t, Evenhand.comparison.rate, () => {}); out.push([m.integrated, m.peak, m.frames]); } return out })()`)
	ffmpeg := oracle.Look(t, "ffmpeg")
	for i, take := range res.Takes {
		p := take.Published
		if d := got[i][0] - float64(p.Integrated); math.Abs(d) > 0.001 {
			t.Errorf("%s: %.4f LUFS here, %.4f in Go", take.Name, got[i][0], float64(p.Integrated))
		}
		if d := got[i][1] - float64(p.SamplePeak); math.Abs(d) > 0.0001 || int64(got[i][2]) != p.Frames {
			t.Errorf("%s: peak %.5f here, %.5f in Go; %v frames", take.Name, got[i][1], float64(p.SamplePeak), got[i][2])
		}
		if ffmpeg == "" {
			continue
		}
		out, ferr := exec.Command(ffmpeg, "-nostats", "-hide_banner", "-i", filepath.Join(dir, p.Path), "-af", "ebur128=metadata=1,ametadata=print:key=lavfi.r128.I:file=-", "-f", "null", "-").Output()
		all := regexp.MustCompile(`lavfi\.r128\.I=(-[0-9.]+)`).FindAllSubmatch(out, -1)
		if ferr != nil || len(all) == 0 {
			t.Fatalf("ffmpeg: %v", ferr)
		}
		v, _ := strconv.ParseFloat(string(all[len(all)-1][1]), 64)
		t.Logf("%s: here less ffmpeg %+.4f LU", take.Name, got[i][0]-v)
		if math.Abs(got[i][0]-v) > 0.02 {
			t.Errorf("%s: %.3f LUFS here, %.3f by ffmpeg", take.Name, got[i][0], v)
		}
	}

	// The header of a file is another one, or two files changed places.
	splitting := res.Takes[1].Published.Path
	changed, err := os.ReadFile(filepath.Join(dir, splitting))
	must(t, err)
	changed[30]++ // the MD5 of the samples; RFC 9639, 8.2
	files, exchanged := http.FileServer(http.Dir(dir)), false
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.URL.Path == "/"+splitting && exchanged:
			r.URL.Path = "/" + res.Takes[0].Published.Path
		case r.URL.Path == "/"+splitting:
			http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(changed))
			return
		}
		files.ServeHTTP(w, r)
	}))
	defer s.Close()
	for range 2 {
		ctx, _ = visitAt(t, s.URL+"/", 1000, "")
		opened(t, ctx, "recheck")
		click(t, ctx, "#recheck-run")
		until(t, ctx, `/agree|differ|Sorry/.test(document.querySelector('#recheck [role=status]').textContent)`)
		if exchanged {
			if text := eval[string](t, ctx, `document.querySelector('#recheck [role=status]').textContent`); !strings.HasPrefix(text, "Sorry: audio/splitting.flac has ") {
				t.Errorf("the exchanged file is not named: %s", text)
			}
		} else if text := eval[string](t, ctx, `document.querySelector('#recheck tbody tr:nth-child(2)').textContent`); !strings.Contains(text, "differs: audio/splitting.flac") {
			t.Errorf("the changed file is not named: %s", text)
		}
		exchanged = true
	}
}
