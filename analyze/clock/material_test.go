package clock

import (
	"testing"

	"evenhand/analyze/align"
	"evenhand/examples/studio"
)

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

func find(t testing.TB, a, b []float64) align.Estimate {
	e, err := align.Find(align.NewMemory(rate, a), align.NewMemory(rate, b), align.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// shortScore is a short score of chords that ring, or of notes and chords.
func shortScore(kind int) studio.Score {
	if kind == 1 {
		return studio.Score{Length: 8, Parts: []studio.Part{{Start: 0.5, Tempo: 96, Step: 0.5, Ring: true,
			Notes: "60 42 30 20 10 20 30 42 53 42 30 21 10 21 30 42 60+52+42 . . ."}}}
	}
	return studio.Score{Length: 8, Parts: []studio.Part{{Start: 0.5, Tempo: 112, Step: 0.5,
		Notes: "60m 60m 63 60m 65 . 60+52+42 . 61 60m 66 65 63 . 37 39 29 . 37 . 63+52+40 ."}}}
}
