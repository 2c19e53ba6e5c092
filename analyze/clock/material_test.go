package clock

import (
	"fmt"
	"sync"
	"testing"

	"evenhand/analyze/align"
	"evenhand/examples/studio"
)

// take is one passage through one chain: its first channel; empty for what the
// race detector has no time for.
type take struct {
	name string
	x    []float64
}

const rate = 48000

// riff is a short score of low notes, chords and single notes.
func riff() studio.Score {
	return studio.Score{Length: 14, Parts: []studio.Part{
		{Start: 0.6, Tempo: 108, Step: 0.5, Notes: "60m 60m 63 60m 60m 65 60m 61 60m 60m 63 60m 66 65 63 61 60+52+42 . . ."},
		{Start: 6.6, Tempo: 96, Step: 1, Notes: "60+52+42+30 . 53+42+30 . 63+52+40"},
		{Start: 10, Tempo: 100, Step: 0.5, Firm: 1.5, Notes: "37 39b . 29 27 39 37~ . 49 . 37"},
	}}
}

func performance(t testing.TB, seed uint64, score studio.Score) []float64 {
	x, err := studio.Performance(rate, seed, score)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// chains are the demo's circuits with their amplifier and first microphone,
// and no circuit at all.
func chains(t testing.TB) []studio.Take {
	s, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	out := s.Takes[:5]
	for i := range out {
		out[i].Chain.Mics = out[i].Chain.Mics[:1]
		out[i].Chain.Extra = 0
	}
	return out
}

func through(x []float64, c studio.Chain) []float64 { return studio.Render(x, c)[0] }

var session = sync.OnceValue(func() (out []take) {
	dry, err := studio.Performance(rate, 3, riff())
	if err != nil {
		panic(err)
	}
	out = append(out, take{"dry", dry})
	s, err := studio.Open("four-fuzzes")
	if err != nil {
		panic(err)
	}
	for i, k := range s.Takes[:5] {
		if raceDetector && i != 4 && i != 0 {
			out = append(out, take{k.Name, nil})
			continue
		}
		k.Chain.Mics, k.Chain.Extra = k.Chain.Mics[:1], 0
		out = append(out, take{k.Name, through(dry, k.Chain)})
	}
	return out
})

func find(t testing.TB, a, b []float64) align.Estimate {
	e, err := align.Find(align.NewMemory(rate, a), align.NewMemory(rate, b), align.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// slipped inserts n frames before frame at, or takes −n out there. What is
// inserted repeats what was before.
func slipped(x []float64, at, n int) []float64 {
	y := append([]float64(nil), x[:at]...)
	if n > 0 {
		y = append(y, x[at-n:at]...)
	}
	return append(y, x[at+max(0, -n):]...)
}

func name(a, b take) string { return fmt.Sprintf("%s → %s", a.name, b.name) }
