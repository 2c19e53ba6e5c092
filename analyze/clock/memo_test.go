package clock

import (
	"math"
	"reflect"
	"sync"
	"testing"

	"evenhand/analyze/align"
)

// TestMemo: what is kept of a recording gives what reading it again gives, but
// for spectra that are kept in 32 bits; the first time as the later ones, and
// while another goroutine keeps the same.
func TestMemo(t *testing.T) {
	s := session()
	a := align.NewMemory(rate, s[0].x)
	var memo Memo
	var wg sync.WaitGroup
	others := []int{2, 5}
	if raceDetector { // only these are made then
		others = []int{5, 5}
	}
	for _, k := range others {
		wg.Go(func() {
			b := align.NewMemory(rate, s[k].x)
			e := find(t, s[0].x, s[k].x)
			plain, err := FindSlips(a, b, e, Params{})
			if err != nil {
				t.Error(err)
				return
			}
			var kept [2]Slips
			for i := range kept {
				if kept[i], err = FindSlips(memo.Of(a), b, e, Params{}); err != nil {
					t.Error(err)
				}
			}
			if !reflect.DeepEqual(kept[0], kept[1]) {
				t.Errorf("%s: first %+v, then %+v", name(s[0], s[k]), kept[0], kept[1])
			}
			if d := math.Abs(float64(kept[0].Drift - plain.Drift)); !(d < 1e-4) || kept[0].Windows != plain.Windows || kept[0].Onsets != plain.Onsets {
				t.Errorf("%s: kept %+v, read again %+v", name(s[0], s[k]), kept[0], plain)
			}
		})
	}
	wg.Wait()
	if len(memo.windows) == 0 || len(memo.windows) > modelWindows {
		t.Errorf("%d windows are kept, allowed 1 to %d", len(memo.windows), modelWindows)
	}
}
