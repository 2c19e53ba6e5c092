package publish

import (
	"context"

	"evenhand/analyze/flacio"
	"evenhand/analyze/loudness"
	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/analyze/work"
)

// Measure decodes a published FLAC file and measures it as the takes were measured,
// over its whole length, every channel with weight 1. It returns the number of frames
// too. The errors are flacio's, and ctx's when it is done.
func Measure(ctx context.Context, name string) (loudness.Measurement, int64, error) {
	m, frames, _, err := measure(ctx, name, nil)
	return m, frames, err
}

// measure is Measure; it also returns where the blocks are that begin at the starts.
func measure(ctx context.Context, name string, starts []int64) (m loudness.Measurement, frames int64, offsets []int64, err error) {
	d, err := flacio.Open(name)
	if err != nil {
		return m, 0, nil, err
	}
	defer d.Close()
	d.Find(starts)
	info := d.Info()
	m, frames, err = MeasureBlocks(ctx, d, info.SampleRate, info.Channels)
	return m, frames, d.Offsets(), err
}

// measuredAgain is what was found when a written file was decoded: by its content, so
// that no other file has it, whatever the store says that it is.
type measuredAgain struct {
	Frames     int64
	Integrated unit.LUFS
	TruePeak   unit.DBTP
	SamplePeak unit.DBFS
	Offsets    []int64 // of its pieces
}

// again decodes and measures a written file whose SHA-256 is given.
func (w *writer) again(ctx context.Context, name, sum string, starts []int64) (measuredAgain, error) {
	in := struct {
		SHA256 string
		Starts []int64
	}{sum, starts}
	return work.Once(w.Run, "published audio", in, nil, func() (measuredAgain, error) {
		m, frames, offsets, err := measure(ctx, name, starts)
		return measuredAgain{frames, m.Integrated, m.TruePeak, m.SamplePeak, offsets}, err
	})
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
	meter, err := loudness.NewMeter(rate, channels)
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
