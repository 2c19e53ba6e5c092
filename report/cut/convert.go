package cut

import (
	"context"
	"math"
	"sync"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/loudness"
	"evenhand/analyze/match"
	"evenhand/analyze/mistake"
	"evenhand/analyze/resample"
	"evenhand/analyze/unit"
)

// play hands a voice's audio to f at the edit's rate, matched and aligned as
// the session has it, without the trim. It returns how many frames there were.
func (p *plan) play(ctx context.Context, v *voice, f func([][]float64) error) (frames int64, err error) {
	count := func(block [][]float64) error {
		frames += int64(len(block[0]))
		return f(block)
	}
	if !p.resampled() {
		err = p.s.Play(ctx, v.take, p.whole, count)
		return frames, err
	}
	conv, err := resample.New(p.res.Timeline.SampleRate, p.rate, p.channels())
	if err != nil {
		return 0, err
	}
	err = p.s.Play(ctx, v.take, p.whole, func(block [][]float64) error { return conv.Write(block, count) })
	if err == nil {
		err = conv.Finish(count)
	}
	return frames, err
}

// settle makes up for what a conversion does to level and peaks: what lies
// above the pass band is gone, and peaks may grow. Each take is measured once
// converted and gets a small trim; if a peak would pass the ceiling, all takes
// come down together, in steps of 0.1 LU. Without a conversion there is nothing
// to do.
func (p *plan) settle(ctx context.Context, step func(int64)) error {
	p.target = p.res.Match.Target
	if !p.resampled() {
		return nil
	}
	found := make([]loudness.Measurement, len(p.voices))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(p.o.Workers)
	var mu sync.Mutex
	for i := range p.voices {
		g.Go(func() error {
			m, err := loudness.NewMeter(p.rate, p.channels())
			if err != nil {
				return err
			}
			if _, err := p.play(ctx, &p.voices[i], m.Write); err != nil {
				return err
			}
			mu.Lock()
			step(p.frames)
			mu.Unlock()
			found[i] = m.Finish()[0]
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	ceiling, highest := p.res.Parameters.Match.Ceiling, p.target
	for i, v := range p.voices {
		if math.IsInf(float64(found[i].Integrated), -1) {
			return mistake.Errorf("%s: nothing is left above the absolute gate at %d Hz; write the edit at the session's rate of %d Hz",
				p.res.Takes[v.take].Name, p.rate, p.res.Timeline.SampleRate)
		}
		highest = min(highest, found[i].IntegratedAt(unit.DB(ceiling-found[i].TruePeak)))
	}
	if highest < p.target {
		p.target = unit.LUFS(math.Floor(float64(highest)*10) / 10)
		p.note("converting the sample rate raises peaks, so all takes are matched to %s LUFS instead of the report's %s LUFS",
			unit.Format(float64(p.target), 1), unit.Format(float64(p.res.Match.Target), 1))
	}
	for i := range p.voices {
		p.voices[i].trim = match.GainTo(found[i], p.target)
	}
	return nil
}
