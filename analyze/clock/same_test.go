package clock

import (
	"fmt"
	"sync"
	"testing"

	"evenhand/analyze/align"
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
// those of other passes of the same score by the same hands.
func TestSamePerformance(t *testing.T) {
	passes := []uint64{11, 12, 13}
	scores := 2
	circuits := chains(t)
	if raceDetector {
		passes, scores, circuits = passes[:2], 1, circuits[:2]
	}
	type outcome struct{ same, different, uncertain int }
	var mine, others outcome
	var mu sync.Mutex
	for kind := range scores {
		var dry [][]float64
		for _, seed := range passes {
			dry = append(dry, performance(t, seed, shortScore(kind)))
		}
		for _, c := range circuits {
			for i := range dry {
				wet := through(dry[i], c.Chain)
				for j := range dry {
					e := find(t, dry[j], wet)
					v, err := SamePerformance(align.NewMemory(rate, dry[j]), align.NewMemory(rate, wet), e, nil)
					if err != nil {
						t.Fatal(err)
					}
					mu.Lock()
					o := &mine
					if i != j {
						o = &others
					}
					switch v.Outcome {
					case Same:
						o.same++
					case Different:
						o.different++
					default:
						o.uncertain++
					}
					t.Log(fmt.Sprintf("score %d, %s, pass %d against %d: %s, %d/%d onsets, spread %.2f ms, windows %.3f ms, %.1f decades, conf %.1f: %s",
						kind, c.Name, i, j, v.Outcome, v.Onsets, v.Notes, 1000*float64(v.Spread), 1000*float64(v.Windows), float64(v.Sureness), float64(e.Confidence), v.Basis))
					mu.Unlock()
				}
			}
		}
	}
	t.Logf("one performance: %+v; two: %+v", mine, others)
}
