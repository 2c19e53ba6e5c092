package loudness

import (
	"fmt"
	"math"

	"evenhand/analyze/unit"
)

// Peaks finds the peaks of one channel alone, at a fraction of a Meter's work.
// It must not be used by two goroutines at once.
type Peaks struct {
	meter *peakMeter
	span  *span
	pos   int64
}

// NewPeaks returns a meter for a sample rate of 8 000 to 384 000 Hz. Errors
// wrap ErrFormat.
func NewPeaks(rate int) (*Peaks, error) {
	if rate < MinRate || rate > MaxRate {
		return nil, fmt.Errorf("%w: sample rate %d Hz, allowed are %d to %d Hz", ErrFormat, rate, MinRate, MaxRate)
	}
	p := &Peaks{meter: newPeakMeter(rate, 1), span: newSpan(0, unlimited, rate)}
	p.meter.spans = []*span{p.span}
	return p, nil
}

// Write takes the next frames, which are neither changed nor kept. Errors wrap
// ErrNotFinite; after one, the meter is of no use.
func (p *Peaks) Write(x []float64) error {
	block := [][]float64{x}
	for from := 0; from < len(x); {
		to := min(len(x), from+peakBlock)
		top := uint64(0)
		for _, v := range x[from:to] {
			top = max(top, math.Float64bits(v)&^signBit)
		}
		if top >= infiniteBits {
			for i, v := range x[from:to] {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					return fmt.Errorf("%w: frame %d: %v", ErrNotFinite, p.pos+int64(i), v)
				}
			}
		}
		p.span.peak = max(p.span.peak, math.Float64frombits(top))
		p.meter.write(block, from, to)
		p.pos += int64(to - from)
		from = to
	}
	return nil
}

// Finish returns the sample peak in dBFS and the true peak in dBTP, which is
// never below it; both are −Inf for silence and NaN when nothing was written. The
// meter is of no use afterwards.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 2.
func (p *Peaks) Finish() (sample unit.DBFS, truePeak unit.DBTP) {
	if p.pos == 0 {
		return unit.DBFS(math.NaN()), unit.DBTP(math.NaN())
	}
	p.span.end = p.pos
	p.meter.finish()
	return unit.DBFS(unit.FromAmplitude(p.span.peak)), unit.DBTP(unit.FromAmplitude(max(p.span.truePeak, p.span.peak)))
}
