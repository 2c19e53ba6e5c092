package analyze

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/report/sentences"
)

// manyTakes writes a comparison of n short takes, each distorted differently, in the
// reverse order of their names.
func manyTakes(t *testing.T, n int, reference string) *manifest.Comparison {
	t.Helper()
	const rate, frames = 8000, 5 * 8000
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(64, 1))
	dry := make([]float64, frames)
	for at := 0.3; at < 3.4; at += 0.2 + 0.2*rng.Float64() {
		hz := 80 * math.Pow(2, float64(rng.IntN(24))/12)
		for k := 0; k < rate/2; k++ {
			s := float64(k) / rate
			dry[int(at*rate)+k] += 0.2 * math.Exp(-8*s) * (math.Sin(2*math.Pi*hz*s) + 0.4*math.Sin(6*math.Pi*hz*s))
		}
	}
	write := func(name string, f func(v float64) float64) {
		w, err := wavio.Create(filepath.Join(dir, name), wavio.Spec{SampleRate: rate, Channels: 1, Bits: 24})
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, frames)
		for i, v := range dry {
			x[i] = f(v)
		}
		if err := w.Write([][]float64{x}); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	write("dry.wav", func(v float64) float64 { return v })
	text := "title: Many\nvaries: circuit\nmains: 50 Hz\nperformance: {dry: dry.wav}\nchain: [{slot: circuit}]\n"
	if reference != "" {
		text += "reference: " + reference + "\n"
	}
	text += "takes:\n"
	for i := range n {
		drive := 1 + 8*float64(i)/float64(n)
		write(fmt.Sprintf("%d.wav", i), func(v float64) float64 { return 0.4*math.Tanh(drive*v) + 1e-4*rng.NormFloat64() })
		text += fmt.Sprintf("  - {name: Take %03d, file: %d.wav, circuit: {device: D%d}}\n", n-i, i, i)
	}
	path := filepath.Join(dir, "many.yaml")
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	c, err := manifest.Load(path, fairness.CheckLimit)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestPairs: up to 64 takes every one is compared with every other; of 65 each with the
// reference only or, without one, with the take that the others are aligned to. What
// was not compared is said to be not measured.
func TestPairs(t *testing.T) {
	for _, c := range []struct {
		takes           int
		reference, with string
		file            result.Standing
	}{
		{64, "", "", result.ExcludedByMeasurement},
		{65, "", "Take 001", result.NotExcluded},
		{65, "Take 040", "Take 040", result.NotExcluded},
	} {
		if campaign.Raced && c.with != "" {
			continue // the same code, with fewer pairs
		}
		s, err := Measure(context.Background(), manyTakes(t, c.takes, c.reference), Options{Version: "test", ChecksOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		s.Check()
		s.Result = sentences.Result(s.Result)
		res := s.Result
		if res.Parameters.PairsWith != c.with {
			t.Errorf("%d takes, reference %q: pairs with %q, want %q", c.takes, c.reference, res.Parameters.PairsWith, c.with)
		}
		want, k := 0, 0
		for a := range res.Takes {
			for b := a + 1; b < len(res.Takes); b++ {
				x, y := res.Takes[a].Name, res.Takes[b].Name
				if c.with != "" && x != c.with && y != c.with {
					continue
				}
				if want++; k == len(res.Likeness) {
					continue
				}
				l := res.Likeness[k]
				if k++; l.A != x || l.B != y || !(l.Residual < 0) {
					t.Errorf("%d takes, pair %d: %+v, want %s and %s", c.takes, k, l, x, y)
				}
				if k%97 != 0 {
					continue
				}
				// By themselves, not in groups.
				ex := s.excerpt(s.takes[a], res.Takes[a].Alignment.Applied)
				ey := s.excerpt(s.takes[b], res.Takes[b].Alignment.Applied)
				if alone, err := s.likeness([2]int{a, b}, ex, ey); err != nil || alone.Residual != l.Residual || alone.Coherence != l.Coherence {
					t.Errorf("%s and %s: %+v, by themselves %+v, %v", x, y, l, alone, err)
				}
			}
		}
		if len(res.Likeness) != want {
			t.Errorf("%d takes: %d pairs, want %d", c.takes, len(res.Likeness), want)
		}
		for _, x := range res.Checks {
			if x.ID == fairness.IDNearCopy && (x.Outcome == result.Passed) != (c.with == "") {
				t.Errorf("%d takes: copies: %s, %s", c.takes, x.Outcome, x.Reason)
			}
		}
		for _, x := range res.Exclusions {
			if x.Accusation == "one file is used for two takes" && x.Standing != c.file {
				t.Errorf("%d takes: %s, %s", c.takes, x.Standing, x.Because)
			}
		}
		if len(s.groups()) < 2 && c.with == "" {
			t.Error("all excerpts are held at once: the groups are not tried")
		}
	}
}
