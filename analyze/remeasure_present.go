package analyze

import (
	"context"
	"errors"
	"fmt"
	"math"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/noise"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// TakeAgain is what of a take can be measured without the recordings that are
// not there, on the timeline and at the gains of an earlier result. The JSON
// has the fields of Take.
type TakeAgain struct {
	Name     string            `json:"name"`
	Slug     string            `json:"slug"`
	File     string            `json:"file"`
	Signal   string            `json:"signal"`
	Measures []result.Measures `json:"measures"`
	Gain     unit.DB           `json:"gain_db"`
	Noise    NoiseAgain        `json:"noise"`
}

// NoiseAgain has those fields of Noise that come from the take alone.
type NoiseAgain struct {
	AsRecorded result.NoiseLevels `json:"as_recorded"`
	AsMatched  result.NoiseLevels `json:"as_matched"`
}

// RemeasurePresent measures the takes of a comparison whose recordings are
// there, when others are not: along the timeline, the lags and to the target
// of the earlier result, which cannot be found again without all of them.
// missing tells which paths of the manifest are not there. It returns the takes
// and the files that were read.
//
// Errors: *mistake.Error when the earlier result's timeline does not lie in the
// recordings or names other takes, and those of Measure.
func RemeasurePresent(ctx context.Context, c *manifest.Comparison, earlier *result.Result, missing func(path string) bool, opts Options) ([]TakeAgain, []result.File, error) {
	part := *c
	part.Takes = nil
	var stored []*result.Take
	for _, t := range c.Takes {
		if missing(t.File.Path) {
			continue
		}
		k := -1
		for i := range earlier.Takes {
			if earlier.Takes[i].Name == t.Name {
				k = i
			}
		}
		if k < 0 {
			return nil, nil, mistake.Errorf("%s: take %q is not in the results", c.Path, t.Name)
		}
		part.Takes = append(part.Takes, t)
		stored = append(stored, &earlier.Takes[k])
	}
	for _, f := range []**manifest.File{&part.Performance.Dry, &part.Performance.Loopback} {
		if *f != nil && missing((*f).Path) {
			*f = nil
		}
	}
	if len(part.Takes) == 0 {
		return nil, nil, nil
	}
	s := &Session{Measured: fairness.Measured{Manifest: &part}, workers: opts.workers(), onProgress: opts.Progress, absent: opts.Absent}
	defer s.Close()
	s.Result = fairness.NewResult(&part, opts.Version)
	if err := s.readFiles(ctx); err != nil {
		return nil, nil, err
	}
	if err := s.adoptTimeline(earlier, stored); err != nil {
		return nil, nil, &mistake.Error{Problems: []error{err}}
	}
	if err := s.measure(ctx); err != nil {
		return nil, nil, err
	}
	var out []TakeAgain
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		t.Gain = GainTo(s.Takes[i].Whole, earlier.Match.Target)
		for k := range t.Measures {
			m := &t.Measures[k]
			m.Third, m.Sixth, m.Twelfth = s.levels(i, k, 0), s.levels(i, k, 1), s.levels(i, k, 2)
		}
		out = append(out, TakeAgain{
			Name: t.Name, Slug: t.Slug, File: t.File, Signal: t.Signal, Measures: t.Measures, Gain: t.Gain,
			Noise: NoiseAgain{noiseLevels(s.Takes[i].Noise, 0), noiseLevels(s.Takes[i].Noise, t.Gain)},
		})
	}
	return out, s.Result.Files, nil
}

// adoptTimeline takes over where an earlier result found things.
func (s *Session) adoptTimeline(earlier *result.Result, stored []*result.Take) error {
	tl := earlier.Timeline
	if err := plausible(tl); err != nil {
		return err
	}
	if tl.SampleRate != s.Result.Timeline.SampleRate {
		return fmt.Errorf("the results are at %d Hz, the recordings at %d Hz", tl.SampleRate, s.Result.Timeline.SampleRate)
	}
	whole := tl.Spans[0]
	s.Result.Timeline = tl
	for i, sig := range s.takes {
		lag := stored[i].Alignment.Frames()
		if math.IsNaN(float64(stored[i].Alignment.Applied)) || max(lag, -lag) > sig.info.Frames {
			return fmt.Errorf("take %q has a lag of %v samples", stored[i].Name, stored[i].Alignment.Applied)
		}
		s.Takes[i].Frame = lag
		edge := int64(float64(keptEdge) * float64(tl.SampleRate))
		if first := s.firstFrame(i, whole); first < -edge || first > sig.info.Frames-int64(whole.Frames)+edge {
			return fmt.Errorf("the time that all takes share is outside the recording of %q", stored[i].Name)
		}
		// The first results said it by the kind of signal alone.
		if t := stored[i]; t.Widened || t.Signal == signalWideMono || t.Signal == signalWideBlend {
			sig.widen()
			s.Result.Takes[i].Signal = sig.label
		}
	}
	if d := s.dry; d != nil && (whole.FirstFrame < 0 || int64(whole.FirstFrame) > d.info.Frames-int64(whole.Frames)) {
		return errors.New("the time that all takes share is outside the dry recording")
	}
	for _, p := range tl.Pauses {
		s.Quiet = append(s.Quiet, noise.Stretch{First: int64(p.FirstFrame), Frames: int64(p.Frames)})
	}
	return nil
}
