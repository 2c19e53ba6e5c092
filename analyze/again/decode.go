package again

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/flacio"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/noise"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// decode returns the published audio as a comparison whose places and gains are known.
func decode(ctx context.Context, dir, tmp string, earlier *result.Result, opts analyze.Options) (*analyze.Given, error) {
	mains := unit.Hertz(0)
	if earlier.Parameters.Noise.MainsSource == "stated" {
		mains = earlier.Parameters.Noise.Mains
	}
	c := &manifest.Comparison{Mains: mains, Varies: manifest.Varies{Slot: earlier.Comparison.Slot}}
	g := &analyze.Given{Measured: fairness.Measured{Manifest: c, Result: fairness.NewResult(c, opts.Version)}, PageTakes: len(earlier.Takes)}
	if err := plausible(earlier.Timeline); err != nil {
		return nil, &mistake.Error{Problems: []error{err}}
	}
	tl := earlier.Timeline
	g.Result.Timeline = tl
	for _, p := range tl.Pauses {
		g.Quiet = append(g.Quiet, noise.Stretch{First: int64(p.FirstFrame), Frames: int64(p.Frames)})
	}
	g.Result.Match.Target = earlier.Match.Target
	g.Result.Comparison.Tuning = earlier.Comparison.Tuning
	g.Result.Parameters.PairsWith = earlier.Parameters.PairsWith
	var stored []*result.Take
	for i := range earlier.Takes {
		if earlier.Takes[i].Published != nil {
			stored = append(stored, &earlier.Takes[i])
		}
	}
	const most = 500 // as in a manifest
	if len(stored) > most {
		return nil, mistake.Errorf("the results have %d takes; at most %d can be measured", len(stored), most)
	}
	signals := make([]*recording.Signal, len(stored))
	run := opts.Run()
	step := run.Stage("decoding published audio", int64(len(stored)))
	group, gctx := run.Group(ctx)
	for i, t := range stored {
		group.Go(func() (err error) {
			defer step(1)
			signals[i], err = decodePublished(gctx, dir, filepath.Join(tmp, fmt.Sprintf("take%d.wav", i)), t, tl)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	first, anchor := tl.Spans[0].FirstFrame, earlier.AnchorTake()
	for i, t := range stored {
		if signals[i] == nil {
			continue
		}
		if anchor >= 0 && t == &earlier.Takes[anchor] {
			g.Anchor = len(g.Recordings.Takes)
		}
		if t.Name == earlier.Comparison.Reference {
			g.Result.Comparison.Reference = t.Name
		}
		g.Recordings.Takes = append(g.Recordings.Takes, signals[i])
		// What is heard was decided over the floor of the recording. Versions that did
		// not store it counted every band.
		var floor []unit.DB
		for _, v := range t.Floor {
			floor = append(floor, v-t.Gain)
		}
		if len(floor) != len(earlier.Spectrum.Third) {
			floor = nil
		}
		e := fairness.NewTakeEvidence(fairness.Recording{Path: signals[i].Path, Info: signals[i].Info})
		e.Floor, e.Frame = floor, -int64(first)
		g.Takes = append(g.Takes, e)
		take := result.Take{Name: t.Name, Role: t.Role, RepeatOf: t.RepeatOf, Gain: t.Gain, Measures: []result.Measures{}, Alignment: t.Alignment}
		// The file is aligned to the nearest frame; the rest of the lag is in it.
		take.Alignment.Applied = t.Alignment.Applied - unit.Samples(t.Alignment.Frames()) - unit.Samples(first)
		g.Result.Takes = append(g.Result.Takes, take)
	}
	g.Result.Resolution.LeftOut = earlier.Resolution.LeftOut
	for i := range g.Result.Takes {
		if t := &g.Result.Takes[i]; t.RepeatOf != "" && !has(g.Result, t.RepeatOf) {
			t.RepeatOf = ""
		}
	}
	return g, nil
}

// has tells whether a result has a take of that name.
func has(r *result.Result, take string) bool {
	return slices.ContainsFunc(r.Takes, func(t result.Take) bool { return t.Name == take })
}

// decodePublished writes a published file as WAVE and returns the signal that
// it was before the gain; nil when it cannot be decoded.
func decodePublished(ctx context.Context, dir, wav string, t *result.Take, tl result.Timeline) (sig *recording.Signal, err error) {
	d, err := openPublished(dir, t.Published.Path, int64(tl.Spans[0].Frames))
	if err != nil {
		return nil, nil
	}
	defer d.Close()
	info := d.Info()
	if info.Channels < 1 || info.Channels > 2 || info.SampleRate != tl.SampleRate || info.SampleRate < wavio.MinRate || info.SampleRate > wavio.MaxRate {
		return nil, nil
	}
	if gain := float64(t.Gain); math.IsNaN(gain) || math.Abs(gain) > 200 {
		return nil, mistake.Errorf("take %q has a gain of %v", t.Name, t.Gain)
	}
	if lag := float64(t.Alignment.Applied); math.IsNaN(lag) || math.Abs(lag) > 1<<50 {
		return nil, mistake.Errorf("take %q has a lag of %v", t.Name, t.Alignment.Applied)
	}
	w, err := wavio.Create(wav, wavio.Spec{SampleRate: info.SampleRate, Channels: info.Channels, Bits: 24})
	if err != nil {
		return nil, err
	}
	frames, whole, err := copyFrames(ctx, w, d, info.Channels)
	if err = errors.Join(err, w.Close()); err != nil {
		return nil, err
	}
	if !whole || frames != int64(tl.Spans[0].Frames) {
		return nil, nil
	}
	in, err := wavio.Inspect(wav)
	if err != nil {
		return nil, err
	}
	sig, err = recording.NewSignal(wav, in, nil, nil)
	if err != nil {
		return nil, err
	}
	back := unit.ToAmplitude(-float64(t.Gain))
	for c := range sig.Mix {
		sig.Mix[c][c] = back
	}
	// Its own depth tells how coarsely it was rounded.
	sig.Info.Bits = info.Bits
	return sig, nil
}

// copyFrames copies what can be decoded. whole tells whether that is all; the
// error is of writing, or ctx's.
func copyFrames(ctx context.Context, w *wavio.Writer, d *flacio.Decoder, channels int) (frames int64, whole bool, err error) {
	var failed error // of writing
	damaged := recording.EachBlock(ctx, d, channels, func(block [][]float64) error {
		if failed = w.Write(block); failed == nil {
			frames += int64(len(block[0]))
		}
		return failed
	})
	return frames, damaged == nil, cmp.Or(failed, ctx.Err())
}

// plausible tells whether a stored timeline can be measured along.
func plausible(tl result.Timeline) error {
	const most = 1000
	if len(tl.Spans) == 0 || len(tl.Spans) > most || len(tl.Pauses) > most {
		return fmt.Errorf("the results have %d spans and %d pauses; 1 to %d can be measured", len(tl.Spans), len(tl.Pauses), most)
	}
	whole := tl.Spans[0]
	const far = 1 << 50 // frames; sums of two stay whole numbers
	for _, sp := range append(append([]result.Span{}, tl.Spans...), tl.Pauses...) {
		if sp.Frames <= 0 || sp.Frames > far || sp.FirstFrame < -far || sp.FirstFrame > far || sp.FirstFrame < whole.FirstFrame || sp.Frames > whole.Frames || sp.FirstFrame-whole.FirstFrame > whole.Frames-sp.Frames {
			return fmt.Errorf("%q is outside the time that all takes share", sp.Name)
		}
	}
	return nil
}
