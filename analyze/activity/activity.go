// Package activity finds where a dry recording plays and where it pauses, in
// one pass with bounded memory.
//
// There is no standard for this; every figure below is common practice, no
// source, chosen on synthesized plucked notes with noise from −70 to −40 dBFS.
//
// The recording is judged by its rms level in blocks of 10 ms, the power
// averaged over the channels. Two levels describe it:
//
//   - Floor: the mean level of the quietest stretch as long as MinPause.
//     Digital silence (below −120 dBFS) is left out, so that an edit or a gate
//     in one place does not hide the noise of the others.
//   - Level: what the loudest tenth of the blocks above digital silence
//     exceeds.
//
// Playing stops where the level falls to the Threshold, the higher of Floor +
// Margin and Level − Reach, and starts where it rises above that by
// Hysteresis; the start is then taken back to where the level left the
// Threshold. Gaps shorter than MinPause do not interrupt playing. When Level
// stands less than MinContrast above Floor there is nothing that could be
// told apart and all is playing: sustained feedback, however it trembles, has
// no pause.
//
// A pause is narrower than the gap between two stretches of playing: a decay
// goes on below the Threshold. It begins Guard after the level has settled to
// within Settle of the gap's own floor (its quietest stretch as long as
// MinPause) and ends Guard before the next start; nothing is cut off at the
// recording's own beginning and end. What is then shorter than MinPause, and a
// gap whose own floor lies more than Margin above Floor, is no pause.
package activity

import (
	"errors"
	"fmt"
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// ErrBlock is wrapped by the errors of Write.
var ErrBlock = errors.New("activity: unusable block")

// Limits of memory.
const (
	overviewPoints = 1200
	maxBlocks      = 1 << 19 // 10 ms blocks: 87 minutes; then blocks are joined in pairs
)

// digitalSilence is the mean square below which a block counts as digital
// silence: −120 dBFS, below any converter's noise. Common practice, no source.
const digitalSilence = 1e-12

// Params are the rules. Times are in seconds, levels in dB.
type Params struct {
	MinPause    unit.Seconds // shorter gaps do not interrupt playing; a pause is at least as long
	MinPlaying  unit.Seconds // shorter bursts are neither playing nor pause: clicks, a knocked string
	Guard       unit.Seconds // left out after a decay and before the next start
	Margin      unit.DB      // of the Threshold above Floor
	Hysteresis  unit.DB      // of a start above the Threshold
	Reach       unit.DB      // greatest distance of the Threshold below Level
	MinContrast unit.DB      // least distance of Level above Floor for pauses to exist
	Settle      unit.DB      // a decay has ended this close to the gap's own floor
}

// DefaultParams returns the usual rules. Common practice, no source.
func DefaultParams() Params {
	return Params{MinPause: 0.4, MinPlaying: 0.06, Guard: 0.15, Margin: 6, Hysteresis: 6, Reach: 60, MinContrast: 20, Settle: 2}
}

// Stretch is Frames frames from First on, counted from the first frame.
type Stretch struct{ First, Frames int64 }

// End returns the frame after the last.
func (s Stretch) End() int64 { return s.First + s.Frames }

// Result tells what a recording does when.
type Result struct {
	// Playing and Pauses are in order and do not overlap; between them lie
	// decays, guards and bursts. Never nil.
	Playing, Pauses []Stretch
	// Floor and Peak are the noise floor (rms; a full-scale sine is −3.01)
	// and the greatest sample level; Threshold is where playing stops. −Inf
	// for silence, NaN where there is nothing to measure.
	Floor, Peak, Threshold unit.DBFS
	// Overview holds the peak level in equal steps of OverviewStep frames
	// over all channels, 0 to 1, at most 1200; the last step may be shorter.
	// Never nil.
	Overview     []float64
	OverviewStep int64
	Frames       int64          // frames written
	Warnings     []finding.Text // never nil
}

// Detector takes a recording in blocks. It must not be used by two goroutines
// at once.
type Detector struct {
	p        Params
	rate     int
	channels int
	length   int64 // frames of a block

	filled int64   // frames in the running block
	sum    float64 // Σ x² of it
	top    float64 // greatest |x| of it
	powers []float32
	joined int64   // finest blocks per entry of powers
	part   float64 // mean squares of the finest blocks of the next entry
	parts  int64

	overview []float64
	perPoint int64 // finest blocks per point
	blocks   int64 // finest blocks closed
	peak     float64
	frames   int64
	err      error
}

// NewDetector returns a detector for a sample rate in Hz, at least 100, and a
// number of channels, at least 1; Write reports other values.
func NewDetector(rate, channels int, p Params) *Detector {
	d := &Detector{p: p, rate: rate, channels: channels, length: int64(math.Round(float64(rate) / 100)), joined: 1, perPoint: 1}
	if rate < 100 || channels < 1 {
		d.err = fmt.Errorf("%w: sample rate %d Hz and %d channels, allowed are 100 Hz and 1 channel at least", ErrBlock, rate, channels)
	}
	return d
}

// Write takes the next frames: one slice of equal length per channel, full
// scale ±1.0, neither changed nor kept. The result does not depend on how the
// recording is cut into blocks. Errors wrap ErrBlock.
func (d *Detector) Write(block [][]float64) error {
	if d.err != nil {
		return d.err
	}
	if len(block) != d.channels {
		return fmt.Errorf("%w: %d channels, allowed are %d", ErrBlock, len(block), d.channels)
	}
	n := len(block[0])
	for c, x := range block {
		if len(x) != n {
			return fmt.Errorf("%w: channel %d has %d frames, channel 1 has %d", ErrBlock, c+1, len(x), n)
		}
	}
	for i := 0; i < n; {
		k := int(min(int64(n-i), d.length-d.filled))
		sum, top := d.sum, d.top
		if d.channels == 1 {
			for _, v := range block[0][i : i+k] {
				sum += v * v
				top = max(top, math.Abs(v))
			}
		} else {
			for j := i; j < i+k; j++ { // frame by frame: independent of the cut
				for _, x := range block {
					v := x[j]
					sum += v * v
					top = max(top, math.Abs(v))
				}
			}
		}
		if math.IsNaN(sum) || math.IsInf(sum, 0) {
			d.err = fmt.Errorf("%w: a sample in frames %d to %d is not a finite number", ErrBlock, d.frames, d.frames+int64(k)-1)
			return d.err
		}
		d.sum, d.top = sum, top
		d.filled += int64(k)
		d.frames += int64(k)
		i += k
		if d.filled == d.length {
			d.closeBlock()
		}
	}
	return nil
}

func (d *Detector) closeBlock() {
	d.peak = max(d.peak, d.top)
	point := d.blocks / d.perPoint
	if point == overviewPoints {
		for i := range overviewPoints / 2 {
			d.overview[i] = max(d.overview[2*i], d.overview[2*i+1])
		}
		d.overview = d.overview[:overviewPoints/2]
		d.perPoint *= 2
		point = d.blocks / d.perPoint
	}
	if point == int64(len(d.overview)) {
		d.overview = append(d.overview, 0)
	}
	d.overview[point] = max(d.overview[point], min(d.top, 1))
	d.blocks++

	d.part += d.sum / float64(d.filled*int64(d.channels))
	if d.parts++; d.parts == d.joined {
		d.powers = append(d.powers, float32(d.part/float64(d.parts)))
		d.part, d.parts = 0, 0
		if len(d.powers) == maxBlocks {
			for i := range maxBlocks / 2 {
				d.powers[i] = (d.powers[2*i] + d.powers[2*i+1]) / 2
			}
			d.powers = d.powers[:maxBlocks/2]
			d.joined *= 2
		}
	}
	d.filled, d.sum, d.top = 0, 0, 0
}

// Finish returns what was found. A block begun at the end counts as one.
func (d *Detector) Finish() Result {
	if d.filled > 0 {
		d.closeBlock()
	}
	if d.parts > 0 {
		d.powers = append(d.powers, float32(d.part/float64(d.parts)))
		d.part, d.parts = 0, 0
	}
	r := Result{
		Playing: []Stretch{}, Pauses: []Stretch{},
		Floor: unit.DBFS(math.NaN()), Threshold: unit.DBFS(math.NaN()), Peak: unit.DBFS(unit.FromAmplitude(d.peak)),
		Overview: append([]float64{}, d.overview...), OverviewStep: d.length * d.perPoint,
		Frames: d.frames, Warnings: []finding.Text{},
	}
	if d.frames == 0 {
		r.Peak = unit.DBFS(math.NaN())
		r.Warnings = append(r.Warnings, finding.Say("playing.empty"))
		return r
	}
	d.judge(&r)
	return r
}
