package analyze

import (
	"fmt"
	"slices"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/noise"
	"evenhand/analyze/publish"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// pausedTake is a take with the noise of its pauses, as far above the dither of 16 bits
// as recorded.
type pausedTake struct {
	name   string
	gain   unit.DB
	above  []float64
	closes bool // a gate does, in the last pause
	gated  bool
	silent bool
}

func copiesOf(takes []pausedTake, stated int, depths Depths) *Session {
	s := &Session{Measured: fairness.Measured{Result: &result.Result{}}, copies: stated, depths: depths}
	for _, x := range takes {
		sig := &recording.Signal{SHA256: x.name, Info: wavio.Info{SampleRate: 48000, Bits: 24}}
		e := fairness.NewTakeEvidence(recordingOf(sig))
		e.Noise.Measured = len(x.above) > 0
		for _, db := range x.above {
			e.Noise.PerPause = append(e.Noise.PerPause, noise.PauseLevel{AWeighted: publish.DitherLevel(48000) + unit.DBFS(db)})
		}
		if x.closes {
			e.Noise.PerPause[len(x.above)-1].Closing = &noise.Closing{}
		}
		s.takes, s.Takes = append(s.takes, sig), append(s.Takes, e)
		s.Result.Takes = append(s.Result.Takes, result.Take{Name: x.name, Gain: x.gain, Noise: result.Noise{Measured: e.Noise.Measured, Gated: x.gated, Silent: x.silent}})
	}
	return s
}

// TestCopies: 16 bits where the noise of every pause covers their dither, one depth for
// all, and what was published stays.
func TestCopies(t *testing.T) {
	loud := pausedTake{name: "loud", above: []float64{30, 25}}
	soft := pausedTake{name: "soft", above: []float64{30, 9.9}}
	then := func(bits ...int) Depths {
		d := Depths{Of: map[string]int{}}
		for i, b := range bits {
			d.Of[[]string{"loud", "soft"}[i]], d.Others = b, max(d.Others, b)
		}
		return d
	}
	for _, c := range []struct {
		name   string
		takes  []pausedTake
		stated int
		then   Depths
		bits   []int
		source string
		margin unit.DB // NaN for none
		warns  string
	}{
		{"all are loud", []pausedTake{loud, {name: "b", above: []float64{10.1}}}, 0, Depths{}, []int{16, 16}, CopiesDecided, 10.1, ""},
		{"a pause of one is soft", []pausedTake{loud, soft}, 0, Depths{}, []int{24, 24}, CopiesDecided, 9.9, ""},
		{"the gain makes it loud", []pausedTake{loud, {name: "b", above: []float64{9}, gain: 2}}, 0, Depths{}, []int{16, 16}, CopiesDecided, 11, ""},
		{"the gain makes it soft", []pausedTake{loud, {name: "b", above: []float64{11}, gain: -2}}, 0, Depths{}, []int{24, 24}, CopiesDecided, 9, ""},
		{"a gate closes the soft one", []pausedTake{loud, {name: "b", above: []float64{30, 2}, closes: true}}, 0, Depths{}, []int{16, 16}, CopiesDecided, 25, ""},
		{"the soft one is gated", []pausedTake{loud, {name: "b", above: []float64{2}, gated: true}}, 0, Depths{}, []int{16, 16}, CopiesDecided, 25, ""},
		{"the soft one is silent", []pausedTake{loud, {name: "b", above: []float64{-60}, silent: true}}, 0, Depths{}, []int{16, 16}, CopiesDecided, 25, ""},
		{"no pause", []pausedTake{{name: "a"}, {name: "b"}}, 0, Depths{}, []int{16, 16}, CopiesDecided, unit.DB(nan()), ""},
		{"24 bits are stated", []pausedTake{loud, loud}, 24, Depths{}, []int{24, 24}, CopiesStated, 25, ""},
		{"16 bits are stated", []pausedTake{loud, soft}, 16, then(24, 24), []int{16, 16}, CopiesStated, 9.9, "soft"},
		{"24 bits are kept", []pausedTake{loud, {name: "b", above: []float64{40}}}, 0, then(24), []int{24, 24}, CopiesKept, 25, ""},
		{"16 bits are kept for a soft one", []pausedTake{loud, soft}, 0, then(16), []int{16, 16}, CopiesKept, 9.9, "soft"},
		{"several depths are kept", []pausedTake{loud, soft, {name: "c", above: []float64{40}}}, 0, then(16, 24), []int{16, 24, 24}, CopiesKept, 9.9, ""},
		{"another comparison was there", []pausedTake{{name: "c", above: []float64{40}}}, 0, then(24, 24), []int{16}, CopiesDecided, 40, ""},
	} {
		s := copiesOf(c.takes, c.stated, c.then)
		if err := s.decideCopies(t.Context()); err != nil {
			t.Fatal(err)
		}
		p, warned := s.Result.Parameters.Match, ""
		for _, w := range s.Result.Warnings {
			warned += w.Where
			if w.Found != "copies.near-dither" || w.With["above_db"] != unit.Number(9.9) {
				t.Errorf("%s: %v", c.name, w)
			}
		}
		if !slices.Equal(s.bits, c.bits) || p.CopiesSource != c.source || fmt.Sprintf("%.3f", p.CopiesMargin) != fmt.Sprintf("%.3f", c.margin) || warned != c.warns {
			t.Errorf("%s: %d, %s, %v, warned of %q; want %d, %s, %v, %q", c.name, s.bits, p.CopiesSource, p.CopiesMargin, warned, c.bits, c.source, c.margin, c.warns)
		}
	}
}
