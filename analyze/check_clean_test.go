package analyze

import (
	"math"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/studio"
)

// TestClean asks that material of all kinds, fairly compared, fails nothing.
// Where a kind has too few notes to tell, checks may say that they could not.
func TestClean(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	riff := sceneScore()
	staccato := studio.Score{Length: 9.4, Parts: []studio.Part{
		{Name: "Fast", Start: 1.2, Tempo: 170, Step: 0.25, Notes: "60m 60m 60m 63m 60m 60m 65m 60m 60m 60m 63m 60m 66m 65m 63m 60m 60m 60m 60m 63m 60m 60m 65m 60m 60m 60m 63m 60m 66m 65m 63m 60m"},
		{Name: "Slower", Start: 5.2, Tempo: 140, Step: 0.5, Notes: "60m - 63m - 60m 65m - 60m - 60m 63m 60m 66m 65m"},
	}}
	held := studio.Score{Length: 9.4, Parts: []studio.Part{
		{Name: "Chord", Start: 1.2, Tempo: 60, Step: 1, Notes: "60+52+42+30+20+10 . . .", Ring: true},
		{Name: "Another", Start: 5.6, Tempo: 60, Step: 1, Notes: "63+55+45 . .", Ring: true},
	}}
	shelf := func(kind studio.Filter) []studio.Filter { return []studio.Filter{kind} }
	circuits := studio.Circuits()
	for _, c := range []struct {
		name    string
		score   studio.Score
		circuit *studio.Circuit
		post    []studio.Filter
		drive   unit.DB
		sustain bool // swelling tones in place of the score
	}{
		{name: "clean", score: riff},
		{name: "crunch", score: riff, drive: 14},
		{name: "saturated", score: riff, circuit: &circuits[2], drive: 20},
		{name: "bright", score: riff, circuit: &circuits[0], post: shelf(studio.Filter{Shape: studio.HighShelf, Hz: 2500, Q: 0.7, DB: 12})},
		{name: "dark", score: riff, circuit: &circuits[0], post: shelf(studio.Filter{Shape: studio.HighShelf, Hz: 800, Q: 0.7, DB: -18})},
		{name: "fast staccato", score: staccato, circuit: &circuits[3]},
		{name: "held chords", score: held, circuit: &circuits[1]},
		{name: "sustained feedback", score: riff, drive: 10, sustain: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			dry, err := studio.Performance(sceneRate, 11, c.score)
			if err != nil {
				t.Fatal(err)
			}
			if c.sustain {
				for i := range dry {
					x := float64(i) / sceneRate
					swell := 0.5 - 0.5*math.Cos(2*math.Pi*x/9.4)
					dry[i] = 0.2*swell*math.Sin(2*math.Pi*(196*x+0.8*math.Sin(2*math.Pi*5*x))) + 1e-4*dry[i]
				}
			}
			s := newScene(t)
			open, _ := studio.Open("four-fuzzes")
			for i, name := range []string{"one", "two", "again"} {
				k := open.Takes[0].Chain
				k.Mics, k.Circuit, k.Extra, k.Seed = k.Mics[:1], c.circuit, 4000, uint64(50+i)
				k.Lag = []unit.Samples{100, 31, 140}[i]
				k.Amp.Post = append(append([]studio.Filter{}, k.Amp.Post...), c.post...)
				if i == 1 {
					k.Amp.Drive += 6
				}
				k.Amp.Drive += c.drive
				x := studio.Render(dry, k)
				peak := 0.0
				for _, v := range x[0] {
					peak = max(peak, math.Abs(v))
				}
				s.files[name] = [][]float64{scaled(x[0], -7-20*math.Log10(peak))}
			}
			s.files["dry"] = [][]float64{dry}
			loop := make([]float64, len(dry)+64)
			copy(loop[64:], dry)
			s.files["loop"] = [][]float64{loop}
			res := s.check(t)
			for _, k := range res.Checks {
				switch k.Outcome {
				case Fails:
					t.Errorf("%s, %s: %s, %s", k.ID, k.Subject, k.Value, k.Reason)
				case Caution:
					t.Logf("%s, %s: %s, %s", k.ID, k.Subject, k.Value, k.Reason)
				}
			}
		})
	}
}
