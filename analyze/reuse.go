package analyze

import "evenhand/analyze/store"

// heard is a signal as the stages of measuring are given it: what they make of it
// depends on nothing else of the signal.
type heard struct {
	SHA256 string // of the file
	Mix    [][]float64
}

func (s *signal) heard() heard { return heard{s.sha256, s.mix} }

// stretch is a stretch of frames, in those of a file or of the timeline.
type stretch struct{ First, Frames int64 }

// once returns what make makes of in and the signals of, as it is in the store where
// it was made before. What was made of a recording that changed meanwhile is not
// kept: the error is a *ChangedError then.
func once[In, Out any](s *Session, stage string, in In, of []*signal, make func() (Out, error)) (Out, error) {
	return store.Do(s.store, stage, in, func() (Out, error) {
		out, err := make()
		for _, sig := range of {
			if err == nil {
				err = sig.input.unchanged()
			}
		}
		return out, err
	})
}
