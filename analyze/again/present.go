package again

import (
	"context"
	"errors"
	"fmt"
	"math"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/match"
	"evenhand/analyze/mistake"
	"evenhand/analyze/noise"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// Take is what of a take can be measured without the recordings that are
// not there, on the timeline and at the gains of an earlier result. The JSON
// has the fields of Take.
type Take struct {
	Name     string            `json:"name"`
	Slug     string            `json:"slug"`
	File     string            `json:"file"`
	Signal   string            `json:"signal"`
	Measures []result.Measures `json:"measures"`
	Gain     unit.DB           `json:"gain_db"`
	Noise    Noise             `json:"noise"`
}

// Noise has those fields of Noise that come from the take alone.
type Noise struct {
	AsRecorded result.NoiseLevels `json:"as_recorded"`
	AsMatched  result.NoiseLevels `json:"as_matched"`
}

// Present measures the takes of a comparison whose recordings are
// there, when others are not: along the timeline, the lags and to the target
// of the earlier result, which cannot be found again without all of them.
// missing tells which paths of the manifest are not there. It returns the takes
// and the files that were read.
//
// Errors: *mistake.Error when the earlier result's timeline does not lie in the
// recordings or names other takes, and those of Measure.
func Present(ctx context.Context, c *manifest.Comparison, earlier *result.Result, missing func(path string) bool, opts analyze.Options) ([]Take, []result.File, error) {
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
	g, err := analyze.Open(ctx, &part, opts)
	if err != nil {
		return nil, nil, err
	}
	defer g.Close()
	if err := adoptTimeline(g, earlier, stored); err != nil {
		return nil, nil, &mistake.Error{Problems: []error{err}}
	}
	if err := g.Meters(ctx, opts); err != nil {
		return nil, nil, err
	}
	var out []Take
	for i := range g.Result.Takes {
		t := &g.Result.Takes[i]
		t.Gain = match.GainTo(g.Takes[i].Whole, earlier.Match.Target)
		for k := range t.Measures {
			m := &t.Measures[k]
			for scale, levels := range []*[]unit.DB{&m.Third, &m.Sixth, &m.Twelfth} {
				*levels = spectrum.Levels(g.Takes[i].Powers[k][scale].Power, t.Gain)
			}
		}
		out = append(out, Take{
			Name: t.Name, Slug: t.Slug, File: t.File, Signal: t.Signal, Measures: t.Measures, Gain: t.Gain,
			Noise: Noise{analyze.NoiseLevels(g.Takes[i].Noise, 0), analyze.NoiseLevels(g.Takes[i].Noise, t.Gain)},
		})
	}
	return out, g.Result.Files, nil
}

// adoptTimeline takes over where an earlier result found things.
func adoptTimeline(g *analyze.Given, earlier *result.Result, stored []*result.Take) error {
	tl := earlier.Timeline
	if err := plausible(tl); err != nil {
		return err
	}
	if tl.SampleRate != g.Result.Timeline.SampleRate {
		return fmt.Errorf("the results are at %d Hz, the recordings at %d Hz", tl.SampleRate, g.Result.Timeline.SampleRate)
	}
	whole := tl.Spans[0]
	g.Result.Timeline = tl
	for i, sig := range g.Recordings.Takes {
		lag := stored[i].Alignment.Frames()
		if math.IsNaN(float64(stored[i].Alignment.Applied)) || max(lag, -lag) > sig.Info.Frames {
			return fmt.Errorf("take %q has a lag of %v samples", stored[i].Name, stored[i].Alignment.Applied)
		}
		g.Takes[i].Frame = lag
		edge := int64(float64(analyze.KeptEdge) * float64(tl.SampleRate))
		if first := int64(whole.FirstFrame) + lag; first < -edge || first > sig.Info.Frames-int64(whole.Frames)+edge {
			return fmt.Errorf("the time that all takes share is outside the recording of %q", stored[i].Name)
		}
		// The first results said it by the kind of signal alone.
		if t := stored[i]; t.Widened || t.Signal == recording.WideMono || t.Signal == recording.WideBlend {
			sig.Widen()
			g.Result.Takes[i].Signal = sig.Label
		}
	}
	if d := g.Recordings.Dry; d != nil && (whole.FirstFrame < 0 || int64(whole.FirstFrame) > d.Info.Frames-int64(whole.Frames)) {
		return errors.New("the time that all takes share is outside the dry recording")
	}
	for _, p := range tl.Pauses {
		g.Quiet = append(g.Quiet, noise.Stretch{First: int64(p.FirstFrame), Frames: int64(p.Frames)})
	}
	return nil
}
