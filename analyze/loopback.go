package analyze

import (
	"context"
	"path/filepath"

	"evenhand/analyze/level"
	"evenhand/analyze/loopback"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/work"
)

// measureLoopback compares the loopback with the dry recording.
func (s *Session) measureLoopback(ctx context.Context) error {
	perf := s.Manifest.Performance
	if perf.Loopback == nil {
		return nil
	}
	if s.dry == nil {
		s.Result.Loopback = loopback.Of(filepath.ToSlash(perf.Loopback.Path), level.Unmeasured(result.Say("loop.no-dry")), s.ReampTolerance())
		return nil
	}
	var sources [2]*recording.Signal
	for k, sig := range []*recording.Signal{s.dry, s.loopback} {
		type loudest struct {
			Channel int
			Note    result.Text
		}
		found, err := work.Once(s.run, "loudest channel", sig.SHA256, []*recording.Signal{sig}, func() (out loudest, err error) {
			out.Channel, out.Note, err = loopback.LoudestChannel(ctx, sig.Input, sig.Info)
			return out, err
		})
		if err != nil {
			return err
		}
		if found.Note.Found != "" {
			s.tell([]string{"dry recording", "loopback"}[k], "loop.level", "why", found.Note)
		}
		one, err := recording.NewSignal(sig.Path, sig.Info, []int{found.Channel}, nil)
		if err != nil {
			return err
		}
		one.Input, one.SHA256 = sig.Input, sig.SHA256
		sources[k] = one
	}
	if name := s.sameBytes(perf.Loopback.Path); name != "" {
		none := level.Unmeasured(result.Say("loop.same-bytes", "name", name))
		s.Result.Loopback = loopback.Of(filepath.ToSlash(perf.Loopback.Path), none, s.ReampTolerance())
		return nil
	}
	r, err := work.Once(s.run, "loopback", [2]recording.Heard{sources[0].Heard(), sources[1].Heard()}, sources[:], func() (level.Result, error) {
		dry, loop, err := recording.OpenBoth(sources[0], sources[1])
		if err != nil {
			return level.Result{}, err
		}
		defer dry.Close()
		defer loop.Close()
		return level.Compare(dry, loop)
	})
	if err != nil {
		return err
	}
	s.Result.Loopback = loopback.Of(filepath.ToSlash(perf.Loopback.Path), r, s.ReampTolerance())
	return nil
}

// sameBytes returns what else holds the same bytes as a recording of the
// manifest, the dry recording or a take, and "" where nothing does.
func (s *Session) sameBytes(path string) string {
	own := s.FileHash(path)
	if own == "" {
		return ""
	}
	if d := s.Manifest.Performance.Dry; d != nil && s.FileHash(d.Path) == own {
		return "the dry recording"
	}
	for _, i := range s.Result.ByName() {
		if s.takes[i].SHA256 == own {
			return s.Result.Takes[i].Name
		}
	}
	return ""
}
