package publish

import (
	"context"
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/loudness"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

// blendSteps is the number of blends whose makeup gain is listed; between them
// players go in a straight line.
const blendSteps = 41

// blend is what is found of the blends of two microphones.
type blend struct {
	Side  string // the microphone that is softer in the take
	Gain  unit.DB
	Steps []result.BlendStep
}

// writeBlend writes the microphone that is softer in the blend alone, at the
// take's gain or as far below as keeps every sample under the ceiling, and finds the
// gains for other blends.
func (w *writer) writeBlend(ctx context.Context, dir string, starts []int64) (*result.BlendPlan, error) {
	left, right := w.micSignals()
	in := struct {
		Left, Right   recording.Heard
		Blend         [2]unit.DB
		Channels      int
		First, Frames int64
		Gain          unit.DB
		Target        unit.LUFS
		Ceiling       unit.DBTP
	}{left.Heard(), right.Heard(), [2]unit.DB{w.Mics[0].Blend, w.Mics[1].Blend}, w.Signal.Channels(), w.First(w.whole()), int64(w.whole().Frames),
		w.Gain, w.Target, w.Ceiling}
	b, err := work.Once(w.Run, "blend", in, []*recording.Signal{left}, func() (blend, error) { return w.findBlend(ctx, left, right) })
	if err != nil {
		return nil, err
	}
	alone := &Take{Name: w.Name, Slug: w.Slug + ".mic", Signal: right, Frame: w.Frame, Gain: b.Gain, Bits: w.Bits, alone: b.Side}
	if b.Side == "left" {
		alone.Signal = left
	}
	made, err := (&writer{w.Plan, alone, w.Run}).write(ctx, dir, starts)
	if err != nil {
		return nil, err
	}
	return &result.BlendPlan{Side: b.Side, Gain: b.Gain, Start: unit.Number(w.blendPosition()), Steps: b.Steps, Pieces: made.Published.Pieces, SHA256: made.Published.SHA256}, nil
}

// findBlend measures the blends of a take's microphones.
func (w *writer) findBlend(ctx context.Context, left, right *recording.Signal) (plan blend, err error) {
	rate := w.Timeline.SampleRate
	meter, err := loudness.NewBlend(rate)
	if err != nil {
		return plan, err
	}
	start := w.blendPosition()
	plan.Side = "right"
	if w.Mics[1].Blend > w.Mics[0].Blend {
		plan.Side = "left"
	}
	positions := make([]float64, 0, blendSteps+1)
	for k := range blendSteps {
		positions = append(positions, float64(k)/(blendSteps-1))
	}
	if k, found := slices.BinarySearch(positions, start); !found {
		positions = slices.Insert(positions, k, start)
	}
	// The first pass measures, and finds the peak of each blend.
	peaks := make([]float64, len(positions))
	err = w.eachPair(ctx, left, right, func(l, r []float64) error {
		r = r[:len(l)]
		least := slices.Min(peaks)
		for n, v := range l {
			// No blend is greater than the greater of the two.
			if w := r[n]; max(math.Abs(v), math.Abs(w)) > least {
				for k, p := range positions {
					peaks[k] = max(peaks[k], math.Abs((1-p)*v+p*w))
				}
				least = slices.Min(peaks)
			}
		}
		return meter.Write(l, r)
	})
	if err != nil {
		return plan, err
	}
	weight := float64(w.Signal.Channels()) // 2 for two equal channels
	for k, p := range positions {
		gain := blendGain(meter, p, weight, float64(w.Target))
		if math.IsInf(gain, 0) || math.IsNaN(gain) {
			if p > 0 && p < 1 {
				continue // the two cancel here: no gain makes this blend heard
			}
			return plan, fmt.Errorf("%s: the %s microphone has nothing above −70 LUFS, so blends cannot be matched; check the channels of the file", w.Name, map[bool]string{true: "left", false: "right"}[p == 0])
		}
		plan.Steps = append(plan.Steps, result.BlendStep{
			Position: unit.Number(p),
			Gain:     unit.DB(gain),
			Peak:     unit.DBFS(unit.FromAmplitude(peaks[k]) + gain),
		})
	}
	peak := peaks[len(peaks)-1]
	if plan.Side == "left" {
		peak = peaks[0]
	}
	plan.Gain = unit.DB(math.Min(float64(w.Gain), float64(w.Ceiling)-unit.FromAmplitude(peak)))
	return plan, nil
}

// blendPosition is where the manifest's blend lies.
func (t *Take) blendPosition() float64 {
	l, r := unit.ToAmplitude(float64(t.Mics[0].Blend)), unit.ToAmplitude(float64(t.Mics[1].Blend))
	return r / (l + r)
}

// blendGain returns the gain in dB that brings the blend at position p to the
// target. The absolute gate does not move with it, so it is found by trying.
func blendGain(m *loudness.Blend, p, weight, target float64) float64 {
	gain := 0.0
	for range 20 {
		g := unit.ToAmplitude(gain)
		miss := target - float64(m.Integrated(g*(1-p), g*p, weight))
		if math.Abs(miss) < 1e-6 || math.IsInf(miss, 0) || math.IsNaN(miss) {
			return gain + miss
		}
		gain += miss
	}
	return gain
}

// micSignals returns the two microphones of a take as signals of one channel.
func (t *Take) micSignals() (left, right *recording.Signal) {
	one := func(m Mic) *recording.Signal {
		sig := *t.Signal
		row := make([]float64, sig.Info.Channels)
		row[m.Channel-1] = 1
		sig.Mix = [][]float64{row}
		return &sig
	}
	return one(t.Mics[0]), one(t.Mics[1])
}

// eachPair hands both microphones of a take to f, block by block.
func (w *writer) eachPair(ctx context.Context, left, right *recording.Signal, f func(l, r []float64) error) error {
	both := *left
	both.Mix = [][]float64{left.Mix[0], right.Mix[0]}
	r, err := both.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	return r.Each(w.First(w.whole()), int64(w.whole().Frames), func(_ int64, block [][]float64) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return f(block[0], block[1])
	})
}
