package publish

import (
	"context"

	"evenhand/analyze/flacio"
	"evenhand/analyze/loudness"
	"evenhand/analyze/recording"
	"evenhand/analyze/wavio"
)

// Measure decodes a published FLAC file and measures it as the takes were measured,
// over its whole length, every channel with weight 1. It returns the number of frames
// too. The errors are flacio's, and ctx's when it is done.
func Measure(ctx context.Context, name string) (loudness.Measurement, int64, error) {
	return measureAndCut(ctx, name, nil, nil)
}

// measureAndCut is Measure; where there are starts it also writes the file
// in pieces that begin there, piece k to path(k).
func measureAndCut(ctx context.Context, name string, starts []int64, path func(k int) string) (loudness.Measurement, int64, error) {
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
	return MeasureBlocks(ctx, d, info.SampleRate, info.Channels)
}

// MeasureWAV decodes a WAVE file and measures it as the takes were measured,
// over its whole length, every channel with weight 1. It returns what the file
// says of itself too. The errors are wavio's, and ctx's when it is done.
func MeasureWAV(ctx context.Context, name string) (loudness.Measurement, wavio.Info, error) {
	r, err := wavio.Open(name)
	if err != nil {
		return loudness.Measurement{}, wavio.Info{}, err
	}
	defer r.Close()
	info := r.Info()
	m, _, err := MeasureBlocks(ctx, r, info.SampleRate, info.Channels)
	return m, info, err
}

// MeasureBlocks measures decoded audio to its end and returns how many frames
// it has. The errors are r's, and ctx's when it is done.
func MeasureBlocks(ctx context.Context, r recording.BlockReader, rate, channels int) (m loudness.Measurement, frames int64, err error) {
	meter, err := loudness.NewMeter(rate, channels, loudness.Options{})
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
