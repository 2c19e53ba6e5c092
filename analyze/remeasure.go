package analyze

import (
	"context"

	"evenhand/analyze/flacio"
	"evenhand/analyze/loudness"
	"evenhand/analyze/recording"
	"evenhand/analyze/wavio"
)

// Remeasure decodes a published FLAC file and measures it as the takes were
// measured, over its whole length. weights are channel weights, nil for 1 each.
// It returns the number of frames too. The errors are flacio's, and ctx's when
// it is done.
func Remeasure(ctx context.Context, name string, weights []float64) (loudness.Measurement, int64, error) {
	return remeasureAndCut(ctx, name, weights, nil, nil)
}

// remeasureAndCut is Remeasure; where there are starts it also writes the file
// in pieces that begin there, piece k to path(k).
func remeasureAndCut(ctx context.Context, name string, weights []float64, starts []int64, path func(k int) string) (loudness.Measurement, int64, error) {
	d, err := flacio.Open(name)
	if err != nil {
		return loudness.Measurement{}, 0, err
	}
	defer d.Close()
	if starts != nil {
		if err := d.Cut(starts, path); err != nil {
			return loudness.Measurement{}, 0, err
		}
	}
	info := d.Info()
	return measureWhole(ctx, d, info.SampleRate, info.Channels, weights)
}

// RemeasureWAV decodes a WAVE file and measures it as the takes were measured,
// over its whole length, every channel with weight 1. It returns what the file
// says of itself too. The errors are wavio's, and ctx's when it is done.
func RemeasureWAV(ctx context.Context, name string) (loudness.Measurement, wavio.Info, error) {
	r, err := wavio.Open(name)
	if err != nil {
		return loudness.Measurement{}, wavio.Info{}, err
	}
	defer r.Close()
	info := r.Info()
	m, _, err := measureWhole(ctx, r, info.SampleRate, info.Channels, nil)
	return m, info, err
}

// measureWhole measures decoded audio to its end and returns how many frames
// it has.
func measureWhole(ctx context.Context, r recording.BlockReader, rate, channels int, weights []float64) (m loudness.Measurement, frames int64, err error) {
	meter, err := loudness.NewMeter(rate, channels, loudness.Options{Weights: weights})
	if err != nil {
		return m, 0, err
	}
	err = recording.EachBlock(ctx, r, channels, func(block [][]float64) error {
		frames += int64(len(block[0]))
		return meter.Write(block)
	})
	if err != nil {
		return m, 0, err
	}
	return meter.Finish()[0], frames, nil
}
