// Package loopback compares the file of a loopback, the reamp output recorded back, with
// the file of the dry recording that was played into it.
package loopback

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"evenhand/analyze/align"
	"evenhand/analyze/foreign"
	"evenhand/analyze/level"
	"evenhand/analyze/mistake"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// louder is how many times the power of an earlier channel a later one has at least to be
// taken instead. Copies at a usual level that differ by rounding to 24 bits are within it.
const louder = 1 + 1e-6

// LoudestChannel returns which channel of a file, from 1, has the most power, and
// what to say of a file with several: interfaces record one input to one side,
// and the mean of a signal and nothing is 6 dB down.
func LoudestChannel(ctx context.Context, in recording.Input, info wavio.Info) (channel int, note result.Text, err error) {
	if info.Channels == 1 {
		return 1, note, nil
	}
	r, err := in.Open()
	if err != nil {
		return 0, note, err
	}
	defer r.Close()
	power := make([]float64, info.Channels)
	err = recording.EachBlock(ctx, r, info.Channels, func(block [][]float64) error {
		for c, x := range block {
			for _, v := range x {
				power[c] += v * v
			}
		}
		return nil
	})
	if err != nil {
		return 0, note, err
	}
	most := 0
	for c, p := range power {
		if p > power[most]*louder {
			most = c
		}
	}
	return most + 1, result.Say("loop.channel", "channels", info.Channels, "channel", most+1, "loudest", most > 0), nil
}

// Of returns what results say of a loopback: of its file, as it compares with the dry
// recording, and of a level that may be off by the tolerance.
func Of(file string, r level.Result, tolerance unit.DB) *result.Loopback {
	l := &result.Loopback{
		File: file, Level: r.Level, LevelError: r.LevelError, Separated: r.Separated, Shape: result.Causes(r.Shape), FitFrom: r.FitFrom, FitTo: r.FitTo, Middle: r.Middle, LevelBands: r.LevelBands,
		Broadband: r.Broadband, Loudness: r.Loudness, Peak: r.Peak, Octaves: []result.OctaveLevel{},
		Noise: r.Noise, NoiseReason: result.Cause{Text: r.NoiseReason}, NoiseOwn: r.NoiseOwn, NoiseBelow: r.NoiseBelow, Noisy: r.Noisy(), Hum: r.Hum, Lag: r.Lag, Polarity: result.PolarityName(r.Polarity), Drift: r.Drift, DriftError: r.DriftError,
		Tilt: r.Tilt, Low: r.Low, LowBand: r.LowBand, High: r.High, HighBand: r.HighBand, Coherence: r.Coherence,
		From: r.From, Shared: r.Shared, Tolerance: tolerance, Unclear: r.Unclear(tolerance),
		Certain: r.Certain, Reason: result.Cause{Text: r.Reason}, Advice: result.Causes(r.Advice(tolerance)), Warnings: result.Causes(r.Warnings),
	}
	for _, o := range r.Octaves {
		l.Octaves = append(l.Octaves, result.OctaveLevel{
			Band:  result.Band{Label: o.Band.Label, Centre: o.Band.Centre, Low: o.Band.Low, High: o.Band.High},
			Level: o.Level, Measured: o.Measured,
		})
	}
	return l
}

// minLoopback is the shortest recording that is aligned, see align.Find.
const minLoopback = unit.Seconds(1)

// Measure compares a loopback file with the dry recording it was made
// from, without a manifest. Of a file with several channels the loudest is
// taken, and the result warns of it. tolerance is how far off the level may be;
// 0 stands for level.DefaultTolerance, ±0.2 dB.
//
// Errors: *mistake.Error for files that cannot be read, that are shorter than a
// second or hold nothing but zeros, whose sample rates differ,
// and for a loopback that is the dry recording itself. Recordings that have
// nothing in common are no error: see Loopback.Certain.
func Measure(ctx context.Context, dryPath, loopPath string, tolerance unit.DB) (*result.Loopback, error) {
	if tolerance == 0 {
		tolerance = level.DefaultTolerance
	}
	var scratch recording.Scratch
	defer scratch.Close()
	var bad []error
	var signals [2]*recording.Signal
	warnings := []result.Cause{}
	for k, path := range []string{dryPath, loopPath} {
		in := recording.Input{Path: path}
		in.Was, _ = os.Stat(path) // a failure is that of opening it, which says more
		info, samples, err := recording.Open(ctx, path, scratch.Next)
		if err != nil {
			bad = append(bad, err)
			continue
		}
		if samples != path {
			in.Samples = func() (string, error) { return samples, nil }
		}
		for _, w := range info.Warnings {
			warnings = append(warnings, result.Cause{Words: fmt.Sprintf("%s: %s", filepath.Base(path), w)})
		}
		channel, note, err := LoudestChannel(ctx, in, info)
		if err != nil {
			bad = append(bad, err)
			continue
		}
		if note.Found != "" {
			warnings = append(warnings, result.Cause{Text: result.Say("about", "name", filepath.Base(path), "why", note)})
		}
		if signals[k], err = recording.NewSignal(path, info, []int{channel}, nil); err != nil {
			bad = append(bad, err)
			continue
		}
		signals[k].Input = in
	}
	if bad == nil && signals[0].Info.SampleRate != signals[1].Info.SampleRate {
		bad = append(bad, fmt.Errorf("%s: the sample rate is %d Hz, the dry recording has %d Hz; record or export the loopback at the dry recording's rate",
			loopPath, signals[1].Info.SampleRate, signals[0].Info.SampleRate))
	}
	if bad == nil {
		for _, sig := range signals {
			switch silent, err := sig.Silent(ctx); {
			case err != nil:
				return nil, err
			case sig.Info.Duration() < minLoopback:
				bad = append(bad, fmt.Errorf("%s: it has %.2f s of audio; at least %.0f s are needed to compare the two; record all of it", sig.Path, float64(sig.Info.Duration()), float64(minLoopback)))
			case silent:
				bad = append(bad, fmt.Errorf("%s: every sample is 0, so there is nothing to compare; check the cable and record again", sig.Path))
			}
		}
	}
	if bad != nil {
		return nil, &mistake.Error{Problems: bad}
	}
	sums := [2]string{}
	for k, path := range []string{dryPath, loopPath} {
		sum, _, err := foreign.SHA256File(ctx, path)
		if err != nil {
			return nil, err
		}
		sums[k] = sum
	}
	itself := func(how string) error {
		return mistake.Errorf("%s: %s as %s, so it does not show the loop; name the recording of what came back through it", loopPath, how, dryPath)
	}
	if sums[0] == sums[1] {
		return nil, itself("the file has the same bytes")
	}
	var sources [2]align.Source
	for k, sig := range signals {
		r, err := sig.Open()
		if err != nil {
			return nil, err
		}
		defer r.Close()
		sources[k] = r
	}
	r, err := level.Compare(sources[0], sources[1])
	if err != nil {
		return nil, err
	}
	if r.Copy {
		return nil, itself("the recording has the same samples")
	}
	if r.Silent != "" {
		path := map[string]string{"dry recording": dryPath, "loopback": loopPath}[r.Silent]
		r.Reason = result.Say("loop.silent", "which", r.Silent, "file", filepath.Base(path))
	}
	l := Of(filepath.ToSlash(filepath.Base(loopPath)), r, tolerance)
	l.Warnings = append(warnings, l.Warnings...)
	return l, nil
}
