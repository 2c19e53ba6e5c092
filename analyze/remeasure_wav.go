package analyze

import (
	"context"
	"errors"
	"io"

	"evenhand/analyze/loudness"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

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
	m, err := loudness.NewMeter(info.SampleRate, info.Channels, loudness.Options{})
	if err != nil {
		return loudness.Measurement{}, info, err
	}
	buf := make([][]float64, info.Channels)
	part := make([][]float64, info.Channels)
	for c := range buf {
		buf[c] = make([]float64, blockFrames)
	}
	for {
		if err := ctx.Err(); err != nil {
			return loudness.Measurement{}, info, err
		}
		n, err := r.Read(buf)
		if n > 0 {
			for c := range buf {
				part[c] = buf[c][:n]
			}
			if err := m.Write(part); err != nil {
				return loudness.Measurement{}, info, err
			}
		}
		if errors.Is(err, io.EOF) {
			return m.Finish()[0], info, nil
		}
		if err != nil {
			return loudness.Measurement{}, info, err
		}
	}
}

// GainTo returns the gain that brings a measured stretch to a loudness, with
// the absolute gate in place (see loudness.Measurement.IntegratedAt).
func GainTo(m loudness.Measurement, target unit.LUFS) unit.DB { return gainTo(m, target) }
