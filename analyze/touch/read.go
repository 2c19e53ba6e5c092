package touch

import (
	"fmt"
	"math"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
)

// LeastRate is the lowest sample rate in Hz of recordings that can be read.
const LeastRate = workRate

// Stretch is Frames frames of the timeline from First on.
type Stretch struct{ First, Frames int64 }

// Take is what is kept of a recording. It does not change once made and may be shared by
// goroutines.
type Take struct {
	rate   int     // of the recording
	by     int     // one sample of so many is kept
	lower  float64 // rate of the blocks
	taps   []float64
	blocks [][]float64
	noise  float64 // mean square in the pauses, 0 without one
}

const (
	// workRate is the least rate in Hz that blocks are brought to.
	workRate = 16000
	// noiseSeconds is how much of the pauses is read.
	noiseSeconds = 4
)

// Read returns blocks and the noise of the pauses of a recording, whose frame n + offset
// is frame n of the timeline. Errors are those of the source, and rates below 16 kHz.
func Read(src align.Source, offset int64, blocks, pauses []Stretch) (*Take, error) {
	if src.Rate() < workRate {
		return nil, fmt.Errorf("touch: sample rate %d Hz, at least %d Hz is needed", src.Rate(), LeastRate)
	}
	by := src.Rate() / workRate
	t := &Take{rate: src.Rate(), by: by, lower: float64(src.Rate()) / float64(by), taps: lowPass(by)}
	for _, b := range blocks {
		x, err := t.read(src, b.First+offset, b.Frames)
		if err != nil {
			return nil, err
		}
		t.blocks = append(t.blocks, x)
	}
	sum, n, left := 0.0, 0, int64(noiseSeconds*src.Rate())
	for _, p := range pauses {
		frames := min(p.Frames, left)
		x, err := t.read(src, p.First+offset, frames)
		if err != nil {
			return nil, err
		}
		left -= frames
		for _, v := range x {
			sum += v * v
		}
		n += len(x)
	}
	if n > 0 {
		t.noise = sum / float64(n)
	}
	return t, nil
}

// read returns a stretch at the lower rate.
func (t *Take) read(src align.Source, first, frames int64) ([]float64, error) {
	half := len(t.taps) / 2
	x := make([]float64, int(frames)+2*half)
	if _, err := src.ReadAt(x, first-int64(half)); err != nil {
		return nil, err // the source names the file and the place
	}
	out := make([]float64, int(frames)/t.by)
	for i := range out {
		in := x[i*t.by:][:len(t.taps)]
		var a, b float64
		for j := 0; j+1 < len(in); j += 2 {
			a += t.taps[j] * in[j]
			b += t.taps[j+1] * in[j+1]
		}
		out[i] = a + b + t.taps[len(in)-1]*in[len(in)-1]
	}
	return out, nil
}

// lowPass is the filter before one of so many samples is kept: a sinc under a Kaiser
// window, flat to 0.36 of the new rate and 70 dB down from its half on.
func lowPass(by int) []float64 {
	if by == 1 {
		return []float64{1}
	}
	const cutoff, beta, reach = 0.43, 7.0, 16
	half := reach * by
	h, sum := make([]float64, 2*half+1), 0.0
	for i := range h {
		u := float64(i-half) / float64(by)
		v := float64(i-half) / float64(half+1)
		h[i] = dsp.BesselI0(beta * math.Sqrt(1-v*v))
		if i != half {
			h[i] *= math.Sin(2*math.Pi*cutoff*u) / (2 * math.Pi * cutoff * u)
		}
		sum += h[i]
	}
	for i := range h {
		h[i] /= sum
	}
	return h
}
