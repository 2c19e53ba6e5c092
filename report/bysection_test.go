package report

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"evenhand/analyze/loudness"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// The level of a section is the highest that every take reaches under the ceiling, at
// most that of the whole; the expected values are worked out by hand.
func TestMatchSection(t *testing.T) {
	take := func(name string, gain, loud, peak float64) *result.Take {
		m := result.Measures{AudioMeasures: result.AudioMeasures{Integrated: unit.LUFS(loud), TruePeak: unit.DBTP(peak)}}
		return &result.Take{Name: name, Gain: unit.DB(gain), Measures: []result.Measures{{}, m}}
	}
	none := math.Inf(-1)
	for _, c := range []struct {
		name    string
		seconds unit.Seconds
		takes   []*result.Take
		level   float64
		raised  []float64
		reason  string
	}{
		// Both could reach −15 (−30+15, −20+5 of room): −19 is that of the whole.
		{"the level of the whole", 10, []*result.Take{take("A", 10, -30, -16), take("B", 2, -20, -6)}, -19, []float64{1, -1}, ""},
		// B has 1 dB of room as recorded: −24+1.
		{"the ceiling", 10, []*result.Take{take("A", 10, -30, -16), take("B", 2, -24, -2)}, -23, []float64{-3, -1}, ""},
		{"12 dB are allowed", 3, []*result.Take{take("A", 0, -31, -20), take("B", 0, -19, -9)}, -19, []float64{12, 0}, ""},
		{"more are not", 10, []*result.Take{take("A", 0, -31.2, -20), take("B", 0, -19, -9)}, 0, nil, "A would have to be raised by 12.2 dB, and at most 12.0 dB are allowed"},
		{"too short", 2.99, []*result.Take{take("A", 0, -20, -9)}, 0, nil, "it is shorter than 3 s"},
		{"under the gate", 10, []*result.Take{take("A", 0, -20, -9), take("B", 0, none, none)}, 0, nil, "B is too quiet in it to be measured"},
	} {
		m := matchSection(c.takes, 1, c.seconds, -19, -1)
		if m.Reason != c.reason || len(m.Raised) != len(c.raised) || c.reason == "" && math.Abs(float64(m.Level)-c.level) > 1e-9 {
			t.Errorf("%s: %+v", c.name, m)
			continue
		}
		for i, by := range c.raised {
			if math.Abs(float64(m.Raised[i])-by) > 1e-9 {
				t.Errorf("%s: take %d is raised by %v dB, not %v", c.name, i, m.Raised[i], by)
			}
		}
	}
}

// What the page plays of each section, rendered by its own deck and gains, is as loud as
// stated for every take, and under the ceiling; between sections it is what is published.
func TestSectionsPlayEquallyLoud(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	res, dir := playedReport(t)
	d := newPlayerData(res)
	ctx, bad := visit(t, dir, false, 1000, "#levels=sections")
	if !eval[bool](t, ctx, `Evenhand.player.levels === "sections" && document.querySelector('input[value=sections]').checked`) {
		t.Error("the link does not set the levels")
	}
	if words := eval[string](t, ctx, `document.getElementById('note-sections').innerText`); !strings.Contains(words, d.Sections[0].Name+" "+d.Sections[0].level.String()) {
		t.Errorf("the page says %q", words)
	}
	start := int(math.Ceil(0.06 * playedRate)) // Deck's head start
	for _, s := range d.Sections {
		if len(s.Raised) != len(d.Takes) {
			t.Fatalf("%s is not matched: %s", s.Name, s.reason)
		}
		for i := range d.Takes {
			got := rendered(t, ctx, fmt.Sprintf(`
				const P = Evenhand.player;
				P.take = %d;
				const off = new OfflineAudioContext(1, %d, rate), deck = S.Deck(off, voices, cuts);
				deck.lookahead = 60; deck.pos = %d; deck.edges = d.sections.flatMap(s => [s.first, s.first + s.frames]); deck.trimmed = P.trimmed;
				deck.preset(P.mixture().slice(0, voices.length)); deck.start();
				const out = await off.startRendering();`, i, int64(start)+s.Frames, s.First))
			m, err := loudness.NewMeter(playedRate, 1)
			must(t, err)
			must(t, m.Write([][]float64{got[start:]}))
			r := m.Finish()[0]
			if apart := float64(r.Integrated) - float64(s.level); math.Abs(apart) > 0.1 {
				t.Errorf("%s, %s: %.2f LUFS, stated are %.2f", s.Name, d.Takes[i].Name, float64(r.Integrated), float64(s.level))
			}
			if r.TruePeak > res.Parameters.Match.Ceiling+0.1 {
				t.Errorf("%s, %s: %v over the ceiling", s.Name, d.Takes[i].Name, r.TruePeak)
			}
		}
	}
	// A change of levels: in half a second, and no step is larger than its exponential's.
	got := rendered(t, ctx, `
		const one = new AudioBuffer({length: 2 * rate, sampleRate: rate});
		one.getChannelData(0).fill(1);
		const off = new OfflineAudioContext(1, 2 * rate, rate), deck = S.Deck(off, [{buffer: () => one}], [0, 2 * rate]);
		let half = false;
		deck.lookahead = 60; deck.edges = [1.5 * rate]; deck.trimmed = (v, f) => f >= 1.5 * rate ? .25 : half ? .5 : 1;
		deck.preset([1]); deck.start();
		off.suspend(.3).then(() => { half = true; deck.retrim(); off.resume(); });
		const out = await off.startRendering();`)
	at := func(seconds float64) float64 { return got[int(seconds*playedRate)] }
	if math.Abs(at(0.29)-1) > 1e-5 || math.Abs(at(0.8)-0.5) > 0.005 || math.Abs(at(1.55)-0.5) > 1e-4 || math.Abs(at(1.6)-0.25) > 1e-4 {
		t.Errorf("levels go %.4f, %.4f, %.4f, %.4f", at(0.29), at(0.8), at(1.55), at(1.6))
	}
	if step := largestStep(got[int(0.2*playedRate):int(0.9*playedRate)]); step > 0.5/(0.1*playedRate)*1.02 {
		t.Errorf("a step of %.5f", step)
	}
	// By hand: the choice is heard and stands in the address.
	click(t, ctx, "#play")
	until(t, ctx, `Evenhand.player.deck.playing`)
	click(t, ctx, "input[value=whole]")
	until(t, ctx, `Evenhand.player.levels === "whole" && !location.hash.includes("levels") && document.getElementById('note-sections').hidden`)
	click(t, ctx, "input[value=sections]")
	until(t, ctx, `Evenhand.player.levels === "sections" && location.hash.includes("levels=sections")`)
	accessible(t, ctx, "levels by section")
	quietBrowser(t, bad)
}
