package clock

import (
	"math"
	"slices"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
	"evenhand/examples/studio"
)

func shortScore(kind int) studio.Score {
	if kind == 1 {
		return studio.Score{Length: 8, Parts: []studio.Part{{Start: 0.5, Tempo: 96, Step: 0.5, Ring: true,
			Notes: "60 42 30 20 10 20 30 42 53 42 30 21 10 21 30 42 60+52+42 . . ."}}}
	}
	return studio.Score{Length: 8, Parts: []studio.Part{{Start: 0.5, Tempo: 112, Step: 0.5,
		Notes: "60m 60m 63 60m 65 . 60+52+42 . 61 60m 66 65 63 . 37 39 29 . 37 . 63+52+40 ."}}}
}

// TestSamePerformance compares each take with its own dry recording and with
// those of other passes of the same score by the same hands: none is taken for
// what it is not.
func TestSamePerformance(t *testing.T) {
	passes := []uint64{11, 12, 13}
	scores := 2
	circuits := chains(t)[1:4]
	if raceDetector {
		passes, scores, circuits = passes[:2], 1, circuits[:1]
	}
	counts := map[bool]map[Outcome]int{true: {}, false: {}}
	widest, narrowest := unit.Seconds(0), unit.Seconds(1)
	for kind := range scores {
		var plays [][]float64
		var dry []*align.Memory
		var lines []*align.Feature
		for _, seed := range passes {
			plays = append(plays, performance(t, seed, shortScore(kind)))
			x := align.NewMemory(rate, plays[len(plays)-1])
			f, err := align.NewFeature(x, align.Options{})
			if err != nil {
				t.Fatal(err)
			}
			dry, lines = append(dry, x), append(lines, f)
		}
		for _, c := range circuits {
			for i := range passes {
				wet := align.NewMemory(rate, through(plays[i], c.Chain))
				// Played to one click and recorded alike, another pass has the
				// lag of this one.
				g, err := lines[i].Follow(wet)
				if err != nil {
					t.Fatal(err)
				}
				e, err := align.Between(lines[i], g)
				if err != nil {
					t.Fatal(err)
				}
				for j := range dry {
					e := e
					if i != j {
						e.Windows = nil
					}
					v, err := SamePerformance(dry[j], wet, e, nil)
					if err != nil {
						t.Fatal(err)
					}
					counts[i == j][v.Outcome]++
					if i == j {
						widest = max(widest, v.Spread)
					} else {
						narrowest = min(narrowest, v.Spread)
					}
					wrong := Different
					if i != j {
						wrong = Same
					}
					if v.Outcome == wrong || i == j && v.Outcome != Same {
						t.Errorf("score %d, %s, pass %d against %d: %+v", kind, c.Name, i, j, v)
					}
				}
			}
		}
	}
	two := counts[false]
	t.Logf("one performance: %v, spread at most %.2f ms; two: %v, spread at least %.2f ms", counts[true], 1000*float64(widest), two, 1000*float64(narrowest))
	if n := two[Different] + two[Uncertain]; 6*two[Different] < 5*n {
		t.Errorf("of %d pairs of two performances %d were told", n, two[Different])
	}
}

// TestDivider: a flip-flop at half the pitch begins its tones when it turns over,
// so that notes scatter more. One performance is never called two there, nor two
// one.
func TestDivider(t *testing.T) {
	var plays [][]float64
	for seed := range uint64(3) {
		plays = append(plays, performance(t, 60+seed, riff()))
	}
	for i, x := range plays {
		y := gear{divide}.play(x, uint64(i))
		e := find(t, x, y)
		for j, z := range plays {
			e := e
			if i != j {
				e.Windows = nil
			}
			v, err := SamePerformance(align.NewMemory(rate, z), align.NewMemory(rate, y), e, nil)
			t.Logf("pass %d against %d: %s, %s", i, j, v.Outcome, v.Basis)
			if err != nil || i == j && v.Outcome == Different || i != j && v.Outcome == Same {
				t.Errorf("pass %d against %d: %+v, %v", i, j, v, err)
			}
		}
	}
}

// divide is an octave divider: the fundamental turns a square wave over, whose
// level follows slowly.
func divide(x []float64) {
	low, level := slices.Clone(x), slices.Clone(x)
	for range 2 {
		lowPass(low, 300)
	}
	for i, v := range low {
		level[i] = math.Abs(v)
	}
	for range 2 {
		lowPass(level, 20)
	}
	side, up := 1.0, false
	for i, v := range low {
		switch e := level[i]; {
		case !up && v > 0.3*e && e > 0.002:
			up, side = true, -side
		case up && v < -0.3*e && e > 0.002:
			up = false
		}
		x[i] = 2 * side * level[i]
	}
	for range 2 {
		lowPass(x, 900)
	}
}

// TestOneLag: high gain can smear the beginnings of notes as two passes scatter
// them. Where the phase keeps one lag they are not called two, and between two
// passes it never does.
func TestOneLag(t *testing.T) {
	plays := [][]float64{performance(t, 11, riff()), performance(t, 12, riff())}
	dry := []*align.Memory{align.NewMemory(rate, plays[0]), align.NewMemory(rate, plays[1])}
	circuits := []string{"crunch", "high gain", "cascade"}
	if raceDetector {
		circuits = circuits[:1]
	}
	for _, name := range circuits {
		for i, x := range plays {
			y := otherGear[name].play(x, uint64(i))
			wet, e := align.NewMemory(rate, y), find(t, x, y) // another pass to one click has the lag of this one
			for j := range plays {
				found, err := FindSlips(dry[j], wet, e, Params{})
				if err != nil {
					t.Fatal(err)
				}
				if one := found.oneLag(rate); one && i != j || !one && i == j && name == "crunch" {
					t.Errorf("%s, pass %d against %d: one lag %v, %+v", name, i, j, one, found)
				}
				if i == j {
					continue
				}
				e := e
				e.Windows = nil
				for _, scatter := range []float64{math.NaN(), 1e-5 * rate, 2e-4 * rate} {
					v, err := SamePerformance(dry[j], wet, e, &Slips{Windows: 2 * soundOf, Scatter: unit.Samples(scatter)})
					want := Different
					if scatter == 1e-5*rate {
						want = Uncertain
					}
					if err != nil || v.Outcome != want {
						t.Errorf("%s, pass %d against %d, scatter %v: %+v, %v", name, i, j, scatter, v, err)
					}
				}
			}
		}
	}
}

// TestSameOfNothing: what cannot be told is uncertain and says why.
func TestSameOfNothing(t *testing.T) {
	x := session()[0].x
	for _, y := range [][]float64{make([]float64, len(x)), x[:rate/2]} {
		v, err := SamePerformance(align.NewMemory(rate, x), align.NewMemory(rate, y), find(t, x, y), nil)
		if err != nil || v.Outcome != Uncertain || v.Basis == "" {
			t.Errorf("%+v, %v", v, err)
		}
	}
	if _, err := SamePerformance(align.NewMemory(rate, x), align.NewMemory(44100, x), align.Estimate{}, nil); err == nil {
		t.Error("no error for different rates")
	}
}

// TestWrongPlace: where the estimate is that of another place of music that
// repeats, the notes find the right one.
func TestWrongPlace(t *testing.T) {
	s := session()
	e := find(t, s[0].x, s[1].x)
	e.Lag += 0.6 * rate
	e.Confidence = 1
	v, err := SamePerformance(align.NewMemory(rate, s[0].x), align.NewMemory(rate, s[1].x), e, nil)
	if err != nil || v.Outcome != Same || math.Abs(float64(v.Moved)+0.6) > 0.005 {
		t.Errorf("%+v, %v", v, err)
	}
}

func BenchmarkClock(b *testing.B) {
	s := session()
	x, y := align.NewMemory(rate, s[0].x), align.NewMemory(rate, s[1].x)
	e := find(b, s[0].x, s[1].x)
	for name, f := range map[string]func() error{
		"FindSlips":       func() error { _, err := FindSlips(x, y, e, Params{}); return err },
		"SamePerformance": func() error { _, err := SamePerformance(x, y, e, nil); return err },
		"RateRatio":       func() error { _, err := RateRatio(x, y); return err },
	} {
		b.Run("call="+name+"/rate=48000", func(b *testing.B) {
			for b.Loop() {
				if err := f(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(s[0].x))/rate*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}
