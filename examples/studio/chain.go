package studio

import (
	"math"

	"evenhand/analyze/unit"
)

// Amp is an amplifier: tone controls around one soft stage.
type Amp struct {
	Tone  []Filter // before the soft stage
	Drive unit.DB
	Post  []Filter
	Hiss  unit.DBFS // rms at the soft stage's input
}

func valveAmplifier() Amp {
	return Amp{
		Tone:  []Filter{{HighPass, 60, 0.7, 0}, {LowShelf, 150, 0.7, 2}, {Peak, 520, 0.8, -4}, {HighShelf, 2500, 0.6, 3}},
		Drive: 0, Hiss: -84,
		Post: []Filter{{HighPass, 40, 0.7, 0}},
	}
}

func valveCombo() Amp {
	return Amp{
		Tone:  []Filter{{HighPass, 110, 0.7, 0}, {Peak, 600, 0.8, -2}, {HighShelf, 2000, 0.6, 5}},
		Drive: 17, Hiss: -88,
		Post: []Filter{{HighPass, 50, 0.7, 0}, {LowShelf, 150, 0.7, 3}},
	}
}

// Chain is everything between the dry recording and a take's file.
type Chain struct {
	Rate     int
	Circuit  *Circuit // nil: bypassed
	Amp      Amp
	Mics     [][]float64  // one or two cabinet responses, one to a channel
	Lag      unit.Samples // how much later than the dry recording: what the recording program adds
	Inverted bool
	Gain     unit.DB   // of the microphone preamplifier
	Floor    unit.DBFS // rms hiss of the converter in each channel
	Seed     uint64    // of the noises
	Extra    int       // frames recorded beyond the end of the dry recording; negative: stopped before it

	// Silent leaves out every noise that the chain makes itself.
	Silent bool
}

// Frames is the length of a take of dry.
func (c Chain) Frames(dry []float64) int { return max(0, len(dry)+c.Extra) }

// Render sends dry through the chain and hands the result to emit in blocks,
// [channel][frame]; emit must not keep them. The nonlinear stages run at eight
// and four times the rate. The chain's lag is exact: filters of the circuit,
// the amplifier and the cabinet add their own group delay to it.
func (c Chain) Render(dry []float64, emit func(block [][]float64) error) error {
	drive, make8 := newOversampler(3), func([]float64) {}
	power := newOversampler(2)
	latency := power.delay() + delayCentre
	var input, tone []biquad
	var buzz *hum
	circuitHiss := newHiss(c.Seed, streamCircuit)
	if c.Circuit != nil {
		latency += drive.delay()
		make8 = c.Circuit.Curve.shaper(8*c.Rate, unit.ToAmplitude(float64(c.Circuit.Drive)))
		input, tone = designAll(c.Circuit.Input, c.Rate), designAll(c.Circuit.Tone, c.Rate)
		buzz = newHum(c.Rate, mainsHz, rectified())
	}
	ampHiss := newHiss(c.Seed, streamAmp)
	ampTone, ampPost := designAll(c.Amp.Tone, c.Rate), designAll(c.Amp.Post, c.Rate)
	ampDrive := unit.ToAmplitude(float64(c.Amp.Drive))
	saturate := func(x []float64) {
		for i, v := range x {
			x[i] = soft(ampDrive * v)
		}
	}

	shift := math.Floor(float64(c.Lag) - latency)
	frac := fractionalDelay(float64(c.Lag) - latency - shift)
	var left, right []float64
	left = convolve(c.Mics[0], frac)
	if len(c.Mics) > 1 {
		right = convolve(c.Mics[1], frac)
	}
	cabinet := newConvolver(left, right)
	floors := []hiss{newHiss(c.Seed, streamLeft), newHiss(c.Seed, streamRight)}
	gain := unit.ToAmplitude(float64(c.Gain))
	sign := 1.0
	if c.Inverted {
		sign = -1
	}

	x := make([]float64, hop)
	out := make([][]float64, len(c.Mics))
	for i := range out {
		out[i] = make([]float64, hop)
	}
	for at, frames := 0, c.Frames(dry); at < frames; {
		n := min(hop, frames-at)
		x := x[:n]
		for i := range x {
			if j := at + i - int(shift); j >= 0 && j < len(dry) {
				x[i] = dry[j]
			} else {
				x[i] = 0
			}
		}
		if cc := c.Circuit; cc != nil {
			runAll(input, x)
			drive.run(x, make8)
			if !c.Silent {
				circuitHiss.add(x, unit.ToAmplitude(float64(cc.Hiss)))
			}
			runAll(tone, x)
			if !c.Silent {
				buzz.add(x, unit.ToAmplitude(float64(cc.Hum)))
			}
			level := sign * unit.ToAmplitude(float64(cc.Level))
			for i := range x {
				x[i] *= level
			}
		} else if c.Inverted {
			for i := range x {
				x[i] = -x[i]
			}
		}
		runAll(ampTone, x)
		if !c.Silent {
			ampHiss.add(x, unit.ToAmplitude(float64(c.Amp.Hiss)))
		}
		power.run(x, saturate)
		runAll(ampPost, x)

		block := make([][]float64, len(out))
		for i := range out {
			block[i] = out[i][:n]
		}
		if len(block) > 1 {
			cabinet.run(block[0], block[1], x)
		} else {
			cabinet.run(block[0], nil, x)
		}
		for i, channel := range block {
			for j := range channel {
				channel[j] *= gain
			}
			if !c.Silent {
				floors[i].add(channel, unit.ToAmplitude(float64(c.Floor)))
			}
		}
		if err := emit(block); err != nil {
			return err
		}
		at += n
	}
	return nil
}

// Render is Chain.Render into memory: [channel][frame].
func Render(dry []float64, c Chain) [][]float64 {
	out := make([][]float64, len(c.Mics))
	for i := range out {
		out[i] = make([]float64, 0, c.Frames(dry))
	}
	// emit never fails here, so neither does Render.
	_ = c.Render(dry, func(block [][]float64) error {
		for i := range out {
			out[i] = append(out[i], block[i]...)
		}
		return nil
	})
	return out
}
