package analyze

import (
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/wavio"
)

// TestKeepTime asks that published time stays where the takes lack at most
// 0.1 s of it at either end, and no longer.
func TestKeepTime(t *testing.T) {
	const rate, frames = 1000, 60_000
	for _, c := range []struct {
		name     string
		from, to int64 // what the takes share now
		source   string
		kept     bool
	}{
		{"more at both ends", 500, 59_500, "dry", true},
		{"0.1 s short at the beginning", 1100, 59_000, "dry", true},
		{"0.101 s short at the beginning", 1101, 59_000, "dry", false},
		{"0.1 s short at the end", 1000, 58_900, "dry", true},
		{"0.101 s short at the end", 1000, 58_899, "dry", false},
		{"another dry recording", 500, 59_500, "other", false},
	} {
		recorded := func(sum string) *recording.Signal {
			return &recording.Signal{SHA256: sum, Info: wavio.Info{Frames: frames}}
		}
		s := &Session{
			Measured: fairness.Measured{Manifest: &manifest.Comparison{}, Result: &result.Result{Takes: []result.Take{{Name: "One"}}, Timeline: result.Timeline{SampleRate: rate}},
				Evidence: fairness.Evidence{Takes: make([]fairness.TakeEvidence, 1)}},
			dry: recorded("dry"), takes: []*recording.Signal{recorded("one")},
			earlier: &Earlier{Source: c.source, Whole: result.Span{FirstFrame: 1000, Frames: 58_000}, Takes: []EarlierTake{{SHA256: "one"}}},
		}
		from, to := s.keepTime(c.from, c.to)
		if kept := from == 1000 && to == 59_000; kept != c.kept || !kept && (from != c.from || to != c.to) || kept != (s.Result.Timeline.TimeSource == TimeKept) {
			t.Errorf("%s: %d to %d, %s", c.name, from, to, s.Result.Timeline.TimeSource)
		}
	}
}
